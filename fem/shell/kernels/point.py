"""What happens at a Gauss point of the shell, compiled: strains, stresses, first and second derivatives.

The strains e = (a - A)/2 and k = B - b depend on five 3-vectors, the first derivatives of position a_1, a_2
and the second ones x_11, x_22, x_12. First variation of b: n . (dx_ab - G^c_ab da_c) with the Christoffel
symbols G^c_ab = x_ab . a^c; second variation as written out in `kinematics`, whose plain numpy version these
pieces are tested against.

Four elements are computed at once (`fem.jit.simd`).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from fem.core.term import Array, Index
from fem.jit.decorators import inlined
from fem.jit.simd import LANES, add, put, splat, take, vec_sqrt


class GaussPoint(NamedTuple):
    """A Gauss point of four elements: all arrays have the lanes last, one for each element.

    v (5, 3): derivatives of position; dv (2, 3): first derivatives of a step; rest (6,) = A11, A22, A12, B11,
    B22, B12; law (6, 6), symmetric; normal (3,); dual (2, 3): contravariant vectors; gamma (3, 2):
    Christoffel symbols of 11, 22, 12; b (3,); strain (6,) = e11, e22, 2 e12, k11, k22, 2 k12; stress (6,);
    turn (3, 5): dk_r = sum_A turn[r, A] n . dv_A; couple (6, 5): law times these; bend (5, 5): factor of n n
    in H.

    local, move (LANES, 16): unknowns of each element and their step, here with x, y, z, 0 in the lanes; sums
    (5,): space for five of these or of those.
    """

    v: Array
    dv: Array
    rest: Array
    law: Array
    normal: Array
    dual: Array
    gamma: Array
    b: Array
    strain: Array
    stress: Array
    turn: Array
    couple: Array
    bend: Array
    local: Array
    move: Array
    sums: Array


@inlined
def point_space() -> GaussPoint:
    """Space for a point."""
    return GaussPoint(
        np.empty((5, 3, LANES)),
        np.empty((2, 3, LANES)),
        np.empty((6, LANES)),
        np.empty((6, 6, LANES)),
        np.empty((3, LANES)),
        np.empty((2, 3, LANES)),
        np.empty((3, 2, LANES)),
        np.empty((3, LANES)),
        np.empty((6, LANES)),
        np.empty((6, LANES)),
        np.empty((3, 5, LANES)),
        np.empty((6, 5, LANES)),
        np.empty((5, 5, LANES)),
        np.zeros((LANES, 16, LANES)),
        np.zeros((LANES, 16, LANES)),
        np.empty((5, LANES)),
    )


@inlined
def gather(x: Array, dofs: Index, first: int, local: Array) -> None:
    """Unknowns x (n, 3) of four elements; beyond the last element it is repeated."""
    for i in range(dofs.shape[1]):
        for lane in range(LANES):
            node = dofs[min(first + lane, dofs.shape[0] - 1), i]
            for c in range(3):
                local[lane, i, c] = x[node, c]


@inlined
def vectors(local: Array, shapes: Array, first: int, p: int, sums: Array, out: Array) -> None:
    """Derivatives out (5 or 2, 3) at point p of four elements."""
    for lane in range(LANES):
        e = min(first + lane, shapes.shape[0] - 1)
        for a in range(out.shape[0]):
            total = splat(0.0)
            for i in range(16):
                total += shapes[e, p, a, i] * take(local, (lane, i))
            put(sums, (a,), total)
        for a in range(out.shape[0]):
            for c in range(3):
                out[a, c, lane] = sums[a, c]


@inlined
def to_lanes(table: Array, first: int, p: int, out: Array) -> None:
    """Numbers (6,) of point p of four elements from a table (ne, np, 6)."""
    for r in range(table.shape[2]):
        for lane in range(LANES):
            out[r, lane] = table[min(first + lane, table.shape[0] - 1), p, r]


@inlined
def _dot(u: Array, i: int, w: Array, j: int) -> float:
    total = take(u, (i, 0)) * take(w, (j, 0))
    total += take(u, (i, 1)) * take(w, (j, 1))
    total += take(u, (i, 2)) * take(w, (j, 2))
    return total


@inlined
def geometry(k: GaussPoint) -> None:
    """Unit normal, contravariant vectors, Christoffel symbols, b and strains from k.v and k.rest."""
    v = k.v
    a11, a22, a12 = _dot(v, 0, v, 0), _dot(v, 1, v, 1), _dot(v, 0, v, 1)
    for c in range(3):
        d, f = (c + 1) % 3, (c + 2) % 3
        put(k.normal, (c,), take(v, (0, d)) * take(v, (1, f)) - take(v, (0, f)) * take(v, (1, d)))
    nx, ny, nz = take(k.normal, (0,)), take(k.normal, (1,)), take(k.normal, (2,))
    det = nx * nx + ny * ny + nz * nz
    size, per = 1.0 / vec_sqrt(det), 1.0 / det
    for c in range(3):
        put(k.normal, (c,), size * take(k.normal, (c,)))
        one, two = take(v, (0, c)), take(v, (1, c))
        put(k.dual, (0, c), (a22 * one - a12 * two) * per)
        put(k.dual, (1, c), (a11 * two - a12 * one) * per)
    put(k.strain, (0,), 0.5 * (a11 - take(k.rest, (0,))))
    put(k.strain, (1,), 0.5 * (a22 - take(k.rest, (1,))))
    put(k.strain, (2,), a12 - take(k.rest, (2,)))
    for r in range(3):
        b = splat(0.0)
        for c in range(3):
            b += take(v, (2 + r, c)) * take(k.normal, (c,))
        put(k.b, (r,), b)
        put(k.strain, (3 + r,), (1.0 + r // 2) * (take(k.rest, (3 + r,)) - b))
        for a in range(2):
            put(k.gamma, (r, a), _dot(v, 2 + r, k.dual, a))


@inlined
def extrapolate(k: GaussPoint) -> None:
    """Takes from the membrane strains the part that is quadratic in the step k.dv."""
    add(k.strain, (0,), -0.5 * _dot(k.dv, 0, k.dv, 0))
    add(k.strain, (1,), -0.5 * _dot(k.dv, 1, k.dv, 1))
    add(k.strain, (2,), -1.0 * _dot(k.dv, 0, k.dv, 1))


@inlined
def stresses(law: Array, extra: Array, first: int, p: int, k: GaussPoint) -> float:
    """k.law and the stress law @ strain + extra; returns half of strain . law @ strain."""
    for r in range(law.shape[2]):
        for s in range(law.shape[3]):
            for lane in range(LANES):
                k.law[r, s, lane] = law[min(first + lane, law.shape[0] - 1), p, r, s]
    to_lanes(extra, first, p, k.stress)
    energy = splat(0.0)
    for r in range(k.law.shape[0]):
        total = splat(0.0)
        for s in range(6):
            total += take(k.law, (r, s)) * take(k.strain, (s,))
        add(k.stress, (r,), total)
        energy += total * take(k.strain, (r,))
    return 0.5 * energy


@inlined
def _moment(k: GaussPoint, numbers: Array, a: int) -> float:
    """Moments times numbers (3, a + 1 or more) in column a: k11, k22 and twice k12."""
    total = take(k.stress, (3,)) * take(numbers, (0, a)) + take(k.stress, (4,)) * take(numbers, (1, a))
    return total + 2.0 * take(k.stress, (5,)) * take(numbers, (2, a))


@inlined
def point_forces(k: GaussPoint, p: int, forces: Array) -> None:
    """Derivative of the density in the five vectors, into forces (LANES, 5 np), x, y, z, 0 in the lanes."""
    m0, m1 = _moment(k, k.gamma, 0), _moment(k, k.gamma, 1)
    n11, n22, n12 = take(k.stress, (0,)), take(k.stress, (1,)), take(k.stress, (2,))
    for c in range(3):
        n, v0, v1 = take(k.normal, (c,)), take(k.v, (0, c)), take(k.v, (1, c))
        put(k.sums, (0,), n11 * v0 + n12 * v1 + m0 * n)
        put(k.sums, (1,), n22 * v1 + n12 * v0 + m1 * n)
        for r in range(3):
            put(k.sums, (2 + r,), (-1.0 - r // 2) * take(k.stress, (3 + r,)) * n)
        for lane in range(LANES):
            for a in range(5):
                forces[lane, 5 * p + a, c] = k.sums[a, lane]


@inlined
def _products(k: GaussPoint) -> None:
    """k.turn, k.couple and k.bend: what H needs for any pair of components."""
    for r in range(3):
        for a in range(k.turn.shape[1]):
            put(k.turn, (r, a), splat(0.0))
        put(k.turn, (r, 0), (1.0 + r // 2) * take(k.gamma, (r, 0)))
        put(k.turn, (r, 1), (1.0 + r // 2) * take(k.gamma, (r, 1)))
        put(k.turn, (r, 2 + r), splat(-1.0 - r // 2))
    for r in range(k.couple.shape[0]):
        for a in range(k.couple.shape[1]):
            total = splat(0.0)
            for s in range(3):
                total += take(k.law, (r, 3 + s)) * take(k.turn, (s, a))
            put(k.couple, (r, a), total)
    for a in range(k.bend.shape[0]):
        for q in range(k.bend.shape[0]):
            total = splat(0.0)
            for r in range(3):
                total += take(k.turn, (r, a)) * take(k.couple, (3 + r, q))
            put(k.bend, (a, q), total)
    level = take(k.stress, (3,)) * take(k.b, (0,)) + take(k.stress, (4,)) * take(k.b, (1,))
    level += 2.0 * take(k.stress, (5,)) * take(k.b, (2,))
    for a in range(2):
        for q in range(2):
            add(k.bend, (a, q), level * _dot(k.dual, a, k.dual, q))


@inlined
def density_hessian(k: GaussPoint, p: int, h: Array) -> None:
    """H (np, 3, 3, 5, 5) at point p: second derivative of the density in the five vectors, component pairs c
    <= d first.
    """
    _products(k)
    m0, m1 = _moment(k, k.gamma, 0), _moment(k, k.gamma, 1)
    l00, l01, l02 = take(k.law, (0, 0)), take(k.law, (0, 1)), take(k.law, (0, 2))
    l11, l12, l22 = take(k.law, (1, 1)), take(k.law, (1, 2)), take(k.law, (2, 2))
    for c in range(h.shape[1]):
        for d in range(c, h.shape[1]):
            nc, nd = take(k.normal, (c,)), take(k.normal, (d,))
            c0, c1, d0, d1 = take(k.v, (0, c)), take(k.v, (1, c)), take(k.v, (0, d)), take(k.v, (1, d))
            nn = nc * nd
            for a in range(k.bend.shape[0]):
                for q in range(5):
                    put(h, (p, c, d, a, q), take(k.bend, (a, q)) * nn)
            # membrane rows: e11 on a1: v0; e22 on a2: v1; 2 e12 on a1: v1, on a2: v0
            for a in range(k.bend.shape[0]):
                b0, b1, b2 = take(k.couple, (0, a)), take(k.couple, (1, a)), take(k.couple, (2, a))
                add(h, (p, c, d, 0, a), (c0 * b0 + c1 * b2) * nd)
                add(h, (p, c, d, 1, a), (c1 * b1 + c0 * b2) * nd)
                add(h, (p, c, d, a, 0), nc * (d0 * b0 + d1 * b2))
                add(h, (p, c, d, a, 1), nc * (d1 * b1 + d0 * b2))
            on_d0, on_d1 = l02 * d0 + l22 * d1, l12 * d1 + l22 * d0
            add(h, (p, c, d, 0, 0), c0 * (l00 * d0 + l02 * d1) + c1 * on_d0)
            add(h, (p, c, d, 0, 1), c0 * (l01 * d1 + l02 * d0) + c1 * on_d1)
            add(h, (p, c, d, 1, 0), c1 * (l01 * d0 + l12 * d1) + c0 * on_d0)
            add(h, (p, c, d, 1, 1), c1 * (l11 * d1 + l12 * d0) + c0 * on_d1)
            if c == d:
                add(h, (p, c, d, 0, 0), take(k.stress, (0,)))
                add(h, (p, c, d, 1, 1), take(k.stress, (1,)))
                add(h, (p, c, d, 0, 1), take(k.stress, (2,)))
                add(h, (p, c, d, 1, 0), take(k.stress, (2,)))
            # second variation of b
            for a in range(2):
                left, right = take(k.dual, (a, c)) * nd, nc * take(k.dual, (a, d))
                add(h, (p, c, d, a, 0), -1.0 * m0 * right)
                add(h, (p, c, d, a, 1), -1.0 * m1 * right)
                add(h, (p, c, d, 0, a), -1.0 * m0 * left)
                add(h, (p, c, d, 1, a), -1.0 * m1 * left)
                for r in range(3):
                    moment = (1.0 + r // 2) * take(k.stress, (3 + r,))
                    add(h, (p, c, d, 2 + r, a), moment * left)
                    add(h, (p, c, d, a, 2 + r), moment * right)
