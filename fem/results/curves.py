"""The curves of a finished run, as data: what it takes against how far it has come, and where the work goes.

Whoever draws (a picture, a page, the panel below the strip) draws these and computes nothing of its own. The
axes follow from the columns of the run: torque against travel where the axle turns, the load against what is
prescribed on the bench.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fem.core.plain_text import visible
from fem.core.term import Array
from fem.results.columns import (
    AXLE_ANGLE,
    CURVATURE,
    MOTOR,
    PUSH,
    TIME,
    TORQUE,
    TRAVEL,
    PathColumn,
    by_axle,
    find_control,
)
from fem.results.result import Jam, Result
from fem.results.snapshot import PHASE_WORDS, PHASES, Snapshot

TALL = 3.0
"""A motor with more than so many times the largest torque would press the curve flat; it is only stated."""
STALL = "motor_stall_torque_at_axle_Nmm"
BALANCE = (
    ("work", "work put in", ("work_in_Nmm",)),
    ("stored", "stored since the start", ("energy_strain_Nmm", "energy_contact_Nmm", "energy_kinetic_Nmm")),
    ("friction", "lost to friction", ("loss_friction_Nmm",)),
    ("damping", "lost to damping and stepping", ("loss_damping_Nmm", "loss_numerical_Nmm")),
)
"""Lines of the energy balance: kind, words, columns that are added up."""


@dataclass(frozen=True, eq=False)
class Line:
    """Points (k,) of one line in the order of the run, all finite.

    kind: a phase, an entry of the energy balance, or "motor"; how it looks follows from it. words: for a key.
    """

    kind: str
    words: str
    x: Array
    y: Array


@dataclass(frozen=True)
class Mark:
    """A place worth a mark, with its words; y is nan where only the place along x counts."""

    words: str
    x: float
    y: float = math.nan


@dataclass(frozen=True, eq=False)
class MotorLimit:
    """What the motor has: in words, the least of it, and as lines; without lines it lies far above."""

    words: str
    least: float
    lines: tuple[Line, ...]


@dataclass(frozen=True, eq=False)
class Curve:
    """One quantity of a run against another, ready to draw.

    caption: both in words. unit: of y. marks: bends at the slot, or where the axle turned round. note: one
    more thing to say.
    """

    caption: str
    x_title: str
    y_title: str
    unit: str
    lines: tuple[Line, ...]
    marks: tuple[Mark, ...] = ()
    jam: Mark | None = None
    motor: MotorLimit | None = None
    note: str = ""


def run_curves(result: Result) -> tuple[Curve, Curve, Curve]:
    """What it takes, what goes with it (the push at the slot, on the bench the sharpest curvature), and where
    the work goes.
    """
    return load_curve(result), companion_curve(result), energy_curve(result)


def load_curve(result: Result) -> Curve:
    """What it takes against how far it has come, with bends, jam and what the motor has."""
    x, y = axes(result)
    travels = x is TRAVEL and y is TORQUE
    marks = _bends(result, [bend.peak_torque_Nmm for bend in result.bends]) if travels else ()
    return Curve(
        f"{_noun(y)} against {x.words}", x.title, y.title, y.unit, _by_phase(result, x, y), marks,
        _jam(result.jam) if travels else None, motor_limit(result) if y is TORQUE else None,
    )  # fmt: skip


def companion_curve(result: Result) -> Curve:
    """The push at the slot against travel; on the bench the sharpest curvature against what is prescribed."""
    x, load = axes(result)
    y = PUSH if load is TORQUE else CURVATURE
    marks = _bends(result, [bend.peak_push_N for bend in result.bends]) if x is TRAVEL and y is PUSH else ()
    note = "above zero the strip is pushed, below it is pulled" if y is PUSH else ""
    lines = _by_phase(result, x, y)
    return Curve(f"{_noun(y)} against {x.words}", x.title, y.title, y.unit, lines, marks, note=note)


def energy_curve(result: Result) -> Curve:
    """Work put in against what is stored, lost to friction and damped."""
    x, title = _turned_so_far(result.column(AXLE_ANGLE.name)), "axle turned so far, in and out [rad]"
    control, load = axes(result)
    if load is not TORQUE:
        x, title = result.column(control.name), control.title
    elif not np.nanmax(x, initial=0.0) > 0.0:
        x, title = result.column(TIME.name), TIME.title
    lines = []
    for kind, words, names in BALANCE:
        parts = [result.column(name) for name in names]
        y = np.nansum(parts, axis=0)
        known = np.isfinite(parts).any(axis=0) & np.isfinite(x)
        if known.any():
            lines.append(Line(kind, words, x[known], (y - y[0] if kind == "stored" else y)[known]))
    phase = result.column("phase")
    back = np.flatnonzero(np.diff(phase) > 0)
    marks = tuple(Mark("turned round", float(x[row])) for row in back[phase[back] > 0])
    error = np.abs(result.column("audit_error"))
    note = ""
    if np.isfinite(error).any():
        note = f"the balance closes within {100 * np.nanmax(error):.2g} % of the work done"
    return Curve("where the work goes", title, "energy [N mm]", "N mm", tuple(lines), marks, note=note)


def place(result: Result, shot: Snapshot) -> tuple[float, float] | None:
    """Where a state falls on the load curve; None where the run recorded nothing there."""
    row = result.row_of(shot)
    x, y = (float(result.column(one.name)[row]) if row >= 0 else math.nan for one in axes(result))
    return (x, y) if math.isfinite(x) and math.isfinite(y) else None


def axes(result: Result) -> tuple[PathColumn, PathColumn]:
    """The columns of the load curve: how far it has come, and what that takes.

    The former is the travel, on the bench what is prescribed, and the time where neither tells.
    """
    found = find_control(result.path)
    if found is not None and not by_axle(found[0]):
        return found
    travel = result.column(TRAVEL.name)
    travel = travel[np.isfinite(travel)]
    return (TRAVEL if travel.size and np.ptp(travel) > 1e-6 else TIME), TORQUE


def motor_limit(result: Result) -> MotorLimit | None:
    """What the motor has at the axle over the curve; None without a motor."""
    (x, _), phase = axes(result), result.column("phase")
    way, has = result.column(x.name), result.column(MOTOR.name)
    if not np.isfinite(has).any() and STALL in result.quantities:
        has = np.full(result.rows, result.quantities[STALL].value)
    known = np.isfinite(has) & np.isfinite(way) & (phase > 0)
    if not known.any():
        return None
    least, most = float(has[known].min()), float(has[known].max())
    peak = float(np.nanmax(result.column(TORQUE.name)[known], initial=0.0))
    words = f"the motor has {least:.3g}" + (f" to {most:.3g}" if f"{most:.3g}" != f"{least:.3g}" else "")
    if least > TALL * peak > 0.0:
        return MotorLimit(f"{words} N mm, above this scale", least, ())
    if most - least <= 1e-3 * least:
        ends = np.array([way[known].min(), way[known].max()])
        return MotorLimit(f"{words} N mm", least, (Line("motor", "", ends, np.full(2, least)),))
    ways = [known & (phase == number) for number in range(1, len(PHASES))]
    lines = tuple(Line("motor", "", way[rows], has[rows]) for rows in ways if rows.any())
    return MotorLimit(f"{words} N mm", least, lines)


def _by_phase(result: Result, x: PathColumn, y: PathColumn) -> tuple[Line, ...]:
    return lines_by_phase(result.column("phase"), result.column(x.name), result.column(y.name))


def lines_by_phase(phase: Array, ways: Array, values: Array) -> tuple[Line, ...]:
    """A line for each phase after assembly, of columns (n,) of a path: its number, x and y."""
    lines = []
    for number, kind in enumerate(PHASES):
        rows = (phase == number) & np.isfinite(ways) & np.isfinite(values)
        if number and rows.any():
            lines.append(Line(kind, PHASE_WORDS[kind], ways[rows], values[rows]))
    return tuple(lines)


def _bends(result: Result, heights: list[float]) -> tuple[Mark, ...]:
    marks = [
        Mark(f"bend {bend.bend}", bend.travel_mm, height)
        for bend, height in zip(result.bends, heights, strict=True) if math.isfinite(bend.travel_mm)
    ]  # fmt: skip
    return tuple(sorted(marks, key=lambda mark: mark.x))


def _jam(jam: Jam | None) -> Mark | None:
    if jam is None or not (math.isfinite(jam.travel_mm) and math.isfinite(jam.torque_Nmm)):
        return None
    return Mark(visible(f"jam: {jam.mode}, {jam.place}"), jam.travel_mm, jam.torque_Nmm)


def _noun(column: PathColumn) -> str:
    return column.axis or column.words


def _turned_so_far(angle: Array) -> Array:
    return np.cumsum(np.abs(np.diff(angle, prepend=angle[:1])))
