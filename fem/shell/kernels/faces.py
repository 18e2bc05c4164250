"""Compiled parts of a point on a shell's face: place x + c n, its variations, friction at it, spreading to
unknowns.

The nine local unknowns are x, a_1, a_2; the unit normal n lies along a_1 x a_2, whose variations are (a^1,
a^2 the dual vectors)

    dn = -a^c (n . da_c)
    s . d2n = (s . a^c)(a^d . da_c)(n . Da_d) + (d <-> D) - (s . n) a^c . a^d (n . da_c)(n . Da_d)

(derived from a^c . a_d = delta, a^c . n = 0; the same as in `kinematics`).
"""

from __future__ import annotations

import numpy as np

from fem.jit.array_ops import put
from fem.jit.decorators import compiled, inlined
from fem.jit.simd import LANES, add, lane_sum, splat, take
from fem.jit.simd import put as put_four

LOCAL = 9


@compiled
def gathered(u, cells):
    """Unknowns (m, 3, 16) of every element by component: neighbours in memory for the sums over them."""
    out = np.empty((len(cells), 3, 16))
    for e in range(len(cells)):
        for i in range(16):
            for c in range(3):
                out[e, c, i] = u[cells[e, 3 * i + c]]
    return out


@inlined
def vectors(own, rows, out):
    """Out (r, 3): place and derivatives from shape rows (r, 16) and an element's unknowns (3, 16)."""
    for r in range(out.shape[0]):
        x, y, z = splat(0.0), splat(0.0), splat(0.0)
        for i in range(0, 16, LANES):
            row = take(rows, (r, i))
            x += row * take(own, (0, i))
            y += row * take(own, (1, i))
            z += row * take(own, (2, i))
        out[r, 0], out[r, 1], out[r, 2] = lane_sum(x), lane_sum(y), lane_sum(z)


@inlined
def local_state(own, shape, v, n, dual):
    """V (3, 3) = x, a_1, a_2; unit normal n (3,); dual (2, 3) of a point of an element with unknowns own (3,
    16).
    """
    vectors(own, shape, v)
    n[0] = v[1, 1] * v[2, 2] - v[1, 2] * v[2, 1]
    n[1] = v[1, 2] * v[2, 0] - v[1, 0] * v[2, 2]
    n[2] = v[1, 0] * v[2, 1] - v[1, 1] * v[2, 0]
    area = np.sqrt(n[0] ** 2 + n[1] ** 2 + n[2] ** 2)
    a11, a22, a12 = 0.0, 0.0, 0.0
    part = 1.0 / area
    for c in range(3):
        n[c] *= part
        a11 += v[1, c] * v[1, c]
        a22 += v[2, c] * v[2, c]
        a12 += v[1, c] * v[2, c]
    for c in range(3):
        dual[0, c] = (a22 * v[1, c] - a12 * v[2, c]) * part * part
        dual[1, c] = (a11 * v[2, c] - a12 * v[1, c]) * part * part


@compiled
def places_kernel(u, cells, cell, shape, area):
    """(n, k, 2, 3): place and normal of the points with an area, 0 of the others."""
    n, k = cell.shape
    elements = gathered(u, cells)
    out = np.zeros((n, k, 2, 3))
    v, normal, dual = np.empty((3, 3)), np.empty(3), np.empty((2, 3))
    for p in range(n):
        for line in range(k):
            if area[p, line] <= 0.0:
                continue
            local_state(elements[cell[p, line]], shape[p, line], v, normal, dual)
            put(v[0], out[p, line, 0])
            put(normal, out[p, line, 1])
    return out


@compiled
def positions_kernel(u, cells, cell, shape, area):
    """(n, k, 3): place of the points with an area, 0 of the others."""
    n, k = cell.shape
    elements = gathered(u, cells)
    out = np.zeros((n, k, 1, 3))
    for p in range(n):
        for line in range(k):
            if area[p, line] > 0.0:
                vectors(elements[cell[p, line]], shape[p, line], out[p, line])
    return out[:, :, 0]


@compiled
def face_first(s, c, n, dual, row):
    """Row (9,) = derivative of s . (x + c n)."""
    for i in range(3):
        row[i] = s[i]
    for a in range(2):
        part = -c * (s[0] * dual[a, 0] + s[1] * dual[a, 1] + s[2] * dual[a, 2])
        for i in range(3):
            row[3 + 3 * a + i] = part * n[i]


@compiled
def face_second(f, c, n, dual, H):
    """Add the second derivative of f . (x + c n) to H (9, 9)."""
    fn = c * (f[0] * n[0] + f[1] * n[1] + f[2] * n[2])
    for a in range(2):
        fa = c * (f[0] * dual[a, 0] + f[1] * dual[a, 1] + f[2] * dual[a, 2])
        for b in range(2):
            inner = fn * (dual[a, 0] * dual[b, 0] + dual[a, 1] * dual[b, 1] + dual[a, 2] * dual[b, 2])
            for i in range(3):
                for j in range(3):
                    H[3 + 3 * a + i, 3 + 3 * b + j] += fa * dual[b, i] * n[j] - inner * n[i] * n[j]
                    H[3 + 3 * b + j, 3 + 3 * a + i] += fa * dual[b, i] * n[j]


@compiled
def rub(t0, t1, limit, slip, out):
    """Held friction of strength `limit` at a slip (t0, t1): energy; out = force (2), stiffness 00, 11, 01."""
    size = np.sqrt(t0 * t0 + t1 * t1)
    if size < slip:
        k = limit / slip
        out[0], out[1], out[2], out[3], out[4] = k * t0, k * t1, k, k, 0.0
        return 0.5 * k * size * size
    e0, e1 = t0 / size, t1 / size
    k = limit / size
    out[0], out[1] = limit * e0, limit * e1
    out[2], out[3], out[4] = k * (1 - e0 * e0), k * (1 - e1 * e1), -k * e0 * e1
    return limit * (size - 0.5 * slip)


@compiled
def spread_gradient(g, dofs, shape, gradient):
    """Add a local gradient (9,) to the unknowns."""
    for i in range(16):
        for c in range(3):
            gradient[dofs[3 * i + c]] += shape[0, i] * g[c] + shape[1, i] * g[3 + c] + shape[2, i] * g[6 + c]


@inlined
def spread_block(H, left, right, rows, columns, block):
    """Add left^T H right to block[rows:, columns:], H (9, 9), left and right (3, 16) shape functions.

    Both loops run over neighbours in memory, four at a time.
    """
    half, parts = np.empty((3, 3, 48)), np.empty((3, LANES))
    for j in range(0, 16, LANES):
        w0, w1, w2 = take(right, (0, j)), take(right, (1, j)), take(right, (2, j))
        for r in range(3):
            for c in range(3):
                for d in range(3):
                    at = 3 * r + c
                    put_four(parts, (d, 0), H[at, d] * w0 + H[at, 3 + d] * w1 + H[at, 6 + d] * w2)
                for lane in range(LANES):
                    for d in range(3):
                        half[r, c, 3 * (j + lane) + d] = parts[d, lane]
    for i in range(16):
        l0, l1, l2 = left[0, i], left[1, i], left[2, i]
        for c in range(3):
            row = rows + 3 * i + c
            for j in range(0, 48, LANES):
                more = l0 * take(half, (0, c, j)) + l1 * take(half, (1, c, j)) + l2 * take(half, (2, c, j))
                add(block, (row, columns + j), more)
