"""Compiled loops of the shell: energy and gradient, tangent.

At a Gauss point the strains e = (a - A)/2 and k = B - b depend on five 3-vectors, the first derivatives of
position a_1, a_2 and the second ones x_11, x_22, x_12. First variation of b: n . (dx_ab - G^c_ab da_c) with
the Christoffel symbols G^c_ab = x_ab . a^c; second variation as written out in `kinematics`, whose plain
numpy version these loops are tested against. The tangent of an element is sum N_iA H_AB N_jB with H (5, 3, 5,
3).
"""

from __future__ import annotations

import numpy as np

from fem.compiled import relaxed, relaxed_piece
from fem.equilibrium import Array, Index


@relaxed_piece
def _vectors(local: Array, shape: Array, out: Array) -> None:
    """Out (5, 3) = shape (5, 16) @ local (3, 16) transposed: sums over neighbours in memory."""
    for a in range(5):
        for c in range(3):
            total = 0.0
            for i in range(16):
                total += shape[a, i] * local[c, i]
            out[a, c] = total


@relaxed_piece
def _geometry(v: Array, normal: Array, dual: Array, gamma: Array, b: Array) -> float:
    """Unit normal (3), contravariant vectors (2, 3), Christoffel symbols (3, 2), b (3); returns |a1 x a2|."""
    normal[0] = v[0, 1] * v[1, 2] - v[0, 2] * v[1, 1]
    normal[1] = v[0, 2] * v[1, 0] - v[0, 0] * v[1, 2]
    normal[2] = v[0, 0] * v[1, 1] - v[0, 1] * v[1, 0]
    area: float = np.sqrt(normal[0] ** 2 + normal[1] ** 2 + normal[2] ** 2)
    for c in range(3):
        normal[c] /= area
    a11 = v[0, 0] ** 2 + v[0, 1] ** 2 + v[0, 2] ** 2
    a22 = v[1, 0] ** 2 + v[1, 1] ** 2 + v[1, 2] ** 2
    a12 = v[0, 0] * v[1, 0] + v[0, 1] * v[1, 1] + v[0, 2] * v[1, 2]
    det = area * area
    for c in range(3):
        dual[0, c] = (a22 * v[0, c] - a12 * v[1, c]) / det
        dual[1, c] = (a11 * v[1, c] - a12 * v[0, c]) / det
    for r in range(3):
        b[r] = v[2 + r, 0] * normal[0] + v[2 + r, 1] * normal[1] + v[2 + r, 2] * normal[2]
        for a in range(2):
            gamma[r, a] = v[2 + r, 0] * dual[a, 0] + v[2 + r, 1] * dual[a, 1] + v[2 + r, 2] * dual[a, 2]
    return area


@relaxed_piece
def _strain(v: Array, b: Array, rest: Array, strain: Array) -> None:
    """Strain (6) = e11, e22, 2 e12, k11, k22, 2 k12; rest (6) = A11, A22, A12, B11, B22, B12."""
    strain[0] = 0.5 * (v[0, 0] ** 2 + v[0, 1] ** 2 + v[0, 2] ** 2 - rest[0])
    strain[1] = 0.5 * (v[1, 0] ** 2 + v[1, 1] ** 2 + v[1, 2] ** 2 - rest[1])
    strain[2] = v[0, 0] * v[1, 0] + v[0, 1] * v[1, 1] + v[0, 2] * v[1, 2] - rest[2]
    strain[3] = rest[3] - b[0]
    strain[4] = rest[4] - b[1]
    strain[5] = 2.0 * (rest[5] - b[2])


@relaxed
def strains(x: Array, dofs: Index, shapes: Array, rest: Array, axes: Array, out: Array) -> None:
    """Strains (ne, np, 6) in the axes (ne, np, 6, 6), into out; the rest as in `energy_gradient`."""
    local, v, strain = np.empty((3, 16)), np.empty((5, 3)), np.empty(6)
    normal, dual, gamma, b = np.empty(3), np.empty((2, 3)), np.empty((3, 2)), np.empty(3)
    for e in range(dofs.shape[0]):
        for i in range(16):
            for c in range(3):
                local[c, i] = x[dofs[e, i], c]
        for p in range(shapes.shape[1]):
            _vectors(local, shapes[e, p], v)
            _geometry(v, normal, dual, gamma, b)
            _strain(v, b, rest[e, p], strain)
            for r in range(6):
                total = 0.0
                for s in range(6):
                    total += axes[e, p, r, s] * strain[s]
                out[e, p, r] = total


@relaxed
def energy_gradient(  # noqa: PLR0913, PLR0917 - compiled: arrays, no objects
    x: Array, dofs: Index, shapes: Array, rest: Array, law: Array, extra: Array, gradient: Array
) -> float:
    """Strain energy; its gradient is added to `gradient` (n, 3).

    x (n, 3); dofs (ne, 16); shapes (ne, np, 5, 16); rest (ne, np, 6); law (ne, np, 6, 6) times area weight.
    The stress is law @ strain + extra (ne, np, 6); the energy returned is that of a linear law (extra 0).
    """
    energy = 0.0
    local, force = np.empty((3, 16)), np.empty((3, 16))
    v, normal, dual, gamma, b = np.empty((5, 3)), np.empty(3), np.empty((2, 3)), np.empty((3, 2)), np.empty(3)
    strain, stress, g = np.empty(6), np.empty(6), np.empty((5, 3))
    for e in range(dofs.shape[0]):
        for i in range(16):
            for c in range(3):
                local[c, i] = x[dofs[e, i], c]
                force[c, i] = 0.0
        for p in range(shapes.shape[1]):
            shape = shapes[e, p]
            _vectors(local, shape, v)
            _geometry(v, normal, dual, gamma, b)
            _strain(v, b, rest[e, p], strain)
            for r in range(6):
                total = 0.0
                for s in range(6):
                    total += law[e, p, r, s] * strain[s]
                stress[r] = total + extra[e, p, r]
                energy += 0.5 * total * strain[r]
            for c in range(3):
                n = normal[c]
                turn0 = stress[3] * gamma[0, 0] + stress[4] * gamma[1, 0] + 2.0 * stress[5] * gamma[2, 0]
                turn1 = stress[3] * gamma[0, 1] + stress[4] * gamma[1, 1] + 2.0 * stress[5] * gamma[2, 1]
                g[0, c] = stress[0] * v[0, c] + stress[2] * v[1, c] + turn0 * n
                g[1, c] = stress[1] * v[1, c] + stress[2] * v[0, c] + turn1 * n
                g[2, c] = -stress[3] * n
                g[3, c] = -stress[4] * n
                g[4, c] = -2.0 * stress[5] * n
            for c in range(3):
                g0, g1, g2, g3, g4 = g[:, c]
                for i in range(16):
                    force[c, i] += (
                        shape[0, i] * g0
                        + shape[1, i] * g1
                        + shape[2, i] * g2
                        + shape[3, i] * g3
                        + shape[4, i] * g4
                    )
        for i in range(16):
            for c in range(3):
                gradient[dofs[e, i], c] += force[c, i]
    return energy


@relaxed_piece
def _density_hessian(  # noqa: PLR0913, PLR0915, PLR0917 - compiled: one loop body, no objects
    v: Array, normal: Array, dual: Array, gamma: Array, b: Array, law: Array, stress: Array, work: Array,
    h: Array,
) -> None:  # fmt: skip
    """H (3, 3, 5, 5): second derivative of the density in the five vectors, component pair first; work (14,
    5): space to work in.
    """
    k, along, couple, bend = work[:3], work[3:6], work[6:9], work[9:]
    k[:] = 0.0  # dk_r = sum_A k[r, A] n . dv_A
    for r in range(3):
        two = 2.0 if r == 2 else 1.0
        k[r, 0] = two * gamma[r, 0]
        k[r, 1] = two * gamma[r, 1]
        k[r, 2 + r] = -two
    m0 = stress[3] * gamma[0, 0] + stress[4] * gamma[1, 0] + 2.0 * stress[5] * gamma[2, 0]
    m1 = stress[3] * gamma[0, 1] + stress[4] * gamma[1, 1] + 2.0 * stress[5] * gamma[2, 1]
    mb = stress[3] * b[0] + stress[4] * b[1] + 2.0 * stress[5] * b[2]
    for r in range(3):
        for a in range(5):
            along[r, a] = law[3 + r, 3] * k[0, a] + law[3 + r, 4] * k[1, a] + law[3 + r, 5] * k[2, a]
    for a in range(5):
        for q in range(5):
            bend[a, q] = k[0, a] * along[0, q] + k[1, a] * along[1, q] + k[2, a] * along[2, q]
    dd00 = dual[0, 0] ** 2 + dual[0, 1] ** 2 + dual[0, 2] ** 2
    dd11 = dual[1, 0] ** 2 + dual[1, 1] ** 2 + dual[1, 2] ** 2
    dd01 = dual[0, 0] * dual[1, 0] + dual[0, 1] * dual[1, 1] + dual[0, 2] * dual[1, 2]
    bend[0, 0] += mb * dd00
    bend[1, 1] += mb * dd11
    bend[0, 1] += mb * dd01
    bend[1, 0] += mb * dd01
    for r in range(3):  # couple: membrane row r with the bending strain of vector A
        for a in range(5):
            couple[r, a] = law[r, 3] * k[0, a] + law[r, 4] * k[1, a] + law[r, 5] * k[2, a]
    for c in range(3):
        for d in range(c, 3):
            nn = normal[c] * normal[d]
            for a in range(5):
                for q in range(5):
                    h[c, d, a, q] = bend[a, q] * nn
            # membrane rows: e11 on a1: v0; e22 on a2: v1; 2 e12 on a1: v1, on a2: v0
            c0, c1, d0, d1 = v[0, c], v[1, c], v[0, d], v[1, d]
            h[c, d, 0, 0] += c0 * (law[0, 0] * d0 + law[0, 2] * d1) + c1 * (law[2, 0] * d0 + law[2, 2] * d1)
            h[c, d, 0, 1] += c0 * (law[0, 1] * d1 + law[0, 2] * d0) + c1 * (law[2, 1] * d1 + law[2, 2] * d0)
            h[c, d, 1, 0] += c1 * (law[1, 0] * d0 + law[1, 2] * d1) + c0 * (law[2, 0] * d0 + law[2, 2] * d1)
            h[c, d, 1, 1] += c1 * (law[1, 1] * d1 + law[1, 2] * d0) + c0 * (law[2, 1] * d1 + law[2, 2] * d0)
            if c == d:
                h[c, d, 0, 0] += stress[0]
                h[c, d, 1, 1] += stress[1]
                h[c, d, 0, 1] += stress[2]
                h[c, d, 1, 0] += stress[2]
            for a in range(5):
                left0 = c0 * couple[0, a] + c1 * couple[2, a]
                left1 = c1 * couple[1, a] + c0 * couple[2, a]
                right0 = d0 * couple[0, a] + d1 * couple[2, a]
                right1 = d1 * couple[1, a] + d0 * couple[2, a]
                h[c, d, 0, a] += left0 * normal[d]
                h[c, d, 1, a] += left1 * normal[d]
                h[c, d, a, 0] += normal[c] * right0
                h[c, d, a, 1] += normal[c] * right1
            # second variation of b
            h[c, d, 0, 0] -= m0 * (normal[c] * dual[0, d] + dual[0, c] * normal[d])
            h[c, d, 0, 1] -= m1 * normal[c] * dual[0, d] + m0 * dual[1, c] * normal[d]
            h[c, d, 1, 0] -= m0 * normal[c] * dual[1, d] + m1 * dual[0, c] * normal[d]
            h[c, d, 1, 1] -= m1 * (normal[c] * dual[1, d] + dual[1, c] * normal[d])
            for r in range(3):
                moment = 2.0 * stress[5] if r == 2 else stress[3 + r]
                for a in range(2):
                    h[c, d, 2 + r, a] += moment * dual[a, c] * normal[d]
                    h[c, d, a, 2 + r] += moment * normal[c] * dual[a, d]


@relaxed
def tangent(  # noqa: PLR0912, PLR0913, PLR0917 - compiled: one loop nest, no objects
    x: Array, step: Array, dofs: Index, shapes: Array, rest: Array, law: Array, extra: Array, values: Array
) -> None:
    """Element tangents into values (ne, 48, 48), unknown 3 i + c in an element.

    `step` (n, 3): the membrane force of the geometric part is extrapolated over it; zeros for the true
    tangent.
    """
    local, move = np.empty((3, 16)), np.empty((3, 16))
    v, dv = np.empty((5, 3)), np.empty((5, 3))
    normal, dual, gamma, b = np.empty(3), np.empty((2, 3)), np.empty((3, 2)), np.empty(3)
    strain, stress, h = np.empty(6), np.empty(6), np.empty((3, 3, 5, 5))
    block, right, work = np.empty((3, 3, 16, 16)), np.empty((5, 16)), np.empty((14, 5))
    for e in range(dofs.shape[0]):
        for i in range(16):
            for c in range(3):
                local[c, i] = x[dofs[e, i], c]
                move[c, i] = step[dofs[e, i], c]
        block[:] = 0.0
        for p in range(shapes.shape[1]):
            shape = shapes[e, p]
            _vectors(local, shape, v)
            _vectors(move, shape, dv)
            _geometry(v, normal, dual, gamma, b)
            _strain(v, b, rest[e, p], strain)
            strain[0] -= 0.5 * (dv[0, 0] ** 2 + dv[0, 1] ** 2 + dv[0, 2] ** 2)
            strain[1] -= 0.5 * (dv[1, 0] ** 2 + dv[1, 1] ** 2 + dv[1, 2] ** 2)
            strain[2] -= dv[0, 0] * dv[1, 0] + dv[0, 1] * dv[1, 1] + dv[0, 2] * dv[1, 2]
            for r in range(6):
                total = 0.0
                for s in range(6):
                    total += law[e, p, r, s] * strain[s]
                stress[r] = total + extra[e, p, r]
            _density_hessian(v, normal, dual, gamma, b, law[e, p], stress, work, h)
            for c in range(3):
                for d in range(c, 3):
                    for a in range(5):
                        h0, h1, h2, h3, h4 = h[c, d, a]
                        for j in range(16):
                            right[a, j] = (
                                h0 * shape[0, j]
                                + h1 * shape[1, j]
                                + h2 * shape[2, j]
                                + h3 * shape[3, j]
                                + h4 * shape[4, j]
                            )
                    for i in range(16):
                        s0, s1, s2, s3, s4 = shape[0, i], shape[1, i], shape[2, i], shape[3, i], shape[4, i]
                        for j in range(16):
                            block[c, d, i, j] += (
                                s0 * right[0, j]
                                + s1 * right[1, j]
                                + s2 * right[2, j]
                                + s3 * right[3, j]
                                + s4 * right[4, j]
                            )
        for c in range(3):
            for d in range(c, 3):
                for i in range(16):
                    for j in range(16):
                        values[e, 3 * i + c, 3 * j + d] = block[c, d, i, j]
                        if c != d:
                            values[e, 3 * j + d, 3 * i + c] = block[c, d, i, j]
