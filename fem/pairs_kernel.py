"""Compiled loops of self-contact: pairing, held directions, slip.

A pair is a station of the strip and a foot point further out; each side has the local unknowns of
`fem.contact_kernel`. Formulas
are those of `fem.wraps`; arguments are flat because that is what numba compiles.
"""

from __future__ import annotations

import numpy as np
from numba import njit

KEEP_SIDE = 1.5
"""Mid-lines closer than this many thicknesses keep the side they were last seen on: a deep press is no
crossing."""


@njit(cache=True)
def hermite_row(t, size, out):
    """Value and slope functions of one element at t, out (2, 4)."""
    t2, t3 = t * t, t * t * t
    out[0, 0], out[0, 1], out[0, 2], out[0, 3] = (
        1 - 3 * t2 + 2 * t3,
        (t - 2 * t2 + t3) * size,
        3 * t2 - 2 * t3,
        (t3 - t2) * size,
    )
    out[1, 0], out[1, 1] = (-6 * t + 6 * t2) / size, 1 - 4 * t + 3 * t2
    out[1, 2], out[1, 3] = (6 * t - 6 * t2) / size, -2 * t + 3 * t2


@njit(cache=True)
def mid(u, dofs, shape):
    """Place and slope of the mid-line of one element."""
    x, y, dx, dy = 0.0, 0.0, 0.0, 0.0
    for i in range(4):
        x += shape[0, i] * u[dofs[i]]
        y += shape[0, i] * u[dofs[4 + i]]
        dx += shape[1, i] * u[dofs[i]]
        dy += shape[1, i] * u[dofs[4 + i]]
    return x, y, dx, dy


@njit(cache=True)
def pair_kernel(u, dofs, nodes, stations, element, shape, reach, reachable, partner, place):
    """Nearest place further out for each station; -1 where none is within `reachable`."""
    n, elements = len(stations), len(nodes) - 1
    samples = 2
    px, py = np.empty(elements * samples), np.empty(elements * samples)
    row = np.zeros((2, 4))
    for e in range(elements):
        size = nodes[e + 1] - nodes[e]
        for i in range(samples):
            hermite_row((i + 0.5) / samples, size, row)
            px[e * samples + i], py[e * samples + i], _, _ = mid(u, dofs[e], row)
    for p in range(n):
        x, y, _, _ = mid(u, dofs[element[p]], shape[p])
        best, best_d = -1, 1e30
        for i in range(elements * samples):
            e = i // samples
            s = nodes[e] + ((i % samples) + 0.5) / samples * (nodes[e + 1] - nodes[e])
            if s - stations[p] < reach:
                continue
            d = (px[i] - x) ** 2 + (py[i] - y) ** 2
            if d < best_d:
                best, best_d = i, d
        partner[p] = -1
        if best < 0 or best_d > (reachable + nodes[1]) ** 2 * 4:
            continue
        e, t = best // samples, ((best % samples) + 0.5) / samples
        ok = False
        for _ in range(30):
            size = nodes[e + 1] - nodes[e]
            hermite_row(t, size, row)
            cx, cy, dx, dy = mid(u, dofs[e], row)
            step = ((x - cx) * dx + (y - cy) * dy) / (dx * dx + dy * dy)
            t += step / size
            if t < 0.0:
                if e == 0:
                    break
                e -= 1
                t = 1.0 + t * size / (nodes[e + 1] - nodes[e])
                if t < 0.0:
                    t = 0.5
            elif t > 1.0:
                if e == elements - 1:
                    break
                e += 1
                t = (t - 1.0) * size / (nodes[e + 1] - nodes[e])
                if t > 1.0:
                    t = 0.5
            if abs(step) < 1e-12 * (1.0 + abs(x) + abs(y)) or abs(step) < 1e-10:
                ok = True
                break
        if not ok:
            continue
        size = nodes[e + 1] - nodes[e]
        if nodes[e] + t * size - stations[p] < 0.9 * reach:
            continue
        hermite_row(t, size, row)
        cx, cy, _, _ = mid(u, dofs[e], row)
        if (cx - x) ** 2 + (cy - y) ** 2 < reachable**2:
            partner[p] = e
            place[p] = t


@njit(cache=True)
def section_at(u, dofs, shape, M, angle, mode, to, height, hm, hmn):
    """Heights (k,) on the lines and their derivatives with respect to the opening amplitudes."""
    k, m = to.shape
    height[:] = 0.0
    hm[:, :] = 0.0
    hmn[:, :, :] = 0.0
    for j in range(m):
        phi = angle[j]
        for a in range(M):
            amp = 0.0
            for i in range(4):
                amp += shape[0, i] * u[dofs[8 + 4 * a + i]]
            phi += amp * mode[j, a]
        s, c = np.sin(phi), np.cos(phi)
        for line in range(k):
            wt = to[line, j]
            height[line] += wt * s
            for a in range(M):
                hm[line, a] += wt * c * mode[j, a]
                for b in range(M):
                    hmn[line, a, b] -= wt * s * mode[j, a] * mode[j, b]


@njit(cache=True)
def nearest_station(first, e, t):
    """Contact station of element e nearest to t: its section tables stand for the partner's."""
    count = first[e + 1] - first[e]
    i = int(t * count)
    return first[e] + min(max(i, 0), count - 1)


@njit(cache=True)
def first_stations(element, elements):
    """First contact station of every element, and their number last."""
    first = np.zeros(elements + 1, np.int64)
    for p in range(len(element)):
        first[element[p] + 1] += 1
    for e in range(elements):
        first[e + 1] += first[e]
    return first


@njit(cache=True)
def side_of(last, own, other, shape, row, near, kept):
    """Side of the partner on which the point lay at the last accepted state; the kept one when it was too
    near to tell.
    """
    x, y, _, _ = mid(last, own, shape)
    X, Y, DX, DY = mid(last, other, row)
    away = (-(x - X) * DY + (y - Y) * DX) / np.sqrt(DX * DX + DY * DY)
    if abs(away) > near:
        return 1.0 if away > 0.0 else -1.0
    return kept


@njit(cache=True)
def hold_kernel(
    u,
    last,
    dofs,
    nodes,
    element,
    shape,
    M,
    angle,
    foot_angle,
    mode,
    to,
    partner,
    place,
    thickness,
    sides,
    held,
    before,
    before_partner,
):
    """held: force (set by caller), nu (2), own offset, partner's offset, gap; before: places of both faces
    at the last step.
    """
    n, k, _ = to.shape
    first = first_stations(element, len(nodes) - 1)
    row = np.zeros((2, 4))
    ha, hb = np.zeros(k), np.zeros(k)
    hm, hmn = np.zeros((k, M)), np.zeros((k, M, M))
    for p in range(n):
        if partner[p] < 0:
            held[p, :, :] = 0.0
            continue
        e, f = element[p], partner[p]
        q = nearest_station(first, f, place[p])
        hermite_row(place[p], nodes[f + 1] - nodes[f], row)
        x, y, dx, dy = mid(u, dofs[e], shape[p])
        X, Y, DX, DY = mid(u, dofs[f], row)
        l, L = np.sqrt(dx * dx + dy * dy), np.sqrt(DX * DX + DY * DY)
        nx, ny, Nx, Ny = -dy / l, dx / l, -DY / L, DX / L
        side = side_of(last, dofs[e], dofs[f], shape[p], row, KEEP_SIDE * thickness, sides[p])
        vx, vy = side * Nx, side * Ny
        facing = vx * nx + vy * ny
        facing = facing if abs(facing) > 0.2 else (0.2 if facing > 0.0 else -0.2)
        section_at(u, dofs[e], shape[p], M, angle[p], mode[p], to[p], ha, hm, hmn)
        section_at(u, dofs[f], row, M, foot_angle[p], mode[q], to[q], hb, hm, hmn)
        for line in range(k):
            held[p, line, 1], held[p, line, 2] = vx, vy
            gx = x + ha[line] * nx - X - hb[line] * Nx
            gy = y + ha[line] * ny - Y - hb[line] * Ny
            distance = gx * vx + gy * vy
            # one interface for both, halfway, so that pressed wraps that turn together do not slip by
            # their overlap
            held[p, line, 3], held[p, line, 4] = -0.5 * distance / facing, 0.5 * distance * side
            held[p, line, 5] = distance - thickness
        # where both faces were at the last accepted step
        x, y, dx, dy = mid(last, dofs[e], shape[p])
        X, Y, DX, DY = mid(last, dofs[f], row)
        l, L = np.sqrt(dx * dx + dy * dy), np.sqrt(DX * DX + DY * DY)
        section_at(last, dofs[e], shape[p], M, angle[p], mode[p], to[p], ha, hm, hmn)
        section_at(last, dofs[f], row, M, foot_angle[p], mode[q], to[q], hb, hm, hmn)
        for line in range(k):
            own, other = held[p, line, 3], held[p, line, 4]
            before[p, line, 0], before[p, line, 1] = (
                x - (ha[line] + own) * dy / l,
                y + (ha[line] + own) * dx / l,
            )
            before_partner[p, line, 0] = X - (hb[line] + other) * DY / L
            before_partner[p, line, 1] = Y + (hb[line] + other) * DX / L


@njit(cache=True)
def distance_kernel(u, dofs, nodes, element, shape, M, angle, foot_angle, mode, to, partner, place, held):
    """Distance of the paired mid-surfaces along the held direction (n, k); inf without a partner."""
    n, k, _ = to.shape
    first = first_stations(element, len(nodes) - 1)
    row = np.zeros((2, 4))
    ha, hb = np.zeros(k), np.zeros(k)
    hm, hmn = np.zeros((k, M)), np.zeros((k, M, M))
    out = np.full((n, k), np.inf)
    for p in range(n):
        if partner[p] < 0:
            continue
        e, f = element[p], partner[p]
        q = nearest_station(first, f, place[p])
        hermite_row(place[p], nodes[f + 1] - nodes[f], row)
        x, y, dx, dy = mid(u, dofs[e], shape[p])
        X, Y, DX, DY = mid(u, dofs[f], row)
        l, L = np.sqrt(dx * dx + dy * dy), np.sqrt(DX * DX + DY * DY)
        section_at(u, dofs[e], shape[p], M, angle[p], mode[p], to[p], ha, hm, hmn)
        section_at(u, dofs[f], row, M, foot_angle[p], mode[q], to[q], hb, hm, hmn)
        for line in range(k):
            gx = x - ha[line] * dy / l - X + hb[line] * DY / L
            gy = y + ha[line] * dx / l - Y - hb[line] * DX / L
            out[p, line] = gx * held[p, line, 1] + gy * held[p, line, 2]
    return out


@njit(cache=True)
def slide_kernel(
    u,
    dofs,
    nodes,
    element,
    shape,
    M,
    angle,
    foot_angle,
    mode,
    to,
    partner,
    place,
    held,
    before,
    before_partner,
):
    """Motion of both faces along the held direction since the last step (n, k)."""
    n, k, _ = to.shape
    first = first_stations(element, len(nodes) - 1)
    row = np.zeros((2, 4))
    ha, hb = np.zeros(k), np.zeros(k)
    hm, hmn = np.zeros((k, M)), np.zeros((k, M, M))
    out = np.zeros((n, k))
    for p in range(n):
        if partner[p] < 0:
            continue
        e, f = element[p], partner[p]
        q = nearest_station(first, f, place[p])
        hermite_row(place[p], nodes[f + 1] - nodes[f], row)
        x, y, dx, dy = mid(u, dofs[e], shape[p])
        X, Y, DX, DY = mid(u, dofs[f], row)
        l, L = np.sqrt(dx * dx + dy * dy), np.sqrt(DX * DX + DY * DY)
        section_at(u, dofs[e], shape[p], M, angle[p], mode[p], to[p], ha, hm, hmn)
        section_at(u, dofs[f], row, M, foot_angle[p], mode[q], to[q], hb, hm, hmn)
        for line in range(k):
            own, other = held[p, line, 3], held[p, line, 4]
            mx = (
                x
                - (ha[line] + own) * dy / l
                - before[p, line, 0]
                - (X - (hb[line] + other) * DY / L - before_partner[p, line, 0])
            )
            my = (
                y
                + (ha[line] + own) * dx / l
                - before[p, line, 1]
                - (Y + (hb[line] + other) * DX / L - before_partner[p, line, 1])
            )
            if held[p, line, 0] > 0.0:
                out[p, line] = -mx * held[p, line, 2] + my * held[p, line, 1]
    return out
