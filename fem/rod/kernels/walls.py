"""Compiled loops of the strip's contact with walls: what is held, room to move, energy and derivatives.

Most stations touch nothing: a wall is left out at a station whose mid-line is farther from it than the
section can reach there and half a thickness.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from fem.contact.kernels.distance import least_gap, wall_gap
from fem.contact.kernels.laws import Law, Pair, carried, penalty, sliding
from fem.core.term import Array
from fem.jit.decorators import compiled, inlined
from fem.rod.kernels.faces import (
    Face,
    Frame,
    Lean,
    Lies,
    PointTables,
    add_product,
    add_square,
    climb_rates,
    face_first,
    face_rates,
    face_second,
    frame_at,
    highest_point,
    local_place,
    mid_point,
    most_height,
    new_face,
    new_lean,
    point_first,
    point_second,
    read_angles,
    read_climb,
    read_face,
    read_heights,
)

Marks = NDArray[np.bool_]
Near = tuple[float, float, float, float]
"""Gap to a wall, its normal and the curvature of the distance."""
Press = tuple[float, float, float]
"""Energy, force and stiffness of the penalty at a point."""


RENEWED = 2.0
"""Value of `Law.following` that asks `wall_energy` to do what `wall_hold` does first."""


class WallMemory(NamedTuple):
    """held (n, k, walls, 4): normal force, sliding direction, face offset; slip (n, k, walls); before (n, k,
    6): places.
    """

    held: Array
    slip: Array
    before: Array


@inlined
def _reachable(x: float, y: float, table: Array, margin: float, near: Marks) -> bool:
    """Mark the walls that may be closer than `margin` to the mid-line; whether there is any."""
    some = False
    for w in range(table.shape[0]):
        near[w] = least_gap(table, w, x, y) < margin
        some = some or near[w]
    return some


@inlined
def _narrow(x: float, y: float, table: Array, margin: float, near: Marks) -> bool:
    """Unmark the walls that are not closer than `margin` to the mid-line; whether any is left."""
    some = False
    for w in range(table.shape[0]):
        if near[w]:
            near[w] = wall_gap(table[w], x, y)[0] < margin
            some = some or near[w]
    return some


@inlined
def _is_held(held: Array, p: int) -> bool:
    """Whether any normal force is held at station p."""
    for line in range(held.shape[1]):
        for w in range(held.shape[2]):
            if held[p, line, w, 0] > 0.0:
                return True
    return False


@compiled
def wall_hold(u: Array, pt: PointTables, table: Array, law: Law, held: Array) -> Pair:
    """Renew what is held; returns the sum of the normal forces and of their changes."""
    n, k = pt.area.shape
    walls = table.shape[0]
    half = 0.5 * law.thickness
    face, marked = new_face(pt), np.zeros(walls, np.bool_)
    total, change = 0.0, 0.0
    for p in range(n):
        if pt.area[p, 0] <= 0.0:
            continue
        dofs = pt.dofs[pt.element[p]]
        x, y = mid_point(u, dofs, pt.shape[p])
        tx, ty = 1.0, 0.0
        read_angles(u, dofs, pt.shape[p], pt, (p, 0.0), face)
        near = _reachable(x, y, table, half + most_height(pt, p, face), marked)
        if near:
            _, _, tx, ty, _ = frame_at(u, dofs, pt.shape[p])
            read_heights(pt, p, face)
            near = _narrow(x, y, table, half + highest_point(face), marked)
        for line in range(k):
            for w in range(walls):
                force = 0.0
                if near and marked[w]:
                    h = face.height[line]
                    gap, gx, gy, _ = wall_gap(table[w], x - h * ty, y + h * tx)
                    _, force, _ = penalty(gap - half, law.stiffness, law.onset)
                    force *= pt.area[p, line]
                    held[p, line, w, 1], held[p, line, w, 2] = -gy, gx
                    held[p, line, w, 3] = -half * (gy * tx - gx * ty)
                total += force
                change += abs(force - held[p, line, w, 0])
                held[p, line, w, 0] = force
    return total, change


@compiled
def wall_room(u: Array, there: Array, pt: PointTables, table: Array, law: Law, depth: float) -> float:
    """Largest part of the way from u to `there` on which no point comes closer than its gap and `depth` of
    the way to a core; all of it for a point that ends no deeper than that on the same side.
    """
    half = 0.5 * law.thickness
    marked = np.zeros(table.shape[0], np.bool_)
    here_face, there_face = new_face(pt), new_face(pt)
    part = 1.0
    for p in range(pt.area.shape[0]):
        if pt.area[p, 0] <= 0.0:
            continue
        dofs, shape = pt.dofs[pt.element[p]], pt.shape[p]
        x, y, tx, ty, _ = frame_at(u, dofs, shape)
        X, Y, Tx, Ty, _ = frame_at(there, dofs, shape)
        # no point moves farther than the mid-line and a width, and none is nearer to a wall than half a width
        margin = half + 1.5 * law.width + np.sqrt((X - x) ** 2 + (Y - y) ** 2)
        if not _reachable(x, y, table, margin, marked):
            continue
        read_face(u, dofs, shape, pt, (p, 0.0), here_face)
        read_face(there, dofs, shape, pt, (p, 0.0), there_face)
        for line in range(pt.area.shape[1]):
            h, H = here_face.height[line], there_face.height[line]
            mx, my = X - H * Ty - x + h * ty, Y + H * Tx - y - h * tx
            length = np.sqrt(mx * mx + my * my)
            for w in range(table.shape[0]):
                core = depth * (max(table[w, 3], 0.0) + half)
                if not marked[w] or part * length <= core:
                    continue
                gap, gx, gy, _ = wall_gap(table[w], x - h * ty, y + h * tx)
                end, ex, ey, _ = wall_gap(table[w], X - H * Ty, Y + H * Tx)
                if end - half > -core and gx * ex + gy * ey > 0.0:
                    continue
                part = min(part, _before(max(gap - half, 0.0) + core, -mx * gx - my * gy, length, table[w]))
    return part


@inlined
def _before(room: float, closer: float, length: float, wall: Array) -> float:
    """Part of a straight way until a wall is `room` nearer; closer: how much nearer it comes if it is flat.

    The distance to a point or segment is convex along the way and stays above that; inside an arc the way
    comes nearer by its square over the diameter (twice that is allowed for).
    """
    bend = length * length / wall[6] if wall[0] == 2.0 else 0.0
    if closer + bend <= room:
        return 1.0
    return float(2.0 * room / (closer + np.sqrt(closer * closer + 4.0 * bend * room)))


class _Scratch(NamedTuple):
    """Work space of one station: gradient (4 + 2 M,) and hessian of its energy, rows of motion (those of
    points end in zeros); near (walls,).
    """

    face: Face
    lean: Lean
    gradient: Array
    hessian: Array
    row: Array
    across: Array
    along: Array
    aside: Array
    near: Marks


class _Rub(NamedTuple):
    """Friction at a point: sliding direction, how the face lies, slip, how it grows as the direction turns
    while the point goes on along it, strength.
    """

    direction: Pair
    lies: Lies
    slip: float
    turned: float
    limit: float


@inlined
def _press(order: int, law: Law, area: float, near: Near, at: Frame, line: int, k: _Scratch) -> Press:
    """Penalty at a point of negative gap: adds gradient and tangent; its row stays in k.across."""
    gap, gx, gy, curved = near
    energy, force, stiff = penalty(gap, law.stiffness, law.onset)
    energy, force, stiff = energy * area, force * area, stiff * area
    if order == 0:
        return energy, force, stiff
    h, first = k.face.height[line], k.face.first[line]
    point_first((gx, gy), h, at, first, k.across)
    for a in range(k.row.shape[0]):
        k.gradient[a] -= force * k.across[a]
    if order > 1:
        n = 4 + first.shape[0]
        add_product(stiff, k.across, k.across, n, n, k.hessian)
        point_second((-force * gx, -force * gy), h, at, first, k.face.second[line], k.hessian)
        if curved != 0.0:
            point_first((-gy, gx), h, at, first, k.along)
            add_product(-force * curved, k.along, k.along, n, n, k.hessian)
    return energy, force, stiff


@inlined
def _rub(
    order: int, law: Law, rub: _Rub, press: Press, curved: float, at: Frame, line: int, k: _Scratch
) -> float:
    """Friction at a point: adds gradient and tangent, with the change of the normal force where it
    follows that.
    """
    energy, force, stiff = sliding(rub.slip, rub.limit, law.slip)
    if order == 0:
        return energy
    sx, sy = rub.direction
    first, climb_first, row = k.face.first[line], k.lean.first, k.row
    face_first(rub.direction, rub.lies, at, first, climb_first, row)
    for a in range(row.shape[0]):
        k.gradient[a] += force * row[a]
    if order > 1:
        if stiff != 0.0:
            add_square(stiff, row, row, k.hessian)
        if law.following > 0.0:
            size, n = row.shape[0], 4 + first.shape[0]
            add_product(-force / press[1] * press[2], row, k.across, size, n, k.hessian)
            # the direction turns as the point itself goes round the wall, not its face
            point_first(rub.direction, rub.lies[0], at, first, k.along)
            face_first((sy, -sx), rub.lies, at, first, climb_first, k.aside)
            add_product(-force * curved, k.aside, k.along, size, n, k.hessian)
            if stiff * rub.turned != 0.0:
                add_product(stiff * rub.turned, row, k.along, size, n, k.hessian)
        second = (k.face.second[line], k.lean.second)
        face_second((force * sx, force * sy), rub.lies, at, (first, climb_first), second, k.hessian)
    return energy


@inlined
def _spread(k: _Scratch, pt: PointTables, p: int, gradient: Array, blocks: Array) -> None:
    """Add gradient and second derivative of station p to the unknowns of its element."""
    e, shape, modes = pt.element[p], pt.shape[p], pt.mode.shape[2]
    for a in range(k.row.shape[0]):
        fa, da = local_place(a, modes)
        for i in range(4):
            gradient[pt.dofs[e, 4 * fa + i]] += k.gradient[a] * shape[da, i]
        if blocks.shape[0] == 0:
            continue
        for b in range(k.row.shape[0]):
            fb, db = local_place(b, modes)
            value = k.hessian[a, b]
            if value == 0.0:
                continue
            for i in range(4):
                left = value * shape[da, i]
                for j in range(4):
                    blocks[e, 4 * fa + i, 4 * fb + j] += left * shape[db, j]


@inlined
def _keep(force: float, normal: Pair, at: Frame, law: Law, held: Array) -> None:
    """Hold the present force, sliding direction and offset of the face at a point, as `wall_hold` does."""
    gx, gy = normal
    held[0], held[1], held[2] = force, -gy, gx
    held[3] = -0.5 * law.thickness * (gy * at[2] - gx * at[3])


@inlined
def _station(
    order: int,
    u: Array,
    pt: PointTables,
    p: int,
    walls: tuple[Array, Law, WallMemory],
    at: Frame,
    k: _Scratch,
) -> tuple[float, bool]:
    """Energy of one station with k.gradient and k.hessian of it; whether it touches anything."""
    table, law, memory = walls
    x, y, tx, ty, _ = at
    energy, ready = 0.0, False
    # arrays taken out of their tuples once: each time counts references
    near, height, area = k.near, k.face.height, pt.area
    all_held, slip, before = memory.held, memory.slip, memory.before
    for line in range(height.shape[0]):
        h = height[line]
        for w in range(table.shape[0]):
            if not near[w]:
                if law.following == RENEWED:
                    all_held[p, line, w, 0] = 0.0
                if all_held[p, line, w, 0] <= 0.0:
                    continue
            held = all_held[p, line, w]
            gap, gx, gy, curved = wall_gap(table[w], x - h * ty, y + h * tx)
            gap -= 0.5 * law.thickness
            if law.following == RENEWED:
                _keep(penalty(gap, law.stiffness, law.onset)[1] * area[p, line], (gx, gy), at, law, held)
            limit = 0.0 if law.following > 0.0 else law.friction * held[0]
            if gap >= 0.0 and limit <= 0.0:
                continue
            if not ready:
                ready = True
                k.gradient[:] = 0.0
                k.hessian[:, :] = 0.0
                read_climb(u, pt.dofs[pt.element[p]], pt.shape[p], pt, p, k.face.cosine, k.lean)
                if order > 0:
                    face_rates(pt, p, order, k.face)
            press = (0.0, 0.0, 0.0)
            if gap < 0.0:
                press = _press(order, law, area[p, line], (gap, gx, gy, curved), at, line, k)
                energy += press[0]
            if law.following > 0.0:
                limit = law.friction * press[1]
            if limit <= 0.0:
                continue
            if order > 0:
                angle = (k.face.sine, k.face.cosine, k.lean.slope)
                climb_rates(pt, p, line, order, angle, (k.lean.first, k.lean.second))
            H, T = h + held[3], -held[3] * k.lean.climb[line]
            bx, by = carried(before[p, line], held[3], table[w, 9] * law.turn)
            mx, my = x - H * ty + T * tx - bx, y + H * tx + T * ty - by
            slid = slip[p, line, w] + mx * held[1] + my * held[2]
            turned = curved * (my * held[1] - mx * held[2])
            rub = _Rub((held[1], held[2]), (h, k.lean.climb[line], held[3]), slid, turned, limit)
            energy += _rub(order, law, rub, press, curved, at, line, k)
    return energy, ready


@compiled
def wall_energy(
    order: int,
    u: Array,
    pt: PointTables,
    walls: tuple[Array, Law, WallMemory],
    gradient: Array,
    blocks: Array,
) -> float:
    """Energy of contact and friction with walls (table, law, memory); adds to gradient (n,) and blocks (N, w,
    w). Where the law is RENEWED, what is held is renewed on the way.
    """
    table, law, memory = walls
    size = 4 + 2 * pt.mode.shape[2]
    face, near, held = new_face(pt), np.zeros(table.shape[0], np.bool_), memory.held
    elements, shapes, tables = pt.element, pt.shape, pt.dofs
    lean = new_lean(pt)
    k = _Scratch(
        face, lean, np.zeros(size), np.zeros((size, size)),
        np.zeros(size), np.zeros(size), np.zeros(size), np.zeros(size), near,
    )  # fmt: skip
    half = 0.5 * law.thickness
    energy = 0.0
    for p in range(pt.area.shape[0]):
        if pt.area[p, 0] <= 0.0:
            continue
        dofs = tables[elements[p]]
        shape = shapes[p]
        x, y = mid_point(u, dofs, shape)
        read_angles(u, dofs, shape, pt, (p, 0.0), face)
        reach = half + most_height(pt, p, face)
        if not _reachable(x, y, table, reach, near) or not _narrow(x, y, table, reach, near):
            if not _is_held(held, p):
                continue
            if law.following == RENEWED:
                held[p, :, :, 0] = 0.0
                continue
        read_heights(pt, p, face)
        if not _narrow(x, y, table, half + highest_point(face), near) and not _is_held(held, p):
            continue
        value, touched = _station(order, u, pt, p, walls, frame_at(u, dofs, shape), k)
        energy += value
        if touched and order > 0:
            _spread(k, pt, p, gradient, blocks)
    return energy
