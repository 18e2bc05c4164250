"""The words and drawings around the strip: heading, column of numbers, curve with slider, list of keys.

Everything here is drawn on canvases, by a window at its own size and by a film at its frames', and knows no
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
from fem.view.canvas import Box, Canvas, colour_scale, cut_short, wrapped
from fem.view.colour import Scale, materials
from fem.view.colouring import COLOURINGS
from fem.view.intended import Zones
from fem.view.measure import CoilSize
from fem.view.palette import ALARM, FAINT, INK, LINES, PAPER, SOFT
from fem.view.playback import KEYS, Playback
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
    canvas = Canvas((width, HEAD))
    part = (shared or width) / len(results) if len(results) > 1 else width
    for number, result in enumerate(results):
        x, room = 16 + number * part, (width - number * part if number else part) - 28
        title = f"{result.case_name}: {result.status}"
        colour = ALARM if result.jam else INK
        box = canvas.text((x, 9), cut_short(canvas, title, 18, room, True), 18, colour, bold=True)
        model = f"{result.model} model"
        if box[2] + 12 + canvas.measure(model, SIZE)[0] < x + room:
            canvas.text((box[2] + 12, 14), model, SIZE, SOFT)
        lines = wrapped(canvas, result.sentence, 12, room).splitlines()
        if len(lines) > 2:
            lines = [lines[0], cut_short(canvas, " ".join(lines[1:]), 12, room)]
        canvas.text((x, 35), "\n".join(lines), 12)
    canvas.line([(0, HEAD - 1), (width, HEAD - 1)], FAINT, 1)
    return canvas.picture()


class CurvePanel:
    """Curve and slider of a run (or two) at one width; what does not move is drawn once."""

    def __init__(self, playback: Playback, others: Sequence[Result], width: int) -> None:
        self.width = width
        self.trace = Trace([playback.result, *others], (10, 10, width - 8, FOOT - 58), 12.0)
        self.track = (self.trace.inner[0], FOOT - 48.0, self.trace.inner[2], FOOT - 38.0)
        canvas = Canvas((width, FOOT))
        canvas.line([(0, 0), (width, 0)], FAINT, 1)
        self.trace.draw(canvas)
        self._slider(canvas, playback)
        self._base = canvas.picture()

    def picture(self, playback: Playback, states: Sequence[int]) -> Picture:
        """With the marks at the states of the runs, and the slider's grip."""
        canvas = Canvas.over(self._base)
        self.trace.mark(canvas, states)
        left, top, right, bottom = self.track
        x = left + (right - left) * (playback.state + 0.5) / len(playback.result.snapshots)
        tip = [(x + 6, bottom + 2), (x, bottom + 8), (x - 6, bottom + 2)]
        canvas.area([(x - 6, top - 6), (x + 6, top - 6), *tip], INK, PAPER)
        return canvas.picture()

    def share(self, x: float) -> float:
        """Place on the slider, 0 ... 1, of a pixel across."""
        return (x - self.track[0]) / (self.track[2] - self.track[0])

    def on_slider(self, y: float) -> bool:
        """Whether a height (pixels from the top of the foot) is at the slider."""
        return self.track[1] - 12 <= y <= FOOT

    def _slider(self, canvas: Canvas, playback: Playback) -> None:
        left, top, right, bottom = self.track
        shots = playback.result.snapshots
        room = (right - left) / len(shots)
        for k, shot in enumerate(shots):
            colour = LINES[PHASES[shot.phase]].colour
            canvas.frame(
                (left + k * room + 0.5, top, left + (k + 1) * room - 0.5, bottom), colour, 1, fill=colour
            )
        taken: list[tuple[float, float]] = []
        named: dict[int, list[str]] = {}
        for event in playback.events:
            named.setdefault(event.state, []).append(event.name)
        # a jam is named before all others, where there is no room for everything
        for state in sorted(named, key=lambda k: ("jam" not in named[k], k)):
            x = left + (state + 0.5) * room
            colour = ALARM if "jam" in named[state] else INK
            canvas.line([(x, bottom), (x, bottom + 9)], colour, 2)
            words = "; ".join(named[state])
            wide = canvas.measure(words, 11)[0]
            start = min(max(x - wide / 2, left), right - wide)
            if all(start > end + 8 or start + wide < begin - 8 for begin, end in taken):
                taken.append((start, start + wide))
                canvas.text((start, bottom + 11), words, 11, colour)


@dataclass(frozen=True, eq=False)
class PanelContent:
    """What the column of numbers tells of beside the state: scale or layers, section, point, coil."""

    scale: Scale | None
    zones: Zones
    known: bool = True
    """Whether the state has any value of the colour shown."""
    section: Array | None = None
    """(layers + 1, b, 2) mm."""
    intended: Array | None = None
    """(b, 2) mm: the section at rest there."""
    values: Sequence[tuple[str, str]] = ()
    coil: CoilSize | None = None


def side_column(
    playback: Playback, seen: PanelContent, height: int, others: Sequence[tuple[Result, int]] = ()
) -> Picture:
    """The column of numbers; what finds no room at the bottom is left out. others: other runs at states."""
    canvas = Canvas((SIDE, height), 1)
    canvas.line([(0, 0), (0, height)], FAINT, 1)
    y = _state(canvas, playback, 10.0)
    for result, state in others:
        canvas.text(
            (14, _rule(canvas, y)),
            cut_short(canvas, result.case_name, SIZE, SIDE - 28, True),
            SIZE,
            bold=True,
        )
        y = _rows(canvas, numbers(result, state), y + 10 + 1.4 * SIZE)
    y = _legend(canvas, playback, seen, _rule(canvas, y))
    if playback.measuring and y + 90 < height:
        y = _measures(canvas, seen.coil, _rule(canvas, y))
    if seen.section is not None and playback.probe is not None:
        if y + 60 + 17 * len(seen.values) < height - 30:
            y = _point(canvas, playback.probe, seen.values, _rule(canvas, y))
        if y + 120 < height - 30:
            _section(
                canvas,
                seen,
                playback.probe[0],
                (14, _rule(canvas, y), SIDE - 14, min(y + 210.0, height - 34.0)),
            )
    elif y + 60 < height - 30:
        hint = "click the strip: values there, and its section cut and laid flat"
        canvas.text((14, _rule(canvas, y)), wrapped(canvas, hint, 12, SIDE - 28), 12, SOFT)
    words = playback.message or "h: keys"
    canvas.text((14, height - 24), cut_short(canvas, words, 12, SIDE - 28, bool(playback.message)), 12,
               ALARM if playback.message else SOFT, bool(playback.message))  # fmt: skip
    return canvas.picture()


def _rule(canvas: Canvas, y: float) -> float:
    canvas.line([(14, y + 4), (SIDE - 14, y + 4)], FAINT, 1)
    return y + 10


def _rows(canvas: Canvas, rows: Sequence[tuple[str, str]], y: float) -> float:
    for name, value in rows:
        canvas.text((14, y), name, SIZE, SOFT)
        wide = canvas.measure(value, SIZE)[0]
        canvas.text((SIDE - 14 - wide, y), value, SIZE)
        y += 1.4 * SIZE
    return y


def numbers(result: Result, state: int) -> list[tuple[str, str]]:
    """Names and values of a state of a run, for reading."""
    shot = result.snapshots[state]
    rows = state_values(result, shot)
    if np.isfinite(shot.strain_share).any():
        place = int(np.nanargmax(shot.strain_share)) // shot.across.size
        share = 100 * float(np.nanmax(shot.strain_share))
        rows.append(("most strained", f"{share:.0f} % at {shot.station[place]:.1f} mm"))
    return rows


def _state(canvas: Canvas, playback: Playback, y: float) -> float:
    shot = playback.shot
    phase = PHASES[shot.phase]
    canvas.text((14, y), PHASE_WORDS[phase], 15, LINES[phase].colour, bold=True)
    count = f"{playback.state + 1} of {len(playback.result.snapshots)}"
    canvas.text((SIDE - 14 - canvas.measure(count, 12)[0], y + 2), count, 12, SOFT)
    y += 22
    words = playback.names or ("playing" if playback.playing else "")
    if words:
        broken = wrapped(canvas, words, SIZE, SIDE - 28, True)
        canvas.text((14, y), broken, SIZE, ALARM if "jam" in words.split("; ") else INK, bold=True)
        y += canvas.measure(broken, SIZE, True)[1] + 2
    return _rows(canvas, numbers(playback.result, playback.state), y)


def _legend(canvas: Canvas, playback: Playback, seen: PanelContent, y: float) -> float:
    if seen.scale is not None:
        colouring = next(colouring for colouring in COLOURINGS if colouring.name == playback.colour)
        title = f"{colouring.title} [{colouring.unit}]"
        broken = wrapped(canvas, title, SIZE, SIDE - 28)
        canvas.text((14, y), broken, SIZE)
        y += canvas.measure(broken, SIZE)[1] - 1.8 * SIZE + 4
        bare = Scale("", "", **{k: v for k, v in vars(seen.scale).items() if k not in ("title", "unit")})
        colour_scale(canvas, (14, y), SIDE - 28 - (64 if bare.limit else 0) - 16, bare, SIZE)
        y += 4.6 * SIZE
        if not seen.known:
            canvas.text((14, y), colouring.without, 12, ALARM)
            y += 18
        return y
    canvas.text((14, y), "layers, away from the axle first", SIZE)
    y += 1.5 * SIZE
    colours = materials(max(len(seen.zones.materials), 1))
    for name, thickness, where in seen.zones.layers:
        shade: Any = tuple(int(part) for part in colours[seen.zones.materials.index(name)])
        canvas.area([(14, y + 2), (34, y + 2), (34, y + 15), (14, y + 15)], shade, SOFT)
        canvas.text((42, y), f"{name}, {thickness:g} mm", SIZE)
        y += 1.5 * SIZE
        if where:
            broken = wrapped(canvas, where, 12, SIDE - 56)
            canvas.text((42, y - 3), broken, 12, SOFT)
            y += canvas.measure(broken, 12)[1]
    if not seen.zones.layers:
        words = "not known: the case file is gone, or has changed since this run"
        canvas.text((14, y), wrapped(canvas, words, 12, SIDE - 28), 12, SOFT)
        y += 36
    return y


def _measures(canvas: Canvas, made: CoilSize | None, y: float) -> float:
    canvas.text((14, y), "coil", SIZE, bold=True)
    y += 1.45 * SIZE
    if made is None:
        canvas.text((14, y), "nothing is wound up", SIZE, SOFT)
        return y + 1.4 * SIZE
    gap = f"{made.clearance:.2f} mm" if math.isfinite(made.clearance) else "no casing"
    rows = [
        ("turns", f"{made.turns:.2f}"),
        ("round it needs", f"\N{LATIN CAPITAL LETTER O WITH STROKE} {made.diameter:.2f} mm"),
        ("left to the casing", gap.replace("-", "\N{MINUS SIGN}")),
        ("widest", f"{made.station:.1f} mm from the root"),
    ]
    return _rows(canvas, rows, y)


def _point(canvas: Canvas, probe: tuple[float, float], values: Sequence[tuple[str, str]], y: float) -> float:
    across = f"{probe[1]:.1f}".replace("-", "\N{MINUS SIGN}")
    canvas.text((14, y), f"{probe[0]:.1f} mm from the root, {across} across", SIZE, ALARM, bold=True)
    return _rows(canvas, values, y + 1.5 * SIZE)


def _section(canvas: Canvas, seen: PanelContent, station: float, box: Box) -> None:
    """The section laid flat, to scale, with its layers and the shape it should have."""
    left, top, right, bottom = box
    canvas.text((left, top), "section there, toward the axle is up", 12, SOFT)
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
        canvas.dashed(at(seen.intended), SOFT, 1.2, 4.0)
    colours = materials(max(len(seen.zones.materials), 1))
    for k, kinds in enumerate(seen.zones.across_at(station)):
        # a hard edge between two materials lies between two columns a hair apart
        ends = np.concatenate([[0], np.flatnonzero(np.diff(kinds)) + 1, [len(kinds) - 1]])
        for start, end in itertools.pairwise(ends.tolist()):
            if kinds[start] >= 0:
                fill: Any = tuple(int(part) for part in colours[kinds[start]])
                part = slice(start, end + 1)
                canvas.area(at(np.concatenate([lines[k, part], lines[k + 1, part][::-1]])), fill, INK)
    step = 10.0 ** math.floor(math.log10(0.5 * room[0] / scale))
    step = next(f * step for f in (5.0, 2.0, 1.0) if f * step * scale < 0.5 * room[0])
    y = bottom - 8
    canvas.line([(left, y), (left + step * scale, y)], INK, 2)
    canvas.text((left + step * scale + 6, y - 9), f"{step:g} mm", 12)
    if seen.intended is not None:
        words = "when fully out"
        x = right - canvas.measure(words, 12)[0]
        canvas.text((x, y - 9), words, 12, SOFT)
        canvas.dashed([(x - 26, y), (x - 6, y)], SOFT, 1.2, 4.0)


def key_card() -> Picture:
    """The list of keys as a card to lay over the strip."""
    paper = Canvas((10, 10), 1)
    width = int(150 + max(paper.measure(binding.words, SIZE)[0] for binding in KEYS))
    canvas = Canvas((width, 46 + 20 * len(KEYS) + 44), 1)
    canvas.frame((0, 0, canvas.size[0] - 1, canvas.size[1] - 1), SOFT)
    canvas.text((18, 12), "keys", 16, bold=True)
    for row, binding in enumerate(KEYS):
        canvas.text((18, 40 + 20 * row), binding.shown, SIZE, bold=True)
        canvas.text((120, 40 + 20 * row), binding.words, SIZE)
    words = (
        "mouse: turn with the left button, shift with the middle one, come nearer with the wheel;\n"
        "pull the slider or click the curve to travel"
    )
    canvas.text((18, 44 + 20 * len(KEYS)), words, 12, SOFT)
    return canvas.picture()
