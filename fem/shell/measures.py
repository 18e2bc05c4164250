"""Numbers that only a shell in its surroundings has: true gap between wraps, flattening, waves of the edges,
twist, pressures.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from scipy.signal import savgol_filter

from fem.core.term import Array
from fem.results.result import Quantity
from fem.shell.axle_clamp import ClampedShell
from fem.shell.state import ShellState, strip_state
from fem.shell.surface_points import surface_points

GAP_ALONG, GAP_ACROSS, GAP_STATES = 0.2, 0.5, 24


def renew_contact(model: ClampedShell, u: Array) -> None:
    """Bring contact pairs and held forces to a state, for reading them."""
    model.walls.choose_points(u)
    model.walls.hold(u)
    if model.wraps is not None:
        model.wraps.hold(u, fully=True)


def measured(
    model: ClampedShell, rows: Sequence[Mapping[str, float]], states: Sequence[Array]
) -> dict[str, Quantity]:
    """The numbers of a run by its rows and states: gap between wraps over the whole of it; how section, edges
    and pressures are where pushing out is hardest (where winding in is, if nothing was pushed out).
    """
    if not rows:
        return {}
    phase, torque = (np.array([row[name] for row in rows]) for name in ("phase", "torque_Nmm"))
    at = int(np.argmax(np.where(phase == phase.max(), torque, -np.inf)))
    row, u = rows[at], states[at]
    state, rest = strip_state(model.body, u), strip_state(model.body, states[0])
    renew_contact(model, u)
    note = f"at travel {row['travel_mm']:.1f} mm, where it turns hardest"
    numbers = dict(closest_wraps(model, states))
    for name, value in flattening(model, state, u, row["slot_station_mm"]).items():
        numbers[f"flattened_{name}"] = Quantity(value, "", f"share of the rest height lost, {note}")
    numbers["edge_wave_mm"] = Quantity(edge_wave(state, rest), "mm", f"edge off its smooth course, {note}")
    numbers["twist_largest_rad"] = Quantity(float(np.abs(twist(state)).max()), "rad", note)
    for name, value in pressures(model, u).items():
        numbers[f"pressure_{name}_N_per_mm2"] = Quantity(
            value, "N/mm^2", f"largest over the area of a point, {note}"
        )
    return numbers


def true_gap(model: ClampedShell, u: Array) -> float:
    """Smallest gap [mm] between wraps at a state, on points much finer than those of contact, edges and
    ends included.
    """
    if model.wraps is None:
        return math.inf
    fine = surface_points(model.body, GAP_ALONG, GAP_ACROSS, ends=True)
    wraps = replace(model.wraps, points=fine)
    wraps.start(u)
    return float(wraps.gaps(u).min())


def closest_wraps(model: ClampedShell, states: Sequence[Array]) -> dict[str, Quantity]:
    """The smallest true gap over a share of the states of a run, spread evenly."""
    if model.wraps is None or not states:
        return {}
    rows = np.unique(np.linspace(0, len(states) - 1, GAP_STATES).astype(int))
    gaps = [true_gap(model, states[k]) for k in rows]
    worst = int(np.argmin(gaps))
    if not math.isfinite(gaps[worst]):
        return {}
    note = f"on a fine grid, edges included, smallest of {len(rows)} states; at step {rows[worst]}"
    return {"wrap_gap_true_mm": Quantity(gaps[worst], "mm", note)}


def flattening(model: ClampedShell, state: ShellState, u: Array, slot: float) -> dict[str, float]:
    """Share of the section's rest height that is lost at the slot's inner end (station slot [mm]) and, as a
    mean, on the axle (at the root alone where the coil has left it); 0: as made, 1: flat. Empty for a strip
    flat at rest. Contact is that of the state (`renew_contact`).
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


def edge_wave(state: ShellState, rest: ShellState) -> float:
    """Largest departure [mm] of the edges' height from a cubic fitted over one width along the strip, beyond
    that of the first state.
    """
    width = float(np.ptp(state.across))
    s = np.arange(state.station[0], state.station[-1], 0.5)
    window = 2 * round(width) + 1

    def residual(of: ShellState) -> Array:
        height = np.stack([np.interp(s, of.station, of.height[:, side]) for side in (0, -1)])
        return np.asarray(height - savgol_filter(height, min(window, 2 * (s.size // 2) - 1), 3, axis=1))

    return float(np.abs(residual(state) - residual(rest)).max())


def twist(state: ShellState) -> Array:
    """Angle (n,) [rad] by which the line from edge to edge is turned about the strip's axis."""
    return np.asarray(
        np.arctan2(state.height[:, -1] - state.height[:, 0], state.lateral[:, -1] - state.lateral[:, 0])
    )


def pressures(model: ClampedShell, u: Array) -> dict[str, float]:
    """Largest contact pressure [N/mm^2] on the faces toward the axle and away from it, and between wraps;
    contact is that of the state (`renew_contact`).
    """
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
