"""Contact of the states that a run keeps: recorded with each, read from the pairs of the run itself."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from fem.contact.state import ContactRecord, ContactState
from fem.core.term import Array, Index
from fem.simulation.strip_model import StripModel, StripState

FAR = 5.0
"""mm beyond which a gap is no longer a clearance worth telling."""


class StateRecord(NamedTuple):
    """What reading the contact of a state needs beside it; empty where nothing may touch."""

    walls: ContactRecord = ()
    wraps: ContactRecord = ()


class KeptContact(NamedTuple):
    """Contact with the surroundings and of the strip with itself in one state; None where it cannot touch."""

    walls: ContactState | None = None
    wraps: ContactState | None = None


def recorded(model: StripModel) -> StateRecord:
    """The contact of the state that was accepted last."""
    walls, wraps = model.walls, model.wraps
    return StateRecord(walls.record() if walls else (), wraps.record() if wraps else ())


def kept_contact(model: StripModel, u: Array, record: StateRecord) -> KeptContact:
    """Contact in an accepted state u (size,), of which `record` was made."""
    walls, wraps = model.walls, model.wraps
    return KeptContact(
        walls.state(u, record.walls) if walls else None, wraps.state(u, record.wraps) if wraps else None
    )


def contact_fields(model: StripModel, contact: KeptContact, state: StripState) -> tuple[Array, Array]:
    """Contact pressure [N/mm^2] and clearance [mm] (n, m) on the grid of a state; nan: nothing within FAR.

    The force of every contact point is laid over the patch of the strip that it stands for, and so is that on
    its partner on the strip: summed over the grid the pressure gives all of it, each place with the area
    nearest to it. The clearance at a place is the smallest of all patches that reach into that area.
    Where there is pressure it may be above 0 by up to the lead of the penalty.
    """
    cells_s, cells_q = _bounds(state.station), _bounds(state.across)
    force, clear = np.zeros(state.height.shape), np.full(state.height.shape, np.inf)
    for touching in contact:
        if touching is None:
            continue
        for patches in _patches(touching, state):
            (i, along), (j, across) = _shares(patches.along, cells_s), _shares(patches.across, cells_q)
            share = along[:, :, None] * across[:, None, :]
            point, a, b = np.nonzero(share)
            there = i[point, a], j[point, b]
            np.add.at(force, there, patches.force[point] * share[point, a, b])
            np.minimum.at(clear, there, patches.gap[point])
    width = model.case.strip.width_at(state.station) / model.case.strip.width
    area = np.outer(np.diff(cells_s) * width, np.diff(cells_q))
    return force / area, np.where(clear < FAR, clear, np.nan)


class _Patches(NamedTuple):
    """Parts of the strip (p): along, across (p, 2) [mm] from and to; force (p,) [N]; gap (p,) [mm]."""

    along: Array
    across: Array
    force: Array
    gap: Array


def _patches(touching: ContactState, state: StripState) -> list[_Patches]:
    """Patches of all points within FAR of something, and of their partners on the strip; both sides."""
    gap, force = touching.gap.min(axis=2), touching.force.sum(axis=2)
    at, line = np.nonzero((touching.lengths[:, None] > 0.0) & (gap < FAR))
    ends = (float(state.station[0]), float(state.station[-1]))
    # stations one after the other share the strip by their lengths, lines across share it by their areas
    edges = (
        ends[0] + np.append(0.0, np.cumsum(touching.lengths)) * (ends[1] - ends[0]) / touching.lengths.sum()
    )
    along = np.stack([edges[at], edges[at + 1]], axis=1)
    low, high = 0.0 if touching.mirrored else float(state.across[0]), float(state.across[-1])
    weights = touching.area.sum(axis=0)
    edges = low + np.append(0.0, np.cumsum(weights)) * (high - low) / weights.sum()
    across = np.stack([edges[line], edges[line + 1]], axis=1)
    own = _Patches(along, across, force[at, line], gap[at, line])
    found = [own]
    foot = touching.foot[at, line]
    paired = np.isfinite(foot[:, 0])
    if paired.any():
        there = (
            _moved(along[paired], foot[paired, 0], ends),
            _moved(across[paired], foot[paired, 1], (low, high)),
        )
        found.append(_Patches(*there, own.force[paired], own.gap[paired]))
    if touching.mirrored:
        halves = [each._replace(force=0.5 * each.force) for each in found]
        found = halves + [each._replace(across=-each.across[:, ::-1]) for each in halves]
    return found


def _moved(ranges: Array, middle: Array, ends: tuple[float, float]) -> Array:
    """Ranges (p, 2) of the same size about other middles (p,), within the ends."""
    size = ranges[:, 1] - ranges[:, 0]
    low = np.clip(middle - 0.5 * size, ends[0], np.maximum(ends[1] - size, ends[0]))
    return np.stack([low, low + size], axis=1)


def _bounds(places: Array) -> Array:
    """Bounds (n + 1,) of the parts of a line that are nearest to its places (n,)."""
    return np.concatenate([places[:1], 0.5 * (places[1:] + places[:-1]), places[-1:]])


def _shares(ranges: Array, bounds: Array) -> tuple[Index, Array]:
    """The parts (p, c) between bounds (n + 1,) in which ranges (p, 2) may lie, and their shares there."""
    first = np.searchsorted(bounds[1:-1], ranges[:, 0], side="right")
    last = np.searchsorted(bounds[1:-1], ranges[:, 1], side="left")
    part = first[:, None] + np.arange(int((last - first).max(initial=0)) + 1)
    inside = part <= last[:, None]
    part = np.where(inside, part, 0)
    low, high = np.maximum(ranges[:, :1], bounds[part]), np.minimum(ranges[:, 1:], bounds[part + 1])
    size = np.where(inside, np.maximum(high - low, 0.0), 0.0)
    return part, np.asarray(size / size.sum(axis=1, keepdims=True))
