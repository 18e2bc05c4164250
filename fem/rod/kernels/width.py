"""Compiled pieces of the rod at a station: strains over the width with their first and second derivatives.

The state of a station is z = (l, w, b_m, b_m', b_m'', a_k, a_k'): stretch and turning of the mid-line,
opening and warping amplitudes; `fem.rod.energy` has the formulas. Scratch arrays and tables travel in named
tuples so that every step is a small function.

Four elements are computed at once (`fem.jit.simd`): all numbers are vec4s, and every array has the four lanes
as its last axis where nothing else is said.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from fem.core.term import Array, Index
from fem.jit.decorators import inlined
from fem.jit.simd import LANES, add, put, splat, take, vec_sqrt


class Tables(NamedTuple):
    """What the loops read, as in `fem.rod.section_tables.SectionTables`, in lanes; r = batch of elements
    times stations of an element.

    weights (r,), shape (r, 3, 4), angle, angle_s (r, m), mode, mode_q, mode_integral (r, m, M), warp, warp_q
    (r, m, W), inner (r, m, m), rest (r, m, 4); stiffness (r, m, 5, 5) times the width that a place stands
    for; couples (5, 5): where it is not zero everywhere (no lanes).
    """

    weights: Array
    shape: Array
    angle: Array
    angle_s: Array
    mode: Array
    mode_q: Array
    mode_integral: Array
    warp: Array
    warp_q: Array
    inner: Array
    stiffness: Array
    rest: Array
    couples: Index


class Scratch(NamedTuple):
    """Work space of one station of four elements, M opening and W warping modes, m places.

    u (4F,): unknowns; fields (F, 3): values and two derivatives; angle (4, m): phi, phi', sin, cos; parts,
    sums (m, K): what is integrated across, and its integrals up to each place, in the order of `_section`;
    strain, stress (5,); left, right (8, nz): rows of strains and of lam, h', x', and those times stress or
    stiffness; gz, Hz; slope (2, 4): d(l, w)/d(r', r''); gv, Hv; half (4F,): a row of Hv spread to unknowns;
    gradient (4F,) and block (4F, 4F) of an element; pull (2,): gz of stretch and turning by the stresses that
    stand in the geometric part of the tangent; places (2, nz + 2): field and derivative of each entry of
    gv (no lanes).
    """

    u: Array
    fields: Array
    angle: Array
    parts: Array
    sums: Array
    strain: Array
    stress: Array
    left: Array
    right: Array
    gz: Array
    Hz: Array
    slope: Array
    gv: Array
    Hv: Array
    half: Array
    gradient: Array
    block: Array
    pull: Array
    places: Index


class WidthPlace(NamedTuple):
    """One place across: numbers that derivatives of all orders need."""

    row: int
    i: int
    turning: float
    lam: float
    h: float
    h_s: float
    x_s: float
    per: float
    scale: float
    sine: float
    cosine: float


@inlined
def work_space(modes: int, warps: int, across: int) -> Scratch:
    """Scratch arrays for M opening modes, W warping modes and m places across."""
    nz, unknowns = 2 + 3 * modes + 2 * warps, 4 * (2 + modes + warps)
    places = np.zeros((2, nz + 2), np.int64)
    for a in range(4):
        places[0, a], places[1, a] = a % 2, 1 + a // 2
    for d in range(3):
        for m in range(modes):
            places[0, 4 + d * modes + m], places[1, 4 + d * modes + m] = 2 + m, d
    for d in range(2):
        for c in range(warps):
            at = 4 + 3 * modes + d * warps + c
            places[0, at], places[1, at] = 2 + modes + c, d
    sums = 3 + 4 * modes + 2 * modes * (modes + 1)
    return Scratch(
        np.zeros((unknowns, LANES)),
        np.zeros((2 + modes + warps, 3, LANES)),
        np.zeros((4, across, LANES)),
        np.zeros((across, sums, LANES)),
        np.zeros((across, sums, LANES)),
        np.zeros((5, LANES)),
        np.zeros((5, LANES)),
        np.zeros((8, nz, LANES)),
        np.zeros((8, nz, LANES)),
        np.zeros((nz, LANES)),
        np.zeros((nz, nz, LANES)),
        np.zeros((2, 4, LANES)),
        np.zeros((nz + 2, LANES)),
        np.zeros((nz + 2, nz + 2, LANES)),
        np.zeros((unknowns, LANES)),
        np.zeros((unknowns, LANES)),
        np.zeros((unknowns, unknowns, LANES)),
        np.zeros((2, LANES)),
        places,
    )


@inlined
def _section(t: Tables, row: int, order: int, k: Scratch) -> None:
    """Integrals across, up to every place: h, h', x'; from 3, for each mode a, the first derivatives of h, x,
    h', x' in it; from 3 + 4 M, for each pair b <= a, the second derivatives of the same four.
    """
    modes = t.mode.shape[2]
    count = 3
    for j in range(k.angle.shape[1]):
        slope, sine, cosine = take(k.angle, (1, j)), take(k.angle, (2, j)), take(k.angle, (3, j))
        sine_s, cosine_s = sine * slope, cosine * slope
        put(k.parts, (j, 0), sine)
        put(k.parts, (j, 1), cosine_s)
        put(k.parts, (j, 2), -1.0 * sine_s)
        count = 3
        if order > 0:
            for a in range(modes):
                mode = take(t.mode, (row, j, a))
                put(k.parts, (j, count), cosine * mode)
                put(k.parts, (j, count + 1), -1.0 * sine * mode)
                put(k.parts, (j, count + 2), -1.0 * sine_s * mode)
                put(k.parts, (j, count + 3), -1.0 * cosine_s * mode)
                count += 4
        if order > 1:
            for a in range(modes):
                for b in range(a + 1):
                    both = take(t.mode, (row, j, a)) * take(t.mode, (row, j, b))
                    put(k.parts, (j, count), -1.0 * sine * both)
                    put(k.parts, (j, count + 1), -1.0 * cosine * both)
                    put(k.parts, (j, count + 2), -1.0 * cosine_s * both)
                    put(k.parts, (j, count + 3), sine_s * both)
                    count += 4
    for i in range(k.angle.shape[1]):
        for c in range(count):
            total = splat(0.0)
            for j in range(k.angle.shape[1]):
                total += take(t.inner, (row, i, j)) * take(k.parts, (j, c))
            put(k.sums, (i, c), total)


@inlined
def _strain(t: Tables, p: WidthPlace, k: Scratch) -> float:
    """Strains and weighted stresses at a place; returns the energy per length of strip there."""
    row, i = p.row, p.i
    modes, warps = t.mode.shape[2], t.warp.shape[2]
    warp_shear, across, twist = splat(0.0), splat(0.0), splat(0.0)
    bend = p.lam * p.turning * p.cosine - take(t.rest, (row, i, 3))
    for c in range(warps):
        warp_shear += take(k.fields, (2 + modes + c, 0)) * take(t.warp_q, (row, i, c))
    for a in range(modes):
        bend += take(k.fields, (2 + a, 2)) * take(t.mode_integral, (row, i, a))
        across += take(k.fields, (2 + a, 0)) * take(t.mode_q, (row, i, a))
        twist += take(k.fields, (2 + a, 1)) * take(t.mode, (row, i, a))
    stretch = p.lam * p.lam + p.h_s * p.h_s + p.x_s * p.x_s - take(t.rest, (row, i, 1))
    shear = p.h_s * p.sine + p.x_s * p.cosine - take(t.rest, (row, i, 2))
    put(k.strain, (0,), 0.5 * stretch * p.scale)
    put(k.strain, (1,), shear * p.per + warp_shear)
    put(k.strain, (2,), bend * p.scale)
    put(k.strain, (3,), across)
    put(k.strain, (4,), 2.0 * twist)
    energy = splat(0.0)
    for a in range(5):
        total = splat(0.0)
        for b in range(5):
            if t.couples[a, b]:
                total += take(t.stiffness, (row, i, a, b)) * take(k.strain, (b,))
        put(k.stress, (a,), total)
        energy += 0.5 * take(k.strain, (a,)) * total
    return energy


@inlined
def _first(t: Tables, p: WidthPlace, k: Scratch) -> None:
    """Rows d(strain)/dz and d(lam, h', x')/dz into k.left; adds to the gradient k.gz."""
    row, i = p.row, p.i
    M, W = t.mode.shape[2], t.warp.shape[2]
    nz, b0, b1, b2, a0, a1 = k.gz.shape[0], 2, 2 + M, 2 + 2 * M, 2 + 3 * M, 2 + 3 * M + W
    for r in range(8):
        for a in range(nz):
            put(k.left, (r, a), splat(0.0))
    put(k.left, (5, 0), splat(1.0))
    put(k.left, (5, 1), -1.0 * p.h)
    for a in range(M):
        at = 3 + 4 * a
        h, x = take(k.sums, (i, at)), take(k.sums, (i, at + 1))
        put(k.left, (5, b0 + a), -1.0 * p.turning * h)
        put(k.left, (6, b0 + a), take(k.sums, (i, at + 2)))
        put(k.left, (6, b1 + a), h)
        put(k.left, (7, b0 + a), take(k.sums, (i, at + 3)))
        put(k.left, (7, b1 + a), x)
    for c in range(W):
        put(k.left, (5, a1 + c), take(t.warp, (row, i, c)))
    for a in range(nz):
        lam, h, x = take(k.left, (5, a)), take(k.left, (6, a)), take(k.left, (7, a))
        put(k.left, (0, a), (p.lam * lam + p.h_s * h + p.x_s * x) * p.scale)
        put(k.left, (1, a), (h * p.sine + x * p.cosine) * p.per)
        put(k.left, (2, a), p.turning * p.cosine * p.scale * lam)
    add(k.left, (2, 1), p.lam * p.cosine * p.scale)
    for a in range(M):
        mode = take(t.mode, (row, i, a))
        add(k.left, (1, b0 + a), mode * (p.h_s * p.cosine - p.x_s * p.sine) * p.per)
        add(k.left, (2, b0 + a), -1.0 * p.lam * p.turning * p.sine * p.scale * mode)
        add(k.left, (2, b2 + a), take(t.mode_integral, (row, i, a)) * p.scale)
        put(k.left, (3, b0 + a), take(t.mode_q, (row, i, a)))
        put(k.left, (4, b1 + a), 2.0 * mode)
    for c in range(W):
        put(k.left, (1, a0 + c), take(t.warp_q, (row, i, c)))
    for a in range(nz):
        total = take(k.gz, (a,))
        for r in range(5):
            total += take(k.stress, (r,)) * take(k.left, (r, a))
        put(k.gz, (a,), total)


@inlined
def _material_tangent(t: Tables, p: WidthPlace, k: Scratch) -> None:
    """Adds strain rows^T C strain rows and the square of d(lam, h', x') to the lower triangle of k.Hz."""
    nz = k.gz.shape[0]
    force = take(k.stress, (0,)) * p.scale
    for a in range(nz):
        for r in range(5):
            total = splat(0.0)
            for s in range(5):
                if t.couples[r, s]:
                    total += take(t.stiffness, (p.row, p.i, r, s)) * take(k.left, (s, a))
            put(k.right, (r, a), total)
        for r in range(5, 8):
            put(k.right, (r, a), force * take(k.left, (r, a)))
    for a in range(nz):
        for b in range(a + 1):
            total = take(k.Hz, (a, b))
            for r in range(8):
                total += take(k.left, (r, a)) * take(k.right, (r, b))
            put(k.Hz, (a, b), total)


@inlined
def _stress_tangent(t: Tables, p: WidthPlace, k: Scratch) -> None:
    """Adds stress times second derivatives of the strains to k.Hz (lower triangle, but full in b' by b)."""
    row, i = p.row, p.i
    M, W = t.mode.shape[2], t.warp.shape[2]
    b0, b1, a1, second = 2, 2 + M, 2 + 3 * M + W, 3 + 4 * M
    sine, cosine, w = p.sine, p.cosine, p.turning
    force, shear = take(k.stress, (0,)) * p.scale, take(k.stress, (1,)) * p.per
    bend = take(k.stress, (2,)) * p.scale
    # weights of the second derivatives of lam, h', x'
    on_lam = force * p.lam + bend * w * cosine
    on_h = force * p.h_s + shear * sine
    on_x = force * p.x_s + shear * cosine
    add(k.Hz, (1, 0), bend * cosine)
    add(k.Hz, (1, 1), -2.0 * bend * p.h * cosine)
    for a in range(M):
        pa, at = take(t.mode, (row, i, a)), 3 + 4 * a
        ha, xa = take(k.sums, (i, at)), take(k.sums, (i, at + 1))
        has, xas = take(k.sums, (i, at + 2)), take(k.sums, (i, at + 3))
        turned = bend * sine * pa
        add(k.Hz, (b0 + a, 0), -1.0 * w * turned)
        add(k.Hz, (b0 + a, 1), -1.0 * (on_lam * ha + bend * w * ha * cosine + (p.lam - w * p.h) * turned))
        for c in range(W):
            add(k.Hz, (a1 + c, b0 + a), -1.0 * w * turned * take(t.warp, (row, i, c)))
        for b in range(M):
            pb, other = take(t.mode, (row, i, b)), 3 + 4 * b
            pair = second + 4 * (max(a, b) * (max(a, b) + 1) // 2 + min(a, b))
            mixed = on_h * take(k.sums, (i, pair)) + on_x * take(k.sums, (i, pair + 1))
            add(k.Hz, (b1 + a, b0 + b), mixed + shear * pb * (ha * cosine - xa * sine))
            if b > a:
                continue
            total = on_h * take(k.sums, (i, pair + 2)) + on_x * take(k.sums, (i, pair + 3))
            total -= on_lam * w * take(k.sums, (i, pair))
            total += shear * pb * (has * cosine - xas * sine)
            total += (
                shear * pa * (take(k.sums, (i, other + 2)) * cosine - take(k.sums, (i, other + 3)) * sine)
            )
            total -= shear * pa * pb * (p.h_s * sine + p.x_s * cosine)
            total += bend * w * w * sine * (ha * pb + take(k.sums, (i, other)) * pa)
            total -= bend * p.lam * w * cosine * pa * pb
            add(k.Hz, (b0 + a, b0 + b), total)
    for c in range(W):
        add(k.Hz, (a1 + c, 1), bend * cosine * take(t.warp, (row, i, c)))


@inlined
def _pull(k: Scratch) -> None:
    """Adds what the stresses that stand in the tangent make of stretch and turning."""
    for a in range(2):
        total = take(k.pull, (a,))
        for r in range(5):
            total += take(k.stress, (r,)) * take(k.left, (r, a))
        put(k.pull, (a,), total)


@inlined
def across_width(t: Tables, row: int, order: int, k: Scratch, stress: Array) -> float:
    """Energy per length at a station with k.gz and k.Hz of it; stress: as `fem.rod.kernels.energy` tells."""
    rx, ry = take(k.fields, (0, 1)), take(k.fields, (1, 1))
    rxx, ryy = take(k.fields, (0, 2)), take(k.fields, (1, 2))
    l2 = rx * rx + ry * ry
    size, w, modes = vec_sqrt(l2), (rx * ryy - ry * rxx) / l2, t.mode.shape[2]
    for a in range(k.gz.shape[0]):
        put(k.gz, (a,), splat(0.0))
    if order > 1:
        k.Hz[:, :, :] = 0.0
        k.pull[:, :] = 0.0
    energy = splat(0.0)
    _section(t, row, order, k)
    for i in range(k.angle.shape[1]):
        h = take(k.sums, (i, 0))
        lam = size - w * h
        for c in range(t.warp.shape[2]):
            lam += take(k.fields, (2 + modes + c, 1)) * take(t.warp, (row, i, c))
        per = 1.0 / take(t.rest, (row, i, 0))
        place = WidthPlace(
            row, i, w, lam, h, take(k.sums, (i, 1)), take(k.sums, (i, 2)), per, per * per,
            take(k.angle, (2, i)), take(k.angle, (3, i)),
        )  # fmt: skip
        energy += _strain(t, place, k)
        if order > 0:
            _first(t, place, k)
        elif stress.shape[0] > 0:
            for a in range(5):
                put(stress, (row, i, a), take(k.stress, (a,)))
        if order > 1:
            if stress.shape[0] > 0:
                for a in range(5):
                    put(k.stress, (a,), take(stress, (row, i, a)))
            _pull(k)
            _material_tangent(t, place, k)
            _stress_tangent(t, place, k)
    return energy
