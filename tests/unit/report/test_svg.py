"""Drawings are whole, safe to stand in a page, and their axes have round numbers."""

from __future__ import annotations

import itertools
import xml.etree.ElementTree as ET

import pytest

from fem.report.svg import Drawing, Pen, round_steps, spread, style_sheet
from fem.view.palette import TONES

NAME = "{http://www.w3.org/2000/svg}"


def test_a_drawing_is_well_formed_and_words_are_escaped() -> None:
    drawing = Drawing(100.0, "a <b> & c")
    drawing.words((1, 2), 'x < y & "z"')
    drawing.path([(0, 0), (1, 1)], Pen("alarm", 2.0, (3, 1)))
    drawing.box((0, 0), (5, 5), None, "strip")
    root = ET.fromstring(drawing.text("one"))
    assert root.find(f"{NAME}title").text == "a <b> & c"  # type: ignore[union-attr]
    assert root.find(f"{NAME}text").text == 'x < y & "z"'  # type: ignore[union-attr]
    assert root.find(f"{NAME}path").get("stroke-dasharray") == "3 1"  # type: ignore[union-attr]
    assert root.find(f"{NAME}rect").get("class") == "f-strip"  # type: ignore[union-attr]


def luminance(colour: str) -> float:
    """Relative luminance as defined by the Web Content Accessibility Guidelines 2.2 (W3C)."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


@pytest.mark.parametrize("paper", ["light", "dark"])
@pytest.mark.parametrize(
    "tone", ["ink", "soft", "alarm", "good", "tight", "inward", "outward", "third", "intended"]
)
def test_words_and_curves_stand_out_from_the_paper(tone: str, paper: str) -> None:
    """WCAG 2.2, criterion 1.4.3: contrast of text at least 4.5 to 1."""
    one, two = sorted(luminance(getattr(TONES[name], paper)) for name in (tone, "paper"))
    assert (two + 0.05) / (one + 0.05) >= 4.5


def test_every_tone_has_its_rules_in_both_lights() -> None:
    rules = style_sheet()
    for name, tone in TONES.items():
        assert rules.count(f"--{name}:") == 2
        assert tone.light in rules and tone.dark in rules and f".s-{name}" in rules


@pytest.mark.parametrize(
    ("low", "high", "steps"),
    [
        (0.0, 100.0, [0, 20, 40, 60, 80, 100]),
        (-3.0, 7.0, [-2, 0, 2, 4, 6]),
        (0.0, 0.013, [0, 0.005, 0.01]),
        (5.0, 5.0, [5.0]),
    ],
)
def test_axes_carry_round_numbers(low: float, high: float, steps: list[float]) -> None:
    assert round_steps(low, high, 4 if high == 0.013 else 5)[: len(steps)] == pytest.approx(steps)


def test_labels_are_moved_apart_and_stay_within() -> None:
    places = spread([10.0, 11.0, 12.0, 90.0], 15.0, 0.0, 100.0)
    assert all(b - a >= 15.0 for a, b in itertools.pairwise(places))
    assert max(places) <= 100.0
