"""From a case to its result: the one place that knows the order of the whole trip."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from fem.case.definition import Case
from fem.core.atomic import MODELS
from fem.core.checkpoint import NOWHERE, Keeper
from fem.core.errors import InputError
from fem.core.term import Array
from fem.design.loading import Column, Press, Retract, Winding
from fem.results.provenance import provenance
from fem.results.result import Quantity, Result
from fem.results.snapshot import Snapshot
from fem.rod.fields import RodFields
from fem.rod.model import RodModel, build_rod_model
from fem.simulation.bench import run_bench
from fem.simulation.failure import facts
from fem.simulation.jam_modes import Facts
from fem.simulation.judge import Finished, winding_result
from fem.simulation.recorder import Log
from fem.simulation.round_trip import go_through, rod_cycle
from fem.simulation.shell_bench import run_shell_bench
from fem.simulation.shell_run import run_shell_winding

FIELD_STATIONS, HALF_WIDTH_POINTS = 121, 5
FAR = 5.0
"""mm beyond which a gap is no longer a clearance worth telling."""
Progress = Callable[[float, str], None]


def run_case(
    case: Case, model: str = "rod", progress: Progress | None = None, keeper: Keeper | None = None
) -> Result:
    """Run one case with the named model and judge it.

    keeper: where the computation leaves its state as it goes, and finds one to go on from. Raises InputError
    for a model that does not exist, Stopped if the keeper asks to end. A case that cannot be computed to its
    end is a result too.
    """
    if model not in MODELS:
        raise InputError(f"no model named {model!r}; there are: {', '.join(MODELS)}")
    tell = progress or (lambda share, text: None)
    tell(0.0, "compiling and meshing (the first run on a machine takes a little longer)")
    keeper = keeper or NOWHERE
    if isinstance(case.push, Column) and case.push.free_lengths:
        made = _column_curve(case, case.push, model, tell, keeper)
    else:
        made = _run(case, model, tell, keeper)
    return replace(made, case_text=case.text)


def _run(case: Case, model: str, tell: Progress, keeper: Keeper) -> Result:
    began, origin = time.perf_counter(), provenance(case, model)
    if isinstance(case.push, Winding):
        if model == "shell":
            return run_shell_winding(case, tell, began, origin, keeper)
        return _run_winding(case, tell, began, origin, keeper)
    in_the_air = not (isinstance(case.push, Press | Column) and case.push.held == "slot")
    if model == "shell" and in_the_air:
        return run_shell_bench(case, tell, began, origin)
    return run_bench(case, tell, began, origin, model, keeper)


def _column_curve(case: Case, push: Column, model: str, tell: Progress, keeper: Keeper) -> Result:
    """The column as asked, and what it carries at each of the other lengths."""
    began = time.perf_counter()
    single = replace(push, free_lengths=())
    main = _run(replace(case, push=single), model, tell, keeper)
    inside = case.slot_mouth if push.held == "slot" else 0.0
    whole = push.free_length or case.strip.length - inside
    numbers, told, warnings = dict(main.quantities), [], list(main.warnings)
    for length in push.free_lengths:
        shorter = replace(single, free_length=length, shortening=push.shortening * length / whole)
        result = _run(replace(case, push=shorter), model, tell, NOWHERE)
        found = result.quantities.get("critical_force_N", Quantity(math.nan, "N", result.status))
        numbers[f"critical_force_at_{length:g}mm_N"] = found
        told.append(
            f"{length:g} mm " + (f"{found.value:.3g} N" if math.isfinite(found.value) else found.note)
        )
        warnings += [f"at {length:g} mm: {text}" for text in result.warnings if text not in main.warnings]
    sentence = f"{main.sentence} Carried before it buckles, by free length: {', '.join(told)}."
    return replace(
        main, quantities=numbers, sentence=sentence, warnings=tuple(warnings),
        provenance=provenance(case, model), seconds=time.perf_counter() - began,
    )  # fmt: skip


def _run_winding(
    case: Case, tell: Progress, began: float, origin: dict[str, object], keeper: Keeper
) -> Result:
    kept = keeper.found()
    if kept is None:
        model = build_rod_model(case)
        stations = np.linspace(0.0, case.strip.length, FIELD_STATIONS)
        fields = RodFields.build(model.rod, stations, HALF_WIDTH_POINTS)
        tell(0.0, "putting the strip in place")
        kept = rod_cycle(model, fields)
    else:
        model, fields = kept.model, kept.observer.fields
    deploy = not isinstance(case.push, Retract)
    outcome, log, cycle = go_through(kept, case.travel, deploy, tell, keeper)
    done = Finished(
        "rod", case, outcome, log, cycle, model.warnings,
        lambda at: _facts(model, fields, log, at),
        lambda at, label: snapshot(model, fields, log, at, label),
    )  # fmt: skip
    return winding_result(done, tell, began, origin)


def _facts(model: RodModel, fields: RodFields, log: Log, at: int) -> Facts:
    """Facts of a logged row."""
    u = log.states[at]
    _see(model, log, at)
    assert model.walls is not None
    slot = log.rows[at]["slot_station_mm"]
    return facts(model.case, fields.state(u), model.walls, model.wraps, u, slot)


def _see(model: RodModel, log: Log, at: int) -> None:
    """Bring contact pairs to the state of a row, for reading forces."""
    u = log.states[at]
    if model.walls:
        model.walls.focus(u)
        model.walls.hold(u)
    if model.wraps:
        model.wraps.hold(u, fully=True)


def snapshot(model: RodModel, fields: RodFields, log: Log, at: int, label: str) -> Snapshot:
    """The strip and its surroundings at one logged row."""
    row, u = log.rows[at], log.states[at]
    state = fields.state(u)
    _see(model, log, at)
    pressure = np.zeros(state.height.shape)
    clear = np.full(state.height.shape, np.inf)
    if model.walls is not None:
        points = model.walls.points
        counts = points.lengths > 0
        stations, force = points.stations[counts], model.walls.forces(u).sum(axis=2)[counts]
        near = model.walls.gaps(u).min(axis=2)[counts]
        clear = np.minimum(clear, _spread(stations, near, state.station, state.across.size))
        pressure += _spread(stations, force / points.area[counts], state.station, state.across.size)
    if model.wraps is not None:
        points = model.wraps.points
        held = model.wraps.held[..., 0] / points.area
        near = np.minimum(model.wraps.gaps(u), FAR)
        clear = np.minimum(clear, _spread(points.stations, near, state.station, state.across.size))
        pressure += _spread(points.stations, held, state.station, state.across.size)
    walls = model.walls.walls if model.walls else ()
    return Snapshot(
        label=label, step=int(row["step"]), phase=int(row["phase"]), travel=row["travel_mm"],
        axle_angle=row["axle_angle_rad"], station=state.station, position=state.position,
        heading=state.heading, across=state.across, height=state.height, lateral=state.lateral,
        curvature=state.curvature, axial_force=state.axial_force, strain=state.strain,
        strain_share=state.strain_share, contact=pressure, thickness=np.asarray(state.thickness),
        obstacles=tuple(wall.drawing() for wall in walls),
        gap=np.where(clear < FAR, clear, np.nan), layer_strain=fields.layer_strain(state),
    )  # fmt: skip


def _spread(stations: Array, values: Array, onto: Array, across: int) -> Array:
    """Values (n, k lines of the half width) at contact points carried to the grid of a snapshot."""
    lines = np.linspace(0, 1, values.shape[1])
    places = np.abs(np.linspace(-1, 1, across))
    along = np.stack([np.interp(onto, stations, column) for column in values.T], axis=1)
    return np.stack([np.interp(places, lines, row) for row in along])
