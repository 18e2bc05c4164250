"""Compiled loops over the pairs of self-contact: who faces whom, what is held, slip, room to move.

A pair is a station of the strip and a foot point further out. Along the held direction nu the gap of a line
across the half width is nu . (p - c) - t; slip is measured at one interface halfway between both
mid-surfaces. Formulas are those of `fem.rod.self_contact`, faces and laws those of `fem.rod.kernels.faces`.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from fem.contact.kernels.laws import Law, Pair, penalty
from fem.core.term import Array, Index
from fem.jit.decorators import compiled, inlined
from fem.rod.kernels.faces import Face, Frame, PointTables, frame_at, mid_point, new_face, read_face

KEEP_SIDE = 1.5
"""Mid-lines closer than this many thicknesses keep the side they were last seen on: a deep press is no
crossing.
"""
FACING = 0.2
"""Least cosine between the normals of a pair that offsets are divided by."""
SAMPLES, FOOT_STEPS = 2, 30
NUMBERS = 6
"""Held numbers of a line: normal force, nu (2), own offset, partner's offset, gap."""


class Pairs(NamedTuple):
    """partner (n,): element of the foot point, -1 without; place (n,) in [0, 1] on it; held (n, k, NUMBERS);
    before, before_partner (n, k, 2): places of both faces at the last accepted step.
    """

    partner: Index
    place: Array
    held: Array
    before: Array
    before_partner: Array


class Sides(NamedTuple):
    """Faces of a pair; row (2, 4): value and slope functions at the foot."""

    own: Face
    foot: Face
    row: Array


@inlined
def new_sides(pt: PointTables) -> Sides:
    """Work space for `read_pair`."""
    return Sides(new_face(pt), new_face(pt), np.zeros((2, 4)))


@inlined
def hermite_row(t: float, size: float, out: Array) -> None:
    """Value and slope functions of one element at t, out (2, 4)."""
    t2, t3 = t * t, t * t * t
    out[0, 0], out[0, 1] = 1 - 3 * t2 + 2 * t3, (t - 2 * t2 + t3) * size
    out[0, 2], out[0, 3] = 3 * t2 - 2 * t3, (t3 - t2) * size
    out[1, 0], out[1, 1] = (-6 * t + 6 * t2) / size, 1 - 4 * t + 3 * t2
    out[1, 2], out[1, 3] = (6 * t - 6 * t2) / size, -2 * t + 3 * t2


@inlined
def foot_section(pt: PointTables, e: int, t: float) -> tuple[int, float]:
    """Contact station of element e nearest to t, and how far the foot lies beyond it: its tables stand for
    the partner's.
    """
    count = pt.first[e + 1] - pt.first[e]
    q = pt.first[e] + min(max(int(t * count), 0), count - 1)
    return q, pt.nodes[e] + t * (pt.nodes[e + 1] - pt.nodes[e]) - pt.stations[q]


@inlined
def read_pair(u: Array, pt: PointTables, pairs: Pairs, p: int, sides: Sides) -> tuple[Frame, Frame]:
    """Frames and heights of both sides of the pair of station p."""
    e, f, t = pt.element[p], pairs.partner[p], pairs.place[p]
    hermite_row(t, pt.nodes[f + 1] - pt.nodes[f], sides.row)
    read_face(u, pt.dofs[e], pt.shape[p], pt, (p, 0.0), sides.own)
    read_face(u, pt.dofs[f], sides.row, pt, foot_section(pt, f, t), sides.foot)
    return frame_at(u, pt.dofs[e], pt.shape[p]), frame_at(u, pt.dofs[f], sides.row)


@inlined
def apart(at: Frame, foot: Frame, height: float, foot_height: float) -> Pair:
    """From the partner's point to the own point, each at a height above its mid-line."""
    return (
        at[0] - height * at[3] - foot[0] + foot_height * foot[3],
        at[1] + height * at[2] - foot[1] - foot_height * foot[2],
    )


@inlined
def _foot(
    u: Array, pt: PointTables, start: tuple[int, float], x: float, y: float, row: Array
) -> tuple[int, float]:
    """Foot point (element, place) of (x, y) on the mid-line near `start`; element -1 when there is none.

    Secant steps: on a curve of curvature k a point at distance d is left at k d of the way by plain ones.
    """
    e, t = start
    last = pt.nodes.shape[0] - 2
    close = 1e-10
    was, moved = 0.0, 0.0
    for _ in range(FOOT_STEPS):
        size = pt.nodes[e + 1] - pt.nodes[e]
        hermite_row(t, size, row)
        cx, cy, tx, ty, length = frame_at(u, pt.dofs[e], row)
        off = (x - cx) * tx + (y - cy) * ty
        step = off / length
        if moved != 0.0 and (was - off) / moved > 0.3 * length:
            step = off * moved / (was - off)
        was, moved = off, step
        t += step / size
        if t < 0.0:
            if e == 0:
                return -1, t
            e -= 1
            t = 1.0 + t * size / (pt.nodes[e + 1] - pt.nodes[e])
            if t < 0.0:
                t, moved = 0.5, 0.0
        elif t > 1.0:
            if e == last:
                return -1, t
            e += 1
            t = (t - 1.0) * size / (pt.nodes[e + 1] - pt.nodes[e])
            if t > 1.0:
                t, moved = 0.5, 0.0
        if abs(step) < close:
            return e, t
    return -1, t


@compiled
def find_pairs(u: Array, pt: PointTables, reach: float, reachable: float, pairs: Pairs) -> None:
    """Nearest place at least `reach` [mm] further out for each station, -1 where none is within `reachable`
    [mm].
    """
    count = pt.nodes.shape[0] - 1
    px, py, ps = np.empty(count * SAMPLES), np.empty(count * SAMPLES), np.empty(count * SAMPLES)
    row = np.zeros((2, 4))
    for e in range(count):
        size = pt.nodes[e + 1] - pt.nodes[e]
        for j in range(SAMPLES):
            t, i = (j + 0.5) / SAMPLES, e * SAMPLES + j
            hermite_row(t, size, row)
            px[i], py[i] = mid_point(u, pt.dofs[e], row)
            ps[i] = pt.nodes[e] + t * size
    farthest = 4.0 * (reachable + pt.nodes[1]) ** 2
    for p in range(pt.stations.shape[0]):
        pairs.partner[p] = -1
        x, y = mid_point(u, pt.dofs[pt.element[p]], pt.shape[p])
        best, least = -1, 1e30
        for i in range(np.searchsorted(ps, pt.stations[p] + reach), count * SAMPLES):
            d = (px[i] - x) ** 2 + (py[i] - y) ** 2
            if d < least:
                best, least = i, d
        if best < 0 or least > farthest:
            continue
        e, t = _foot(u, pt, (best // SAMPLES, (best % SAMPLES + 0.5) / SAMPLES), x, y, row)
        if e < 0:
            continue
        size = pt.nodes[e + 1] - pt.nodes[e]
        if pt.nodes[e] + t * size - pt.stations[p] < 0.9 * reach:
            continue
        hermite_row(t, size, row)
        cx, cy = mid_point(u, pt.dofs[e], row)
        if (cx - x) ** 2 + (cy - y) ** 2 < reachable**2:
            pairs.partner[p], pairs.place[p] = e, t


@inlined
def _side(at: Frame, foot: Frame, near: float, kept: float) -> float:
    """Side of the partner on which the point lay; the kept one, if any, when it was too near to tell."""
    away = (at[1] - foot[1]) * foot[2] - (at[0] - foot[0]) * foot[3]
    if abs(away) > near or kept == 0.0:
        return 1.0 if away > 0.0 else -1.0
    return kept


@compiled
def hold_pairs(
    u: Array, last: Array, pt: PointTables, pairs: Pairs, law: Law, memory: tuple[Array, float, Array]
) -> tuple[float, float]:
    """Renew what is held, with a share of the change of the normal force; returns the sums of forces and
    changes.

    memory: side (n,) of the partner at the last accepted state `last` (0: none, told from where the point
    lay then), that share (1 takes the present force), and the sides taken (n,), written.
    """
    kept, share, taken = memory
    sides = new_sides(pt)
    total, change = 0.0, 0.0
    for p in range(pt.stations.shape[0]):
        held = pairs.held[p]
        if pairs.partner[p] < 0:
            for line in range(held.shape[0]):
                change += held[line, 0]
            held[:, :] = 0.0
            continue
        at, foot = read_pair(u, pt, pairs, p, sides)
        was = frame_at(last, pt.dofs[pt.element[p]], pt.shape[p])
        was_foot = frame_at(last, pt.dofs[pairs.partner[p]], sides.row)
        side = _side(was, was_foot, KEEP_SIDE * law.thickness, kept[p])
        taken[p] = side
        vx, vy = -side * foot[3], side * foot[2]
        facing = vy * at[2] - vx * at[3]
        facing = facing if abs(facing) > FACING else (FACING if facing > 0.0 else -FACING)
        for line in range(held.shape[0]):
            gx, gy = apart(at, foot, sides.own.height[line], sides.foot.height[line])
            distance = gx * vx + gy * vy
            # one interface halfway: pressed wraps that turn together do not slip by their overlap
            held[line, 1], held[line, 2], held[line, 3] = vx, vy, -0.5 * distance / facing
            held[line, 4], held[line, 5] = 0.5 * distance * side, distance - law.thickness
            _, force, _ = penalty(distance - law.thickness, law.stiffness, law.onset)
            force *= pt.area[p, line]
            total += force
            change += abs(force - held[line, 0])
            held[line, 0] += share * (force - held[line, 0])
        at, foot = read_pair(last, pt, pairs, p, sides)
        for line in range(held.shape[0]):
            H, F = sides.own.height[line] + held[line, 3], sides.foot.height[line] + held[line, 4]
            pairs.before[p, line, 0], pairs.before[p, line, 1] = at[0] - H * at[3], at[1] + H * at[2]
            pairs.before_partner[p, line, 0] = foot[0] - F * foot[3]
            pairs.before_partner[p, line, 1] = foot[1] + F * foot[2]
    return total, change


@inlined
def moved_apart(pairs: Pairs, p: int, line: int, at: Frame, foot: Frame, heights: Pair) -> Pair:
    """Motion of the own face against the partner's since the last step; heights of both mid-surfaces."""
    held = pairs.held[p, line]
    gx, gy = apart(at, foot, heights[0] + held[3], heights[1] + held[4])
    return (
        gx - pairs.before[p, line, 0] + pairs.before_partner[p, line, 0],
        gy - pairs.before[p, line, 1] + pairs.before_partner[p, line, 1],
    )


@inlined
def is_held(held: Array) -> bool:
    """Whether any line of a pair holds a normal force; held (k, NUMBERS)."""
    most = 0.0
    for line in range(held.shape[0]):
        most = max(most, held[line, 0])
    return most > 0.0


@compiled
def slide_pairs(u: Array, pt: PointTables, pairs: Pairs) -> Array:
    """(n, k): motion of the faces along the held directions since the last step; zero without force."""
    n, k = pt.area.shape
    sides = new_sides(pt)
    out = np.zeros((n, k))
    for p in range(n):
        held = pairs.held[p]
        if pairs.partner[p] < 0 or not is_held(held):
            continue
        at, foot = read_pair(u, pt, pairs, p, sides)
        for line in range(k):
            if held[line, 0] > 0.0:
                mx, my = moved_apart(
                    pairs, p, line, at, foot, (sides.own.height[line], sides.foot.height[line])
                )
                out[p, line] = -mx * held[line, 2] + my * held[line, 1]
    return out


@compiled
def pair_room(u: Array, there: Array, pt: PointTables, pairs: Pairs, thickness: float, depth: float) -> float:
    """Largest part of the way from u to `there` on which no pair comes closer than its gap and `depth` of the
    thickness.
    """
    sides, sides_there = new_sides(pt), new_sides(pt)
    part = 1.0
    for p in range(pt.stations.shape[0]):
        if pairs.partner[p] < 0:
            continue
        at, foot = read_pair(u, pt, pairs, p, sides)
        at_there, foot_there = read_pair(there, pt, pairs, p, sides_there)
        for line in range(pt.area.shape[1]):
            vx, vy = pairs.held[p, line, 1], pairs.held[p, line, 2]
            gx, gy = apart(at, foot, sides.own.height[line], sides.foot.height[line])
            hx, hy = apart(at_there, foot_there, sides_there.own.height[line], sides_there.foot.height[line])
            distance = gx * vx + gy * vy
            closer = distance - hx * vx - hy * vy
            room = max(distance - thickness, 0.0) + depth * thickness
            if part * closer > room:
                part = room / closer
    return part


@compiled
def pair_gaps(u: Array, pt: PointTables, pairs: Pairs, thickness: float) -> Array:
    """(n, k): gap along the held directions; inf where there is no partner."""
    sides = new_sides(pt)
    out = np.full(pt.area.shape, np.inf)
    for p in range(pt.stations.shape[0]):
        if pairs.partner[p] < 0:
            continue
        at, foot = read_pair(u, pt, pairs, p, sides)
        for line in range(pt.area.shape[1]):
            gx, gy = apart(at, foot, sides.own.height[line], sides.foot.height[line])
            out[p, line] = gx * pairs.held[p, line, 1] + gy * pairs.held[p, line, 2] - thickness
    return out
