"""The load curve of a run, drawn below the strip: what it takes against how far it has come, with a mark that
moves along it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from fem.core.term import Array
from fem.results.curves import Curve, load_curve, place
from fem.results.result import Result
from fem.view.canvas import Box, Canvas
from fem.view.palette import ALARM, FAINT, INK, LINES, PAPER, SOFT

WIDTH, ASIDE = 2.2, 1.8
"""Pixels: a line of the first run, and of one beside it, which is dashed."""


class Trace:
    """Axes in a box of a canvas (pixels) for one run, or two of which the second is dashed.

    A run beside the first that goes along other axes has no curve here.
    """

    def __init__(self, results: Sequence[Result], box: Box, size: float = 12.0) -> None:
        self.results, self.box, self.size = tuple(results), box, size
        self.curves: tuple[Curve, ...] = tuple(map(load_curve, results))
        self.curve = self.curves[0]
        left, top, right, bottom = box
        self.inner = (left + 4.2 * size, top + 1.9 * size, right - 0.8 * size, bottom - 3.1 * size)
        self._drawn = [self._same_axes(curve) for curve in self.curves]
        lines = [line for curve, drawn in zip(self.curves, self._drawn, strict=True) if drawn
                 for line in curve.lines]  # fmt: skip
        motor = self.curve.motor.lines if self.curve.motor is not None else ()
        self.x_ticks, self._x = _axis([line.x for line in lines])
        self.y_ticks, self._y = _axis([line.y for line in (*lines, *motor)])

    def _same_axes(self, curve: Curve) -> bool:
        return (curve.x_title, curve.y_title) == (self.curve.x_title, self.curve.y_title)

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Pixels of a point of the curve."""
        left, top, right, bottom = self.inner
        (x0, x1), (y0, y1) = self._x, self._y
        return left + (right - left) * (x - x0) / (x1 - x0), bottom - (bottom - top) * (y - y0) / (y1 - y0)

    def place(self, number: int, state: int) -> tuple[float, float] | None:
        """Pixels of a state of a run on its curve; None if the run recorded nothing there."""
        result = self.results[number]
        found = place(result, result.snapshots[state]) if self._drawn[number] else None
        return None if found is None else self.at(*found)

    def nearest(self, x: float, y: float) -> int | None:
        """The state of the first run nearest to a pixel; None off the axes."""
        left, top, right, bottom = self.inner
        if not (left - 6 <= x <= right + 6 and top - 6 <= y <= bottom + 6):
            return None
        places = [(self.place(0, k), k) for k in range(len(self.results[0].snapshots))]
        away = [(math.hypot(here[0] - x, here[1] - y), k) for here, k in places if here is not None]
        return min(away)[1] if away else None

    def draw(self, canvas: Canvas) -> None:
        """Axes, curves, what the motor has, bends and jam."""
        self._axes(canvas)
        for line in self.curve.motor.lines if self.curve.motor is not None else ():
            canvas.dashed(self._points(line.x, line.y), LINES[line.kind].colour, 1.2, 10.0)
        for number, curve in enumerate(self.curves):
            if self._drawn[number]:
                self._lines(canvas, curve, number)
        self._legend(canvas)
        self._marks(canvas)
        self._name_motor(canvas)
        if self.curve.jam is not None:
            canvas.ring(self.at(self.curve.jam.x, self.curve.jam.y), 9, ALARM, 2)

    def _points(self, x: Array, y: Array) -> list[tuple[float, float]]:
        return [self.at(float(a), float(b)) for a, b in zip(x, y, strict=True)]

    def _axes(self, canvas: Canvas) -> None:
        left, _, right, bottom = self.inner
        for value in self.y_ticks:
            y = self.at(0.0, float(value))[1]
            canvas.line([(left, y), (right, y)], SOFT if value == 0 else FAINT, 1)
            words = _number(float(value))
            wide, high = canvas.measure(words, self.size)
            canvas.text((left - 7 - wide, y - 0.55 * high), words, self.size, SOFT)
        for value in self.x_ticks:
            x = self.at(float(value), 0.0)[0]
            canvas.line([(x, bottom), (x, bottom + 4)], SOFT, 1)
            words = _number(float(value))
            canvas.text((x - canvas.measure(words, self.size)[0] / 2, bottom + 5), words, self.size, SOFT)
        canvas.text((self.box[0] + 2, self.box[1]), self.curve.y_title, self.size)
        if not self.curve.lines:
            here = (left + 20, (self.inner[1] + bottom) / 2 - self.size)
            canvas.text(here, "the run kept no curve", self.size, SOFT)
        wide = canvas.measure(self.curve.x_title, self.size)[0]
        canvas.text((right - wide, bottom + 5 + 1.35 * self.size), self.curve.x_title, self.size)

    def _name_motor(self, canvas: Canvas) -> None:
        """What the motor has, in words: by its line, or under the upper edge where it has none."""
        motor = self.curve.motor
        if motor is None:
            return
        wide, high = canvas.measure(motor.words, self.size)
        left, top, right, _ = self.inner
        y = self.at(0.0, motor.least)[1] if motor.lines else top - 2
        taken = canvas.occupied((0, 0, *canvas.size))
        places = [(x, y + dy) for dy in (-high - 2, 4) for x in np.linspace(left + 6, right - wide - 6, 7)]
        x, y = min(
            (place for place in places if place[1] >= top - 2),
            key=lambda place: taken.covered((*place, place[0] + wide, place[1] + high)),
        )
        canvas.text((float(x), y), motor.words, self.size)

    def _marks(self, canvas: Canvas) -> None:
        """Where the bends are hardest to get past the slot; their names stand where least is drawn."""
        _, top, _, bottom = self.inner
        for mark in self.curve.marks:
            x = self.at(mark.x, 0.0)[0]
            wide, high = canvas.measure(mark.words, self.size)
            taken = canvas.occupied((0, 0, *canvas.size))
            left = x + 4 if x + 4 + wide < self.inner[2] else x - 4 - wide
            rows = np.linspace(top, bottom - high, 9)
            y = float(min(rows, key=lambda y: taken.covered((left, y, left + wide, y + high))))
            canvas.dashed([(x, top), (x, bottom)], SOFT, 1, 3.0)
            canvas.text((left, y), mark.words, self.size, SOFT)

    def _lines(self, canvas: Canvas, curve: Curve, number: int) -> None:
        for line in curve.lines:
            points, colour = self._points(line.x, line.y), LINES[line.kind].colour
            if len(points) > 1 and number:
                canvas.dashed(points, colour, ASIDE, 7.0)
            elif len(points) > 1:
                canvas.line(points, colour, WIDTH)

    def _legend(self, canvas: Canvas) -> None:
        """Colours and dashes, right to left above the axes."""
        x, y = self.inner[2], self.box[1]
        entries = [(line.words, LINES[line.kind].colour, 0) for line in self.curve.lines]
        if len(self.results) > 1:
            entries += [(result.case_name, INK, number) for number, result in enumerate(self.results)]
        for words, colour, number in reversed(entries):
            x -= canvas.measure(words, self.size)[0]
            canvas.text((x, y), words, self.size, colour)
            ends = [(x - 30, y + 0.75 * self.size), (x - 7, y + 0.75 * self.size)]
            if number:
                canvas.dashed(ends, colour, WIDTH, 7.0)
            else:
                canvas.line(ends, colour, WIDTH)
            x -= 48

    def mark(self, canvas: Canvas, states: Sequence[int]) -> None:
        """Where the run, or both, are now."""
        for number, state in enumerate(states):
            here = self.place(number, state)
            if here is not None:
                canvas.dashed([(here[0], self.inner[1]), (here[0], self.inner[3])], INK, 1, 2.0)
                radius, fill, rim = (6.5, INK, PAPER) if number == 0 else (5.5, PAPER, INK)
                canvas.dot(here, radius, fill, rim)


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
