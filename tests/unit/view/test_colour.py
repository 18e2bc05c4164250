"""Colours that everybody can read and that mean what the legend says."""

from __future__ import annotations

import numpy as np
import pytest

from fem.view.colour import Scale, materials, ramp, round_up, shade, signed_ramp
from fem.view.palette import OVER

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


@pytest.mark.parametrize("eye", MACHADO)
def test_the_signed_ramp_tells_sign_and_size_to_every_eye(eye: str) -> None:
    """Lightness falls from the middle to both ends alike, the ends differ in colour, every step shows."""
    seen = cielab(np.clip(linear(signed_ramp(41)) @ eye_matrix(eye).T, 0.0, 1.0))
    light = seen[:, 0]
    assert (np.diff(light[:21]) > 0.5).all() and (np.diff(light[20:]) < -0.5).all()
    assert abs(light[0] - light[-1]) < 12.0
    assert np.linalg.norm(seen[0] - seen[-1]) > 45.0
    assert np.hypot(*seen[20, 1:]) < 2.0  # the middle is grey
    assert np.linalg.norm(np.diff(seen, axis=0), axis=1).min() > 2.0


@pytest.mark.parametrize("eye", MACHADO)
def test_materials_differ_for_every_eye(eye: str) -> None:
    seen = cielab(np.clip(linear(materials(6) / 255) @ eye_matrix(eye).T, 0.0, 1.0))
    away = np.linalg.norm(seen[:, None] - seen, axis=-1)[~np.eye(6, dtype=bool)]
    assert away.min() > 15.0


def test_a_scale_gives_the_colours_of_its_legend() -> None:
    plain = Scale("x", "mm", 0.0, 8.0)
    np.testing.assert_array_equal(plain.colours(np.array([0.0, 8.0, 20.0])), shade(np.array([0.0, 1.0, 1.0])))
    falling = Scale("x", "mm", 0.0, 2.0, falling=True)
    np.testing.assert_array_equal(falling.colours(np.array([0.0, 2.0])), shade(np.array([1.0, 0.0])))
    limited = Scale("x", "%", 0.0, 100.0, limit=True)
    np.testing.assert_array_equal(limited.colours(np.array([50.0, 101.0])), shade(np.array([0.5, 1.01])))
    signed = Scale("x", "1/mm", -0.2, 0.2, signed=True)
    low, middle, high, unknown = signed.colours(np.array([-0.2, 0.0, 0.3, np.nan])).astype(int)
    assert low[2] > low[0] + 40 and high[0] > high[2] + 40  # blue end, red end
    assert middle.min() > 235 and np.ptp(middle) < 6
    assert unknown.tolist() == [190, 190, 190]


def test_ticks_name_the_ends() -> None:
    assert [words for _, words in Scale("x", "mm", 0.0, 8.0).ticks()] == ["0", "2", "4", "6", "8 +"]
    assert [words for _, words in Scale("x", "%", 0.0, 100.0, limit=True).ticks()][-1] == "100"
    assert Scale("x", "", -0.4, 0.4, signed=True).ticks()[0][1] == "\N{MINUS SIGN}0.4"


@pytest.mark.parametrize(
    ("value", "end"), [(0.0, 1.0), (0.3, 0.4), (4.0, 4.0), (4.1, 6.0), (81.0, 100.0), (float("nan"), 1.0)]
)
def test_scales_end_at_short_numbers(value: float, end: float) -> None:
    assert round_up(value) == pytest.approx(end)
