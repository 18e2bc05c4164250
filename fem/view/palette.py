"""Every fixed colour of pictures, pages and terminal, by what it is for. No other module has one of its own.

A tone has a colour on light and on dark paper; pictures are drawn on light paper, pages follow the reader's
screen. Scales of values, made from these and from the OKLab space, are in `colour`.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Tone:
    """A colour on light paper and on dark, "#rrggbb"."""

    light: str
    dark: str


TONES = {
    "ink": Tone("#22313a", "#e4e9ec"),
    "soft": Tone("#56656d", "#a9b6bd"),
    "faint": Tone("#d5dade", "#3b474e"),
    "paper": Tone("#ffffff", "#161d21"),
    "stage": Tone("#ffffff", "#46525a"),
    "alarm": Tone("#a3123f", "#ff86a4"),
    "good": Tone("#1d6b3a", "#7fd6a0"),
    "tight": Tone("#8a5a00", "#f0c060"),
    "inward": Tone("#145086", "#6fb7e6"),
    "outward": Tone("#bc5a0a", "#f59a4c"),
    "third": Tone("#7a5195", "#c6a1e0"),
    "past": Tone("#9aa5ab", "#77848b"),
    "over": Tone("#ffb11a", "#ffb11a"),
    "unknown": Tone("#bebebe", "#bebebe"),
    "body": Tone("#c9c1b4", "#6d675d"),
    "cut": Tone("#b3a897", "#5d574d"),
    "axle": Tone("#59626a", "#8d979f"),
    "hand": Tone("#ffffff", "#ffffff"),
    "strip": Tone("#8fb7c4", "#4f8496"),
    "zone": Tone("#3d5c8c", "#a5c3f2"),
    "intended": Tone("#8a4fa3", "#cf9be4"),
}
"""What a colour is for -> the colour.

inward, outward: winding in, pushing out; past: what was accepted; over: beyond a limit; body, cut: walls and
where they are cut open; hand: the mark on the axle.
"""


def _light(name: str) -> str:
    return TONES[name].light


INK, SOFT, FAINT, PAPER, ALARM = map(_light, ("ink", "soft", "faint", "paper", "alarm"))
INWARD, OUTWARD, PAST = map(_light, ("inward", "outward", "past"))
OVER, UNKNOWN = map(_light, ("over", "unknown"))
BODY, CUT, AXLE, HAND, INTENDED = map(_light, ("body", "cut", "axle", "hand", "intended"))


@dataclass(frozen=True)
class LineLook:
    """How a line of a curve looks: its tone, its width as a multiple of the usual one, dashes in widths."""

    tone: str
    weight: float = 1.0
    dashes: tuple[float, ...] = ()

    @property
    def colour(self) -> str:
        """Its colour on light paper."""
        return _light(self.tone)


LINES = {
    "assemble": LineLook("soft"),
    "retract": LineLook("inward", 1.0, (5.0, 1.6)),
    "deploy": LineLook("outward", 1.35),
    "push": LineLook("inward", 1.15),
    "motor": LineLook("ink", 0.65, (8.0, 2.0, 1.5, 2.0)),
    "work": LineLook("ink"),
    "stored": LineLook("inward", 1.0, (5.0, 1.6)),
    "friction": LineLook("outward"),
    "damping": LineLook("third", 1.0, (1.2, 1.2)),
}
"""Kind of a line in `fem.results.curves` (a phase, the motor, an entry of the energy balance) -> look.

Winding in and pushing out differ in colour (blue and orange keep apart in the common colour-vision
deficiencies), in lightness, in dash and in width.
"""

FAILED, CHANGED, NOTED, QUIET, HEADING = "bold red", "yellow", "yellow", "dim", "bold"
"""Styles of the terminal: what must not go unnoticed, what changed on purpose, a message on the way, what
stands aside, a heading.
"""
