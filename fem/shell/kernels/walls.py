"""Compiled loops of a shell against walls: gaps, what is held, energy with gradient and element tangents.

Most points touch nothing: a wall is left out where a cheap bound of its distance already is too large.
"""

from __future__ import annotations

import numpy as np

from fem.contact.kernels.distance import least_gap, wall_gap
from fem.contact.kernels.laws import penalty
from fem.jit.array_ops import put
from fem.jit.decorators import compiled, inlined
from fem.shell.kernels.faces import (
    LOCAL,
    face_first,
    face_second,
    gathered,
    local_state,
    rub,
    spread_block,
    spread_gradient,
    vectors,
)


@compiled
def gaps_kernel(places, area, table, half):
    """Gaps (n, k, walls) of the faces at places (n, k, 3); inf where a point has no area."""
    n, k = places.shape[:2]
    out = np.full((n, k, len(table)), np.inf)
    for p in range(n):
        for line in range(k):
            if area[p, line] <= 0.0:
                continue
            for w in range(len(table)):
                out[p, line, w] = wall_gap(table[w], places[p, line, 0], places[p, line, 1])[0] - half
    return out


@compiled
def room_kernel(u, move, cells, cell, shape, area, table, half, share):
    """Largest part of a move of the unknowns that lets no point with an area go farther than its gap plus
    `share` of the way to a wall's core.
    """
    n, k = cell.shape
    elements, moves = gathered(u, cells), gathered(move, cells)
    here, way = np.empty((1, 3)), np.empty((1, 3))
    part = 1.0
    for p in range(n):
        for line in range(k):
            if area[p, line] <= 0.0:
                continue
            vectors(elements[cell[p, line]], shape[p, line], here)
            vectors(moves[cell[p, line]], shape[p, line], way)
            x, y = here[0, 0], here[0, 1]
            length = np.sqrt(way[0, 0] ** 2 + way[0, 1] ** 2)
            for w in range(len(table)):
                if least_gap(table, w, x, y) - half >= length:
                    continue
                gap = wall_gap(table[w], x, y)[0] - half
                room = max(gap, 0.0) + share * (max(table[w, 3], 0.0) + half)
                if room < part * length:
                    part = room / length
    return part


@compiled
def near_kernel(u, cells, cell, shape, roundings, near, fade):
    """(n,): 1 where a point of a station is nearer to a spot (m, 3: place, radius) than its radius and
    `near`, 0 where all are beyond that and `fade`, between them in between.
    """
    n, k = cell.shape
    elements = gathered(u, cells)
    out = np.zeros(n)
    place = np.empty((1, 3))
    for p in range(n):
        for line in range(k):
            vectors(elements[cell[p, line]], shape[p, line], place)
            least = np.inf
            for m in range(len(roundings)):
                away = np.sqrt((place[0, 0] - roundings[m, 0]) ** 2 + (place[0, 1] - roundings[m, 1]) ** 2)
                least = min(least, away - roundings[m, 2])
            out[p] = max(out[p], min(1.0, 1.0 - (least - near) / fade))
    return out


@compiled
def hold_kernel(u, cells, cell, shape, area, table, half, stiffness, onset, held):
    """Renew held (n, k, walls, 4): normal force, wall normal, offset of the face along the shell's normal.

    Returns the numbers of the points (n, k) that touch, the sum of all changes of force, that of the forces.
    """
    n, k = area.shape
    elements = gathered(u, cells)
    v, normal, dual = np.empty((3, 3)), np.empty(3), np.empty((2, 3))
    place, touching, count = np.empty((1, 3)), np.empty(n * k, np.int64), 0
    changed, total = 0.0, 0.0
    for p in range(n):
        for line in range(k):
            if area[p, line] > 0.0:
                vectors(elements[cell[p, line]], shape[p, line], place)
            known = False
            for w in range(len(table)):
                old, force = held[p, line, w, 0], 0.0
                if area[p, line] > 0.0 and least_gap(table, w, place[0, 0], place[0, 1]) < half:
                    gap, gx, gy, _ = wall_gap(table[w], place[0, 0], place[0, 1])
                    force = penalty(gap - half, stiffness, onset)[1] * area[p, line]
                if force > 0.0:
                    if not known:
                        local_state(elements[cell[p, line]], shape[p, line], v, normal, dual)
                        known = True
                    held[p, line, w, 0], held[p, line, w, 1], held[p, line, w, 2] = force, gx, gy
                    held[p, line, w, 3] = -half * (gx * normal[0] + gy * normal[1])
                elif old > 0.0:
                    held[p, line, w, :] = 0.0
                changed += abs(force - old)
                total += force
            if known:
                touching[count] = p * k + line
                count += 1
    return touching[:count], changed, total


@compiled
def slide_kernel(u, cells, cell, shape, table, held, before, turn):
    """(n, k, walls, 2): motion of the faces along the held directions, in the plane and across, since they
    lay at `before`; zero without force.
    """
    n, k, walls = held.shape[:3]
    elements = gathered(u, cells)
    out = np.zeros((n, k, walls, 2))
    v, normal, dual, s = np.empty((3, 3)), np.empty(3), np.empty((2, 3)), np.zeros(3)
    for p in range(n):
        for line in range(k):
            known = False
            for w in range(walls):
                hold = held[p, line, w]
                if hold[0] <= 0.0:
                    continue
                if not known:
                    local_state(elements[cell[p, line]], shape[p, line], v, normal, dual)
                    known = True
                s[0], s[1] = -hold[2], hold[1]
                slid = _slip_of(v, normal, before[p, line], hold, table[w, 9] > 0.0, turn, s)
                out[p, line, w, 0], out[p, line, w, 1] = slid
    return out


@compiled
def _slip_of(v, normal, before, held, turning, turn, s):
    """Motion of the face since the last step along s (in the plane) and across."""
    off = held[3]
    bx, by, bz = (
        before[0, 0] + off * before[1, 0],
        before[0, 1] + off * before[1, 1],
        before[0, 2] + off * before[1, 2],
    )
    if turning:
        c, sn = np.cos(turn), np.sin(turn)
        bx, by = c * bx + sn * by, -sn * bx + c * by
    mx, my = v[0, 0] + off * normal[0] - bx, v[0, 1] + off * normal[1] - by
    return mx * s[0] + my * s[1], v[0, 2] + off * normal[2] - bz


@inlined
def _turning_rows(normal, dual, nu, curved, half, turning_s, turning_z, offset):
    """Rows (9,) of a point whose wall normal follows: how far the shell's normal turns along s and z, how the
    offset -half (nu . n) of the face changes.
    """
    sn = nu[0] * normal[1] - nu[1] * normal[0]
    for i in range(3):
        turning_s[i], turning_z[i], offset[i] = 0.0, 0.0, 0.0
    offset[0], offset[1] = half * curved * nu[1] * sn, -half * curved * nu[0] * sn
    for a in range(2):
        along = nu[0] * dual[a, 1] - nu[1] * dual[a, 0]
        off = nu[0] * dual[a, 0] + nu[1] * dual[a, 1]
        for i in range(3):
            turning_s[3 + 3 * a + i] = -along * normal[i]
            turning_z[3 + 3 * a + i] = -dual[a, 2] * normal[i]
            offset[3 + 3 * a + i] = half * off * normal[i]


@inlined
def _carried_rest(v, normal, before, off, turning, turn, s, nu, rest):
    """How far the face has moved along the wall's normal since the last step; rest: how far the shell's own
    normal has along s and across.
    """
    nx, ny, nz = before[1, 0], before[1, 1], before[1, 2]
    bx, by = before[0, 0] + off * nx, before[0, 1] + off * ny
    if turning:
        c, sn = np.cos(turn), np.sin(turn)
        bx, by, nx, ny = c * bx + sn * by, -sn * bx + c * by, c * nx + sn * ny, -sn * nx + c * ny
    rest[0] = (normal[0] - nx) * s[0] + (normal[1] - ny) * s[1]
    rest[1] = normal[2] - nz
    mx, my = v[0, 0] + off * normal[0] - bx, v[0, 1] + off * normal[1] - by
    return mx * nu[0] + my * nu[1]


@compiled
def touching_kernel(u, cells, cell, shape, area, table, held, half):
    """Numbers of the points (n, k) with an area that may touch a wall or rub on it."""
    n, k = cell.shape
    elements = gathered(u, cells)
    place, chosen, count = np.empty((1, 3)), np.empty(n * k, np.int64), 0
    for p in range(n):
        for line in range(k):
            if area[p, line] <= 0.0:
                continue
            vectors(elements[cell[p, line]], shape[p, line], place)
            for w in range(len(table)):
                if held[p, line, w, 0] > 0.0 or least_gap(table, w, place[0, 0], place[0, 1]) < half:
                    chosen[count] = p * k + line
                    count += 1
                    break
    return chosen[:count]


@compiled
def wall_kernel(
    order, u, cells, cell, shape, area, table, held, slip, before, numbers, chosen, which, gradient, blocks
):
    """Energy of the chosen points; gradient and blocks (one per element that touches) are added to, up to the
    order.
    """
    k = area.shape[1]
    stiffness, onset, elastic, mu, half, turn, following = numbers
    energy = 0.0
    elements = gathered(u, cells)
    v, normal, dual = np.empty((3, 3)), np.empty(3), np.empty((2, 3))
    g, H = np.zeros(LOCAL), np.zeros((LOCAL, LOCAL))
    s, z, nu, f = np.zeros(3), np.array([0.0, 0.0, 1.0]), np.zeros(3), np.zeros(3)
    row_s, row_z, row_n, law = np.zeros(LOCAL), np.zeros(LOCAL), np.zeros(LOCAL), np.zeros(5)
    full_s, full_z, offset, rest = np.zeros(LOCAL), np.zeros(LOCAL), np.zeros(LOCAL), np.zeros(2)
    turning_s, turning_z = np.zeros(LOCAL), np.zeros(LOCAL)
    for one in range(len(chosen)):
        p, line = chosen[one] // k, chosen[one] % k
        touched = False
        local_state(elements[cell[p, line]], shape[p, line], v, normal, dual)
        for w in range(len(table)):
            if held[p, line, w, 0] <= 0.0 and least_gap(table, w, v[0, 0], v[0, 1]) >= half:
                continue
            gap, nu[0], nu[1], curved = wall_gap(table[w], v[0, 0], v[0, 1])
            value, force, stiff = penalty(gap - half, stiffness, onset)
            force, stiff = force * area[p, line], stiff * area[p, line]
            limit = mu * (force if following > 0.0 else held[p, line, w, 0])
            if force <= 0.0 and limit <= 0.0:
                continue
            if not touched:
                g[:] = 0.0
                H[:, :] = 0.0
            touched = True
            energy += value * area[p, line]
            for i in range(2):
                g[i] -= force * nu[i]
            for i in range(2):
                ti = -nu[1] if i == 0 else nu[0]
                for j in range(2):
                    tj = -nu[1] if j == 0 else nu[0]
                    H[i, j] += stiff * nu[i] * nu[j] - force * curved * ti * tj
            if limit <= 0.0:
                continue
            s[0], s[1] = -held[p, line, w, 2], held[p, line, w, 1]
            t0, t1 = _slip_of(v, normal, before[p, line], held[p, line, w], table[w, 9] > 0.0, turn, s)
            energy += rub(slip[p, line, w, 0] + t0, slip[p, line, w, 1] + t1, limit, elastic, law)
            if order == 0:
                continue
            off = held[p, line, w, 3]
            face_first(s, off, normal, dual, row_s)
            face_first(z, off, normal, dual, row_z)
            for a in range(LOCAL):
                g[a] += law[0] * row_s[a] + law[1] * row_z[a]
            if order == 1:
                continue
            put(row_s, full_s)
            put(row_z, full_z)
            if following > 0.0:
                _turning_rows(normal, dual, nu, curved, half, turning_s, turning_z, offset)
                ahead = _carried_rest(v, normal, before[p, line], off, table[w, 9] > 0.0, turn, s, nu, rest)
                for b in range(LOCAL):
                    full_s[b] += offset[b] * rest[0]
                    full_z[b] += offset[b] * rest[1]
                for b in range(2):
                    full_s[b] -= curved * s[b] * ahead
            for a in range(LOCAL):
                for b in range(LOCAL):
                    H[a, b] += row_s[a] * (law[2] * full_s[b] + law[4] * full_z[b]) + row_z[a] * (
                        law[4] * full_s[b] + law[3] * full_z[b]
                    )
            for i in range(3):
                f[i] = law[0] * s[i] + law[1] * z[i]
            face_second(f, off, normal, dual, H)
            if following > 0.0:
                face_first(nu, off, normal, dual, row_n)
                for a in range(LOCAL):
                    grown = (law[0] * row_s[a] + law[1] * row_z[a]) * stiff / force
                    turned = law[0] * turning_s[a] + law[1] * turning_z[a]
                    for j in range(2):
                        H[a, j] -= grown * nu[j] + law[0] * curved * row_n[a] * s[j]
                    for b in range(LOCAL):
                        H[a, b] += turned * offset[b]
        if touched and order > 0:
            spread_gradient(g, cells[cell[p, line]], shape[p, line], gradient)
            if order > 1:
                spread_block(H, shape[p, line], shape[p, line], 0, 0, blocks[which[one]])
    return energy
