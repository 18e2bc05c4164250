"""Compiled energy of self-contact with gradient and tangent; formulas are those of `fem.wraps`.

Both sides of a pair have the local unknowns of `fem.contact_kernel`; a row of the pair is (own, -partner's),
2 (4 + M) long.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from fem.contact_kernel import (
    Frame,
    Law,
    Pair,
    PointTables,
    add_square,
    face_rates,
    local_place,
    penalty,
    point_first,
    point_second,
    sliding,
)
from fem.equilibrium import Array, Index
from fem.pairs_kernel import Pairs, Sides, apart, foot_section, is_held, moved_apart, new_sides, read_pair

LEAST_STRETCH = 0.2
"""Where the partner is curved so sharply that the foot point runs away, its motion is bounded by this."""


class _Scratch(NamedTuple):
    """Work space of one pair: local gradient and hessian, rows of motion along the force, the normal and the
    partner.
    """

    sides: Sides
    gradient: Array
    hessian: Array
    row: Array
    across: Array
    along: Array
    turn: Array


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
    """The pair: both frames, side and distance along the held direction, curvature of the partner."""

    at: Frame
    foot: Frame
    side: float
    distance: float
    curve: float


@njit(cache=True, forceinline=True, error_model="numpy")
def _pair_row(direction: Pair, heights: Pair, g: _Geometry, line: int, sides: Sides, out: Array) -> None:
    """Motion of the own point against the partner's along a direction, as a row."""
    half = out.shape[0] // 2
    point_first(direction, heights[0], g.at, sides.own.first[line], out[:half])
    point_first(direction, heights[1], g.foot, sides.foot.first[line], out[half:])
    for a in range(half, 2 * half):
        out[a] = -out[a]


@njit(cache=True, forceinline=True, error_model="numpy")
def _foot_curvature(u: Array, dofs: Index, t: float, size: float, foot: Frame) -> float:
    """Curvature of the mid-line at place t of an element."""
    second = ((-6 + 12 * t) / size**2, (-4 + 6 * t) / size, (6 - 12 * t) / size**2, (-2 + 6 * t) / size)
    ddx, ddy = 0.0, 0.0
    for i in range(4):
        ddx += second[i] * u[dofs[i]]
        ddy += second[i] * u[dofs[4 + i]]
    return (foot[2] * ddy - foot[3] * ddx) / (foot[4] * foot[4])


@njit(cache=True, forceinline=True, error_model="numpy")
def _turning(f: _Force, g: _Geometry, k: _Scratch) -> None:
    """Tangent of a pair's direction, which turns with the partner's tangent at the moving foot point.

    With tau the relative motion along the partner and Theta its turning, the foot moves by
    (tau + d Theta)/(1 - kappa d) and the distance has the second variation
    -(kappa tau^2 + 2 tau Theta + d Theta^2)/(1 - kappa d).
    """
    d = g.side * g.distance
    stretch = 1.0 - g.curve * d
    if abs(stretch) < LEAST_STRETCH:
        stretch = LEAST_STRETCH if stretch > 0 else -LEAST_STRETCH
    if f.friction:
        for b in range(k.row.shape[0]):
            turn = k.turn[b] + g.curve * (k.along[b] + d * k.turn[b]) / stretch
            for a in range(k.row.shape[0]):
                k.hessian[a, b] -= f.size * k.across[a] * turn
        return
    scale = -f.size * g.side / stretch
    add_square(scale * g.curve, k.along, k.along, k.hessian)
    add_square(scale, k.along, k.turn, k.hessian)
    add_square(scale, k.turn, k.along, k.hessian)
    add_square(scale * d, k.turn, k.turn, k.hessian)


@njit(cache=True, forceinline=True, error_model="numpy")
def _add(order: int, coupled: bool, f: _Force, g: _Geometry, line: int, k: _Scratch) -> None:
    """Add the gradient of a force and its tangent: with held direction, and what turns with the pair where
    coupled.
    """
    half = k.row.shape[0] // 2
    own, foot = k.sides.own, k.sides.foot
    _pair_row(f.direction, f.heights, g, line, k.sides, k.row)
    for a in range(2 * half):
        k.gradient[a] += f.size * k.row[a]
    if not f.friction:
        k.across[:] = k.row
    if order < 2:
        return
    if coupled:
        _pair_row((g.foot[2], g.foot[3]), f.heights, g, line, k.sides, k.along)
        k.turn[half + 2], k.turn[half + 3] = -g.foot[3] / g.foot[4], g.foot[2] / g.foot[4]
        _turning(f, g, k)
    add_square(f.stiff, k.row, k.row, k.hessian)
    wx, wy = f.direction
    x, y = f.size * wx, f.size * wy
    H, F = f.heights
    point_second((x, y), H, g.at, own.first[line], own.second[line], k.hessian[:half, :half])
    point_second((-x, -y), F, g.foot, foot.first[line], foot.second[line], k.hessian[half:, half:])


@njit(cache=True, forceinline=True, error_model="numpy")
def _pair(
    order: int, pt: PointTables, pairs: Pairs, slip: Array, law: Law, p: int, g: _Geometry, k: _Scratch
) -> float:
    """Energy of the pair of station p with k.gradient and k.hessian of it."""
    coupled = law.coupled > 0.0
    energy = 0.0
    for line in range(pt.area.shape[1]):
        held = pairs.held[p, line]
        vx, vy, area = held[1], held[2], pt.area[p, line]
        heights = (k.sides.own.height[line], k.sides.foot.height[line])
        gx, gy = apart(g.at, g.foot, heights[0], heights[1])
        distance = gx * vx + gy * vy
        gap = distance - law.thickness
        here = _Geometry(g.at, g.foot, vy * g.foot[2] - vx * g.foot[3], distance, g.curve)
        normal, stiff = 0.0, 0.0
        if gap < 0.0:
            value, normal, stiff = penalty(gap, law.stiffness, law.onset)
            normal, stiff = normal * area, stiff * area
            energy += value * area
            if order > 0:
                _add(order, coupled, _Force(False, -normal, stiff, (vx, vy), heights), here, line, k)
        limit = law.friction * (normal if coupled else held[0])
        if limit <= 0.0:
            continue
        mx, my = moved_apart(pairs, p, line, g.at, g.foot, heights)
        value, force, sticking = sliding(slip[p, line] - mx * vy + my * vx, limit, law.slip)
        energy += value
        if order > 0:
            faces = (heights[0] + held[3], heights[1] + held[4])
            _add(order, coupled, _Force(True, force, sticking, (-vy, vx), faces), here, line, k)
            if coupled and order > 1:
                add_square(-force / normal * stiff, k.row, k.across, k.hessian)
    return energy


@njit(cache=True, error_model="numpy")
def pairs_touching(u: Array, pt: PointTables, pairs: Pairs, law: Law) -> Index:
    """Stations whose pair has any force, held or present."""
    sides = new_sides(pt)
    found = np.empty(pt.stations.shape[0], np.int64)
    count = 0
    for p in range(pt.stations.shape[0]):
        if pairs.partner[p] < 0:
            continue
        touching = law.coupled == 0.0 and is_held(pairs.held[p])
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


@njit(cache=True, forceinline=True, error_model="numpy")
def _spread(k: _Scratch, pt: PointTables, p: int, f: int, gradient: Array, block: Array) -> None:
    """Add gradient and second derivative of a pair to the unknowns of both elements."""
    half, width = k.row.shape[0] // 2, pt.dofs.shape[1]
    e = pt.element[p]
    for a in range(2 * half):
        fa, da = local_place(a % half)
        for i in range(4):
            sa = pt.shape[p, da, i] if a < half else k.sides.row[da, i]
            gradient[pt.dofs[e if a < half else f, 4 * fa + i]] += k.gradient[a] * sa
            if block.shape[0] == 0:
                continue
            ia = 4 * fa + i if a < half else width + 4 * fa + i
            for b in range(2 * half):
                value = k.hessian[a, b] * sa
                if value == 0.0:
                    continue
                fb, db = local_place(b % half)
                ib = 4 * fb if b < half else width + 4 * fb
                for j in range(4):
                    sb = pt.shape[p, db, j] if b < half else k.sides.row[db, j]
                    block[ia, ib + j] += value * sb


@njit(cache=True, error_model="numpy")
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
    size = 2 * (4 + pt.mode.shape[2])
    k = _Scratch(
        new_sides(pt),
        np.zeros(size),
        np.zeros((size, size)),
        np.zeros(size),
        np.zeros(size),
        np.zeros(size),
        np.zeros(size),
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
            if law.coupled > 0.0:
                curve = _foot_curvature(u, pt.dofs[f], t, pt.nodes[f + 1] - pt.nodes[f], foot)
        energy += _pair(order, pt, pairs, slip, law, p, _Geometry(at, foot, 0.0, 0.0, curve), k)
        if order > 0:
            _spread(k, pt, p, f, gradient, blocks[chosen[1][c]] if order > 1 else nothing)
    return energy
