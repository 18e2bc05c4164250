"""The shell wound in and pushed out as a case asks, judged like the rod."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import cast

import numpy as np

from fem.case import Case
from fem.contact import WallContact
from fem.cycle import Log
from fem.equilibrium import Array
from fem.failure import Facts, facts
from fem.push import Retract
from fem.result import Quantity, Result
from fem.rod_fields import FieldState
from fem.shell_contact import ShellWalls
from fem.shell_cycle import run_shell_cycle
from fem.shell_model import ShellFields, ShellModel, build_shell_model
from fem.shell_points import SurfacePoints, surface_points
from fem.shell_symmetry import twisting
from fem.snapshot import Snapshot
from fem.winding import Finished, winding_result
from fem.wraps import WrapContact

GAP_ALONG, GAP_ACROSS, GAP_STATES = 0.2, 0.5, 24
LOOKS = 12
Progress = Callable[[float, str], None]


def run_shell_winding(
    case: Case, tell: Progress, began: float, provenance: Mapping[str, object], refine: float = 1.0
) -> Result:
    """Run a wind-in and push-out with the shell; `refine` > 1 divides element sizes and contact spacings."""
    model = build_shell_model(case, refine)
    deploy = not isinstance(case.push, Retract)
    outcome, log, cycle = run_shell_cycle(model, case.travel, deploy, tell)
    warnings = (*model.warnings, *_symmetry(model, log, refine))
    width = "half the width, mirrored" if model.body.half else "the whole width"
    done = Finished(
        "shell",
        case,
        outcome,
        log,
        cycle,
        warnings,
        lambda at: _seen(model, log, at),
        lambda at, label: _picture(model, log, at, label),
        _closest_wraps(model, log),
    )
    told = {**provenance, "shell": f"{width}, {model.body.shell.size} unknowns"}
    return winding_result(done, tell, began, told)


def _symmetry(model: ShellModel, log: Log, refine: float) -> tuple[str, ...]:
    """A warning if the whole width would have left the symmetric path."""
    if not model.body.half or not log.states:
        return ()
    rows = np.unique(np.linspace(0, len(log.states) - 1, LOOKS).astype(int)).tolist()
    found = twisting(model, build_shell_model(model.case, refine, whole=True), log.states, rows)
    if found.modes == 0:
        return ()
    travel = log.rows[found.row]["travel_mm"]
    return (
        f"half the width was computed, but at {travel:.0f} mm of travel the whole has {found.modes} unstable "
        "modes more (twist or sideways, friction left out): the strip may leave the symmetric path there",
    )


def true_gap(model: ShellModel, u: Array) -> float:
    """Smallest gap [mm] between wraps at a state, on points much finer than those of contact, edges
    included.
    """
    if model.wraps is None:
        return math.inf
    fine = surface_points(model.body, GAP_ALONG, GAP_ACROSS)
    wraps = replace(model.wraps, points=fine)
    wraps.start(u)
    return float(wraps.gaps().min())


def _closest_wraps(model: ShellModel, log: Log) -> dict[str, Quantity]:
    """The smallest true gap over a share of the logged states, spread evenly."""
    if model.wraps is None or not log.states:
        return {}
    rows = np.unique(np.linspace(0, len(log.states) - 1, GAP_STATES).astype(int))
    gaps = [true_gap(model, log.states[k]) for k in rows]
    worst = int(np.argmin(gaps))
    if not math.isfinite(gaps[worst]):
        return {}
    note = f"on a fine grid, edges included, smallest of {len(rows)} states; at step {rows[worst]}"
    return {"wrap_gap_true_mm": Quantity(gaps[worst], "mm", note)}


def _look(model: ShellModel, u: Array) -> None:
    """Bring contact pairs to a state, for reading forces."""
    model.walls.hold(u)
    if model.wraps is not None:
        model.wraps.coupled = True
        model.wraps.hold(u)
        model.wraps.coupled = False


def _seen(model: ShellModel, log: Log, at: int) -> Facts:
    """Facts of a logged row."""
    u = log.states[at]
    _look(model, u)
    state = cast("FieldState", ShellFields(model.body).state(u))
    walls, wraps = cast("WallContact", model.walls), cast("WrapContact | None", model.wraps)
    return facts(model.case, state, walls, wraps, u, log.rows[at]["slot_station_mm"])


def _picture(model: ShellModel, log: Log, at: int, label: str) -> Snapshot:
    """The strip and its surroundings at one logged row."""
    row, u = log.rows[at], log.states[at]
    state = ShellFields(model.body).state(u)
    _look(model, u)
    contact = _pressure(model.walls.points, _wall_force(model.walls, u), state.station, state.across)
    if model.wraps is not None:
        contact += _pressure(model.wraps.points, model.wraps.held[..., 0], state.station, state.across)
    return Snapshot(
        label=label, step=int(row["step"]), phase=int(row["phase"]), travel=row["travel_mm"],
        axle_angle=row["axle_angle_rad"], station=state.station, position=state.position,
        heading=state.heading, across=state.across, height=state.height, lateral=state.lateral,
        curvature=state.curvature, axial_force=state.axial_force, strain=state.strain,
        strain_share=state.strain_share, contact=contact, thickness=np.asarray(state.thickness),
        obstacles=tuple(wall.drawing() for wall in model.walls.walls),
    )  # fmt: skip


def _wall_force(walls: ShellWalls, u: Array) -> Array:
    return np.asarray(walls.forces(u).sum(axis=2))


def _pressure(points: SurfacePoints, force: Array, station: Array, across: Array) -> Array:
    """Normal force per area (n, m) of contact points carried to the grid of a snapshot."""
    area = points.area
    mirrored = points.lines[0] >= 0.0
    places = np.abs(across) if mirrored else across
    density = force / area
    along = np.stack([np.interp(station, points.stations, column) for column in density.T], axis=1)
    return np.stack([np.interp(places, points.lines, row) for row in along])
