"""The words and drawings around the strip: heading, column of numbers, curve with slider, list of keys.

Everything here is drawn on sheets, by a window at its own size and by a film at its frames', and knows no
3-D.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fem.core.term import Array
from fem.results.readings import state_values
from fem.results.result import Result
from fem.results.snapshot import PHASE_WORDS, PHASES
from fem.view.canvas import Box, Sheet, colour_scale, cut_short, wrapped
from fem.view.colour import Scale, materials
from fem.view.colouring import PAINTS
from fem.view.intended import Zones
from fem.view.measure import Coil
from fem.view.palette import ALARM, FAINT, INK, LINES, PAPER, SOFT
from fem.view.playback import KEYS, Showing
from fem.view.torque_trace import Trace

Picture = NDArray[np.uint8]
SIZE = 13.0
SIDE, HEAD, FOOT, LEAST = 316, 72, 236, (760, 560)
"""Pixels: width of the column of numbers, heights of heading and foot, the least window."""


@dataclass(frozen=True)
class Layout:
    """Where everything is in a window of this size; boxes are left, top, right, bottom in pixels."""

    width: int
    height: int

    @property
    def head(self) -> Box:
        """The heading."""
        return 0, 0, self.width, HEAD

    @property
    def side(self) -> Box:
        """The column of numbers."""
        return self.width - SIDE, HEAD, self.width, self.height

    @property
    def foot(self) -> Box:
        """Curve and slider."""
        return 0, self.height - FOOT, self.width - SIDE, self.height

    @property
    def scene(self) -> Box:
        """What is left for the strip."""
        return 0, HEAD, self.width - SIDE, self.height - FOOT


def heading(results: Sequence[Result], width: int, shared: float = 0.0) -> Picture:
    """Case, status and sentence; of two runs each has its part of `shared` pixels."""
    sheet = Sheet((width, HEAD))
    part = (shared or width) / len(results) if len(results) > 1 else width
    for number, result in enumerate(results):
        x, room = 16 + number * part, (width - number * part if number else part) - 28
        title = f"{result.case_name}: {result.status}"
        colour = ALARM if result.jam else INK
        box = sheet.text((x, 9), cut_short(sheet, title, 18, room, True), 18, colour, bold=True)
        told = f"{result.model} model"
        if box[2] + 12 + sheet.measure(told, SIZE)[0] < x + room:
            sheet.text((box[2] + 12, 14), told, SIZE, SOFT)
        lines = wrapped(sheet, result.sentence, 12, room).splitlines()
        if len(lines) > 2:
            lines = [lines[0], cut_short(sheet, " ".join(lines[1:]), 12, room)]
        sheet.text((x, 35), "\n".join(lines), 12)
    sheet.line([(0, HEAD - 1), (width, HEAD - 1)], FAINT, 1)
    return sheet.picture()


class Foot:
    """Curve and slider of a run (or two) at one width; what does not move is drawn once."""

    def __init__(self, showing: Showing, others: Sequence[Result], width: int) -> None:
        self.width = width
        self.trace = Trace([showing.result, *others], (10, 10, width - 8, FOOT - 58), 12.0)
        self.track = (self.trace.inner[0], FOOT - 48.0, self.trace.inner[2], FOOT - 38.0)
        sheet = Sheet((width, FOOT))
        sheet.line([(0, 0), (width, 0)], FAINT, 1)
        self.trace.draw(sheet)
        self._slider(sheet, showing)
        self._base = sheet.picture()

    def picture(self, showing: Showing, moments: Sequence[int]) -> Picture:
        """With the marks at the moments of the runs, and the slider's grip."""
        sheet = Sheet.over(self._base)
        self.trace.mark(sheet, moments)
        left, top, right, bottom = self.track
        x = left + (right - left) * (showing.moment + 0.5) / len(showing.result.snapshots)
        tip = [(x + 6, bottom + 2), (x, bottom + 8), (x - 6, bottom + 2)]
        sheet.area([(x - 6, top - 6), (x + 6, top - 6), *tip], INK, PAPER)
        return sheet.picture()

    def share(self, x: float) -> float:
        """Place on the slider, 0 ... 1, of a pixel across."""
        return (x - self.track[0]) / (self.track[2] - self.track[0])

    def on_slider(self, y: float) -> bool:
        """Whether a height (pixels from the top of the foot) is at the slider."""
        return self.track[1] - 12 <= y <= FOOT

    def _slider(self, sheet: Sheet, showing: Showing) -> None:
        left, top, right, bottom = self.track
        shots = showing.result.snapshots
        room = (right - left) / len(shots)
        for k, shot in enumerate(shots):
            colour = LINES[PHASES[shot.phase]].colour
            sheet.frame(
                (left + k * room + 0.5, top, left + (k + 1) * room - 0.5, bottom), colour, 1, fill=colour
            )
        taken: list[tuple[float, float]] = []
        named: dict[int, list[str]] = {}
        for event in showing.events:
            named.setdefault(event.moment, []).append(event.name)
        # a jam is named before all others, where there is no room for everything
        for moment in sorted(named, key=lambda k: ("jam" not in named[k], k)):
            x = left + (moment + 0.5) * room
            colour = ALARM if "jam" in named[moment] else INK
            sheet.line([(x, bottom), (x, bottom + 9)], colour, 2)
            words = "; ".join(named[moment])
            wide = sheet.measure(words, 11)[0]
            start = min(max(x - wide / 2, left), right - wide)
            if all(start > end + 8 or start + wide < begin - 8 for begin, end in taken):
                taken.append((start, start + wide))
                sheet.text((start, bottom + 11), words, 11, colour)


@dataclass(frozen=True, eq=False)
class Seen:
    """What the column of numbers tells of beside the moment: scale or layers, section, point, coil."""

    scale: Scale | None
    zones: Zones
    known: bool = True
    """Whether the moment has any value of the colour shown."""
    section: Array | None = None
    """(layers + 1, b, 2) mm."""
    intended: Array | None = None
    """(b, 2) mm: the section at rest there."""
    values: Sequence[tuple[str, str]] = ()
    coil: Coil | None = None


def side(showing: Showing, seen: Seen, height: int, others: Sequence[tuple[Result, int]] = ()) -> Picture:
    """The column of numbers; what finds no room at the bottom is left out. others: other runs at moments."""
    sheet = Sheet((SIDE, height), 1)
    sheet.line([(0, 0), (0, height)], FAINT, 1)
    y = _moment(sheet, showing, 10.0)
    for result, moment in others:
        sheet.text(
            (14, _rule(sheet, y)), cut_short(sheet, result.case_name, SIZE, SIDE - 28, True), SIZE, bold=True
        )
        y = _rows(sheet, numbers(result, moment), y + 10 + 1.4 * SIZE)
    y = _legend(sheet, showing, seen, _rule(sheet, y))
    if showing.measuring and y + 90 < height:
        y = _measures(sheet, seen.coil, _rule(sheet, y))
    if seen.section is not None and showing.probe is not None:
        if y + 60 + 17 * len(seen.values) < height - 30:
            y = _point(sheet, showing.probe, seen.values, _rule(sheet, y))
        if y + 120 < height - 30:
            _section(
                sheet, seen, showing.probe[0], (14, _rule(sheet, y), SIDE - 14, min(y + 210.0, height - 34.0))
            )
    elif y + 60 < height - 30:
        hint = "click the strip: values there, and its section cut and laid flat"
        sheet.text((14, _rule(sheet, y)), wrapped(sheet, hint, 12, SIDE - 28), 12, SOFT)
    words = showing.message or "h: keys"
    sheet.text((14, height - 24), cut_short(sheet, words, 12, SIDE - 28, bool(showing.message)), 12,
               ALARM if showing.message else SOFT, bool(showing.message))  # fmt: skip
    return sheet.picture()


def _rule(sheet: Sheet, y: float) -> float:
    sheet.line([(14, y + 4), (SIDE - 14, y + 4)], FAINT, 1)
    return y + 10


def _rows(sheet: Sheet, rows: Sequence[tuple[str, str]], y: float) -> float:
    for name, value in rows:
        sheet.text((14, y), name, SIZE, SOFT)
        wide = sheet.measure(value, SIZE)[0]
        sheet.text((SIDE - 14 - wide, y), value, SIZE)
        y += 1.4 * SIZE
    return y


def numbers(result: Result, moment: int) -> list[tuple[str, str]]:
    """Names and values of a state of a run, for reading."""
    shot = result.snapshots[moment]
    rows = state_values(result, shot)
    if np.isfinite(shot.strain_share).any():
        place = int(np.nanargmax(shot.strain_share)) // shot.across.size
        share = 100 * float(np.nanmax(shot.strain_share))
        rows.append(("most strained", f"{share:.0f} % at {shot.station[place]:.1f} mm"))
    return rows


def _moment(sheet: Sheet, showing: Showing, y: float) -> float:
    shot = showing.shot
    phase = PHASES[shot.phase]
    sheet.text((14, y), PHASE_WORDS[phase], 15, LINES[phase].colour, bold=True)
    count = f"{showing.moment + 1} of {len(showing.result.snapshots)}"
    sheet.text((SIDE - 14 - sheet.measure(count, 12)[0], y + 2), count, 12, SOFT)
    y += 22
    words = showing.names or ("playing" if showing.playing else "")
    if words:
        broken = wrapped(sheet, words, SIZE, SIDE - 28, True)
        sheet.text((14, y), broken, SIZE, ALARM if "jam" in words.split("; ") else INK, bold=True)
        y += sheet.measure(broken, SIZE, True)[1] + 2
    return _rows(sheet, numbers(showing.result, showing.moment), y)


def _legend(sheet: Sheet, showing: Showing, seen: Seen, y: float) -> float:
    if seen.scale is not None:
        paint = next(paint for paint in PAINTS if paint.name == showing.colour)
        title = f"{paint.title} [{paint.unit}]"
        broken = wrapped(sheet, title, SIZE, SIDE - 28)
        sheet.text((14, y), broken, SIZE)
        y += sheet.measure(broken, SIZE)[1] - 1.8 * SIZE + 4
        bare = Scale("", "", **{k: v for k, v in vars(seen.scale).items() if k not in ("title", "unit")})
        colour_scale(sheet, (14, y), SIDE - 28 - (64 if bare.limit else 0) - 16, bare, SIZE)
        y += 4.6 * SIZE
        if not seen.known:
            sheet.text((14, y), paint.without, 12, ALARM)
            y += 18
        return y
    sheet.text((14, y), "layers, away from the axle first", SIZE)
    y += 1.5 * SIZE
    colours = materials(max(len(seen.zones.materials), 1))
    for name, thickness, where in seen.zones.layers:
        shade: Any = tuple(int(part) for part in colours[seen.zones.materials.index(name)])
        sheet.area([(14, y + 2), (34, y + 2), (34, y + 15), (14, y + 15)], shade, SOFT)
        sheet.text((42, y), f"{name}, {thickness:g} mm", SIZE)
        y += 1.5 * SIZE
        if where:
            broken = wrapped(sheet, where, 12, SIDE - 56)
            sheet.text((42, y - 3), broken, 12, SOFT)
            y += sheet.measure(broken, 12)[1]
    if not seen.zones.layers:
        words = "not known: the case file is gone, or has changed since this run"
        sheet.text((14, y), wrapped(sheet, words, 12, SIDE - 28), 12, SOFT)
        y += 36
    return y


def _measures(sheet: Sheet, made: Coil | None, y: float) -> float:
    sheet.text((14, y), "coil", SIZE, bold=True)
    y += 1.45 * SIZE
    if made is None:
        sheet.text((14, y), "nothing is wound up", SIZE, SOFT)
        return y + 1.4 * SIZE
    gap = f"{made.clearance:.2f} mm" if math.isfinite(made.clearance) else "no casing"
    rows = [
        ("turns", f"{made.turns:.2f}"),
        ("round it needs", f"\N{LATIN CAPITAL LETTER O WITH STROKE} {made.diameter:.2f} mm"),
        ("left to the casing", gap.replace("-", "\N{MINUS SIGN}")),
        ("widest", f"{made.station:.1f} mm from the root"),
    ]
    return _rows(sheet, rows, y)


def _point(sheet: Sheet, probe: tuple[float, float], values: Sequence[tuple[str, str]], y: float) -> float:
    across = f"{probe[1]:.1f}".replace("-", "\N{MINUS SIGN}")
    sheet.text((14, y), f"{probe[0]:.1f} mm from the root, {across} across", SIZE, ALARM, bold=True)
    return _rows(sheet, values, y + 1.5 * SIZE)


def _section(sheet: Sheet, seen: Seen, station: float, box: Box) -> None:
    """The section laid flat, to scale, with its layers and the shape it should have."""
    left, top, right, bottom = box
    sheet.text((left, top), "section there, toward the axle is up", 12, SOFT)
    assert seen.section is not None
    lines = seen.section
    every = [lines.reshape(-1, 2)] + ([seen.intended] if seen.intended is not None else [])
    points = np.concatenate(every)
    low, high = points.min(axis=0), points.max(axis=0)
    room = np.array([right - left, bottom - top - 46])
    scale = float(np.min(room / np.maximum(high - low, 1e-9)))
    centre = np.array([(left + right) / 2, top + 20 + room[1] / 2])

    def at(values: Array) -> list[tuple[float, float]]:
        placed = centre + (values - (low + high) / 2) * scale * [1, -1]
        return [(float(x), float(y)) for x, y in placed]

    if seen.intended is not None:
        sheet.dashed(at(seen.intended), SOFT, 1.2, 4.0)
    colours = materials(max(len(seen.zones.materials), 1))
    for k, kinds in enumerate(seen.zones.across_at(station)):
        # a hard edge between two materials lies between two columns a hair apart
        ends = np.concatenate([[0], np.flatnonzero(np.diff(kinds)) + 1, [len(kinds) - 1]])
        for start, end in itertools.pairwise(ends.tolist()):
            if kinds[start] >= 0:
                fill: Any = tuple(int(part) for part in colours[kinds[start]])
                part = slice(start, end + 1)
                sheet.area(at(np.concatenate([lines[k, part], lines[k + 1, part][::-1]])), fill, INK)
    step = 10.0 ** math.floor(math.log10(0.5 * room[0] / scale))
    step = next(f * step for f in (5.0, 2.0, 1.0) if f * step * scale < 0.5 * room[0])
    y = bottom - 8
    sheet.line([(left, y), (left + step * scale, y)], INK, 2)
    sheet.text((left + step * scale + 6, y - 9), f"{step:g} mm", 12)
    if seen.intended is not None:
        words = "when fully out"
        x = right - sheet.measure(words, 12)[0]
        sheet.text((x, y - 9), words, 12, SOFT)
        sheet.dashed([(x - 26, y), (x - 6, y)], SOFT, 1.2, 4.0)


def key_card() -> Picture:
    """The list of keys as a card to lay over the strip."""
    paper = Sheet((10, 10), 1)
    width = int(150 + max(paper.measure(binding.words, SIZE)[0] for binding in KEYS))
    sheet = Sheet((width, 46 + 20 * len(KEYS) + 44), 1)
    sheet.frame((0, 0, sheet.size[0] - 1, sheet.size[1] - 1), SOFT)
    sheet.text((18, 12), "keys", 16, bold=True)
    for row, binding in enumerate(KEYS):
        sheet.text((18, 40 + 20 * row), binding.shown, SIZE, bold=True)
        sheet.text((120, 40 + 20 * row), binding.words, SIZE)
    words = (
        "mouse: turn with the left button, shift with the middle one, come nearer with the wheel;\n"
        "pull the slider or click the curve to travel"
    )
    sheet.text((18, 44 + 20 * len(KEYS)), words, 12, SOFT)
    return sheet.picture()
