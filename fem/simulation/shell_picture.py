"""What is seen in a state of the wound shell: a picture of it, and the numbers that only a shell has."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from scipy.signal import savgol_filter

from fem.core.term import Array
from fem.results.result import Quantity
from fem.results.snapshot import Snapshot
from fem.shell.model import ShellFields, ShellModel, WoundState
from fem.shell.state import layer_strain
from fem.shell.surface_points import SurfacePoints, surface_points
from fem.shell.symmetry import FLIP, softest_mode
from fem.simulation.recorder import Log

GAP_ALONG, GAP_ACROSS, GAP_STATES = 0.2, 0.5, 24
FAR = 5.0
"""mm beyond which a gap is no longer a clearance worth telling."""
SHOWN_WITH_MODE = ("jam", "hardest")
"""Beginnings of the labels of those moments whose softest mode is worth its time."""


def look(model: ShellModel, u: Array) -> None:
    """Bring contact pairs to a state, for reading forces."""
    model.walls.focus(u)
    model.walls.hold(u)
    if model.wraps is not None:
        model.wraps.hold(u, fully=True)


def picture(model: ShellModel, log: Log, at: int, label: str) -> Snapshot:
    """The strip and its surroundings at one logged row; with the softest mode where it jams or pushes
    hardest.
    """
    row, u = log.rows[at], log.states[at]
    state = ShellFields(model.body).state(u)
    look(model, u)
    walls, wraps = model.walls, model.wraps
    carry = Carrier(state)
    contact = carry(walls.points, walls.points.per_area(walls.forces(u).sum(axis=2)))
    clear = carry(walls.points, np.minimum(walls.gaps(u).min(axis=2), FAR))
    if wraps is not None:
        contact += carry(wraps.points, wraps.held[..., 0] / wraps.points.area)
        clear = np.minimum(clear, carry(wraps.points, np.minimum(wraps.gaps(u), FAR)))
    mode = np.empty((0, 0, 3))
    if any(word.startswith(SHOWN_WITH_MODE) for word in label.split("; ")):
        mode = shape_of_mode(model, u)
    return Snapshot(
        label=label, step=int(row["step"]), phase=int(row["phase"]), travel=row["travel_mm"],
        axle_angle=row["axle_angle_rad"], station=state.station, position=state.position,
        heading=state.heading, across=state.across, height=state.height, lateral=state.lateral,
        curvature=state.curvature, axial_force=state.axial_force, strain=state.strain,
        strain_share=state.strain_share, contact=contact, thickness=np.asarray(state.thickness),
        obstacles=tuple(wall.drawing() for wall in walls.walls),
        gap=np.where(clear < FAR, clear, np.nan), layer_strain=layer_strain(model.body, u), mode=mode,
    )  # fmt: skip


class Carrier:
    """Carries values (n, k) at the contact points that count to the grid of a state."""

    def __init__(self, state: WoundState) -> None:
        self.station, self.across = state.station, state.across

    def __call__(self, points: SurfacePoints, values: Array) -> Array:
        places = np.abs(self.across) if points.lines[0] >= 0.0 else self.across
        at, columns = points.stations[points.counted], values[points.counted].T
        along = np.stack([np.interp(self.station, at, column) for column in columns], axis=1)
        return np.stack([np.interp(places, points.lines, row) for row in along])


def shape_of_mode(model: ShellModel, u: Array) -> Array:
    """Softest mode (n, m, 3) over the whole width, contact sticking; largest displacement 1."""
    grid = model.body.shell.grid
    place = softest_mode(model, u)[1].reshape(grid.stations.size, -1, 4, 3)[:, :, 0]
    if not model.body.half:
        return place
    return np.concatenate([place[:, :0:-1] * FLIP[0], place], axis=1)


def true_gap(model: ShellModel, u: Array) -> float:
    """Smallest gap [mm] between wraps at a state, on points much finer than those of contact, edges and
    ends included.
    """
    if model.wraps is None:
        return math.inf
    fine = surface_points(model.body, GAP_ALONG, GAP_ACROSS, ends=True)
    wraps = replace(model.wraps, points=fine)
    wraps.start(u)
    return float(wraps.gaps(u).min())


def closest_wraps(model: ShellModel, log: Log) -> dict[str, Quantity]:
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


def shell_numbers(model: ShellModel, log: Log) -> Mapping[str, Quantity]:
    """Numbers that only the shell has: gap between wraps over the run, and how the section, its edges and the
    pressures are where pushing out is hardest (where winding in is, if nothing was pushed out).
    """
    if not log.rows:
        return {}
    phase, torque = log.column("phase"), log.column("torque_Nmm")
    at = int(np.argmax(np.where(phase == phase.max(), torque, -np.inf)))
    row, u = log.rows[at], log.states[at]
    state, rest = ShellFields(model.body).state(u), ShellFields(model.body).state(log.states[0])
    look(model, u)
    note = f"at travel {row['travel_mm']:.1f} mm, where it turns hardest"
    numbers = dict(closest_wraps(model, log))
    for name, value in flattening(model, state, u, row["slot_station_mm"]).items():
        numbers[f"flattened_{name}"] = Quantity(value, "", f"share of the rest height lost, {note}")
    numbers["edge_wave_mm"] = Quantity(edge_wave(state, rest), "mm", f"edge off its smooth course, {note}")
    numbers["twist_largest_rad"] = Quantity(float(np.abs(twist(state)).max()), "rad", note)
    for name, value in pressures(model, u).items():
        numbers[f"pressure_{name}_N_per_mm2"] = Quantity(
            value, "N/mm^2", f"largest over the area of a point, {note}"
        )
    return numbers


def flattening(model: ShellModel, state: WoundState, u: Array, slot: float) -> dict[str, float]:
    """Share of the section's rest height that is lost at the slot's inner end and, as a mean, on the axle
    (at the root alone where the coil has left it); 0: as made, 1: flat. Empty for a strip flat at rest.
    """
    strip, edge = model.case.strip, 0.5 * model.case.strip.width
    s = state.station
    q = np.linspace(0.0, edge, 101)
    angle = np.asarray(strip.section_angle(s[:, None], q[None, :])[0])
    made = np.abs(np.trapezoid(np.sin(angle), q, axis=1))
    if made.max() < 0.01 * strip.thickness:
        return {}
    rise = 0.5 * np.abs(state.height[:, 0] + state.height[:, -1])
    lost = 1.0 - rise / np.maximum(made, 1e-9)
    names = [wall.name for wall in model.walls.walls]
    pressed = model.walls.forces(u)[:, :, names.index("axle")].sum(axis=1) > 0.0
    touching = model.walls.points.stations[pressed]
    on = s <= min(float(touching.max()) if touching.size else 0.0, slot)
    return {"slot": float(np.interp(slot, s, lost)), "axle": float(lost[on].mean())}


def edge_wave(state: WoundState, rest: WoundState) -> float:
    """Largest departure [mm] of the edges' height from a cubic fitted over one width along the strip, beyond
    that of the first state.
    """
    width = float(np.ptp(state.across))
    s = np.arange(state.station[0], state.station[-1], 0.5)
    window = 2 * round(width) + 1

    def residual(of: WoundState) -> Array:
        height = np.stack([np.interp(s, of.station, of.height[:, side]) for side in (0, -1)])
        return np.asarray(height - savgol_filter(height, min(window, 2 * (s.size // 2) - 1), 3, axis=1))

    return float(np.abs(residual(state) - residual(rest)).max())


def twist(state: WoundState) -> Array:
    """Angle (n,) [rad] by which the line from edge to edge is turned about the strip's axis."""
    return np.asarray(
        np.arctan2(state.height[:, -1] - state.height[:, 0], state.lateral[:, -1] - state.lateral[:, 0])
    )


def pressures(model: ShellModel, u: Array) -> dict[str, float]:
    """Largest contact pressure [N/mm^2] on the faces toward the axle and away from it, and between wraps."""
    walls = model.walls
    force = walls.forces(u)
    share = walls.points.per_area(force)
    # the offset of the touching face counts along the shell's normal, which points away from the axle
    away = walls.held[..., 3] > 0.0
    found = {
        "toward_axle": float(np.where(away, 0.0, share).max()),
        "away_from_axle": float(np.where(away, share, 0.0).max()),
    }
    if model.wraps is not None:
        found["between_wraps"] = float((model.wraps.held[..., 0] / model.wraps.points.area).max())
    return found
