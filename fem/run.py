"""From a case to its result: the one place that knows the order of the whole trip."""

from __future__ import annotations

import math
import platform
import time
from collections.abc import Callable
from importlib.metadata import PackageNotFoundError, version

import numpy as np

from fem.bench import run_bench
from fem.case import Case
from fem.cycle import DEPLOY, RETRACT, Cycle, CycleOutcome, Log, run_cycle
from fem.equilibrium import Array
from fem.errors import InputError
from fem.failure import Facts, evidence, facts, name_mode, place_of
from fem.push import Retract, RetractDeploy, Winding
from fem.result import Jam, Quantity, Result
from fem.rod_fields import RodFields
from fem.rod_model import RodModel, build_rod_model
from fem.shell_bench import run_shell_bench
from fem.snapshot import Snapshot
from fem.trip import Saved
from fem.verdict import Course, passages, quantities, sentence, status

MODELS = ("rod", "shell")
FIELD_STATIONS, HALF_WIDTH_POINTS = 121, 5
AUDIT_WARNING = 0.02
MOVED = 3.0
Progress = Callable[[float, str], None]


def run_case(case: Case, model: str = "rod", progress: Progress | None = None) -> Result:
    """Run one case with the named model and judge it.

    Raises InputError for a model that does not exist or cannot do this push. A case that cannot be computed
    to its end is a result too.
    """
    if model not in MODELS:
        raise InputError(f"no model named {model!r}; there are: {', '.join(MODELS)}")
    tell = progress or (lambda share, text: None)
    began = time.perf_counter()
    tell(0.0, "compiling and meshing (the first run on a machine takes a little longer)")
    if model == "shell":
        if isinstance(case.push, Winding):
            raise InputError(
                f"{case.name}: the shell model does not wind in and push out yet; "
                "run it with --model rod, or give it a bend, column or press"
            )
        return run_shell_bench(case, tell, began, provenance(case))
    if isinstance(case.push, Winding):
        return _run_winding(case, tell, began)
    return run_bench(case, tell, began, provenance(case))


def provenance(case: Case) -> dict[str, object]:
    """Where a number came from."""
    return {
        "case_digest": case.digest, "design_digest": case.design_digest, "program": _version("pushpast"),
        "python": platform.python_version(), "numpy": np.__version__, "scikit-fem": _version("scikit-fem"),
        "gmsh": _version("gmsh"), "machine": platform.machine(), "system": platform.system(),
        "date": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()),
    }  # fmt: skip


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return "not installed"


def _run_winding(case: Case, tell: Progress, began: float) -> Result:
    model = build_rod_model(case)
    stations = np.linspace(0.0, case.strip.length, FIELD_STATIONS)
    fields = RodFields.build(model.rod, stations, HALF_WIDTH_POINTS)
    outcome, log, cycle = run_cycle(model, fields, case.travel, not isinstance(case.push, Retract), tell)
    course = Course(case, log, outcome)
    jam = _jam(course, model, fields)
    safe = None
    if (
        cycle is not None
        and jam is not None
        and isinstance(case.push, RetractDeploy)
        and case.push.safe_travel
        and outcome.retracted
    ):
        tell(0.0, "looking for the travel from which it still comes out")
        safe = safe_travel(case, cycle, outcome)
    numbers = quantities(course, jam)
    if safe is not None:
        numbers["safe_travel_mm"] = Quantity(
            safe, "mm", "deepest retraction from which the strip still comes out"
        )
    audit = _audit(log)
    word = status(course, jam)
    return Result(
        case_name=case.name, title=case.title, model="rod", status=word,
        sentence=sentence(word, course, jam, numbers), quantities=numbers, jam=jam, bends=passages(course),
        energy_audit=audit, seconds=time.perf_counter() - began, path=_columns(log),
        snapshots=_snapshots(course, model, fields, jam), warnings=_warnings(course, model, audit),
        provenance=provenance(case), intended_path=intended_path(case),
    )  # fmt: skip


def intended_path(case: Case) -> Array:
    """Rest mid-line in place (k, 2) [mm]."""
    s = np.linspace(0.0, case.strip.length, 200)
    return np.asarray(case.strip.path.position(s) + np.array([0.0, case.root_level]))


def _columns(log: Log) -> dict[str, Array]:
    return {name: log.column(name) for name in log.rows[0]} if log.rows else {}


def _jam(course: Course, model: RodModel, fields: RodFields) -> Jam | None:
    """The jam of a push that did not come out or asked for more than the motor has."""
    at = course.jam_row()
    if at is None or model.walls is None:
        return None
    row = course.log.rows[at]
    over = course.overloaded(at)
    moved = course.moved_before(at) > MOVED
    seen = _facts(course, model, fields, at)
    mode, station = name_mode(seen, moved, over), None
    if not course.outcome.deployed and not mode.name.endswith("slot"):
        # what the strip does when it is pushed on says how it jams
        after = _facts(course, model, fields, len(course.log.rows) - 1)
        later = name_mode(after, moved, over and moved)
        if later.fold or not mode.fold:
            mode = later
            station = after.sharpest if later.fold else place_of(later, after)
    motor = course.case.motor
    lines = evidence(
        seen, row["torque_Nmm"], motor.axle_stall_torque if motor else None, course.idle_turn(at)
    )
    place = place_of(mode, seen) if station is None else station
    return Jam(
        mode.name, place, row["travel_mm"], row["torque_Nmm"], (*lines, mode.explanation), mode.remedies
    )


def _facts(course: Course, model: RodModel, fields: RodFields, at: int) -> Facts:
    """Facts of a logged row."""
    u = course.log.states[at]
    _see(model, course.log, at)
    assert model.walls is not None
    return facts(
        course.case, fields.state(u), model.walls, model.wraps, u, course.log.rows[at]["slot_station_mm"]
    )


def _see(model: RodModel, log: Log, at: int) -> None:
    """Bring contact pairs to the state of a row, for reading forces."""
    u = log.states[at]
    if model.walls:
        model.walls.hold(u)
    if model.wraps:
        model.wraps.coupled = True
        model.wraps.hold(u)
        model.wraps.coupled = False


def safe_travel(case: Case, cycle: Cycle, outcome: CycleOutcome) -> float:
    """Deepest retraction [mm] from which the strip still comes out within the motor's torque, by bisection of
    saved states.

    0 when not even the shallowest saved one does.
    """
    push = case.push
    within = push.safe_travel_within if isinstance(push, RetractDeploy) else 2.0
    limit = case.motor.axle_stall_torque if case.motor else math.inf
    kept_log, saved = cycle.observer.log, outcome.wound
    low, high = -1, len(saved)
    try:
        while high - low > 1:
            if low >= 0 and high < len(saved) and saved[high][0] - saved[low][0] <= within:
                break
            middle = (low + high) // 2
            if _comes_out(cycle, saved[middle][1], kept_log, limit):
                low = middle
            else:
                high = middle
    finally:
        cycle.observer.log = kept_log
    return saved[low][0] if low >= 0 else 0.0


def _comes_out(cycle: Cycle, saved: Saved, kept: Log, limit: float) -> bool:
    cycle.trip.restore(saved)
    cycle.observer.log = Log([dict(kept.rows[0])], [])
    cycle.observer.log.states.append(cycle.trip.u)
    ended = cycle.deploy(limit)
    return ended == ""


def _audit(log: Log) -> dict[str, object]:
    """Entries of the energy balance at the end of each phase, and what did not close in it.

    The error is the largest departure of the balance within the phase over the larger of the work done in it
    and the energy stored.
    """
    audit: dict[str, object] = {}
    worst = 0.0
    for name, phase in (("retract", RETRACT), ("deploy", DEPLOY)):
        rows = [row for row in log.rows if row["phase"] == phase]
        if not rows:
            continue
        first, last = rows[0], rows[-1]
        scale = max(
            max(abs(row["work_in_Nmm"] - first["work_in_Nmm"]), row["energy_strain_Nmm"]) for row in rows
        )
        error = max(abs(row["audit_closure_Nmm"] - first["audit_closure_Nmm"]) for row in rows) / max(
            scale, 1e-12
        )
        worst = max(worst, error)
        audit[name] = {
            "work_in_Nmm": last["work_in_Nmm"],
            "stored_Nmm": last["energy_strain_Nmm"] + last["energy_contact_Nmm"],
            "kinetic_Nmm": last["energy_kinetic_Nmm"], "friction_Nmm": last["loss_friction_Nmm"],
            "damping_Nmm": last["loss_damping_Nmm"], "numerical_Nmm": last["loss_numerical_Nmm"],
            "largest_error": error,
        }  # fmt: skip
    audit["closure_error"] = worst
    return audit


def _warnings(course: Course, model: RodModel, audit: dict[str, object]) -> tuple[str, ...]:
    lines = list(model.warnings)
    error = float(audit.get("closure_error", 0.0))  # type: ignore[arg-type]
    if error > AUDIT_WARNING:
        lines.append(
            f"the energy balance closes to {100 * error:.1f} % only (2 % expected): halve solver.turn"
        )
    share = max((row["strain_share"] for row in course.before_jam()), default=0.0)
    if share > 1.0:
        lines.append(
            f"strain reaches {share:.1f} times a material's limit: the linear law is out of its range there"
        )
    thickness = course.case.strip.thickness
    deepest = -min(
        (min(row["smallest_gap_mm"], row["smallest_wrap_gap_mm"]) for row in course.log.rows), default=0.0
    )
    if deepest > 0.2 * thickness:
        lines.append(f"faces sink {deepest:.2f} mm into each other: raise solver.contact_stiffness")
    return tuple(lines)


def _snapshots(course: Course, model: RodModel, fields: RodFields, jam: Jam | None) -> tuple[Snapshot, ...]:
    made = []
    for label, at in course.moments(jam is not None):
        made.append(snapshot(model, fields, course.log, at, label))
    return tuple(made)


def snapshot(model: RodModel, fields: RodFields, log: Log, at: int, label: str) -> Snapshot:
    """The strip and its surroundings at one logged row."""
    row, u = log.rows[at], log.states[at]
    state = fields.state(u)
    _see(model, log, at)
    pressure = np.zeros(state.height.shape)
    if model.walls is not None:
        pressure += _spread(
            model.walls.points.stations,
            model.walls.forces(u).sum(axis=2) / model.walls.points.area,
            state.station,
            state.across.size,
        )
    if model.wraps is not None:
        points = model.wraps.points
        pressure += _spread(
            points.stations, model.wraps.held[..., 0] / points.area, state.station, state.across.size
        )
    walls = model.walls.walls if model.walls else ()
    return Snapshot(
        label=label, step=int(row["step"]), phase=int(row["phase"]), travel=row["travel_mm"],
        axle_angle=row["axle_angle_rad"], station=state.station, position=state.position,
        heading=state.heading, across=state.across, height=state.height,
        lateral=state.lateral, curvature=state.curvature, axial_force=state.axial_force, strain=state.strain,
        strain_share=state.strain_share, contact=pressure, thickness=np.asarray(state.thickness),
        obstacles=tuple(wall.drawing() for wall in walls),
    )  # fmt: skip


def _spread(stations: Array, pressure: Array, onto: Array, across: int) -> Array:
    """Contact pressure (n, k lines of the half width) carried to the grid of a snapshot."""
    lines = np.linspace(0, 1, pressure.shape[1])
    places = np.abs(np.linspace(-1, 1, across))
    along = np.stack([np.interp(onto, stations, pressure[:, k]) for k in range(pressure.shape[1])], axis=1)
    return np.stack([np.interp(places, lines, row) for row in along])
