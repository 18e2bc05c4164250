"""Colours that everybody can read, and labels that keep out of each other's way."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from fem.view.canvas import Canvas, TextStyle, colour_scale, cut_short, label, wrapped
from fem.view.colour import Scale, ramp
from fem.view.palette import ALARM


def cluttered() -> Canvas:
    canvas = Canvas((600, 400))
    canvas.frame((200, 100, 420, 300), ALARM, fill=ALARM)
    return canvas


def test_labels_find_free_paper_and_keep_apart() -> None:
    canvas = cluttered()
    taken = canvas.occupied((0, 0, 600, 400))
    boxes = [label(canvas, taken, (310 + 15 * k, 200), f"label {k}") for k in range(5)]
    for number, box in enumerate(boxes):
        assert box is not None
        assert box[0] >= 0 and box[1] >= 0 and box[2] <= 600 and box[3] <= 400
        assert box[2] <= 200 or box[0] >= 420 or box[3] <= 100 or box[1] >= 300
        for other in boxes[number + 1 :]:
            assert other is not None
            assert box[2] <= other[0] or other[2] <= box[0] or box[3] <= other[1] or other[3] <= box[1]


def test_no_label_lies_on_the_line_of_another() -> None:
    canvas = cluttered()
    taken = canvas.occupied((0, 0, 600, 400))
    anchor = (310.0, 110.0)
    box = label(canvas, taken, anchor, "first")
    assert box is not None
    end = (min(max(anchor[0], box[0]), box[2]), min(max(anchor[1], box[1]), box[3]))
    other = label(canvas, taken, ((anchor[0] + end[0]) / 2 + 4, (anchor[1] + end[1]) / 2), "second")
    assert other is not None
    for share in np.linspace(0.0, 1.0, 60):
        x, y = (a + (b - a) * share for a, b in zip(anchor, end, strict=True))
        assert not (other[0] < x < other[2] and other[1] < y < other[3])


def test_a_label_without_room_is_left_out() -> None:
    canvas = Canvas((200, 120))
    canvas.frame((0, 0, 200, 120), ALARM, fill=ALARM)
    before = np.asarray(canvas._image).copy()
    assert label(canvas, canvas.occupied((0, 0, 200, 120)), (100, 60), "no room here", TextStyle(20)) is None
    np.testing.assert_array_equal(np.asarray(canvas._image), before)


def test_words_stay_within_the_box_told() -> None:
    canvas = Canvas((500, 200))
    box = canvas.text((40, 50), "gjpqy ÅÉ 41 mm\nsecond line", 22, bold=True)
    dark = np.argwhere(np.asarray(canvas._image).min(axis=-1) < 128) / Canvas.FINE
    (top, left), (bottom, right) = dark.min(axis=0), dark.max(axis=0)
    assert box[0] <= left
    assert right <= box[2] + 1
    assert box[1] <= top
    assert bottom <= box[3]


def test_wrapping_keeps_to_the_width() -> None:
    canvas = Canvas((10, 10))
    words = "Jams on the way out because the coil locks up in the casing and the motor has too little " * 2
    broken = wrapped(canvas, words, 21, 400)
    assert broken.split() == words.split()
    assert max(canvas.measure(line, 21)[0] for line in broken.splitlines()) <= 400
    assert wrapped(canvas, "unbreakable" * 9, 21, 50) == "unbreakable" * 9


def test_a_line_is_cut_where_it_would_leave_the_room() -> None:
    canvas = Canvas((10, 10))
    assert cut_short(canvas, "short", 12, 400) == "short"
    words = cut_short(canvas, "a sentence that is too long for so little room", 12, 120)
    assert words.endswith("\N{HORIZONTAL ELLIPSIS}")
    assert 80 < canvas.measure(words, 12)[0] <= 120


def test_dashes_are_drawn_and_leave_gaps() -> None:
    canvas = Canvas((200, 20))
    canvas.dashed([(10, 10), (190, 10)], ALARM, 2, 12.0)
    row = canvas.picture()[10, 10:190].min(axis=-1) < 128
    assert 0.4 < row.mean() < 0.8
    assert np.abs(np.diff(row.astype(int))).sum() > 12


def test_the_scale_shows_the_ramp_and_the_warning(tmp_path: Path) -> None:
    canvas = Canvas((700, 120))
    right = colour_scale(canvas, (30, 10), 420, Scale("strain", "%", 0.0, 100.0, limit=True))
    assert 30 + 420 < right < 600
    pixels = np.asarray(Image.open(canvas.save(tmp_path / "scale.png")))
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
        Canvas((10, 10)).save(tmp_path / "a.png")
    assert (tmp_path / "a.png").read_bytes() == b"old"
    assert [file.name for file in tmp_path.iterdir()] == ["a.png"]
