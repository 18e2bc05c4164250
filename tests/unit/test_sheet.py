"""Colours that everybody can read, and labels that keep out of each other's way."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from fem.sheet import ALARM, OVER, Hand, Sheet, colour_scale, label, ramp, shade, wrapped

MACHADO = {
    "red-blind": "0.152286 1.052583 -0.204868 0.114503 0.786281 0.099216 -0.003882 -0.048116 1.051998",
    "green-blind": "0.367322 0.860646 -0.227968 0.280085 0.672501 0.047413 -0.011820 0.042940 0.968881",
    "blue-blind": "1.255528 -0.076749 -0.178779 -0.078411 0.930809 0.147602 0.004733 0.691367 0.303900",
    "everyone": "1 0 0 0 1 0 0 0 1",
}
"""Machado, Oliveira and Fernandes 2009 (IEEE TVCG 15:1291), severity 1, row by row, on linear sRGB; from
memory, so the rows are checked to keep grey grey."""


def eye_matrix(eye: str) -> np.ndarray:
    return np.array(MACHADO[eye].split(), dtype=float).reshape(3, 3)


def linear(srgb: np.ndarray) -> np.ndarray:
    """IEC 61966-2-1."""
    return np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)


def cielab(rgb: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* of linear sRGB, white point D65 (CIE 15; primaries IEC 61966-2-1)."""
    xyz = rgb @ np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]).T
    ratio = np.clip(xyz / [0.9505, 1.0, 1.089], 0.0, None)
    f = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.stack([116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])], axis=1)


@pytest.mark.parametrize("eye", MACHADO)
def test_the_ramp_darkens_steadily_for_every_eye(eye: str) -> None:
    matrix = eye_matrix(eye)
    np.testing.assert_allclose(matrix.sum(axis=1), 1.0, atol=2e-6)
    lightness = cielab(np.clip(linear(ramp(41)) @ matrix.T, 0.0, 1.0))[:, 0]
    steps = -np.diff(lightness)
    assert steps.min() > 0.8
    assert lightness[0] - lightness[-1] > 70.0


def test_steps_of_the_ramp_look_alike() -> None:
    """Measured in CIELAB, a space the ramp was not made in: no step over 2.2 times another."""
    steps = np.linalg.norm(np.diff(cielab(linear(ramp(21))), axis=0), axis=1)
    assert steps.max() / steps.min() < 2.2


@pytest.mark.parametrize("eye", MACHADO)
def test_over_the_limit_is_unlike_anything_on_the_ramp(eye: str) -> None:
    over = np.array([[int(OVER[k : k + 2], 16) / 255 for k in (1, 3, 5)]])
    seen = cielab(np.clip(linear(np.vstack([ramp(), over])) @ eye_matrix(eye).T, 0.0, 1.0))
    assert np.linalg.norm(seen[:-1] - seen[-1], axis=1).min() > 25.0


def test_shades() -> None:
    colours = shade(np.array([[0.0, 1.0], [1.0001, np.nan]]))
    assert colours.shape == (2, 2, 3)
    np.testing.assert_array_equal(colours[0, 0], (ramp()[0] * 255).round())
    np.testing.assert_array_equal(colours[0, 1], (ramp()[-1] * 255).round())
    assert colours[1, 0].tolist() == [0xFF, 0xB1, 0x1A]
    assert len(set(colours[1, 1].tolist())) == 1


def cluttered() -> Sheet:
    sheet = Sheet((600, 400))
    sheet.frame((200, 100, 420, 300), ALARM, fill=ALARM)
    return sheet


def test_labels_find_free_paper_and_keep_apart() -> None:
    sheet = cluttered()
    taken = sheet.occupied((0, 0, 600, 400))
    boxes = [label(sheet, taken, (310 + 15 * k, 200), f"label {k}") for k in range(5)]
    for number, box in enumerate(boxes):
        assert box is not None
        assert box[0] >= 0 and box[1] >= 0 and box[2] <= 600 and box[3] <= 400
        assert box[2] <= 200 or box[0] >= 420 or box[3] <= 100 or box[1] >= 300
        for other in boxes[number + 1 :]:
            assert other is not None
            assert box[2] <= other[0] or other[2] <= box[0] or box[3] <= other[1] or other[3] <= box[1]


def test_a_label_without_room_is_left_out() -> None:
    sheet = Sheet((200, 120))
    sheet.frame((0, 0, 200, 120), ALARM, fill=ALARM)
    before = np.asarray(sheet._image).copy()
    assert label(sheet, sheet.occupied((0, 0, 200, 120)), (100, 60), "no room here", Hand(20)) is None
    np.testing.assert_array_equal(np.asarray(sheet._image), before)


def test_words_stay_within_the_box_told() -> None:
    sheet = Sheet((500, 200))
    box = sheet.text((40, 50), "gjpqy ÅÉ 41 mm\nsecond line", 22, bold=True)
    dark = np.argwhere(np.asarray(sheet._image).min(axis=-1) < 128) / Sheet.FINE
    (top, left), (bottom, right) = dark.min(axis=0), dark.max(axis=0)
    assert box[0] <= left
    assert right <= box[2] + 1
    assert box[1] <= top
    assert bottom <= box[3]


def test_wrapping_keeps_to_the_width() -> None:
    sheet = Sheet((10, 10))
    words = "Jams on the way out because the coil locks up in the casing and the motor has too little " * 2
    broken = wrapped(sheet, words, 21, 400)
    assert broken.split() == words.split()
    assert max(sheet.measure(line, 21)[0] for line in broken.splitlines()) <= 400
    assert wrapped(sheet, "unbreakable" * 9, 21, 50) == "unbreakable" * 9


def test_the_scale_shows_the_ramp_and_the_warning(tmp_path: Path) -> None:
    sheet = Sheet((700, 120))
    right = colour_scale(sheet, (30, 10), 420, "strain [%]")
    assert 30 + 420 < right < 600
    pixels = np.asarray(Image.open(sheet.save(tmp_path / "scale.png")))
    assert pixels.shape == (120, 700, 3)
    np.testing.assert_allclose(pixels[55, 30 + 210], ramp()[127] * 255, atol=4)
    assert pixels[55, int(right) - 10].tolist() == [0xFF, 0xB1, 0x1A]
    assert [file.name for file in tmp_path.iterdir()] == ["scale.png"]


def test_a_failed_save_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "a.png").write_bytes(b"old")

    def fail(*_: object, **__: object) -> None:
        raise OSError("No space left on device")

    monkeypatch.setattr(Image.Image, "save", fail)
    with pytest.raises(OSError, match="No space"):
        Sheet((10, 10)).save(tmp_path / "a.png")
    assert (tmp_path / "a.png").read_bytes() == b"old"
    assert [file.name for file in tmp_path.iterdir()] == ["a.png"]
