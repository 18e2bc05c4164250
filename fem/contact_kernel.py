"""Compiled loops of contact: places of the contact points, gaps, energy with gradient and tangent.

Local unknowns of a point are (x, y, x', y', b_m): place and slope of the mid-line, opening amplitudes.
Formulas are those of
`fem.contact`; arguments are flat because that is what numba compiles.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from fem.gap import wall_gap


@njit(cache=True)
def places_kernel(u, dofs, element, shape, M, angle, mode, to):
    """Mid-line place, normal and height of every contact point (n, k, 5)."""
    n, k, m = to.shape
    out = np.zeros((n, k, 5))
    for p in range(n):
        e = element[p]
        x, y, dx, dy = 0.0, 0.0, 0.0, 0.0
        for i in range(4):
            x += shape[p, 0, i] * u[dofs[e, i]]
            y += shape[p, 0, i] * u[dofs[e, 4 + i]]
            dx += shape[p, 1, i] * u[dofs[e, i]]
            dy += shape[p, 1, i] * u[dofs[e, 4 + i]]
        length = np.sqrt(dx * dx + dy * dy)
        for j in range(m):
            phi = angle[p, j]
            for a in range(M):
                b = 0.0
                for i in range(4):
                    b += shape[p, 0, i] * u[dofs[e, 8 + 4 * a + i]]
                phi += b * mode[p, j, a]
            s = np.sin(phi)
            for line in range(k):
                out[p, line, 4] += to[p, line, j] * s
        for line in range(k):
            out[p, line, 0], out[p, line, 1] = x, y
            out[p, line, 2], out[p, line, 3] = -dy / length, dx / length
    return out


@njit(cache=True)
def state_kernel(places, table, half):
    """Gap, wall normal and its cosine with the strip's normal (n, k, walls, 4)."""
    n, k, _ = places.shape
    walls = len(table)
    out = np.zeros((n, k, walls, 4))
    for p in range(n):
        for line in range(k):
            nx, ny, h = places[p, line, 2], places[p, line, 3], places[p, line, 4]
            px, py = places[p, line, 0] + h * nx, places[p, line, 1] + h * ny
            for w in range(walls):
                gap, gx, gy, _ = wall_gap(table[w], px, py)
                out[p, line, w, 0] = gap - half
                out[p, line, w, 1], out[p, line, w, 2] = gx, gy
                out[p, line, w, 3] = gx * nx + gy * ny
    return out


@njit(cache=True)
def point_second(gx, gy, H, tx, ty, nx, ny, length, hm, hmn, M, out):
    """Add g . d2p to out (4+M, 4+M) for p = r + H n(r'), local unknowns (r, r', b_m)."""
    gn, gt = gx * nx + gy * ny, gx * tx + gy * ty
    l2 = length * length
    h0, h1 = nx / length, ny / length
    hxx, hxy, hyy = -2 * tx * nx / l2, -(tx * ny + nx * ty) / l2, -2 * ty * ny / l2
    out[2, 2] += H * (-gn * h0 * h0 - gt * hxx)
    out[2, 3] += H * (-gn * h0 * h1 - gt * hxy)
    out[3, 2] += H * (-gn * h0 * h1 - gt * hxy)
    out[3, 3] += H * (-gn * h1 * h1 - gt * hyy)
    for a in range(M):
        out[2, 4 + a] -= hm[a] * gt * h0
        out[4 + a, 2] -= hm[a] * gt * h0
        out[3, 4 + a] -= hm[a] * gt * h1
        out[4 + a, 3] -= hm[a] * gt * h1
        for b in range(M):
            out[4 + a, 4 + b] += gn * hmn[a, b]


@njit(cache=True)
def point_first(gx, gy, H, tx, ty, nx, ny, length, hm, M, out):
    """Product g . dp (4+M,) for p = r + H n(r')."""
    gn, gt = gx * nx + gy * ny, gx * tx + gy * ty
    out[0], out[1] = gx, gy
    out[2] = -H * gt * nx / length
    out[3] = -H * gt * ny / length
    for a in range(M):
        out[4 + a] = hm[a] * gn


@njit(cache=True)
def penalty(gap, stiffness, onset):
    """Energy, force and stiffness per area of the penalty at a gap."""
    depth = -gap
    if depth <= 0.0:
        return 0.0, 0.0, 0.0
    if depth < onset:
        return (
            stiffness * depth**3 / (6 * onset),
            stiffness * depth**2 / (2 * onset),
            stiffness * depth / onset,
        )
    return (
        stiffness * (0.5 * depth * depth - 0.5 * onset * depth + onset * onset / 6),
        stiffness * (depth - 0.5 * onset),
        stiffness,
    )


@njit(cache=True)
def sliding(total, limit, slip):
    """Energy, force and stiffness of held friction of strength `limit` at a slip."""
    if abs(total) < slip:
        return limit * total * total / (2 * slip), limit * total / slip, limit / slip
    sign = 1.0 if total > 0 else -1.0
    return limit * (abs(total) - 0.5 * slip), limit * sign, 0.0


@njit(cache=True)
def contact_kernel(
    order,
    u,
    dofs,
    element,
    shape,
    area,
    M,
    angle,
    mode,
    to,
    table,
    held,
    slip,
    before,
    numbers,
    gradient,
    blocks,
):
    """Energy of contact and friction; adds to gradient (n,) and element blocks."""
    n, k, m = to.shape
    walls = len(table)
    L = 4 + M
    stiffness, onset, elastic, mu, half, turn, width, coupled = numbers
    ct, st = np.cos(turn), np.sin(turn)
    energy = 0.0
    height, hm, hmn = np.zeros(k), np.zeros((k, M)), np.zeros((k, M, M))
    gl, Hl, row, across, along = np.zeros(L), np.zeros((L, L)), np.zeros(L), np.zeros(L), np.zeros(L)
    amp = np.zeros(M)
    for p in range(n):
        e = element[p]
        x, y, dx, dy = 0.0, 0.0, 0.0, 0.0
        for i in range(4):
            x += shape[p, 0, i] * u[dofs[e, i]]
            y += shape[p, 0, i] * u[dofs[e, 4 + i]]
            dx += shape[p, 1, i] * u[dofs[e, i]]
            dy += shape[p, 1, i] * u[dofs[e, 4 + i]]
        near = False
        for w in range(walls):
            gap, _, _, _ = wall_gap(table[w], x, y)
            if gap < half + 0.5 * width:
                near = True
            for line in range(k):
                if held[p, line, w, 0] > 0.0:
                    near = True
        if not near:
            continue
        length = np.sqrt(dx * dx + dy * dy)
        tx, ty = dx / length, dy / length
        nx, ny = -ty, tx
        for a in range(M):
            amp[a] = 0.0
            for i in range(4):
                amp[a] += shape[p, 0, i] * u[dofs[e, 8 + 4 * a + i]]
        height[:] = 0.0
        hm[:, :] = 0.0
        hmn[:, :, :] = 0.0
        for j in range(m):
            phi = angle[p, j]
            for a in range(M):
                phi += amp[a] * mode[p, j, a]
            s, c = np.sin(phi), np.cos(phi)
            for line in range(k):
                wt = to[p, line, j]
                height[line] += wt * s
                for a in range(M):
                    hm[line, a] += wt * c * mode[p, j, a]
                    for b in range(M):
                        hmn[line, a, b] -= wt * s * mode[p, j, a] * mode[p, j, b]
        touched = False
        gl[:] = 0.0
        Hl[:, :] = 0.0
        for line in range(k):
            h = height[line]
            px, py = x + h * nx, y + h * ny
            for w in range(walls):
                gap, gx, gy, curved = wall_gap(table[w], px, py)
                gap -= half
                normal, normal_stiff = 0.0, 0.0
                if gap < 0.0:
                    touched = True
                    value, force, stiff = penalty(gap, stiffness, onset)
                    value, force, stiff = value * area[p, line], force * area[p, line], stiff * area[p, line]
                    energy += value
                    normal, normal_stiff = force, stiff
                    if order > 0:
                        point_first(gx, gy, h, tx, ty, nx, ny, length, hm[line], M, row)
                        across[:] = row
                        for a in range(L):
                            gl[a] -= force * row[a]
                        if order > 1:
                            for a in range(L):
                                for b in range(L):
                                    Hl[a, b] += stiff * row[a] * row[b]
                            point_second(
                                -force * gx,
                                -force * gy,
                                h,
                                tx,
                                ty,
                                nx,
                                ny,
                                length,
                                hm[line],
                                hmn[line],
                                M,
                                Hl,
                            )
                            if curved != 0.0:
                                point_first(-gy, gx, h, tx, ty, nx, ny, length, hm[line], M, row)
                                for a in range(L):
                                    for b in range(L):
                                        Hl[a, b] -= force * curved * row[a] * row[b]
                limit = mu * (normal if coupled > 0.0 else held[p, line, w, 0])
                if limit > 0.0:
                    touched = True
                    sx, sy, off = held[p, line, w, 1], held[p, line, w, 2], held[p, line, w, 3]
                    bh = before[p, line, 4] + off
                    bx, by = (
                        before[p, line, 0] + bh * before[p, line, 2],
                        before[p, line, 1] + bh * before[p, line, 3],
                    )
                    if table[w, 9] > 0.0:
                        bx, by = ct * bx + st * by, -st * bx + ct * by
                    H = h + off
                    slide = (x + H * nx - bx) * sx + (y + H * ny - by) * sy
                    value, force, stiff = sliding(slip[p, line, w] + slide, limit, elastic)
                    energy += value
                    if order > 0:
                        point_first(sx, sy, H, tx, ty, nx, ny, length, hm[line], M, row)
                        for a in range(L):
                            gl[a] += force * row[a]
                        if order > 1:
                            for a in range(L):
                                for b in range(L):
                                    Hl[a, b] += stiff * row[a] * row[b]
                            if coupled > 0.0:
                                part = force / normal * normal_stiff
                                point_first(sx, sy, h, tx, ty, nx, ny, length, hm[line], M, along)
                                for a in range(L):
                                    for b in range(L):
                                        Hl[a, b] -= (
                                            part * row[a] * across[b] + force * curved * across[a] * along[b]
                                        )
                            point_second(
                                force * sx, force * sy, H, tx, ty, nx, ny, length, hm[line], hmn[line], M, Hl
                            )
        if touched and order > 0:
            spread(gl, Hl, dofs[e], shape[p], M, order, gradient, blocks, e)
    return energy


@njit(cache=True)
def local_place(a):
    """Field and derivative of local unknown a of (x, y, x', y', b_m)."""
    if a < 2:
        return a, 0
    if a < 4:
        return a - 2, 1
    return a - 2, 0


@njit(cache=True)
def spread(gl, Hl, dofs, shape, M, order, gradient, blocks, e):
    """Add local gradient and second derivative (x, y, x', y', b) to the element's unknowns."""
    L = 4 + M
    for a in range(L):
        fa, da = local_place(a)
        for i in range(4):
            gradient[dofs[4 * fa + i]] += gl[a] * shape[da, i]
        if order > 1:
            for b in range(L):
                fb, db = local_place(b)
                value = Hl[a, b]
                if value == 0.0:
                    continue
                for i in range(4):
                    left = value * shape[da, i]
                    for j in range(4):
                        blocks[e, 4 * fa + i, 4 * fb + j] += left * shape[db, j]
