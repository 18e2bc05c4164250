"""Compiled loops of the rod: energy, gradient and element tangents.

What `fem.rod.kernels.width` finds at the quadrature stations is carried from stretch and turning of the
mid-line (l, w) to its derivatives (r', r'') and spread to the unknowns, four elements at once.
"""

from __future__ import annotations

import numpy as np

from fem.core.term import Array, Index
from fem.jit.decorators import compiled, inlined
from fem.jit.simd import LANES, add, lane_sum, put, splat, take, vec_sqrt
from fem.rod.kernels.width import Scratch, Tables, across_width, work_space


@inlined
def _station(t: Tables, row: int, k: Scratch) -> None:
    """Fields with derivatives, section angle, its slope, sine and cosine across."""
    for f in range(k.fields.shape[0]):
        for d in range(3):
            total = splat(0.0)
            for i in range(4):
                total += take(t.shape, (row, d, i)) * take(k.u, (4 * f + i,))
            put(k.fields, (f, d), total)
    for i in range(k.angle.shape[1]):
        p, slope = take(t.angle, (row, i)), take(t.angle_s, (row, i))
        for a in range(t.mode.shape[2]):
            mode = take(t.mode, (row, i, a))
            p += take(k.fields, (2 + a, 0)) * mode
            slope += take(k.fields, (2 + a, 1)) * mode
        put(k.angle, (0, i), p)
        put(k.angle, (1, i), slope)
        for lane in range(LANES):
            phi = k.angle[0, i, lane]
            k.angle[2, i, lane], k.angle[3, i, lane] = np.sin(phi), np.cos(phi)


@inlined
def _mid_line(k: Scratch, order: int) -> None:
    """From (l, w) to (r', r''): k.gz, k.Hz become k.gv, k.Hv (both triangles)."""
    rx, ry = take(k.fields, (0, 1)), take(k.fields, (1, 1))
    rxx, ryy = take(k.fields, (0, 2)), take(k.fields, (1, 2))
    l2 = rx * rx + ry * ry
    size, w = vec_sqrt(l2), (rx * ryy - ry * rxx) / l2
    put(k.slope, (0, 0), rx / size)
    put(k.slope, (0, 1), ry / size)
    put(k.slope, (0, 2), splat(0.0))
    put(k.slope, (0, 3), splat(0.0))
    put(k.slope, (1, 0), (ryy - 2.0 * w * rx) / l2)
    put(k.slope, (1, 1), -1.0 * (rxx + 2.0 * w * ry) / l2)
    put(k.slope, (1, 2), -1.0 * ry / l2)
    put(k.slope, (1, 3), rx / l2)
    nz = k.gz.shape[0]
    stretching, turning = take(k.gz, (0,)), take(k.gz, (1,))
    for a in range(4):
        put(k.gv, (a,), stretching * take(k.slope, (0, a)) + turning * take(k.slope, (1, a)))
    for a in range(2, nz):
        put(k.gv, (a + 2,), take(k.gz, (a,)))
    if order < 2:
        return
    ll, wl, ww = take(k.Hz, (0, 0)), take(k.Hz, (1, 0)), take(k.Hz, (1, 1))
    for a in range(4):
        on_l = ll * take(k.slope, (0, a)) + wl * take(k.slope, (1, a))
        on_w = wl * take(k.slope, (0, a)) + ww * take(k.slope, (1, a))
        for b in range(a + 1):
            put(k.Hv, (a, b), on_l * take(k.slope, (0, b)) + on_w * take(k.slope, (1, b)))
    for a in range(2, nz):
        for b in range(4):
            mixed = take(k.Hz, (a, 0)) * take(k.slope, (0, b)) + take(k.Hz, (a, 1)) * take(k.slope, (1, b))
            put(k.Hv, (a + 2, b), mixed)
        for b in range(2, a + 1):
            put(k.Hv, (a + 2, b + 2), take(k.Hz, (a, b)))
    # second derivatives of l and w
    cx, cy = rx / size, ry / size
    force, moment = take(k.pull, (0,)) / size, take(k.pull, (1,)) / (l2 * l2)
    add(k.Hv, (0, 0), force * cy * cy + moment * (8.0 * w * rx * rx - 4.0 * rx * ryy - 2.0 * w * l2))
    add(k.Hv, (1, 1), force * cx * cx + moment * (8.0 * w * ry * ry + 4.0 * ry * rxx - 2.0 * w * l2))
    add(k.Hv, (1, 0), moment * (8.0 * w * rx * ry + 2.0 * rx * rxx - 2.0 * ry * ryy) - force * cx * cy)
    add(k.Hv, (2, 0), moment * 2.0 * rx * ry)
    add(k.Hv, (3, 0), moment * (l2 - 2.0 * rx * rx))
    add(k.Hv, (2, 1), moment * (2.0 * ry * ry - l2))
    add(k.Hv, (3, 1), -2.0 * moment * rx * ry)
    for a in range(nz + 2):
        for b in range(a):
            put(k.Hv, (b, a), take(k.Hv, (a, b)))


@inlined
def _spread_gradient(t: Tables, row: int, k: Scratch) -> None:
    weight = take(t.weights, (row,))
    for a in range(k.gv.shape[0]):
        base, d, value = 4 * k.places[0, a], k.places[1, a], weight * take(k.gv, (a,))
        for i in range(4):
            add(k.gradient, (base + i,), value * take(t.shape, (row, d, i)))


@inlined
def _spread_block(t: Tables, row: int, k: Scratch) -> None:
    """Adds to the lower triangle of k.block."""
    weight, count = take(t.weights, (row,)), k.gv.shape[0]
    for a in range(count):
        fa, da = k.places[0, a], k.places[1, a]
        for column in range(4 * fa + 4):
            put(k.half, (column,), splat(0.0))
        for b in range(count):
            fb, db = k.places[0, b], k.places[1, b]
            if fb <= fa:
                value = weight * take(k.Hv, (a, b))
                for j in range(4):
                    add(k.half, (4 * fb + j,), value * take(t.shape, (row, db, j)))
        for i in range(4):
            left = take(t.shape, (row, da, i))
            for column in range(4 * fa + i + 1):
                add(k.block, (4 * fa + i, column), left * take(k.half, (column,)))


@compiled
def rod_energy(
    order: int, u: Array, dofs: Index, t: Tables, gradient: Array, blocks: Array, stress: Array
) -> float:
    """Energy [N mm]; adds to the gradient (n,) and sets the blocks (N, 4F, 4F) as far as order asks.

    stress (r, m, 5): with order 0 set to the weighted stresses; with order 2 what stands for them in the
    geometric part of the tangent; (0, 0, 5) where neither is wanted.
    """
    batches = -(-dofs.shape[0] // LANES)
    points = t.weights.shape[0] // batches
    total = splat(0.0)
    k = work_space(t.mode.shape[2], t.warp.shape[2], t.angle.shape[1])
    size = dofs.shape[1]
    for q in range(batches):
        for lane in range(LANES):
            e = min(LANES * q + lane, dofs.shape[0] - 1)
            for i in range(size):
                k.u[i, lane] = u[dofs[e, i]]
        k.gradient[:, :] = 0.0
        if order > 1:
            k.block[:, :, :] = 0.0
        for g in range(points):
            row = q * points + g
            _station(t, row, k)
            total += take(t.weights, (row,)) * across_width(t, row, order, k, stress)
            if order > 0:
                _mid_line(k, order)
                _spread_gradient(t, row, k)
            if order > 1:
                _spread_block(t, row, k)
        for lane in range(min(LANES, dofs.shape[0] - LANES * q) if order > 0 else 0):
            e = LANES * q + lane
            for i in range(size):
                gradient[dofs[e, i]] += k.gradient[i, lane]
            for i in range(size if order > 1 else 0):
                for j in range(i + 1):
                    blocks[e, i, j] = k.block[i, j, lane]
                    blocks[e, j, i] = k.block[i, j, lane]
    return lane_sum(total)
