"""Compiled loops over walls at the end of a step: gaps, slip, the friction that is stored, the axle's moment.

The arrays of what is held are large and mostly empty: what is asked for at every step reads them once.
"""

from __future__ import annotations

import numpy as np

from fem.contact.kernels.distance import least_gap, wall_gap
from fem.contact.kernels.laws import Law, Pair, carried
from fem.core.term import Array
from fem.jit.decorators import compiled, inlined
from fem.rod.kernels.faces import (
    Face,
    Lean,
    PointTables,
    frame_at,
    mid_point,
    most_height,
    new_face,
    new_lean,
    read_angles,
    read_climb,
    read_face,
    read_heights,
    wall_places,
)
from fem.rod.kernels.walls import WallMemory


@compiled
def wall_gaps(u: Array, pt: PointTables, table: Array, thickness: float) -> Array:
    """(n, k, walls): gap between the strip's face and every wall; inf at stations that do not count."""
    places = wall_places(u, pt)
    n, k, walls = places.shape[0], places.shape[1], table.shape[0]
    out = np.full((n, k, walls), np.inf)
    for p in range(n):
        if pt.area[p, 0] <= 0.0:
            continue
        for line in range(k):
            x, y, nx, ny, h, _ = places[p, line]
            for w in range(walls):
                out[p, line, w] = wall_gap(table[w], x + h * nx, y + h * ny)[0] - 0.5 * thickness
    return out


@compiled
def least_of_all(u: Array, pt: PointTables, table: Array, thickness: float) -> float:
    """The smallest of `wall_gaps`; walls too far away to matter are left out."""
    face, least = new_face(pt), np.inf
    for p in range(pt.area.shape[0]):
        if pt.area[p, 0] <= 0.0:
            continue
        dofs, ready = pt.dofs[pt.element[p]], False
        x, y, tx, ty, _ = frame_at(u, dofs, pt.shape[p])
        read_angles(u, dofs, pt.shape[p], pt, (p, 0.0), face)
        reach = most_height(pt, p, face)
        for w in range(table.shape[0]):
            if least_gap(table, w, x, y) - reach - 0.5 * thickness >= least:
                continue
            if not ready:
                read_heights(pt, p, face)
                ready = True
            for line in range(face.height.shape[0]):
                h = face.height[line]
                least = min(least, wall_gap(table[w], x - h * ty, y + h * tx)[0] - 0.5 * thickness)
    return least


@compiled
def mid_points(u: Array, pt: PointTables) -> Array:
    """Places (n, 2) of the mid-line at the stations."""
    out = np.empty((pt.area.shape[0], 2))
    for p in range(out.shape[0]):
        out[p, 0], out[p, 1] = mid_point(u, pt.dofs[pt.element[p]], pt.shape[p])
    return out


@inlined
def _placed(u: Array, pt: PointTables, p: int, face: Face, lean: Lean) -> tuple[float, float, float, float]:
    """Read the face of station p; place and tangent of its mid-line."""
    dofs = pt.dofs[pt.element[p]]
    x, y, tx, ty, _ = frame_at(u, dofs, pt.shape[p])
    read_face(u, dofs, pt.shape[p], pt, (p, 0.0), face)
    read_climb(u, dofs, pt.shape[p], pt, p, face.cosine, lean)
    return x, y, tx, ty


@inlined
def _slid(
    at: tuple[float, float, float, float], lies: Pair, held: Array, before: Array, turn: float
) -> float:
    """Motion of a face along the held direction since `before`; at: place and tangent of the mid-line; lies:
    height of the point and its slope.
    """
    x, y, tx, ty = at
    bx, by = carried(before, held[3], turn)
    H, T = lies[0] + held[3], -held[3] * lies[1]
    return float((x - H * ty + T * tx - bx) * held[1] + (y + H * tx + T * ty - by) * held[2])


@compiled
def wall_slide(u: Array, pt: PointTables, table: Array, turn: float, held: Array, before: Array) -> Array:
    """(n, k, walls): motion of the faces along the held directions since `before`; zero without force."""
    n, k = pt.area.shape
    walls = table.shape[0]
    out = np.zeros((n, k, walls))
    face, lean = new_face(pt), new_lean(pt)
    for p in range(n):
        ready = False
        at = (0.0, 0.0, 0.0, 0.0)
        for line in range(k):
            for w in range(walls):
                if held[p, line, w, 0] <= 0.0:
                    continue
                if not ready:
                    at, ready = _placed(u, pt, p, face, lean), True
                hold, was = held[p, line, w], before[p, line]
                out[p, line, w] = _slid(
                    at, (face.height[line], lean.climb[line]), hold, was, table[w, 9] * turn
                )
    return out


@compiled
def wall_taken(
    u: Array,
    pt: PointTables,
    walls: tuple[Array, Law, WallMemory],
    earlier: tuple[Array, Array],
    force: Array,
) -> float:
    """Take a step: friction forces (n, k, walls) at its end into `force`, the elastic slip into the memory;
    returns the work of friction [N mm], with the mean of the forces at both ends.

    walls: table, law, memory; earlier: what was held at the start and the forces then.
    """
    table, law, memory = walls
    held, slip, before = memory.held, memory.slip, memory.before
    was_held, was_force = earlier
    face, lean, work = new_face(pt), new_lean(pt), 0.0
    for p in range(pt.area.shape[0]):
        if pt.area[p, 0] <= 0.0:
            slip[p, :, :] = 0.0
            continue
        ready = False
        at = (0.0, 0.0, 0.0, 0.0)
        for line in range(slip.shape[1]):
            for w in range(slip.shape[2]):
                now = held[p, line, w, 0] > 0.0
                if not now:
                    slip[p, line, w] = 0.0
                was = was_held[p, line, w, 0] > 0.0 and was_force[p, line, w] != 0.0
                if not now and not was:
                    continue
                if not ready:
                    at, ready = _placed(u, pt, p, face, lean), True
                turn, lies = table[w, 9] * law.turn, (face.height[line], lean.climb[line])
                if was:
                    slide = _slid(at, lies, was_held[p, line, w], before[p, line], turn)
                    work += 0.5 * was_force[p, line, w] * slide
                if now:
                    slide = _slid(at, lies, held[p, line, w], before[p, line], turn)
                    total = min(law.slip, max(-law.slip, slip[p, line, w] + slide))
                    force[p, line, w] = law.friction * held[p, line, w, 0] * total / law.slip
                    work += 0.5 * force[p, line, w] * slide
                    slip[p, line, w] = total
    return work


@compiled
def wall_moment(u: Array, pt: PointTables, table: Array, law: Law, memory: WallMemory) -> float:
    """Moment [N mm] of the friction forces on turning walls about the origin against clockwise turning."""
    held, slip, before = memory.held, memory.slip, memory.before
    face, lean, moment = new_face(pt), new_lean(pt), 0.0
    for w in range(table.shape[0]):
        if table[w, 9] == 0.0:
            continue
        c, s = np.cos(table[w, 9] * law.turn), np.sin(table[w, 9] * law.turn)
        for p in range(pt.area.shape[0]):
            if pt.area[p, 0] <= 0.0:
                continue
            ready = False
            at = (0.0, 0.0, 0.0, 0.0)
            for line in range(slip.shape[1]):
                if held[p, line, w, 0] <= 0.0:
                    continue
                if not ready:
                    at, ready = _placed(u, pt, p, face, lean), True
                was, hold = before[p, line], held[p, line, w]
                slide = _slid(at, (face.height[line], lean.climb[line]), hold, was, table[w, 9] * law.turn)
                force = law.friction * hold[0] * min(1.0, max(-1.0, (slip[p, line, w] + slide) / law.slip))
                H, T = was[4] + hold[3], -hold[3] * was[5]
                px, py = was[0] + H * was[2] + T * was[3], was[1] + H * was[3] - T * was[2]
                # (c x + s y, c y - s x) moves by (c y - s x, -c x - s y); the wall is pulled with -force
                moment -= force * ((c * py - s * px) * hold[1] - (c * px + s * py) * hold[2])
    return moment
