"""The curves of a run as SVG, and small charts on common axes.

A chart knows where each point of data falls, so that a page can move a marker along its curves.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from fem.core.term import Array, Index
from fem.report.svg import SIZE, WIDE, Drawing, Pen, long_words, number, round_steps, wide
from fem.results.curves import Curve, Line, Mark, load_curve, place
from fem.results.result import Result
from fem.view.palette import LINES

WIDTH = 1.6
"""Width of a line of weight 1."""
MOST_POINTS = 700
LOAD_HEIGHT = 290.0
"""Height of the chart of a load curve."""
NAME_ROOM = 0.14
"""Marks nearer than this share of the width have their names in two rows."""


@dataclass(frozen=True)
class ChartFrame:
    """Ranges of both axes and what they show, with unit; height of the chart.

    notes: lines of words above the plotting area; named, keyed: lines that names of marks and the key take.
    """

    x_title: str
    y_title: str
    x: tuple[float, float]
    y: tuple[float, float]
    height: float = 250.0
    width: float = WIDE
    notes: tuple[str, ...] = ()
    named: int = 0
    keyed: int = 1
    left: float = 46.0

    @property
    def top(self) -> float:
        """Where the plotting area starts: below the key, the notes and the names of the marks."""
        return 10.0 + 14.0 * (self.keyed + len(self.notes) + self.named)

    def place(self, x: float, y: float) -> tuple[float, float]:
        """Where a point of data falls in the drawing."""
        right, bottom = self.width - 10.0, self.height - 36.0
        along = (x - self.x[0]) / (self.x[1] - self.x[0] or 1.0)
        up = (y - self.y[0]) / (self.y[1] - self.y[0] or 1.0)
        return self.left + along * (right - self.left), bottom - up * (bottom - self.top)


@dataclass(frozen=True, eq=False)
class Chart:
    """A finished chart: its frame and its drawing."""

    frame: ChartFrame
    drawing: Drawing = field(repr=False)


def pen_of(line: Line) -> Pen:
    """How a line is drawn."""
    look = LINES[line.kind]
    width = WIDTH * look.weight
    return Pen(look.tone, width, tuple(width * dash for dash in look.dashes))


def span(values: Sequence[Array], floor: float | None = None) -> tuple[float, float]:
    """Range of finite values with a little air; `floor` is kept inside."""
    every = np.concatenate([*(np.ravel(part) for part in values), np.array([0.0])[: len(values) == 0]])
    every = every[np.isfinite(every)]
    low, high = (float(every.min()), float(every.max())) if every.size else (0.0, 1.0)
    if floor is not None:
        low, high = min(low, floor), max(high, floor)
    if high - low < 1e-12:
        high = low + 1.0
    air = 0.06 * (high - low)
    return (low - air if low < 0.0 or floor is None else low), high + air


def chart(result: Result, curve: Curve, height: float = 250.0) -> Chart:
    """A curve of a run with its marks, the jam and what the motor has."""
    motor = curve.motor.lines if curve.motor is not None else ()
    notes = tuple(words for words in (curve.motor.words if curve.motor else "", curve.note) if words)
    x = _ends([line.x for line in curve.lines])
    close = [mark.x for mark in curve.marks]
    near = len(close) > 1 and float(np.diff(close).min()) < NAME_ROOM * (x[1] - x[0])
    frame = ChartFrame(
        curve.x_title, curve.y_title, x, span([line.y for line in (*curve.lines, *motor)], 0.0), height,
        notes=notes, named=2 if near else min(1, len(close)),
    )  # fmt: skip
    frame = replace(frame, keyed=len(_key_rows(frame, curve.lines)))
    return draw(frame, curve, f"{result.case_name}: {curve.caption}")


def draw(frame: ChartFrame, curve: Curve, title: str) -> Chart:
    """Axes, lines, key and marks."""
    drawing = Drawing(frame.height, title, frame.width)
    _axes(drawing, frame)
    _key(drawing, frame, curve.lines)
    for mark in curve.marks:
        x, top = frame.place(mark.x, frame.y[1])
        drawing.path([(x, top), (x, frame.place(mark.x, frame.y[0])[1])], Pen("soft", 0.9, (1.5, 2.5)))
    for line in (*(curve.motor.lines if curve.motor is not None else ()), *curve.lines):
        for piece in _pieces(line):
            drawing.path([frame.place(x, y) for x, y in piece], pen_of(line))
    _names(drawing, frame, curve.marks)
    if curve.jam is not None:
        _jam(drawing, frame, curve.jam)
    return Chart(frame, drawing)


def _axes(drawing: Drawing, frame: ChartFrame) -> None:
    (left, bottom), (right, top) = frame.place(frame.x[0], frame.y[0]), frame.place(frame.x[1], frame.y[1])
    for value in round_steps(*frame.x, 5):
        x = frame.place(value, frame.y[0])[0]
        drawing.path([(x, top), (x, bottom)], Pen("faint", 0.7))
        drawing.words((x, bottom + 14), f"{value:g}", "soft", "middle", SIZE - 1)
    for value in round_steps(*frame.y, 4):
        y = frame.place(frame.x[0], value)[1]
        drawing.path([(left, y), (right, y)], Pen("faint", 0.7))
        drawing.words((left - 5, y + 4), f"{value:g}", "soft", "end", SIZE - 1)
    drawing.path([(left, top), (left, bottom), (right, bottom)], Pen("soft", 1.0))
    drawing.words(((left + right) / 2, bottom + 30), frame.x_title, "ink", "middle")
    drawing.words((12, (top + bottom) / 2), frame.y_title, "ink", "middle", SIZE, 90)


def _key_rows(frame: ChartFrame, lines: Sequence[Line]) -> list[list[tuple[float, Line]]]:
    """Entries of the key in rows that fit, each with its left end; at least one row."""
    rows: list[list[tuple[float, Line]]] = [[]]
    x = frame.left
    for line in lines:
        if rows[-1] and x + 27 + wide(line.words) > frame.width:
            rows.append([])
            x = frame.left
        rows[-1].append((x, line))
        x += 40 + wide(line.words)
    return rows


def _key(drawing: Drawing, frame: ChartFrame, lines: Sequence[Line]) -> None:
    for row, entries in enumerate(_key_rows(frame, lines)):
        for x, line in entries:
            drawing.path([(x, 11 + 14 * row), (x + 22, 11 + 14 * row)], pen_of(line))
            drawing.words((x + 27, 15 + 14 * row), line.words, "ink")
    for row, note in enumerate(frame.notes, frame.keyed):
        drawing.words((frame.left, 16 + 14 * row), note, "soft", "start", SIZE - 0.5)


def _pieces(line: Line) -> list[Array]:
    """Runs of finite points, thinned where there are more than a drawing can show."""
    good = np.isfinite(line.x) & np.isfinite(line.y)
    cuts = np.flatnonzero(np.diff(good.astype(int))) + 1
    points = np.stack([line.x, line.y], axis=1)
    pieces = [points[run] for run in np.split(np.arange(good.size), cuts) if run.size and good[run[0]]]
    return [piece[_kept(piece[:, 1])] for piece in pieces]


def _kept(y: Array) -> Index:
    """Least and greatest of each short stretch: no peak is lost."""
    if y.size <= MOST_POINTS:
        return np.arange(y.size)
    kept = {0, y.size - 1}
    for run in np.array_split(np.arange(y.size), MOST_POINTS // 2):
        kept |= {int(run[np.argmin(y[run])]), int(run[np.argmax(y[run])])}
    return np.array(sorted(kept))


def _names(drawing: Drawing, frame: ChartFrame, marks: Sequence[Mark]) -> None:
    """A ring on each mark that has a height, its name above the plotting area."""
    top = frame.place(frame.x[0], frame.y[1])[1]
    ends = [-1e9] * max(1, frame.named)  # right end of the last name in each line
    for mark in marks:
        x, y = frame.place(mark.x, mark.y if math.isfinite(mark.y) else frame.y[1])
        if math.isfinite(mark.y):
            drawing.circle((x, y), 3.4, Pen("ink", 1.3), "paper")
        half = wide(mark.words) / 2
        at = min(max(x, frame.left + half), frame.width - 4 - half)
        level = next((k for k, end in enumerate(ends) if at - half > end), None)
        if level is not None:
            drawing.words((at, top - 5 - 14 * level), mark.words, "ink", "middle", SIZE - 0.5)
            ends[level] = at + half + 4


def _jam(drawing: Drawing, frame: ChartFrame, jam: Mark) -> None:
    top = frame.place(frame.x[0], frame.y[1])[1]
    x, y = frame.place(jam.x, jam.y)
    drawing.circle((x, y), 8, Pen("alarm", 2.0))
    for dx in (-3.5, 3.5):
        drawing.path([(x - dx, y - 3.5), (x + dx, y + 3.5)], Pen("alarm", 2.0))
    right = x > 0.55 * frame.width
    lines = long_words(jam.words, 24)
    down = 16 if y < (frame.height + top) / 2 else -12 * len(lines) - 8
    for row, words in enumerate(lines):
        here = (x - 13 if right else x + 13, y + down + 13 * row)
        drawing.halo(here, words, "alarm", "end" if right else "start")


def small_chart(result: Result, x: tuple[float, float], y: tuple[float, float]) -> Chart:
    """The load curve in little, on axes that all charts of a batch share; what leaves them is cut off."""
    curve = load_curve(result)
    jam, motor = curve.jam, curve.motor
    if motor is not None:  # these axes may reach it where those of the curve alone do not
        flat = Line("motor", "", np.array(x), np.full(2, motor.least))
        motor = replace(motor, lines=(flat,)) if motor.least <= y[1] else None
    clipped = replace(
        curve, marks=(),
        lines=tuple(replace(line, y=np.where(line.y > y[1], np.nan, line.y)) for line in curve.lines),
        jam=Mark("jam", jam.x, min(jam.y, y[1])) if jam is not None else None,
        motor=motor,
    )  # fmt: skip
    frame = ChartFrame("travel [mm]", "torque [N mm]", x, y, 190.0, 280.0)
    return draw(frame, clipped, f"{result.case_name}: {curve.caption}")


def state_places(result: Result, chart: Chart) -> list[list[float | None]]:
    """Where each state of a run falls on the chart of its load curve; None, None where nowhere."""
    found = (place(result, shot) for shot in result.snapshots)
    places = [None if at is None else chart.frame.place(*at) for at in found]
    return [[None, None] if at is None else [float(number(value)) for value in at] for at in places]


def _ends(values: Sequence[Array]) -> tuple[float, float]:
    every = np.concatenate([*values, np.empty(0)])
    low, high = (float(every.min()), float(every.max())) if every.size else (0.0, 1.0)
    return (low, high) if high > low else (low, low + 1.0)
