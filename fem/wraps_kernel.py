"""Compiled loops of self-contact: energy of touching wraps with gradient and tangent.

A pair is a station of the strip and a foot point further out; each side has the local unknowns of
`fem.contact_kernel`. Formulas are those of `fem.wraps`; arguments are flat because that is what numba
compiles.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from fem.contact_kernel import local_place, penalty, point_first, point_second, sliding
from fem.pairs_kernel import first_stations, hermite_row, mid, nearest_station, section_at


@njit(cache=True)
def curvature(u, dofs, t, size, dx, dy):
    """Curvature of the mid-line at place t of an element."""
    second = ((-6 + 12 * t) / size**2, (-4 + 6 * t) / size, (6 - 12 * t) / size**2, (-2 + 6 * t) / size)
    ddx, ddy = 0.0, 0.0
    for i in range(4):
        ddx += second[i] * u[dofs[i]]
        ddy += second[i] * u[dofs[4 + i]]
    return (dx * ddy - dy * ddx) / (dx * dx + dy * dy) ** 1.5


@njit(cache=True)
def turning(kind, force, side, curve, distance, row_t, row_turn, across, Hl):
    """Tangent of a pair's direction, which turns with the partner's tangent at the moving foot point.

    With tau the relative motion along the partner and Theta its turning, the foot moves by
    (tau + d Theta)/(1 - kappa d) and the distance has the second variation -(kappa tau^2 + 2 tau Theta + d
    Theta^2)/(1 - kappa d).
    """
    n = len(row_t)
    d = side * distance
    stretch = 1.0 - curve * d
    if abs(stretch) < 0.2:
        stretch = 0.2 if stretch > 0 else -0.2
    if kind == 0:
        scale = -force * side / stretch
        for a in range(n):
            for b in range(n):
                Hl[a, b] += scale * (
                    curve * row_t[a] * row_t[b]
                    + row_t[a] * row_turn[b]
                    + row_turn[a] * row_t[b]
                    + d * row_turn[a] * row_turn[b]
                )
        return
    for b in range(n):
        turn = row_turn[b] + curve * (row_t[b] + d * row_turn[b]) / stretch
        for a in range(n):
            Hl[a, b] -= force * across[a] * turn


@njit(cache=True)
def wrap_kernel(
    order,
    u,
    dofs,
    nodes,
    element,
    shape,
    area,
    M,
    angle,
    foot_angle,
    mode,
    to,
    partner,
    place,
    held,
    slip,
    before,
    before_partner,
    numbers,
    chosen,
    which,
    gradient,
    blocks,
):
    """Energy of self-contact and friction; adds to gradient (n,) and one block per pair of elements."""
    k = to.shape[1]
    L = 4 + M
    stiffness, onset, elastic, mu, thickness, coupled = numbers
    first = first_stations(element, len(nodes) - 1)
    row = np.zeros((2, 4))
    ha, hb = np.zeros(k), np.zeros(k)
    hma, hmna, hmb, hmnb = np.zeros((k, M)), np.zeros((k, M, M)), np.zeros((k, M)), np.zeros((k, M, M))
    gl, Hl = np.zeros(2 * L), np.zeros((2 * L, 2 * L))
    Haa, Hbb = np.zeros((L, L)), np.zeros((L, L))
    ra, rb, r2, across = np.zeros(L), np.zeros(L), np.zeros(2 * L), np.zeros(2 * L)
    row_t, row_turn = np.zeros(2 * L), np.zeros(2 * L)
    energy = 0.0
    for c in range(len(chosen)):
        p = chosen[c]
        e, f = element[p], partner[p]
        q = nearest_station(first, f, place[p])
        hermite_row(place[p], nodes[f + 1] - nodes[f], row)
        x, y, dx, dy = mid(u, dofs[e], shape[p])
        X, Y, DX, DY = mid(u, dofs[f], row)
        l, LL = np.sqrt(dx * dx + dy * dy), np.sqrt(DX * DX + DY * DY)
        tx, ty, Tx, Ty = dx / l, dy / l, DX / LL, DY / LL
        section_at(u, dofs[e], shape[p], M, angle[p], mode[p], to[p], ha, hma, hmna)
        section_at(u, dofs[f], row, M, foot_angle[p], mode[q], to[q], hb, hmb, hmnb)
        gl[:] = 0.0
        Hl[:, :] = 0.0
        Haa[:, :] = 0.0
        Hbb[:, :] = 0.0
        touched = False
        curve = curvature(u, dofs[f], place[p], nodes[f + 1] - nodes[f], DX, DY) if coupled > 0.0 else 0.0
        for line in range(k):
            vx, vy, own, other = held[p, line, 1], held[p, line, 2], held[p, line, 3], held[p, line, 4]
            gx = x - ha[line] * ty - X + hb[line] * Ty
            gy = y + ha[line] * tx - Y - hb[line] * Tx
            gap = gx * vx + gy * vy - thickness
            normal, normal_stiff = 0.0, 0.0
            for kind in range(2):
                if kind == 0:
                    if gap >= 0.0:
                        continue
                    value, force, stiff = penalty(gap, stiffness, onset)
                    value, force, stiff = value * area[p, line], -force * area[p, line], stiff * area[p, line]
                    wx, wy, Ha, Hb = vx, vy, ha[line], hb[line]
                    normal, normal_stiff = -force, stiff
                else:
                    limit = mu * (normal if coupled > 0.0 else held[p, line, 0])
                    if limit <= 0.0:
                        continue
                    wx, wy, Ha, Hb = -vy, vx, ha[line] + own, hb[line] + other
                    mx = x - Ha * ty - before[p, line, 0] - (X - Hb * Ty - before_partner[p, line, 0])
                    my = y + Ha * tx - before[p, line, 1] - (Y + Hb * Tx - before_partner[p, line, 1])
                    value, force, stiff = sliding(slip[p, line] + mx * wx + my * wy, limit, elastic)
                touched = True
                energy += value
                if order == 0:
                    continue
                point_first(wx, wy, Ha, tx, ty, -ty, tx, l, hma[line], M, ra)
                point_first(wx, wy, Hb, Tx, Ty, -Ty, Tx, LL, hmb[line], M, rb)
                for a in range(L):
                    r2[a], r2[L + a] = ra[a], -rb[a]
                for a in range(2 * L):
                    gl[a] += force * r2[a]
                if kind == 0:
                    across[:] = r2
                if order > 1 and coupled > 0.0:
                    point_first(Tx, Ty, Ha, tx, ty, -ty, tx, l, hma[line], M, ra)
                    point_first(Tx, Ty, Hb, Tx, Ty, -Ty, Tx, LL, hmb[line], M, rb)
                    for a in range(L):
                        row_t[a], row_t[L + a] = ra[a], -rb[a]
                    row_turn[L + 2], row_turn[L + 3] = -Ty / LL, Tx / LL
                if order > 1:
                    if coupled > 0.0:
                        turning(
                            kind,
                            force,
                            -vx * Ty + vy * Tx,
                            curve,
                            gap + thickness,
                            row_t,
                            row_turn,
                            across,
                            Hl,
                        )
                    if kind == 1 and coupled > 0.0:
                        part = force / normal * normal_stiff
                        for a in range(2 * L):
                            for b in range(2 * L):
                                Hl[a, b] -= part * r2[a] * across[b]
                    for a in range(2 * L):
                        for b in range(2 * L):
                            Hl[a, b] += stiff * r2[a] * r2[b]
                    point_second(
                        force * wx, force * wy, Ha, tx, ty, -ty, tx, l, hma[line], hmna[line], M, Haa
                    )
                    point_second(
                        -force * wx, -force * wy, Hb, Tx, Ty, -Ty, Tx, LL, hmb[line], hmnb[line], M, Hbb
                    )
        if not touched or order == 0:
            continue
        for a in range(L):
            for b in range(L):
                Hl[a, b] += Haa[a, b]
                Hl[L + a, L + b] += Hbb[a, b]
        width = 4 * (2 + M)
        block = which[c]
        for a in range(2 * L):
            fa, da = local_place(a % L)
            for i in range(4):
                sa = shape[p, da, i] if a < L else row[da, i]
                ea = e if a < L else f
                gradient[dofs[ea, 4 * fa + i]] += gl[a] * sa
                if order > 1:
                    ia = 4 * fa + i if a < L else width + 4 * fa + i
                    for b in range(2 * L):
                        value = Hl[a, b] * sa
                        if value == 0.0:
                            continue
                        fb, db = local_place(b % L)
                        for j in range(4):
                            sb = shape[p, db, j] if b < L else row[db, j]
                            ib = 4 * fb + j if b < L else width + 4 * fb + j
                            blocks[block, ia, ib] += value * sb
    return energy
