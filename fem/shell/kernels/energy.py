"""Compiled loops of the shell: energy and gradient, tangent.

`fem.shell.kernels.point` has what happens at a Gauss point, for four elements at once; then each element's
vectors or its tangent are summed over all its points, four neighbours in memory at once (`fem.jit.simd`). The
tangent of an element is sum N_iA H_AB N_jB with H (5, 3, 5, 3).
"""

from __future__ import annotations

import numpy as np

from fem.core.term import Array, Index
from fem.jit.decorators import compiled, inlined
from fem.jit.simd import LANES, put, splat, take
from fem.shell.kernels.point import (
    density_hessian,
    extrapolate,
    gather,
    geometry,
    point_forces,
    point_space,
    stresses,
    to_lanes,
    vectors,
)


@compiled
def strains(x: Array, dofs: Index, shapes: Array, rest: Array, axes: Array, out: Array) -> None:
    """Strains (ne, np, 6) in the axes (ne, np, 6, 6), into out; the rest as in `energy_gradient`."""
    k = point_space()
    for first in range(0, dofs.shape[0], LANES):
        gather(x, dofs, first, k.local)
        for p in range(shapes.shape[1]):
            vectors(k.local, shapes, first, p, k.sums, k.v)
            to_lanes(rest, first, p, k.rest)
            geometry(k)
            for lane in range(min(LANES, dofs.shape[0] - first)):
                for r in range(k.strain.shape[0]):
                    total = 0.0
                    for s in range(6):
                        total += axes[first + lane, p, r, s] * k.strain[s, lane]
                    out[first + lane, p, r] = total


@inlined
def _spread(shape: Array, forces: Array, lane: int, force: Array) -> None:
    """Force (16,) of an element, x, y, z, 0 in the lanes, from the forces at its points; shape (5 np, 16)."""
    for i in range(0, 16, 4):  # four sums at once, or each addition would wait for the one before
        a, b, c, d = splat(0.0), splat(0.0), splat(0.0), splat(0.0)
        for row in range(shape.shape[0]):
            right = take(forces, (lane, row))
            a += shape[row, i] * right
            b += shape[row, i + 1] * right
            c += shape[row, i + 2] * right
            d += shape[row, i + 3] * right
        put(force, (i,), a)
        put(force, (i + 1,), b)
        put(force, (i + 2,), c)
        put(force, (i + 3,), d)


@inlined
def _tile(left: Array, right: Array, i: int, j: int, out: Array) -> None:
    """Rows 4 i to 4 i + 4 and columns 4 j to 4 j + 8 of left^T (16, K) @ right (K, 16).

    The sums stay in registers over all K; fewer than eight would wait for each other.
    """
    a, b, c, d = splat(0.0), splat(0.0), splat(0.0), splat(0.0)
    e, f, g, h = splat(0.0), splat(0.0), splat(0.0), splat(0.0)
    for row in range(left.shape[0]):
        low, high = take(right, (row, j)), take(right, (row, j + 1))
        a += left[row, i, 0] * low
        b += left[row, i, 0] * high
        c += left[row, i, 1] * low
        d += left[row, i, 1] * high
        e += left[row, i, 2] * low
        f += left[row, i, 2] * high
        g += left[row, i, 3] * low
        h += left[row, i, 3] * high
    i *= 4
    put(out, (i, j), a)
    put(out, (i, j + 1), b)
    put(out, (i + 1, j), c)
    put(out, (i + 1, j + 1), d)
    put(out, (i + 2, j), e)
    put(out, (i + 2, j + 1), f)
    put(out, (i + 3, j), g)
    put(out, (i + 3, j + 1), h)


@inlined
def _pair(h: Array, c: int, d: int, lane: int, shape: Array, right: Array, block: Array) -> None:
    """Tangent (16, 4) of component c by component d of one element; shape, right (5 np, 4)."""
    for p in range(h.shape[0]):
        base = 5 * p
        for a in range(5):
            h0, h1, h2 = h[p, c, d, a, 0, lane], h[p, c, d, a, 1, lane], h[p, c, d, a, 2, lane]
            h3, h4 = h[p, c, d, a, 3, lane], h[p, c, d, a, 4, lane]
            for j in range(4):
                total = h0 * take(shape, (base, j)) + h1 * take(shape, (base + 1, j))
                total += h2 * take(shape, (base + 2, j))
                total += h3 * take(shape, (base + 3, j)) + h4 * take(shape, (base + 4, j))
                put(right, (base + a, j), total)
    for i in range(block.shape[0] // 4):
        for j in range(0, block.shape[1], 2):
            if c != d or j + 1 >= i:  # a block of one component with itself is symmetric
                _tile(shape, right, i, j, block)


@inlined
def _write(block: Array, values: Array) -> None:
    """Element tangent (48, 48) from blocks (3, 3, 16, 16) on and above the diagonal.

    Row by row: the matrices are many and far from the processor, and this is what it reads ahead.
    """
    components, size = block.shape[1], block.shape[2]
    for c in range(components):
        for d in range(c + 1):
            for i in range(size):
                for j in range(size if d < c else i):
                    block[c, d, i, j] = block[d, c, j, i]
    for i in range(size):
        for c in range(components):
            for j in range(size):
                for d in range(3):
                    values[3 * i + c, 3 * j + d] = block[c, d, i, j]


@compiled
def _elements(
    x: Array, step: Array, dofs: Index, shapes: Array, rest: Array, law: Array, extra: Array, gradient: Array,
    values: Array,
) -> float:  # fmt: skip
    """Energy; adds to the gradient (n, 3) or, if there are values (ne, 48, 48), sets these instead. One loop
    for both: most of it is the same and would be compiled twice.
    """
    energy, stiff, count = 0.0, values.shape[0] > 0, dofs.shape[0]
    # told by a table, three is no constant: loops over components are then compiled once, not written out
    points, three = shapes.shape[1], x.shape[1]
    k, h = point_space(), np.empty((points, three, three, 5, 5, LANES))
    forces, force = np.zeros((LANES, 5 * points, LANES)), np.empty((16, LANES))
    right, block = np.empty((5 * points, 4, LANES)), np.empty((three, three, 16, 4, LANES))
    for first in range(0, count, LANES):
        gather(x, dofs, first, k.local)
        if stiff:
            gather(step, dofs, first, k.move)
        for p in range(points):
            vectors(k.local, shapes, first, p, k.sums, k.v)
            to_lanes(rest, first, p, k.rest)
            geometry(k)
            if stiff:
                vectors(k.move, shapes, first, p, k.sums, k.dv)
                extrapolate(k)
            put(k.sums, (0,), stresses(law, extra, first, p, k))
            for lane in range(min(LANES, count - first)):
                energy += k.sums[0, lane]
            if stiff:
                density_hessian(k, p, h)
            else:
                point_forces(k, p, forces)
        for lane in range(min(LANES, count - first)):
            e = first + lane
            if stiff:
                shape = shapes[e].reshape((5 * points, 4, LANES))
                for c in range(three):
                    for d in range(c, three):
                        _pair(h, c, d, lane, shape, right, block[c, d])
                _write(block.reshape((three, three, 16, 16)), values[e])
            else:
                _spread(shapes[e].reshape((5 * points, 16)), forces, lane, force)
                for i in range(16):
                    for c in range(3):
                        gradient[dofs[e, i], c] += force[i, c]
    return energy


def energy_gradient(
    x: Array, dofs: Index, shapes: Array, rest: Array, law: Array, extra: Array, gradient: Array
) -> float:
    """Strain energy; its gradient is added to `gradient` (n, 3).

    x (n, 3); dofs (ne, 16); shapes (ne, np, 5, 16); rest (ne, np, 6); law (ne, np, 6, 6), symmetric, times
    area weight. The stress is law @ strain + extra (ne, np, 6); the energy returned is that of a linear law
    (extra 0).
    """
    return _elements(x, x, dofs, shapes, rest, law, extra, gradient, np.empty((0, 48, 48)))


def tangent(
    x: Array, step: Array, dofs: Index, shapes: Array, rest: Array, law: Array, extra: Array, values: Array
) -> None:
    """Element tangents into values (ne, 48, 48), unknown 3 i + c in an element.

    `step` (n, 3): the membrane force of the geometric part is extrapolated over it; zeros for the true
    tangent.
    """
    _elements(x, step, dofs, shapes, rest, law, extra, np.empty((0, 3)), values)
