"""Pushes on the bench: bend, column and press, each driven slowly and weighed like a trip.

bend: one station is turned against the clamped root through a stiff angular spring, free to slide. column:
two grips come together. press: the deployed strip, held by axle and slot, is pushed at a station through a
stiff spring, so that the force may fall again after a snap.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from fem.case import Case
from fem.cycle import AxleGrip, assemble
from fem.drives import PushDrive, TurnDrive
from fem.equilibrium import Array
from fem.push import Bend, Column, Press
from fem.result import Quantity, Result
from fem.rod_fields import FieldState, RodFields
from fem.rod_loads import point_load
from fem.rod_model import RodModel, build_rod_model, flat_stiffness
from fem.snapshot import Snapshot
from fem.trip import StepSize, Trip

PUSH_PHASE = 3.0
SNAP_DROP = 0.05
STEPS = 60
STEP_TIME = 200.0
"""Seconds per full step: slow enough that the load holds no drag, and that a column has time to give way: its
artificial inertia would else carry it far beyond its critical load (a flat pinned strip to twice Euler's at 2 s).
"""
DRIVE_STIFFNESS = 500.0
"""Drive springs are this much stiffer than the flat strip, so that a load may fall after a snap."""
IMPERFECTION = 1e-4
Progress = Callable[[float, str], None]


@dataclass
class DriveGrip:
    """Root held as on the axle; the control belongs to a drive."""

    root: AxleGrip
    drive: TurnDrive | PushDrive

    def place(self, u: Array, control: float) -> Array:  # noqa: ARG002 - the drive does the moving
        """The root stays."""
        return self.root.place(u, 0.0)

    def force(self, u: Array, gradient: Array, control: float) -> float:  # noqa: ARG002 - read off the spring
        """Load of the drive, at the control it was given."""
        return self.drive.load(u)

    def reach(self, u: Array, control: float) -> float:  # noqa: ARG002 - read off the strip
        """How far the driven station has gone."""
        return self.drive.moved(u)

    def prepare(self, before: float, control: float) -> None:  # noqa: ARG002 - no memory
        """Move the drive."""
        self.drive.control = control
        self.root.prepare(0.0, 0.0)


@dataclass
class ColumnGrip:
    """Two grips on the chord of a free length; the far one comes nearer by the control [mm]."""

    model: RodModel
    node: int
    clamped: bool

    def indices(self) -> list[int]:
        """Prescribed unknowns at both grips."""
        rod = self.model.rod
        held: list[int] = []
        for node in (0, self.node):
            held += [rod.index(node, 0), rod.index(node, 1)]
            if self.clamped:
                held += [rod.index(node, f, 1) for f in range(2 + rod.modes)]
                held += [rod.index(node, 2 + f) for f in range(rod.fields - 2)]
        return held

    def chord(self) -> Array:
        """Unit vector from the far grip to the root."""
        start = self.model.start.reshape(-1, self.model.rod.fields, 2)
        way = start[0, :2, 0] - start[self.node, :2, 0]
        return np.asarray(way / np.linalg.norm(way))

    def place(self, u: Array, control: float) -> Array:
        """Both grips where they belong; clamped ones hold heading and press the section flat."""
        rod, start = self.model.rod, self.model.start
        u = u.copy()
        held = self.indices()
        u[held] = start[held]
        if self.clamped:
            for node in (0, self.node):
                for mode in range(rod.modes):
                    u[rod.index(node, 2 + mode)] = self.model.flat[mode]
        shift = control * self.chord()
        u[rod.index(self.node, 0)] += shift[0]
        u[rod.index(self.node, 1)] += shift[1]
        return u

    def force(self, u: Array, gradient: Array, control: float) -> float:  # noqa: ARG002 - a dead direction
        """Compressive force [N] along the chord."""
        rod, way = self.model.rod, self.chord()
        return float(gradient[rod.index(self.node, 0)] * way[0] + gradient[rod.index(self.node, 1)] * way[1])

    def reach(self, u: Array, control: float) -> float:  # noqa: ARG002 - the control itself
        """The shortening."""
        return control

    def prepare(self, before: float, control: float) -> None:
        """Nothing follows."""


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


def run_bench(case: Case, tell: Progress, began: float, provenance: dict[str, object]) -> Result:
    """Run a bend, column or press and judge it."""
    push = case.push
    if isinstance(push, Column):
        return _finish(case, _column(case, push), "force_N", tell, began, provenance)
    if isinstance(push, Bend):
        return _finish(case, _bend(case, push), "moment_Nmm", tell, began, provenance)
    assert isinstance(push, Press)
    return _finish(case, _press(case, push), "force_N", tell, began, provenance)


@dataclass
class Bench:
    """A bench push ready to go: trip (or why there is none), target of the control and its unit."""

    model: RodModel
    trip: Trip | str
    target: float
    control_name: str
    stop_at: float = math.inf


def _bend(case: Case, push: Bend) -> Bench:
    model = build_rod_model(case, surrounded=False)
    station = case.strip.length if push.station is None else push.station
    root = AxleGrip(model)
    trip = assemble(model, root)
    if isinstance(trip, str):
        return Bench(model, trip, push.angle, "turn_rad")
    element, shape = model.rod.shape_at(np.array([station]))
    slope = trip.u[model.rod.dofs[element[0], :8]].reshape(2, 4) @ shape[0, 1]
    heading = math.atan2(float(slope[1]), float(slope[0]))
    drive = TurnDrive(model.rod, station, DRIVE_STIFFNESS * flat_stiffness(model.rod) / station, heading)
    return Bench(model, _driven(model, trip, root, drive), push.angle, "turn_rad")


def _driven(model: RodModel, trip: Trip, root: AxleGrip, drive: TurnDrive | PushDrive) -> Trip:
    """The trip with its drive in place, at rest."""
    model.motion.plain.append(drive)
    trip.grip, trip.drives = DriveGrip(root, drive), (drive,)
    trip.start()
    return trip


def _column(case: Case, push: Column) -> Bench:
    length = case.strip.length if push.free_length is None else push.free_length
    model = build_rod_model(case, surrounded=False, nodes=(length,))
    node = int(np.argmin(np.abs(model.rod.nodes - length)))
    grip = ColumnGrip(model, node, push.ends == "clamped")
    way = grip.chord()
    small = IMPERFECTION * math.pi**2 * flat_stiffness(model.rod) / length**2
    model.motion.plain.append(point_load(model.rod, 0.5 * length, small * np.array([-way[1], way[0]])))
    model.motion.fixed[:] = False
    model.motion.fixed[grip.indices()] = True
    u = model.start
    for part in np.linspace(0, 1, 9)[1:]:
        flat = grip.place(u, 0.0)
        for at in (0, node):
            for mode in range(model.rod.modes):
                if grip.clamped:
                    flat[model.rod.index(at, 2 + mode)] *= part
        outcome = model.motion.step(u, np.zeros_like(u), 1.0, flat)
        if not outcome.accepted:
            return Bench(
                model, f"the strip could not be gripped: {outcome.reason}", push.shortening, "shortening_mm"
            )
        u = outcome.u
    trip = Trip(model.motion, grip, None, None, u, 0.0)
    trip.force = grip.force(u, model.motion.total(u, 1).gradient, 0.0)
    return Bench(model, trip, push.shortening, "shortening_mm")


def _press(case: Case, push: Press) -> Bench:
    model = build_rod_model(case)
    station = case.strip.length if push.station is None else push.station
    root = AxleGrip(model)
    trip = assemble(model, root)
    if isinstance(trip, str):
        return Bench(model, trip, 0.0, "pressed_mm", push.force)
    element, shape = model.rod.shape_at(np.array([station]))
    dofs = model.rod.dofs[element[0], :8]
    at = (float(shape[0, 0] @ trip.u[dofs[:4]]), float(shape[0, 0] @ trip.u[dofs[4:]]))
    way = (math.cos(push.direction), math.sin(push.direction))
    drive = PushDrive(model.rod, station, way, DRIVE_STIFFNESS * flat_stiffness(model.rod) / station**3, at)
    return Bench(model, _driven(model, trip, root, drive), 0.5 * station, "pressed_mm", push.force)


def _finish(
    case: Case, bench: Bench, load_name: str, tell: Progress, began: float, provenance: dict[str, object]
) -> Result:
    log = BenchLog(load_name, bench.control_name)
    fields = RodFields.build(bench.model.rod, np.linspace(0, case.strip.length, 121), 5)
    trouble = bench.trip if isinstance(bench.trip, str) else ""
    if not isinstance(bench.trip, str):
        trip = bench.trip
        _record(trip, fields, log)

        def watch(now: Trip) -> bool:
            row = _record(now, fields, log)
            tell(
                min(1.0, abs(now.control / bench.target)),
                f"{bench.control_name} {now.control:.2f}, {load_name} {row[load_name]:.3g}",
            )
            return abs(row[load_name]) >= bench.stop_at

        step = abs(bench.target) / STEPS
        if not trip.advance(
            bench.target, StepSize(0.2 * step, step, 1e-5 * step, time=STEP_TIME / step), watch
        ):
            trouble = trip.trouble
    numbers = _numbers(log)
    word = _status(case, log, trouble)
    audit = {"closure_error": max((abs(row["audit_error"]) for row in log.rows), default=0.0)}
    warnings = list(bench.model.warnings)
    if audit["closure_error"] > 0.02:
        warnings.append(
            f"the energy balance closes to {100 * audit['closure_error']:.1f} % only (2 % expected)"
        )
    return Result(
        case_name=case.name, title=case.title, model="rod", status=word,
        sentence=_sentence(word, numbers, log, trouble), quantities=numbers, jam=None, bends=(),
        energy_audit=audit, seconds=time.perf_counter() - began,
        path={name: np.array([row[name] for row in log.rows]) for name in log.rows[0]} if log.rows else {},
        snapshots=_snapshots(bench, fields, log), warnings=tuple(warnings), provenance=provenance,
    )  # fmt: skip


def _record(trip: Trip, fields: RodFields, log: BenchLog) -> dict[str, float]:
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


def _numbers(log: BenchLog) -> dict[str, Quantity]:
    if len(log.rows) < 2:
        return {}
    unit, way = log.units
    stem, ending = log.load.rsplit("_", 1)
    first, last = log.rows[1], log.rows[-1]
    slope = (first[log.load] - log.rows[0][log.load]) / first[log.control] if first[log.control] else math.nan
    numbers = {
        f"{stem}_end_{ending}": Quantity(last[log.load], unit, f"at {last[log.control]:.3g} {way}"),
        "stiffness_start": Quantity(slope, f"{unit}/{way}"),
        "strain_share_peak": Quantity(
            max(row["strain_share"] for row in log.rows), "", "of the material's limit"
        ),
    }
    at = log.first_peak()
    if at is not None:
        row = log.rows[at]
        numbers[f"{stem}_peak_{ending}"] = Quantity(row[log.load], unit, f"at {row[log.control]:.3g} {way}")
    return numbers


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
    loads = np.abs([row[log.load] for row in log.rows])
    ways = np.abs([row[log.control] for row in log.rows])
    return len(loads) > 4 and loads[-1] / ways[-1] < 0.5 * loads[1] / max(ways[1], 1e-12)


def _sentence(word: str, numbers: dict[str, Quantity], log: BenchLog, trouble: str) -> str:
    if word == "not converged":
        return f"Not converged: {trouble}. This is numerical; the path up to there stands."
    stem, ending = log.load.rsplit("_", 1)
    peak, end = numbers.get(f"{stem}_peak_{ending}"), numbers.get(f"{stem}_end_{ending}")
    if peak is not None:
        return f"Gives way at {peak.value:.3g} {peak.unit}, {peak.note}."
    if end is None:
        return "Nothing was recorded."
    if word == "too soft":
        return (
            f"Carries only {end.value:.3g} {end.unit} {end.note}: it gives way smoothly instead of holding."
        )
    return f"{'Buckles and carries' if word == 'buckled' else 'Holds'} {end.value:.3g} {end.unit} {end.note}."


def _snapshots(bench: Bench, fields: RodFields, log: BenchLog) -> tuple[Snapshot, ...]:
    if not log.rows:
        return ()
    at = log.first_peak()
    named = [("start", 0), ("end", len(log.rows) - 1)] + ([("peak load", at)] if at is not None else [])
    walls = bench.model.walls.walls if bench.model.walls else ()
    return tuple(
        _snapshot(fields.state(log.states[i]), log.rows[i], label, [w.drawing() for w in walls])
        for label, i in named
    )


def _snapshot(
    state: FieldState, row: dict[str, float], label: str, walls: list[dict[str, object]]
) -> Snapshot:
    return Snapshot(
        label=label, step=int(row["step"]), phase=3, travel=0.0, axle_angle=0.0, station=state.station,
        position=state.position, heading=state.heading, across=state.across, height=state.height,
        lateral=state.lateral, curvature=state.curvature, axial_force=state.axial_force, strain=state.strain,
        strain_share=state.strain_share, contact=np.zeros(state.height.shape),
        thickness=np.asarray(state.thickness), obstacles=tuple(walls),
    )  # fmt: skip
