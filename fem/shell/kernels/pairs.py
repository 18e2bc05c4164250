"""The nearest place of the strip further out: how points of one wrap find the next.

The search begins at the nearest of a few samples of the mid-line (at least `reach` further along the strip)
and goes on by Newton's method in (s, eta) on the squared distance; at a free edge the foot stays on the
edge.
"""

from __future__ import annotations

import numpy as np

from fem.jit.array_ops import put, put_rows
from fem.jit.decorators import compiled
from fem.shell.kernels.faces import gathered, vectors

SAMPLES = 2
CLEAR, SQUARE = 1e-9, 1e-6
"""Moves of a foot [mm] that end its search; the second where each is about the square of the one before."""
SAME = 2.0
"""A point's last foot is where the search begins when it lies within this of the nearest sample [mm]."""


@compiled
def _factors(t, side, out):
    """Out (end, derivative, kind): Hermite functions of one direction at t in [0, 1]."""
    t2, t3 = t * t, t * t * t
    out[0, 0, 0], out[0, 0, 1] = 1 - 3 * t2 + 2 * t3, (t - 2 * t2 + t3) * side
    out[1, 0, 0], out[1, 0, 1] = 3 * t2 - 2 * t3, (t3 - t2) * side
    out[0, 1, 0], out[0, 1, 1] = (-6 * t + 6 * t2) / side, 1 - 4 * t + 3 * t2
    out[1, 1, 0], out[1, 1, 1] = (6 * t - 6 * t2) / side, -2 * t + 3 * t2
    out[0, 2, 0], out[0, 2, 1] = (-6 + 12 * t) / side**2, (-4 + 6 * t) / side
    out[1, 2, 0], out[1, 2, 1] = (6 - 12 * t) / side**2, (-2 + 6 * t) / side


@compiled
def shape_row(stations, across, at, out, f, g):
    """Functions (6, 16) at (s, eta) in the order of `fem.mesh.bicubic.shape_at`; returns the cell. f, g: work
    space.
    """
    i = min(max(np.searchsorted(stations, at[0], side="right") - 1, 0), len(stations) - 2)
    j = min(max(np.searchsorted(across, at[1], side="right") - 1, 0), len(across) - 2)
    hs, ha = stations[i + 1] - stations[i], across[j + 1] - across[j]
    _factors((at[0] - stations[i]) / hs, hs, f)
    _factors((at[1] - across[j]) / ha, ha, g)
    column = 0
    for a in range(2):
        for b in range(2):
            for kind in range(4):
                k0, k1 = kind & 1, kind >> 1
                out[0, column] = f[a, 0, k0] * g[b, 0, k1]
                out[1, column] = f[a, 1, k0] * g[b, 0, k1]
                out[2, column] = f[a, 0, k0] * g[b, 1, k1]
                out[3, column] = f[a, 2, k0] * g[b, 0, k1]
                out[4, column] = f[a, 0, k0] * g[b, 2, k1]
                out[5, column] = f[a, 1, k0] * g[b, 1, k1]
                column += 1
    return i * (len(across) - 1) + j


@compiled
def dot(a, b):
    """Scalar product of two 3-vectors."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


@compiled
def foot_metric(away, w, m):
    """M = M11, M22, M12 of half the squared distance at a foot with vectors w (6, 3) and x - X = away."""
    m[0] = dot(w[1], w[1]) - dot(away, w[3])
    m[1] = dot(w[2], w[2]) - dot(away, w[4])
    m[2] = dot(w[1], w[2]) - dot(away, w[5])


@compiled
def project(x, elements, stations, across, at, rows):
    """Foot of x from a start at (2,), moved there; rows (6, 16) are those of the foot. Returns (cell,
    found).
    """
    f, g, w, m, away = np.empty((2, 3, 2)), np.empty((2, 3, 2)), np.empty((6, 3)), np.empty(3), np.empty(3)
    low, high = across[0], across[-1]
    cell = shape_row(stations, across, at, rows, f, g)
    for _ in range(25):
        vectors(elements[cell], rows, w)
        for c in range(3):
            away[c] = x[c] - w[0, c]
        r1, r2 = dot(away, w[1]), dot(away, w[2])
        foot_metric(away, w, m)
        a11, a22, a12 = dot(w[1], w[1]), dot(w[2], w[2]), dot(w[1], w[2])
        near = SQUARE
        if m[0] < 0.2 * a11 or m[0] * m[1] - m[2] ** 2 < 0.04 * (a11 * a22 - a12 * a12):
            m[0], m[1], m[2], near = a11, a22, a12, CLEAR
        det = m[0] * m[1] - m[2] ** 2
        ds, da = (m[1] * r1 - m[2] * r2) / det, (m[0] * r2 - m[2] * r1) / det
        goal = at[1] + da
        if goal > high or goal < low:
            goal = high if goal > high else low
            da = goal - at[1]
            ds = (r1 - m[2] * da) / m[0]
        longest = 0.5 * (stations[1] - stations[0]) + 1.0
        ds = min(max(ds, -longest), longest)
        at[0] += ds
        at[1] = goal
        if at[0] < stations[0] or at[0] > stations[-1]:
            return cell, False
        cell = shape_row(stations, across, at, rows, f, g)
        if abs(ds) + abs(da) < near:
            return cell, True
    return cell, False


@compiled
def pair_kernel(u, cells, stations, across, at_rest, places, reach, near, partner, foot, rows):
    """Pair every point (n, k) with its foot; partner (n, k) cell or -1, foot (n, k, 2), rows (n, k, 6, 16).

    at_rest (n + k): stations and lines of the points; places (n, k, 3); near: (mid-line, point) distances
    within which a foot counts.
    """
    n, k = partner.shape
    elements = gathered(u, cells)
    middle = 0
    for j in range(len(across)):
        if abs(across[j]) < abs(across[middle]):
            middle = j
    count = (len(stations) - 1) * SAMPLES
    sx = np.empty((count, 3))
    ss = np.empty(count)
    f, g, row, at = np.empty((2, 3, 2)), np.empty((2, 3, 2)), np.empty((6, 16)), np.empty(2)
    one = np.empty((1, 3))
    for i in range(count):
        e = i // SAMPLES
        at[0] = stations[e] + ((i % SAMPLES) + 0.5) / SAMPLES * (stations[e + 1] - stations[e])
        at[1] = across[middle]
        cell = shape_row(stations, across, at, row, f, g)
        vectors(elements[cell], row, one)
        ss[i] = at[0]
        put(one[0], sx[i])
    line0 = 0
    for line in range(k):
        if abs(at_rest[n + line]) < abs(at_rest[n + line0]):
            line0 = line
    for p in range(n):
        best, best_d = -1, 1e30
        for i in range(count):
            if ss[i] - at_rest[p] < reach:
                continue
            d = (sx[i, 0] - places[p, line0, 0]) ** 2 + (sx[i, 1] - places[p, line0, 1]) ** 2
            if d < best_d:
                best, best_d = i, d
        if best < 0 or best_d > near[0] ** 2:
            partner[p, :] = -1
            continue
        start = ss[best]
        for line in range(k):
            at[0], at[1] = start, min(max(at_rest[n + line], across[0]), across[-1])
            if partner[p, line] >= 0 and abs(foot[p, line, 0] - start) < SAME:
                at[0], at[1] = foot[p, line, 0], foot[p, line, 1]
            partner[p, line] = -1
            cell, found = project(places[p, line], elements, stations, across, at, row)
            if not found:
                continue
            start = at[0]
            if at[0] - at_rest[p] < 0.9 * reach:
                continue
            vectors(elements[cell], row, one)
            d2 = 0.0
            for c in range(3):
                d2 += (places[p, line, c] - one[0, c]) ** 2
            if d2 > near[1] ** 2:
                continue
            partner[p, line] = cell
            foot[p, line, 0], foot[p, line, 1] = at[0], at[1]
            put_rows(row, rows[p, line])


@compiled
def rows_kernel(stations, across, partner, foot, rows):
    """Functions (n, k, 6, 16) at the feet of all points that have one."""
    f, g = np.empty((2, 3, 2)), np.empty((2, 3, 2))
    n, k = partner.shape
    for p in range(n):
        for line in range(k):
            if partner[p, line] >= 0:
                shape_row(stations, across, foot[p, line], rows[p, line], f, g)
