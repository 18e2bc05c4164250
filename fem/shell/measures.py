"""Numbers that only a shell in its surroundings has: true gap between wraps, flattening, waves of the edges,
twist, pressures.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
from scipy.signal import savgol_filter

from fem.contact.state import ContactRecord, ContactState
from fem.core.term import Array
from fem.results.result import Quantity
from fem.shell.axle_clamp import ClampedShell
from fem.shell.state import ShellState, strip_state
from fem.shell.surface_points import surface_points

GAP_ALONG, GAP_ACROSS, GAP_STATES = 0.2, 0.5, 24


def measured(
    model: ClampedShell,
    rows: Sequence[Mapping[str, float]],
    states: Sequence[Array],
    records: Sequence[tuple[ContactRecord, ContactRecord]],
) -> dict[str, Quantity]:
    """The numbers of a run by its rows, states and what was recorded there of walls and wraps: gap between
    wraps over the whole of it; how section, edges and pressures are where pushing out is hardest (where
    winding in is, if nothing was pushed out).
    """
    if not rows:
        return {}
    phase, torque = (np.array([row[name] for row in rows]) for name in ("phase", "torque_Nmm"))
    at = int(np.argmax(np.where(phase == phase.max(), torque, -np.inf)))
    row, u, record = rows[at], states[at], records[at]
    state, rest = strip_state(model.body, u), strip_state(model.body, states[0])
    walls = model.walls.state(u, record[0])
    wraps = None if model.wraps is None else model.wraps.state(u, record[1])
    note = f"at travel {row['travel_mm']:.1f} mm, where it turns hardest"
    numbers = dict(closest_wraps(model, states, records))
    for name, value in flattening(model, state, walls, row["slot_station_mm"]).items():
        numbers[f"flattened_{name}"] = Quantity(value, "", f"share of the rest height lost, {note}")
    numbers["edge_wave_mm"] = Quantity(edge_wave(state, rest), "mm", f"edge off its smooth course, {note}")
    numbers["twist_largest_rad"] = Quantity(float(np.abs(twist(state)).max()), "rad", note)
    for name, value in pressures(walls, wraps).items():
        numbers[f"pressure_{name}_N_per_mm2"] = Quantity(
            value, "N/mm^2", f"largest over the area of a point, {note}"
        )
    return numbers


def true_gap(model: ClampedShell, u: Array, record: ContactRecord) -> float:
    """Smallest gap [mm] between wraps at an accepted state with the record of its pairs, on points much finer
    than those of contact, edges and ends included.
    """
    if model.wraps is None:
        return math.inf
    fine = surface_points(model.body, GAP_ALONG, GAP_ACROSS, ends=True)
    return float(model.wraps.on_points(fine, u, record).gaps(u).min())


def closest_wraps(
    model: ClampedShell, states: Sequence[Array], records: Sequence[tuple[ContactRecord, ContactRecord]]
) -> dict[str, Quantity]:
    """The smallest true gap over a share of the states of a run, spread evenly."""
    if model.wraps is None or not states:
        return {}
    rows = np.unique(np.linspace(0, len(states) - 1, GAP_STATES).astype(int))
    gaps = [true_gap(model, states[k], records[k][1]) for k in rows]
    worst = int(np.argmin(gaps))
    if not math.isfinite(gaps[worst]):
        return {}
    note = f"on a fine grid, edges included, smallest of {len(rows)} states; at step {rows[worst]}"
    return {"wrap_gap_true_mm": Quantity(gaps[worst], "mm", note)}


def flattening(model: ClampedShell, state: ShellState, walls: ContactState, slot: float) -> dict[str, float]:
    """Share of the section's rest height that is lost at the slot's inner end (station slot [mm]) and, as a
    mean, on the axle (at the root alone where the coil has left it); 0: as made, 1: flat. Empty for a strip
    flat at rest.
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
    touching = walls.stations[walls.force_of("axle") > 0.0]
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


def pressures(walls: ContactState, wraps: ContactState | None) -> dict[str, float]:
    """Largest contact pressure [N/mm^2] on the faces toward the axle and away from it, and between wraps."""
    # the shell's normal points away from the axle
    share = walls.pressure()
    found = {
        "toward_axle": float(np.where(walls.side > 0.0, 0.0, share).max()),
        "away_from_axle": float(np.where(walls.side > 0.0, share, 0.0).max()),
    }
    if wraps is not None:
        found["between_wraps"] = float(wraps.pressure().max())
    return found
