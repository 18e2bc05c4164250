"""Pushes on the bench: bend, coil, column and press, each driven slowly and weighed like a trip.

`rigs` says what holds and drives the strip; here the control goes to its target, every accepted step leaves a
row, and what came of it is said in words: held, buckled, snapped, too soft.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from fem.case.definition import Case
from fem.core.checkpoint import NOWHERE, Keeper
from fem.core.term import Array
from fem.design.loading import Coil, Column, Press
from fem.results.result import Quantity, Result
from fem.results.snapshot import Snapshot
from fem.simulation.deployed_shape import PRESS_NAMES, critical_force, intended
from fem.simulation.fixtures import DriveGrip, Fields, Rig, build_rig
from fem.simulation.shell_fixtures import shell_rig
from fem.simulation.stepper import StepSize, Trip
from fem.simulation.strip_model import StripState

PUSH_PHASE = 3.0
SNAP_DROP = 0.05
STEPS = 60
STEP_TIME = 200.0
"""Seconds per full step: slow enough that the load holds no drag, and that a column has time to give way:
its artificial inertia would else carry it far beyond its critical load (a flat pinned strip to twice Euler's
at 2 s).
"""
AIM_POINTS = 200
LARGEST_TURN = 0.15
"""rad per step of a coil of many turns."""
WRAPS_CROSS = "more than one turn without contact: the wraps lie in one another"
Progress = Callable[[float, str], None]


@dataclass
class BenchLog:
    """Rows and states of a bench push; names of the columns of its load and its control."""

    load: str
    control: str
    rows: list[dict[str, float]] = field(default_factory=list)
    states: list[Array] = field(default_factory=list)

    @property
    def units(self) -> tuple[str, str]:
        """Unit of the load and of the control."""
        return ("N" if self.load.endswith("_N") else "N mm"), (
            "rad" if self.control.endswith("_rad") else "mm"
        )

    def stiffness(self) -> float:
        """Slope of the load at the start, drawn on from those of the third and fourth step.

        The first step sets the artificial mass in motion, which adds up to 20 % to its load. Nan with fewer
        rows.
        """
        load, way = (np.array([row[name] for row in self.rows[:5]]) for name in (self.load, self.control))
        if load.size < 5 or np.any(np.diff(way[2:]) == 0.0):
            return math.nan
        third, fourth = np.diff(load[2:]) / np.diff(way[2:])
        here, there = 0.5 * (way[2:-1] + way[3:])
        return float(third + (third - fourth) * (here - way[0]) / (there - here))

    def loads(self) -> Array:
        """Sizes of the load, a row each (n,)."""
        return np.abs([row[self.load] for row in self.rows])

    def first_peak(self) -> int | None:
        """Row of the first load along the push that then falls by more than SNAP_DROP; None when it never
        does.
        """
        sign = math.copysign(1.0, self.rows[-1][self.control]) if self.rows else 1.0
        loads = [sign * row[self.load] for row in self.rows]
        best = 0
        for i, load in enumerate(loads):
            if load > loads[best]:
                best = i
            elif loads[best] > 0.0 and load < (1 - SNAP_DROP) * loads[best]:
                return best
        return None


def run_bench(
    case: Case,
    tell: Progress,
    began: float,
    provenance: dict[str, object],
    model: str = "rod",
    keeper: Keeper = NOWHERE,
) -> Result:
    """Run a bend, coil, column or press of the rod and judge it, or of the shell what axle and slot hold; go
    on with the one the keeper has.
    """
    kept = keeper.found()
    tell(0.0, "gripping the strip")
    if kept is None:
        rig = shell_rig(case) if model == "shell" else build_rig(case)
        log = BenchLog(rig.load_name, rig.control_name)
    else:
        rig, log = kept
    return _finish(case, rig, log, Telling(tell, began, provenance, keeper, kept is not None))


@dataclass(frozen=True)
class Telling:
    """What a run tells, and where it is kept: progress, start [s of the clock], origin; resumed: from a kept
    state.
    """

    tell: Progress
    began: float
    origin: dict[str, object]
    keeper: Keeper
    resumed: bool


def _finish(case: Case, rig: Rig, log: BenchLog, to: Telling) -> Result:
    load_name, control_name, fields = rig.load_name, rig.control_name, rig.fields
    tell, keeper = to.tell, to.keeper
    trouble = rig.trip if isinstance(rig.trip, str) else ""
    if not isinstance(rig.trip, str):
        trip = rig.trip
        if not to.resumed:
            _record(trip, fields, log)

        def watch(now: Trip) -> bool:
            row = _record(now, fields, log)
            tell(
                min(1.0, abs(now.control / rig.target)),
                f"{control_name} {now.control:.2f}, {load_name} {row[load_name]:.3g}",
            )
            if abs(row[load_name]) >= rig.stop_at:
                return True
            keeper.offer((rig, log))
            return False

        steps = STEPS if control_name != "turn_rad" else max(STEPS, math.ceil(abs(rig.target) / LARGEST_TURN))
        step = abs(rig.target) / steps
        size = StepSize(0.2 * step, step, 1e-5 * step, time=STEP_TIME / step)
        if not trip.advance(rig.target, size, watch, to.resumed):
            trouble = trip.trouble
    numbers = _numbers(log, PRESS_NAMES if isinstance(case.push, Press) else {})
    if rig.standing is not None:
        numbers |= rig.standing.quantities()
    word = _status(case, log, trouble)
    if isinstance(case.push, Column) and log.rows:
        numbers["critical_force_N"] = critical_force(word, log.loads(), log.first_peak())
    told = _sentence(word, numbers, log, trouble)
    if rig.standing is not None:
        told += " " + rig.standing.sentence()
    audit = {"closure_error": max((abs(row["audit_error"]) for row in log.rows), default=0.0)}
    warnings = list(rig.model.warnings)
    if isinstance(case.push, Coil) and abs(rig.target) > 2.0 * math.pi:
        warnings.append(WRAPS_CROSS)
    if audit["closure_error"] > 0.02:
        warnings.append(
            f"the energy balance closes to {100 * audit['closure_error']:.1f} % only (2 % expected)"
        )
    aim = np.empty((0, 2))
    if rig.standing is not None:
        aim = intended(case, np.linspace(0.0, case.strip.length, AIM_POINTS))
    return Result(
        case_name=case.name, title=case.title, model=rig.kind, status=word,
        sentence=told, quantities=numbers, jam=None, bends=(),
        energy_audit=audit, seconds=time.perf_counter() - to.began,
        path={name: np.array([row[name] for row in log.rows]) for name in log.rows[0]} if log.rows else {},
        snapshots=_snapshots(rig, fields, log), warnings=tuple(warnings), provenance=to.origin,
        intended_path=aim,
    )  # fmt: skip


def _record(trip: Trip, fields: Fields, log: BenchLog) -> dict[str, float]:
    state = fields.state(trip.u)
    curvature = np.abs(state.curvature)
    peak, worst = int(np.argmax(curvature)), int(np.argmax(state.strain_share.max(axis=1)))
    control = trip.control
    if isinstance(trip.grip, DriveGrip):
        control = trip.grip.drive.moved(trip.u)
    row = {
        "step": float(len(log.rows)), "phase": PUSH_PHASE, log.control: control, log.load: trip.force,
        "tip_x_mm": float(state.position[-1, 0]), "tip_y_mm": float(state.position[-1, 1]),
        "curvature_peak_per_mm": float(curvature[peak]),
        "curvature_peak_station_mm": float(state.station[peak]),
        "strain_peak": float(state.strain.max()), "strain_share": float(state.strain_share.max()),
        "strain_station_mm": float(state.station[worst]), "energy_strain_Nmm": trip.stored.strain,
        "energy_contact_Nmm": trip.stored.contact, "energy_kinetic_Nmm": trip.stored.kinetic,
        "work_in_Nmm": trip.ledger.work,
        "loss_friction_Nmm": trip.ledger.friction, "loss_damping_Nmm": trip.ledger.damping,
        "loss_numerical_Nmm": trip.ledger.numerical,
        "audit_error": trip.ledger.error(trip.stored.total) / trip.ledger.scale,
        "stable": float(trip.stable), "iterations": float(trip.iterations),
    }  # fmt: skip
    log.rows.append(row)
    log.states.append(trip.u.copy())
    return row


def _numbers(log: BenchLog, renamed: Mapping[str, str]) -> dict[str, Quantity]:
    if len(log.rows) < 2:
        return {}
    unit, way = log.units
    stem, ending = log.load.rsplit("_", 1)
    last = log.rows[-1]
    numbers = {
        f"{stem}_end_{ending}": Quantity(last[log.load], unit, f"at {last[log.control]:.3g} {way}"),
        "energy_end_Nmm": Quantity(last["energy_strain_Nmm"], "N mm", "stored in the strip"),
        "stiffness_start": Quantity(log.stiffness(), f"{unit}/{way}"),
        "strain_share_peak": Quantity(
            max(row["strain_share"] for row in log.rows), "", "of the material's limit"
        ),
    }
    at = log.first_peak()
    if at is not None:
        row = log.rows[at]
        numbers[f"{stem}_peak_{ending}"] = Quantity(row[log.load], unit, f"at {row[log.control]:.3g} {way}")
    return {renamed.get(name, name): number for name, number in numbers.items()}


def _status(case: Case, log: BenchLog, trouble: str) -> str:
    if trouble:
        return "not converged"
    if (
        isinstance(case.push, Press)
        and log.first_peak() is None
        and abs(log.rows[-1][log.load]) < 0.99 * case.push.force
    ):
        return "too soft"
    if log.first_peak() is None and not (isinstance(case.push, Column) and _softened(log)):
        return "held"
    return "buckled" if isinstance(case.push, Column) else "snapped"


def _softened(log: BenchLog) -> bool:
    """Whether the load has all but stopped growing with the control, as that of a buckled column does."""
    loads = log.loads()
    ways = np.abs([row[log.control] for row in log.rows])
    return len(loads) > 4 and loads[-1] / ways[-1] < 0.5 * (loads[1] - loads[0]) / max(ways[1], 1e-12)


def _sentence(word: str, numbers: dict[str, Quantity], log: BenchLog, trouble: str) -> str:
    if word == "not converged":
        return f"Not converged: {trouble}. This is numerical; the path up to there stands."
    stem, ending = log.load.rsplit("_", 1)
    peak, end = numbers.get(f"{stem}_peak_{ending}"), numbers.get(f"{stem}_end_{ending}")
    peak = peak or numbers.get(PRESS_NAMES["force_peak_N"])
    if peak is not None:
        return f"Gives way at {peak.value:.3g} {peak.unit}, {peak.note}."
    if end is None:
        return "Nothing was recorded."
    if word == "too soft":
        return (
            f"Carries only {end.value:.3g} {end.unit} {end.note}: it gives way smoothly instead of holding."
        )
    return f"{'Buckles and carries' if word == 'buckled' else 'Holds'} {end.value:.3g} {end.unit} {end.note}."


def _snapshots(rig: Rig, fields: Fields, log: BenchLog) -> tuple[Snapshot, ...]:
    if not log.rows:
        return ()
    at = log.first_peak()
    named = [("start", 0), ("end", len(log.rows) - 1)] + ([("peak load", at)] if at is not None else [])
    walls = rig.model.walls.walls if rig.model.walls else ()
    return tuple(
        _snapshot(fields.state(log.states[i]), log.rows[i], label, [w.drawing() for w in walls])
        for label, i in named
    )


def _snapshot(
    state: StripState, row: dict[str, float], label: str, walls: list[dict[str, object]]
) -> Snapshot:
    return Snapshot(
        label=label, step=int(row["step"]), phase=3, travel=0.0, axle_angle=0.0, station=state.station,
        position=state.position, heading=state.heading, across=state.across, height=state.height,
        lateral=state.lateral, curvature=state.curvature, axial_force=state.axial_force, strain=state.strain,
        strain_share=state.strain_share, contact=np.zeros(state.height.shape),
        thickness=np.asarray(state.thickness), obstacles=tuple(walls),
    )  # fmt: skip
