"""Pushes on the bench: bend, column and press, each driven slowly and weighed like a trip.

bend: one station is turned against the clamped root through a stiff angular spring, free to slide. column: two grips come
together. press: the deployed strip, held by axle and slot, is pushed at a station through a stiff spring, so that the
force may fall again after a snap.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from fem.case import Case
from fem.cycle import AxleGrip, assemble
from fem.equilibrium import Array, Blocks, Evaluation
from fem.push import Bend, Column, Press
from fem.result import Quantity, Result
from fem.rod import Rod
from fem.rod_fields import FieldState, RodFields
from fem.rod_loads import point_load
from fem.rod_model import RodModel, build_rod_model, flat_stiffness
from fem.snapshot import Snapshot
from fem.trip import StepSize, Trip

PUSH_PHASE = 3.0
SNAP_DROP = 0.05
STEPS = 60
IMPERFECTION = 1e-4
Progress = Callable[[float, str], None]


@dataclass
class TurnDrive:
    """Angular spring between the heading at a station and a driven angle: E = k/2 (theta - theta0 - control)^2."""

    rod: Rod
    station: float
    stiffness: float
    start: float
    control: float = 0.0

    def evaluate(self, u: Array, order: int) -> Evaluation:
        """Energy, gradient and one block."""
        element, shape = self.rod.shape_at(np.array([self.station]))
        dofs = self.rod.dofs[element[0], :8]
        slope = shape[0, 1]
        rx, ry = float(slope @ u[dofs[:4]]), float(slope @ u[dofs[4:]])
        aim = self.start + self.control
        # angle left to go, measured in the aim's own frame: no jump at +-180 degrees
        off = math.atan2(ry * math.cos(aim) - rx * math.sin(aim), rx * math.cos(aim) + ry * math.sin(aim))
        l2 = rx * rx + ry * ry
        first = np.concatenate([-ry / l2 * slope, rx / l2 * slope])
        gradient = np.zeros(self.rod.size)
        gradient[dofs] = self.stiffness * off * first
        xx, xy = 2 * rx * ry / l2**2, (ry * ry - rx * rx) / l2**2
        second = np.kron(np.array([[xx, xy], [xy, -xx]]), np.outer(slope, slope))
        block = self.stiffness * (np.outer(first, first) + off * second)
        return Evaluation(0.5 * self.stiffness * off**2, gradient, (Blocks(dofs[None], block[None]),) if order > 1 else ())

    def load(self, u: Array) -> float:
        """Moment [N mm] the drive puts on the strip."""
        ev = self.evaluate(u, 1)
        return math.copysign(math.sqrt(2 * ev.energy * self.stiffness), self._ahead(u))

    def _ahead(self, u: Array) -> float:
        element, shape = self.rod.shape_at(np.array([self.station]))
        dofs = self.rod.dofs[element[0], :8]
        rx, ry = float(shape[0, 1] @ u[dofs[:4]]), float(shape[0, 1] @ u[dofs[4:]])
        aim = self.start + self.control
        return -(ry * math.cos(aim) - rx * math.sin(aim))


@dataclass
class PushDrive:
    """Spring that drives a station along a direction: E = k/2 (d . (r - r0) - control)^2."""

    rod: Rod
    station: float
    direction: tuple[float, float]
    stiffness: float
    start: tuple[float, float]
    control: float = 0.0

    def evaluate(self, u: Array, order: int) -> Evaluation:
        """Energy, gradient and one block."""
        dofs, row = self._row()
        off = float(row @ u[dofs]) - self._origin() - self.control
        gradient = np.zeros(self.rod.size)
        gradient[dofs] = self.stiffness * off * row
        block = self.stiffness * np.outer(row, row)
        return Evaluation(0.5 * self.stiffness * off**2, gradient, (Blocks(dofs[None], block[None]),) if order > 1 else ())

    def load(self, u: Array) -> float:
        """Force [N] the drive puts on the strip along its direction."""
        dofs, row = self._row()
        return -self.stiffness * (float(row @ u[dofs]) - self._origin() - self.control)

    def moved(self, u: Array) -> float:
        """How far the station has gone along the direction [mm]."""
        dofs, row = self._row()
        return float(row @ u[dofs]) - self._origin()

    def _origin(self) -> float:
        return self.direction[0] * self.start[0] + self.direction[1] * self.start[1]

    def _row(self) -> tuple[np.ndarray[tuple[int], np.dtype[np.int64]], Array]:
        element, shape = self.rod.shape_at(np.array([self.station]))
        dofs = self.rod.dofs[element[0], :8]
        return dofs, np.concatenate([self.direction[0] * shape[0, 0], self.direction[1] * shape[0, 0]])


@dataclass
class DriveGrip:
    """Root held as on the axle; the control belongs to a drive."""

    root: AxleGrip
    drive: TurnDrive | PushDrive

    def place(self, u: Array, control: float) -> Array:
        """The root stays."""
        return self.root.place(u, 0.0)

    def force(self, u: Array, gradient: Array, control: float) -> float:
        """Load of the drive, at the control it was given."""
        return self.drive.load(u)

    def prepare(self, before: float, control: float) -> None:
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

    def force(self, u: Array, gradient: Array, control: float) -> float:
        """Compressive force [N] along the chord."""
        rod, way = self.model.rod, self.chord()
        return float(gradient[rod.index(self.node, 0)] * way[0] + gradient[rod.index(self.node, 1)] * way[1])

    def prepare(self, before: float, control: float) -> None:
        """Nothing follows."""


@dataclass
class BenchLog:
    """Rows and states of a bench push."""

    rows: list[dict[str, float]] = field(default_factory=list)
    states: list[Array] = field(default_factory=list)


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
    start = float(case.strip.path.heading(np.array([station]))[0])
    drive = TurnDrive(model.rod, station, 200 * flat_stiffness(model.rod) / station, start)
    model.motion.plain.append(drive)
    root = AxleGrip(model)
    trip = assemble(model, root)
    if not isinstance(trip, str):
        trip.grip = DriveGrip(root, drive)
        trip.start()
    return Bench(model, trip, push.angle, "turn_rad")


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
            return Bench(model, f"the strip could not be gripped: {outcome.reason}", push.shortening, "shortening_mm")
        u = outcome.u
    return Bench(model, Trip(model.motion, grip, None, None, u, 0.0), push.shortening, "shortening_mm")


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
    drive = PushDrive(model.rod, station, way, 1000 * flat_stiffness(model.rod) / station**3, at)
    model.motion.plain.append(drive)
    trip.grip = DriveGrip(root, drive)
    trip.start()
    return Bench(model, trip, 0.5 * station, "pressed_mm", push.force)


def _finish(case: Case, bench: Bench, load_name: str, tell: Progress, began: float, provenance: dict[str, object]) -> Result:
    log = BenchLog()
    fields = RodFields.build(bench.model.rod, np.linspace(0, case.strip.length, 121), 5)
    trouble = bench.trip if isinstance(bench.trip, str) else ""
    if not isinstance(bench.trip, str):
        trip = bench.trip
        _record(bench, trip, fields, log, load_name)

        def watch(now: Trip) -> bool:
            row = _record(bench, now, fields, log, load_name)
            tell(min(1.0, abs(now.control / bench.target)), f"{bench.control_name} {now.control:.2f}, {load_name} {row[load_name]:.3g}")
            return abs(row[load_name]) >= bench.stop_at

        step = abs(bench.target) / STEPS
        if not trip.advance(bench.target, StepSize(0.2 * step, step, 1e-5 * step, time=0.1 / step), watch):
            trouble = trip.trouble
    numbers = _numbers(log, load_name, bench.control_name)
    word = _status(case, log, load_name, trouble)
    audit = {"closure_error": max((abs(row["audit_error"]) for row in log.rows), default=0.0)}
    warnings = list(bench.model.warnings)
    if audit["closure_error"] > 0.02:
        warnings.append(f"the energy balance closes to {100 * audit['closure_error']:.1f} % only (2 % expected)")
    return Result(
        case_name=case.name, title=case.title, model="rod", status=word, sentence=_sentence(word, numbers, load_name, trouble),
        quantities=numbers, jam=None, bends=(), energy_audit=audit, seconds=time.perf_counter() - began,
        path={name: np.array([row[name] for row in log.rows]) for name in log.rows[0]} if log.rows else {},
        snapshots=_snapshots(bench, fields, log, load_name), warnings=tuple(warnings), provenance=provenance,
    )  # fmt: skip


def _record(bench: Bench, trip: Trip, fields: RodFields, log: BenchLog, load_name: str) -> dict[str, float]:
    state = fields.state(trip.u)
    curvature = np.abs(state.curvature)
    peak, worst = int(np.argmax(curvature)), int(np.argmax(state.strain_share.max(axis=1)))
    control = trip.control
    if isinstance(trip.grip, DriveGrip) and isinstance(trip.grip.drive, PushDrive):
        control = trip.grip.drive.moved(trip.u)
    row = {
        "step": float(len(log.rows)), "phase": PUSH_PHASE, bench.control_name: control, load_name: trip.force,
        "tip_x_mm": float(state.position[-1, 0]), "tip_y_mm": float(state.position[-1, 1]),
        "curvature_peak_per_mm": float(curvature[peak]), "curvature_peak_station_mm": float(state.station[peak]),
        "strain_peak": float(state.strain.max()), "strain_share": float(state.strain_share.max()),
        "strain_station_mm": float(state.station[worst]), "energy_strain_Nmm": trip.stored.strain,
        "energy_contact_Nmm": trip.stored.contact, "energy_kinetic_Nmm": trip.stored.kinetic, "work_in_Nmm": trip.ledger.work,
        "loss_friction_Nmm": trip.ledger.friction, "loss_damping_Nmm": trip.ledger.damping,
        "loss_numerical_Nmm": trip.ledger.numerical, "audit_error": trip.ledger.error(trip.stored.total) / trip.ledger.scale,
        "stable": float(trip.stable), "iterations": float(trip.iterations),
    }  # fmt: skip
    log.rows.append(row)
    log.states.append(trip.u.copy())
    return row


def _first_peak(log: BenchLog, load_name: str) -> int | None:
    """Row of the first load that then falls by more than SNAP_DROP; None when it never does."""
    best = 0
    for i, row in enumerate(log.rows):
        if abs(row[load_name]) > abs(log.rows[best][load_name]):
            best = i
        elif abs(row[load_name]) < (1 - SNAP_DROP) * abs(log.rows[best][load_name]):
            return best
    return None


def _numbers(log: BenchLog, load_name: str, control: str) -> dict[str, Quantity]:
    if len(log.rows) < 2:
        return {}
    unit = "N" if load_name.endswith("_N") else "N mm"
    way = {"turn_rad": "rad", "shortening_mm": "mm", "pressed_mm": "mm"}[control]
    first, last = log.rows[1], log.rows[-1]
    numbers = {
        f"{load_name.rsplit('_', 1)[0]}_end_{load_name.rsplit('_', 1)[1]}": Quantity(last[load_name], unit, f"at {last[control]:.3g} {way}"),
        "stiffness_start": Quantity(first[load_name] / first[control] if first[control] else math.nan, f"{unit}/{way}"),
        "strain_share_peak": Quantity(max(row["strain_share"] for row in log.rows), "", "of the material's limit"),
    }
    at = _first_peak(log, load_name)
    if at is not None:
        row = log.rows[at]
        numbers[f"{load_name.rsplit('_', 1)[0]}_peak_{load_name.rsplit('_', 1)[1]}"] = Quantity(row[load_name], unit, f"at {row[control]:.3g} {way}, then it gives way")
    return numbers


def _status(case: Case, log: BenchLog, load_name: str, trouble: str) -> str:
    if trouble:
        return "not converged"
    gave_way = _first_peak(log, load_name) is not None
    if isinstance(case.push, Column):
        return "buckled" if gave_way or any(row["stable"] < 1 for row in log.rows) or _softened(log, load_name) else "held"
    return "snapped" if gave_way else "held"


def _softened(log: BenchLog, load_name: str) -> bool:
    """Whether the load has stopped growing with the control (a buckled column carries an almost constant load)."""
    loads = np.abs([row[load_name] for row in log.rows])
    return len(loads) > 4 and loads[-1] < 0.5 * loads[1] * (len(loads) - 1)


def _sentence(word: str, numbers: dict[str, Quantity], load_name: str, trouble: str) -> str:
    if word == "not converged":
        return f"Not converged: {trouble}. This is numerical; the path up to there stands."
    stem, unit = load_name.rsplit("_", 1)
    peak, end = numbers.get(f"{stem}_peak_{unit}"), numbers.get(f"{stem}_end_{unit}")
    if peak is not None:
        return f"Gives way at {peak.value:.3g} {peak.unit}, {peak.note}."
    if end is None:
        return "Nothing was recorded."
    return f"{'Buckles and carries' if word == 'buckled' else 'Holds'} {end.value:.3g} {end.unit} {end.note}."


def _snapshots(bench: Bench, fields: RodFields, log: BenchLog, load_name: str) -> tuple[Snapshot, ...]:
    if not log.rows:
        return ()
    at = _first_peak(log, load_name)
    named = [("start", 0), ("end", len(log.rows) - 1)] + ([("peak load", at)] if at is not None else [])
    walls = bench.model.walls.walls if bench.model.walls else ()
    return tuple(_snapshot(fields.state(log.states[i]), log.rows[i], label, [w.drawing() for w in walls]) for label, i in named)


def _snapshot(state: FieldState, row: dict[str, float], label: str, walls: list[dict[str, object]]) -> Snapshot:
    return Snapshot(
        label=label, step=int(row["step"]), phase=3, travel=0.0, axle_angle=0.0, station=state.station, position=state.position,
        heading=state.heading, across=state.across, height=state.height, lateral=state.lateral, curvature=state.curvature,
        axial_force=state.axial_force, strain=state.strain, strain_share=state.strain_share, contact=np.zeros(state.height.shape),
        thickness=np.asarray(state.thickness), obstacles=tuple(walls),
    )  # fmt: skip
