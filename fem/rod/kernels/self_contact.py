"""Compiled energy of self-contact with gradient and tangent; formulas are those of `fem.rod.self_contact`.

Both sides of a pair have the local unknowns of `fem.rod.kernels.faces`; a row of the pair is (own,
-partner's, slopes b_m' of the partner's opening), 2 (4 + M) + M long. The slopes count because the foot point
moves along the partner: there its height is another.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from fem.contact.kernels.laws import Law, Pair, penalty, sliding
from fem.core.term import Array, Index
from fem.jit.array_ops import put
from fem.jit.decorators import compiled, inlined
from fem.rod.kernels.faces import (
    Frame,
    PointTables,
    add_square,
    face_rates,
    local_place,
    point_first,
    point_second,
)
from fem.rod.kernels.pairs import (
    Pairs,
    Sides,
    apart,
    foot_section,
    is_held,
    moved_apart,
    new_sides,
    read_pair,
)

LEAST_STRETCH = 0.2
"""Where the partner is curved so sharply that the foot point runs away, its motion is bounded by this."""


class _PairScratch(NamedTuple):
    """Work space of one pair: local gradient and hessian; rows of motion along the force, the normal and the
    partner, of the mid-lines along the partner, of the partner's turning, of the foot point along it, and of
    how the partner's height changes along it (rise); slope (m,) of the partner's section angle.
    """

    sides: Sides
    gradient: Array
    hessian: Array
    row: Array
    across: Array
    along: Array
    slide: Array
    turn: Array
    foot: Array
    rise: Array
    slope: Array


class _Force(NamedTuple):
    """A force of the pair: friction or normal, size and stiffness, direction, heights it acts at on both
    sides.
    """

    friction: bool
    size: float
    stiff: float
    direction: Pair
    heights: Pair


class _Geometry(NamedTuple):
    """The pair: both frames, side of the held direction, curvature of the partner, and how fast its height
    grows along it.
    """

    at: Frame
    foot: Frame
    side: float
    curve: float
    climb: float


@inlined
def _pair_row(direction: Pair, heights: Pair, g: _Geometry, line: int, sides: Sides, out: Array) -> None:
    """Motion of the own point against the partner's along a direction, as a row."""
    half = 4 + sides.own.first.shape[1]
    point_first(direction, heights[0], g.at, sides.own.first[line], out[:half])
    point_first(direction, heights[1], g.foot, sides.foot.first[line], out[half : 2 * half])
    for a in range(half, 2 * half):
        out[a] = -out[a]


@inlined
def _foot_curvature(u: Array, dofs: Index, t: float, size: float, foot: Frame) -> float:
    """Curvature of the mid-line at place t of an element."""
    second = ((-6 + 12 * t) / size**2, (-4 + 6 * t) / size, (6 - 12 * t) / size**2, (-2 + 6 * t) / size)
    ddx, ddy = 0.0, 0.0
    for i in range(4):
        ddx += second[i] * u[dofs[i]]
        ddy += second[i] * u[dofs[4 + i]]
    return (foot[2] * ddy - foot[3] * ddx) / (foot[4] * foot[4])


@inlined
def _section_slope(u: Array, pt: PointTables, f: int, q: int, k: _PairScratch) -> None:
    """Slope along s of the partner's section angle, into k.slope."""
    for j in range(k.slope.shape[0]):
        k.slope[j] = pt.angle_s[q, j]
    for a in range(pt.mode.shape[2]):
        rate = 0.0
        for i in range(4):
            rate += k.sides.row[1, i] * u[pt.dofs[f, 8 + 4 * a + i]]
        for j in range(k.slope.shape[0]):
            k.slope[j] += rate * pt.mode[q, j, a]


@inlined
def _climb(pt: PointTables, q: int, line: int, length: float, k: _PairScratch) -> float:
    """How fast the partner's height on a line grows along it; its derivatives into k.rise."""
    M, face, climb = pt.mode.shape[2], k.sides.foot, 0.0
    k.rise[:] = 0.0
    for j in range(k.slope.shape[0]):
        weight = pt.to[q, line, j] / length
        climb += weight * face.cosine[j] * k.slope[j]
        for a in range(M):
            k.rise[8 + M + a] -= weight * face.sine[j] * k.slope[j] * pt.mode[q, j, a]
            k.rise[8 + 2 * M + a] += weight * face.cosine[j] * pt.mode[q, j, a]
    return climb


@inlined
def _turning(f: _Force, g: _Geometry, k: _PairScratch) -> None:
    """Tangent of a pair's direction, which turns with the partner's tangent at the moving foot point.

    With tau the relative motion of the mid-lines along the partner, d their distance and Theta the partner's
    turning, the foot moves by (tau + d Theta)/(1 - kappa d); there the partner has turned by Theta plus kappa
    times that, and its height by its slope. Friction and normal force must follow the same change of the gap
    (k.across on return): near self-locking a mismatch of a per cent keeps Newton from converging.
    """
    d = (g.at[1] - g.foot[1]) * g.foot[2] - (g.at[0] - g.foot[0]) * g.foot[3]
    stretch = 1.0 - g.curve * d
    if abs(stretch) < LEAST_STRETCH:
        stretch = LEAST_STRETCH if stretch > 0 else -LEAST_STRETCH
    H, F = f.heights
    aside = H * (g.at[2] * g.foot[3] - g.at[3] * g.foot[2])
    for b in range(k.row.shape[0]):
        step = (k.slide[b] + d * k.turn[b]) / stretch
        turn = k.turn[b] + g.curve * step
        if f.friction:
            for a in range(k.row.shape[0]):
                k.hessian[a, b] -= f.size * k.across[a] * turn
            continue
        more = -g.side * (aside * turn + g.climb * step)
        k.across[b] += more
        for a in range(k.row.shape[0]):
            moved = k.along[a] * turn + (k.turn[a] * (1.0 - g.curve * F) + k.rise[a]) * step
            k.hessian[a, b] += f.stiff * more * k.row[a] - f.size * g.side * moved


@inlined
def _add(order: int, following: bool, f: _Force, g: _Geometry, line: int, k: _PairScratch) -> None:
    """Add the gradient of a force and its tangent: with held direction, and what turns with the pair where
    following.
    """
    half = 4 + k.sides.own.first.shape[1]
    own, foot = k.sides.own, k.sides.foot
    _pair_row(f.direction, f.heights, g, line, k.sides, k.row)
    for a in range(2 * half):
        k.gradient[a] += f.size * k.row[a]
    if not f.friction:
        put(k.row, k.across)
    if order < 2:
        return
    if following:
        _pair_row((g.foot[2], g.foot[3]), f.heights, g, line, k.sides, k.along)
        _pair_row((g.foot[2], g.foot[3]), (0.0, 0.0), g, line, k.sides, k.slide)
        k.slide[4:half], k.slide[half + 4 :] = 0.0, 0.0
        k.turn[half + 2], k.turn[half + 3] = -g.foot[3] / g.foot[4], g.foot[2] / g.foot[4]
        _turning(f, g, k)
    add_square(f.stiff, k.row, k.row, k.hessian)
    wx, wy = f.direction
    x, y = f.size * wx, f.size * wy
    H, F = f.heights
    both = 2 * half
    point_second((x, y), H, g.at, own.first[line], own.second[line], k.hessian[:half, :half])
    point_second((-x, -y), F, g.foot, foot.first[line], foot.second[line], k.hessian[half:both, half:both])


@inlined
def _pair(
    order: int, pt: PointTables, pairs: Pairs, slip: Array, law: Law, p: int, g: _Geometry, k: _PairScratch
) -> float:
    """Energy of the pair of station p with k.gradient and k.hessian of it."""
    following = law.following > 0.0
    turns, energy = following and order > 1, 0.0
    for line in range(pt.area.shape[1]):
        held = pairs.held[p, line]
        vx, vy, area = held[1], held[2], pt.area[p, line]
        heights = (k.sides.own.height[line], k.sides.foot.height[line])
        gx, gy = apart(g.at, g.foot, heights[0], heights[1])
        distance = gx * vx + gy * vy
        gap = distance - law.thickness
        climb = (
            _climb(pt, foot_section(pt, pairs.partner[p], pairs.place[p])[0], line, g.foot[4], k)
            if turns
            else 0.0
        )
        here = _Geometry(g.at, g.foot, vy * g.foot[2] - vx * g.foot[3], g.curve, climb)
        value, normal, stiff = penalty(gap, law.stiffness, law.onset)
        normal, stiff = normal * area, stiff * area
        energy += value * area
        limit = law.friction * (normal if following else held[0])
        pull, sticking, faces = 0.0, 0.0, (heights[0] + held[3], heights[1] + held[4])
        if limit > 0.0:
            mx, my = moved_apart(pairs, p, line, g.at, g.foot, heights)
            value, pull, sticking = sliding(slip[p, line] - mx * vy + my * vx, limit, law.slip)
            energy += value
        if order == 0:
            continue
        for kind in range(2):  # both forces in one place: it is the dearest to compile
            rubs = kind == 1
            if (limit <= 0.0) if rubs else (gap >= 0.0):
                continue
            force = _Force(rubs, -normal, stiff, (vx, vy), heights)
            if rubs:
                force = _Force(rubs, pull, sticking, (-vy, vx), faces)
            _add(order, following, force, here, line, k)
        if following and order > 1 and limit > 0.0:
            add_square(-pull / normal * stiff, k.row, k.across, k.hessian)
    return energy


@compiled
def pairs_touching(u: Array, pt: PointTables, pairs: Pairs, law: Law) -> Index:
    """Stations whose pair has any force, held or present."""
    sides = new_sides(pt)
    found = np.empty(pt.stations.shape[0], np.int64)
    count = 0
    for p in range(pt.stations.shape[0]):
        if pairs.partner[p] < 0:
            continue
        touching = law.following == 0.0 and is_held(pairs.held[p])
        if not touching:
            at, foot = read_pair(u, pt, pairs, p, sides)
            for line in range(pt.area.shape[1]):
                gx, gy = apart(at, foot, sides.own.height[line], sides.foot.height[line])
                distance = gx * pairs.held[p, line, 1] + gy * pairs.held[p, line, 2]
                touching = touching or distance < law.thickness
        if touching:
            found[count] = p
            count += 1
    return found[:count]


@compiled
def pair_blocks(stations: Index, pt: PointTables, pairs: Pairs) -> tuple[Index, Index]:
    """Block of each station, a new one where the pair of elements changes, and the unknowns of the blocks."""
    which, width = np.empty(stations.shape[0], np.int64), pt.dofs.shape[1]
    dofs = np.empty((stations.shape[0], 2 * width), np.int64)
    count, own, other = 0, -1, -1
    for c in range(stations.shape[0]):
        e, f = pt.element[stations[c]], pairs.partner[stations[c]]
        if e != own or f != other:
            own, other = e, f
            put(pt.dofs[e], dofs[count, :width])
            put(pt.dofs[f], dofs[count, width:])
            count += 1
        which[c] = count - 1
    return which, dofs[:count]


@inlined
def _place(a: int, half: int) -> tuple[int, int]:
    """Field and derivative of entry a of a row."""
    if a < 2 * half:
        return local_place(a % half, half)
    return a - 2 * half + 2, 1


@inlined
def _spread(k: _PairScratch, pt: PointTables, p: int, f: int, gradient: Array, block: Array) -> None:
    """Add gradient and second derivative of a pair to the unknowns of both elements."""
    half, width = 4 + pt.mode.shape[2], pt.dofs.shape[1]
    e = pt.element[p]
    for a in range(k.row.shape[0]):
        fa, da = _place(a, half)
        for i in range(4):
            sa = pt.shape[p, da, i] if a < half else k.sides.row[da, i]
            gradient[pt.dofs[e if a < half else f, 4 * fa + i]] += k.gradient[a] * sa
            if block.shape[0] == 0:
                continue
            ia = 4 * fa + i if a < half else width + 4 * fa + i
            for b in range(k.row.shape[0]):
                value = k.hessian[a, b] * sa
                if value == 0.0:
                    continue
                fb, db = _place(b, half)
                ib = 4 * fb if b < half else width + 4 * fb
                for j in range(4):
                    sb = pt.shape[p, db, j] if b < half else k.sides.row[db, j]
                    block[ia, ib + j] += value * sb


@compiled
def wrap_energy(
    order: int,
    u: Array,
    pt: PointTables,
    state: tuple[Pairs, Array, Law],
    chosen: tuple[Index, Index],
    out: tuple[Array, Array],
) -> float:
    """Energy of self-contact and friction; adds to gradient (n,) and one block (2w, 2w) per pair of elements.

    state: pairs, slip (n, k), law; chosen: stations and the block of each; out: gradient and blocks.
    """
    pairs, slip, law = state
    gradient, blocks = out
    size = 8 + 3 * pt.mode.shape[2]
    k = _PairScratch(
        new_sides(pt),
        np.zeros(size),
        np.zeros((size, size)),
        np.zeros(size),
        np.zeros(size),
        np.zeros(size),
        np.zeros(size),
        np.zeros(size),
        np.zeros(size),
        np.zeros(size),
        np.zeros(pt.to.shape[2]),
    )
    nothing = np.zeros((0, 0))
    energy = 0.0
    for c in range(chosen[0].shape[0]):
        p = chosen[0][c]
        f, t = pairs.partner[p], pairs.place[p]
        at, foot = read_pair(u, pt, pairs, p, k.sides)
        curve = 0.0
        if order > 0:
            face_rates(pt, p, order, k.sides.own)
            face_rates(pt, foot_section(pt, f, t)[0], order, k.sides.foot)
            k.gradient[:] = 0.0
        if order > 1:
            k.hessian[:, :] = 0.0
            if law.following > 0.0:
                curve = _foot_curvature(u, pt.dofs[f], t, pt.nodes[f + 1] - pt.nodes[f], foot)
                _section_slope(u, pt, f, foot_section(pt, f, t)[0], k)
        energy += _pair(order, pt, pairs, slip, law, p, _Geometry(at, foot, 0.0, curve, 0.0), k)
        if order > 0:
            _spread(k, pt, p, f, gradient, blocks[chosen[1][c]] if order > 1 else nothing)
    return energy
