"""Curves against one axis as SVG: torque, push and energies of a run, and small charts on common axes.

A chart knows where each point of data falls, so that a page can move a marker along its curves.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from fem.core.term import Array, Index
from fem.report.svg import SIZE, WIDE, Drawing, Pen, long_words, number, round_steps, wide
from fem.results.result import Result
from fem.results.snapshot import PHASES

INWARD, OUTWARD = Pen("inward", 1.6, (5.0, 2.5)), Pen("outward", 2.0)
DAMPED = Pen("third", 1.6, (1.5, 2.5))
LIMIT = Pen("ink", 1.1, (8.0, 2.5, 1.5, 2.5))
MANNERS = (
    ("retract", "winding in", INWARD),
    ("deploy", "pushing out", OUTWARD),
    ("push", "push", Pen("inward", 1.8)),
)
TALL_LIMIT = 3.0
"""A motor that has more than this many times the peak would press the curves flat; it is only told."""
MOST_POINTS = 700


@dataclass(frozen=True, eq=False)
class Curve:
    """One line: caption for the key (empty: none), x and y (k,), how it is drawn."""

    caption: str
    x: Array
    y: Array
    pen: Pen


@dataclass(frozen=True)
class Mark:
    """A point of a chart with words; alarm: ringed in the warning colour; nan y: a line over the height."""

    x: float
    y: float
    words: str
    alarm: bool = False


@dataclass(frozen=True)
class Frame:
    """Ranges of both axes and what they show, with unit; height of the chart."""

    x_caption: str
    y_caption: str
    x: tuple[float, float]
    y: tuple[float, float]
    height: float = 250.0
    width: float = WIDE
    notes: tuple[str, ...] = ()
    named: int = 0
    """Lines of words that marks take above the plotting area."""
    left: float = 46.0

    @property
    def top(self) -> float:
        """Where the plotting area starts: below the key, the notes and the names of the marks."""
        return 24.0 + 14.0 * (len(self.notes) + self.named)

    def place(self, x: float, y: float) -> tuple[float, float]:
        """Where a point of data falls in the drawing."""
        right, bottom = self.width - 10.0, self.height - 36.0
        along = (x - self.x[0]) / (self.x[1] - self.x[0] or 1.0)
        up = (y - self.y[0]) / (self.y[1] - self.y[0] or 1.0)
        return self.left + along * (right - self.left), bottom - up * (bottom - self.top)


@dataclass(frozen=True, eq=False)
class Chart:
    """A finished chart: its frame and its drawing."""

    frame: Frame
    drawing: Drawing = field(repr=False)


def span(curves: Sequence[Array], floor: float | None = None) -> tuple[float, float]:
    """Range of finite values with a little air; `floor` is kept inside."""
    values = np.concatenate([*(np.ravel(curve) for curve in curves), np.array([0.0])[: len(curves) == 0]])
    values = values[np.isfinite(values)]
    low, high = (float(values.min()), float(values.max())) if values.size else (0.0, 1.0)
    if floor is not None:
        low, high = min(low, floor), max(high, floor)
    if high - low < 1e-12:
        high = low + 1.0
    air = 0.06 * (high - low)
    return (low - air if low < 0.0 or floor is None else low), high + air


def draw(frame: Frame, curves: Sequence[Curve], marks: Sequence[Mark], title: str) -> Chart:
    """Axes, curves, key and marks."""
    sheet = Drawing(frame.height, title, frame.width)
    _axes(sheet, frame)
    _key(sheet, frame, curves)
    for mark in marks:
        if math.isnan(mark.y):
            x, top = frame.place(mark.x, frame.y[1])
            sheet.path([(x, top), (x, frame.place(mark.x, frame.y[0])[1])], Pen("soft", 0.9, (1.5, 2.5)))
    for curve in curves:
        for piece in _pieces(curve):
            sheet.path([frame.place(x, y) for x, y in piece], curve.pen)
    _words(sheet, frame, marks)
    return Chart(frame, sheet)


def _axes(sheet: Drawing, frame: Frame) -> None:
    (left, bottom), (right, top) = frame.place(frame.x[0], frame.y[0]), frame.place(frame.x[1], frame.y[1])
    for value in round_steps(*frame.x, 5):
        x = frame.place(value, frame.y[0])[0]
        sheet.path([(x, top), (x, bottom)], Pen("faint", 0.7))
        sheet.words((x, bottom + 14), f"{value:g}", "soft", "middle", SIZE - 1)
    for value in round_steps(*frame.y, 4):
        y = frame.place(frame.x[0], value)[1]
        sheet.path([(left, y), (right, y)], Pen("faint", 0.7))
        sheet.words((left - 5, y + 4), f"{value:g}", "soft", "end", SIZE - 1)
    sheet.path([(left, top), (left, bottom), (right, bottom)], Pen("soft", 1.0))
    sheet.words(((left + right) / 2, bottom + 30), frame.x_caption, "ink", "middle")
    sheet.words((12, (top + bottom) / 2), frame.y_caption, "ink", "middle", SIZE, 90)


def _key(sheet: Drawing, frame: Frame, curves: Sequence[Curve]) -> None:
    x = frame.left
    for curve in curves:
        if curve.caption:
            sheet.path([(x, 11), (x + 22, 11)], curve.pen)
            sheet.words((x + 27, 15), curve.caption, "ink")
            x += 40 + wide(curve.caption)
    for row, note in enumerate(frame.notes):
        sheet.words((frame.left, 30 + 14 * row), note, "soft", "start", SIZE - 0.5)


def _pieces(curve: Curve) -> list[Array]:
    """Runs of finite points, thinned where there are more than a drawing can show."""
    good = np.isfinite(curve.x) & np.isfinite(curve.y)
    cuts = np.flatnonzero(np.diff(good.astype(int))) + 1
    points = np.stack([curve.x, curve.y], axis=1)
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


def _words(sheet: Drawing, frame: Frame, marks: Sequence[Mark]) -> None:
    top = frame.place(frame.x[0], frame.y[1])[1]
    ends = [-1e9] * max(1, frame.named)  # right end of the last name in each line
    for mark in sorted((mark for mark in marks if not mark.alarm), key=lambda mark: mark.x):
        x, y = frame.place(mark.x, mark.y if math.isfinite(mark.y) else frame.y[1])
        if math.isfinite(mark.y):
            sheet.circle((x, y), 3.4, Pen("ink", 1.3), "paper")
        if mark.words:
            half = wide(mark.words) / 2
            at = min(max(x, frame.left + half), frame.width - 4 - half)
            level = next((k for k, end in enumerate(ends) if at - half > end), None)
            if level is not None:
                sheet.words((at, top - 5 - 14 * level), mark.words, "ink", "middle", SIZE - 0.5)
                ends[level] = at + half + 4
    for mark in (mark for mark in marks if mark.alarm):
        x, y = frame.place(mark.x, mark.y)
        sheet.circle((x, y), 8, Pen("alarm", 2.0))
        for dx in (-3.5, 3.5):
            sheet.path([(x - dx, y - 3.5), (x + dx, y + 3.5)], Pen("alarm", 2.0))
        right = x > 0.55 * frame.width
        lines = long_words(mark.words, 24)
        down = 16 if y < (frame.height + top) / 2 else -12 * len(lines) - 8
        for row, line in enumerate(lines):
            place = (x - 13 if right else x + 13, y + down + 13 * row)
            sheet.halo(place, line, "alarm", "end" if right else "start")


# ---- the charts of a run -----------------------------------------------------------------------------------


def abscissa(result: Result) -> tuple[Array, str]:
    """Travel, or the time of a push that has none."""
    travel = result.column("travel_mm")
    if travel.size and np.nanmax(travel, initial=0.0) - np.nanmin(travel, initial=np.inf) > 1e-6:
        return travel, "travel: strip pulled in through the slot [mm]"
    return result.column("time_s"), "time of the push [s]"


def _by_phase(result: Result, name: str) -> list[Curve]:
    x, _ = abscissa(result)
    y, phase = result.column(name), result.column("phase")
    curves = []
    for word, caption, pen in MANNERS:
        chosen = phase == PHASES.index(word)
        if chosen.any() and np.isfinite(y[chosen]).any():
            curves.append(Curve(caption, x[chosen], y[chosen], pen))
    return curves


def motor_has(result: Result) -> float:
    """Torque at the axle with the motor held still [N mm]; nan without a motor."""
    number = result.quantities.get("motor_stall_torque_at_axle_Nmm")
    if number is not None:
        return number.value
    return float(np.nanmin(result.column("motor_torque_Nmm"), initial=math.inf)) if result.rows else math.nan


def torque_chart(result: Result) -> Chart:
    """Torque at the axle against travel with bends, jam and the motor's limit."""
    curves = _by_phase(result, "torque_Nmm")
    x, caption = abscissa(result)
    peak = max((float(np.nanmax(curve.y)) for curve in curves), default=1.0)
    motor, notes = motor_has(result), list[str]()
    heights: list[Array] = [curve.y for curve in curves]
    if math.isfinite(motor):
        above = ", above this scale" if motor > TALL_LIMIT * peak else ""
        notes.append(f"the motor has {motor:.3g} N mm{above}")
        if motor <= TALL_LIMIT * peak:
            curves.append(Curve("", np.array(_ends(x)), np.full(2, motor), LIMIT))
            heights.append(np.array([motor]))
    marks = [
        Mark(bend.travel_mm, height, words)
        for bend in result.bends if math.isfinite(bend.travel_mm)
        for height, words in ((math.nan, f"bend {bend.bend}"), (bend.peak_torque_Nmm, ""))
    ]  # fmt: skip
    jam = result.jam
    if jam is not None and math.isfinite(jam.travel_mm) and math.isfinite(jam.torque_Nmm):
        marks.append(Mark(jam.travel_mm, jam.torque_Nmm, f"jam: {jam.mode}", alarm=True))
    high, told = span(heights, 0.0), tuple(notes)
    words = "torque at the axle [N mm]"
    frame = Frame(caption, words, _ends(x), high, 290.0, notes=told, named=_lines(result))
    return draw(frame, curves, marks, f"{result.case_name}: torque at the axle against travel")


def push_chart(result: Result) -> Chart:
    """Push at the slot against travel with the bends."""
    curves = _by_phase(result, "push_N")
    x, caption = abscissa(result)
    marks = [
        Mark(bend.travel_mm, math.nan, f"bend {bend.bend}")
        for bend in result.bends if math.isfinite(bend.travel_mm)
    ]  # fmt: skip
    notes = ("above zero the strip is pushed, below it is pulled",)
    high = span([curve.y for curve in curves], 0.0)
    frame = Frame(caption, "push at the slot [N]", _ends(x), high, notes=notes, named=_lines(result))
    return draw(frame, curves, marks, f"{result.case_name}: push at the slot against travel")


def energy_chart(result: Result) -> Chart:
    """Work put in against what is stored, rubbed away and damped, over the turning of the axle."""
    angle = result.column("axle_angle_rad")
    turned = np.cumsum(np.abs(np.diff(angle, prepend=angle[:1])))
    caption = "axle turned so far, in and out [rad]"
    if not np.nanmax(turned, initial=0.0) > 0.0:
        turned, caption = result.column("time_s"), "time of the push [s]"

    def total(*names: str) -> Array:
        return np.asarray(np.nansum([result.column(name) for name in names], axis=0))

    stored = total("energy_strain_Nmm", "energy_contact_Nmm", "energy_kinetic_Nmm")
    curves = [
        Curve("work in", turned, total("work_in_Nmm"), Pen("ink", 1.6)),
        Curve("stored", turned, stored - (stored[0] if stored.size else 0.0), INWARD),
        Curve("rubbed", turned, total("loss_friction_Nmm"), OUTWARD),
        Curve("damped", turned, total("loss_damping_Nmm", "loss_numerical_Nmm"), DAMPED),
    ]
    error = np.abs(result.column("audit_error"))
    known = bool(np.isfinite(error).any())
    notes = (f"the balance closes within {100 * np.nanmax(error):.2g} % of the work done",) if known else ()
    high = span([curve.y for curve in curves], 0.0)
    frame = Frame(caption, "energy [N mm]", _ends(turned), high, notes=notes)
    return draw(frame, curves, (), f"{result.case_name}: energies")


def small_chart(result: Result, x: tuple[float, float], y: tuple[float, float]) -> Chart:
    """Torque against travel in little, on axes that all charts of a batch share."""
    curves = _by_phase(result, "torque_Nmm")
    motor = motor_has(result)
    if math.isfinite(motor) and motor <= y[1]:
        curves.append(Curve("", np.array(x), np.full(2, motor), LIMIT))
    marks = []
    if result.jam is not None and math.isfinite(result.jam.travel_mm):
        marks.append(Mark(result.jam.travel_mm, min(result.jam.torque_Nmm, y[1]), "jam", alarm=True))
    frame = Frame("travel [mm]", "torque [N mm]", x, y, 190.0, 280.0)
    clipped = [Curve(c.caption, c.x, np.where(c.y > y[1], np.nan, c.y), c.pen) for c in curves]
    return draw(frame, clipped, marks, f"{result.case_name}: torque against travel")


def _lines(result: Result) -> int:
    """Lines that the names of the bends need."""
    places = np.sort([bend.travel_mm for bend in result.bends if math.isfinite(bend.travel_mm)])
    if not places.size:
        return 0
    low, high = _ends(abscissa(result)[0])
    return 2 if places.size > 1 and np.diff(places).min() < 0.14 * (high - low) else 1


def _ends(x: Array) -> tuple[float, float]:
    good = x[np.isfinite(x)]
    low, high = (float(good.min()), float(good.max())) if good.size else (0.0, 1.0)
    return (low, high) if high > low else (low, low + 1.0)


def moments(result: Result, chart: Chart) -> list[tuple[float, float]]:
    """Where each snapshot of a run falls on its torque chart."""
    x, _ = abscissa(result)
    torque, step = result.column("torque_Nmm"), result.column("step")
    places = []
    for shot in result.snapshots:
        row = int(np.argmin(np.abs(step - shot.step))) if result.rows else -1
        inside = row >= 0 and math.isfinite(torque[row]) and math.isfinite(x[row])
        nowhere = (math.nan, math.nan)
        places.append(chart.frame.place(float(x[row]), float(torque[row])) if inside else nowhere)
    return places


def place_text(places: Sequence[tuple[float, float]]) -> list[list[float | None]]:
    """Places for a page's data: None where there is none."""
    return [[float(number(v)) if math.isfinite(v) else None for v in place] for place in places]
