"""The curve of a run, drawn on a sheet: what it takes against how far it has come, with a mark that moves.

A trip of the axle is torque against travel, in and out on the same axes; a push on the bench is its load
against what drives it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from fem.core.term import Array
from fem.results.result import Result
from fem.results.snapshot import PHASES
from fem.view.canvas import Box, Sheet
from fem.view.colour import ALARM, FAINT, INK, INWARD, OUTWARD, PAPER, SOFT
from fem.view.playback import row_of

ACROSS = (
    ("travel_mm", "travel: strip drawn in [mm]"), ("turn_rad", "turned [rad]"),
    ("shortening_mm", "ends moved together [mm]"), ("pressed_mm", "pressed in [mm]"), ("time_s", "time [s]"),
)  # fmt: skip
UPWARD = (
    ("torque_Nmm", "torque at the axle [N mm]"), ("moment_Nmm", "moment [N mm]"), ("force_N", "force [N]"),
    ("push_N", "push at the slot [N]"),
)  # fmt: skip
MANNERS = (("retract", "winding in", INWARD), ("deploy", "pushing out", OUTWARD), ("push", "push", INWARD))
FAR_ABOVE = 1.6
"""A motor that has more than so many times the largest torque would press the curve flat: it is told, not
drawn.
"""


class Trace:
    """Axes in a box of a sheet (pixels) for one run, or two of which the second is dashed."""

    def __init__(self, results: Sequence[Result], box: Box, size: float = 12.0) -> None:
        self.results, self.box, self.size = tuple(results), box, size
        first = results[0]
        self.x_name, self.x_title = _recorded(first, ACROSS)
        self.y_name, self.y_title = _recorded(first, UPWARD)
        left, top, right, bottom = box
        self.inner = (left + 4.2 * size, top + 1.9 * size, right - 0.8 * size, bottom - 3.1 * size)
        self.x_ticks, self._x = _axis([result.column(self.x_name) for result in results])
        self.y_ticks, self._y = _axis([*(result.column(self.y_name) for result in results), self._motor()])

    def _motor(self) -> Array:
        """What the motor has, if that is to be drawn; else nothing."""
        if self.y_name != "torque_Nmm":
            return np.empty(0)
        has, torque = (self.results[0].column(name) for name in ("motor_torque_Nmm", "torque_Nmm"))
        has = has[np.isfinite(has) & (self.results[0].column("phase") > 0)]
        peak = float(np.nanmax(torque, initial=0.0))
        return has if has.size and has.min() < FAR_ABOVE * peak else np.empty(0)

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Pixels of a point of the curve."""
        left, top, right, bottom = self.inner
        (x0, x1), (y0, y1) = self._x, self._y
        return left + (right - left) * (x - x0) / (x1 - x0), bottom - (bottom - top) * (y - y0) / (y1 - y0)

    def place(self, number: int, moment: int) -> tuple[float, float] | None:
        """Pixels of a moment of a run on its curve; None if the run recorded nothing there."""
        result = self.results[number]
        row = row_of(result, result.snapshots[moment])
        if row < 0:
            return None
        x, y = (float(result.column(name)[row]) for name in (self.x_name, self.y_name))
        return self.at(x, y) if math.isfinite(x) and math.isfinite(y) else None

    def nearest(self, x: float, y: float) -> int | None:
        """The moment of the first run nearest to a pixel; None off the axes."""
        left, top, right, bottom = self.inner
        if not (left - 6 <= x <= right + 6 and top - 6 <= y <= bottom + 6):
            return None
        places = [(self.place(0, k), k) for k in range(len(self.results[0].snapshots))]
        away = [(math.hypot(spot[0] - x, spot[1] - y), k) for spot, k in places if spot is not None]
        return min(away)[1] if away else None

    def draw(self, sheet: Sheet) -> None:
        """Axes, curves, what the motor has, bends and jam."""
        self._axes(sheet)
        motor = self._motor()
        if motor.size:
            (left, y), (right, _) = (self.at(x, float(motor.min())) for x in self._x)
            sheet.dashed([(left, y), (right, y)], INK, 1.2, 10.0)
        for number, result in enumerate(self.results):
            self._curves(sheet, result, number)
        self._legend(sheet)
        self._bends(sheet)
        if motor.size:
            self._name_motor(sheet, motor)
        jam = self.results[0].jam
        if jam is not None and math.isfinite(jam.torque_Nmm) and self.x_name == "travel_mm":
            sheet.ring(self.at(jam.travel_mm, jam.torque_Nmm), 9, ALARM, 2)

    def _axes(self, sheet: Sheet) -> None:
        left, _, right, bottom = self.inner
        for value in self.y_ticks:
            y = self.at(0.0, float(value))[1]
            sheet.line([(left, y), (right, y)], SOFT if value == 0 else FAINT, 1)
            words = _number(float(value))
            wide, high = sheet.measure(words, self.size)
            sheet.text((left - 7 - wide, y - 0.55 * high), words, self.size, SOFT)
        for value in self.x_ticks:
            x = self.at(float(value), 0.0)[0]
            sheet.line([(x, bottom), (x, bottom + 4)], SOFT, 1)
            words = _number(float(value))
            sheet.text((x - sheet.measure(words, self.size)[0] / 2, bottom + 5), words, self.size, SOFT)
        sheet.text((self.box[0] + 2, self.box[1]), self.y_title, self.size)
        if not np.isfinite(self.results[0].column(self.y_name)).any():
            sheet.text(
                (left + 20, (self.inner[1] + bottom) / 2 - self.size),
                "the run kept no curve",
                self.size,
                SOFT,
            )
        wide = sheet.measure(self.x_title, self.size)[0]
        sheet.text((right - wide, bottom + 5 + 1.35 * self.size), self.x_title, self.size)

    def _name_motor(self, sheet: Sheet, motor: Array) -> None:
        """What the motor has, in words, above or below its line where least is drawn."""
        words = f"the motor has {motor.min():.3g} N mm"
        wide, high = sheet.measure(words, self.size)
        left, top, right, _ = self.inner
        y = self.at(0.0, float(motor.min()))[1]
        taken = sheet.occupied((0, 0, *sheet.size))
        places = [(x, y + dy) for dy in (-high - 2, 4) for x in np.linspace(left + 6, right - wide - 6, 7)]
        x, y = min(
            (place for place in places if place[1] >= top - 2),
            key=lambda place: taken.covered((*place, place[0] + wide, place[1] + high)),
        )
        sheet.text((float(x), y), words, self.size)

    def _bends(self, sheet: Sheet) -> None:
        """Where the bends are hardest to get past the slot; their names stand where least is drawn."""
        _, top, _, bottom = self.inner
        for bend in self.results[0].bends if self.x_name == "travel_mm" else ():
            if math.isfinite(bend.travel_mm):
                x = self.at(bend.travel_mm, 0.0)[0]
                words = f"bend {bend.bend}"
                wide, high = sheet.measure(words, self.size)
                taken = sheet.occupied((0, 0, *sheet.size))
                left = x + 4 if x + 4 + wide < self.inner[2] else x - 4 - wide
                rows = np.linspace(top, bottom - high, 9)
                y = float(min(rows, key=lambda y: taken.covered((left, y, left + wide, y + high))))
                sheet.dashed([(x, top), (x, bottom)], SOFT, 1, 3.0)
                sheet.text((left, y), words, self.size, SOFT)

    def _curves(self, sheet: Sheet, result: Result, number: int) -> None:
        x, y, phase = (result.column(name) for name in (self.x_name, self.y_name, "phase"))
        for name, _, colour in MANNERS:
            own = (phase == PHASES.index(name)) & np.isfinite(x) & np.isfinite(y)
            points = [self.at(float(a), float(b)) for a, b in zip(x[own], y[own], strict=True)]
            if len(points) > 1:
                if number:
                    sheet.dashed(points, colour, 1.8, 7.0)
                else:
                    sheet.line(points, colour, 2.2)

    def _legend(self, sheet: Sheet) -> None:
        """Colours and dashes, right to left above the axes."""
        phases = set(self.results[0].column("phase").tolist())
        x, y = self.inner[2], self.box[1]
        entries = [(words, colour, 0) for name, words, colour in MANNERS if PHASES.index(name) in phases]
        if len(self.results) > 1:
            entries += [(result.case_name, INK, number) for number, result in enumerate(self.results)]
        for words, colour, number in reversed(entries):
            x -= sheet.measure(words, self.size)[0]
            sheet.text((x, y), words, self.size, colour)
            ends = [(x - 30, y + 0.75 * self.size), (x - 7, y + 0.75 * self.size)]
            if number:
                sheet.dashed(ends, colour, 2.2, 7.0)
            else:
                sheet.line(ends, colour, 2.2)
            x -= 48

    def mark(self, sheet: Sheet, moments: Sequence[int]) -> None:
        """Where the run, or both, are now."""
        for number, moment in enumerate(moments):
            spot = self.place(number, moment)
            if spot is not None:
                sheet.dashed([(spot[0], self.inner[1]), (spot[0], self.inner[3])], INK, 1, 2.0)
                sheet.dot(
                    spot,
                    6.5 if number == 0 else 5.5,
                    INK if number == 0 else PAPER,
                    PAPER if number == 0 else INK,
                )


def _recorded(result: Result, columns: Sequence[tuple[str, str]]) -> tuple[str, str]:
    """The first of these columns that says something: values that differ."""
    for name, title in columns:
        values = result.column(name)
        values = values[np.isfinite(values)]
        if values.size and np.ptp(values) > 1e-9:
            return name, title
    return columns[0]


def _axis(columns: Sequence[Array]) -> tuple[Array, tuple[float, float]]:
    """Round values along an axis, and the ends of an axis that holds all finite values and 0."""
    values = np.concatenate([*columns, [0.0]])
    values = values[np.isfinite(values)]
    low, high = float(values.min()), float(values.max())
    if high - low < 1e-12:
        high = low + 1.0
    rough = (high - low) / 6.0
    decade = 10.0 ** math.floor(math.log10(rough))
    step = next(factor * decade for factor in (1.0, 2.0, 5.0, 10.0) if factor * decade >= rough)
    room = 0.03 * (high - low)
    low, high = low - room if low < 0 else low, high + room
    ticks = step * np.arange(math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9) + 1, dtype=float)
    return np.asarray(ticks, dtype=np.float64), (low, high)


def _number(value: float) -> str:
    return f"{value:.4g}".replace("-", "\N{MINUS SIGN}")
