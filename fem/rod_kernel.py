"""Compiled loops of the rod: energy, gradient and element tangents at the quadrature stations.

At a station the state is z = (l, w, b_m, b_m', b_m'', a_k, a_k'): stretch and turning of the mid-line,
opening and warping amplitudes. Strains at each place of the half width, their first and second derivatives in
z are written out (`fem.rod` has the formulas), summed over the width, carried from (l, w) to (r', r'') and
spread to the unknowns. Scratch arrays and tables travel in named tuples so that every step is a small
function.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from fem.compiled import compiled, inlined
from fem.equilibrium import Array, Index


class Tables(NamedTuple):
    """What the loops read, as in `fem.rod_section.SectionTables`; shape (N, G, 3, 4), weights (N, G)."""

    shape: Array
    weights: Array
    angle: Array
    angle_s: Array
    mode: Array
    mode_q: Array
    mode_integral: Array
    warp: Array
    warp_q: Array
    width_weight: Array
    inner: Array
    stiffness: Array
    rest: Array


class Scratch(NamedTuple):
    """Work space of one station.

    fields (F, 3): values and two derivatives; angle (4, m): phi, phi', sin, cos; first (4, M), second (4, M,
    M): of h, x, h', x' in the amplitudes; strain, stress (5,), rows, stiff_rows (5, nz); by (3, nz): d(lam,
    h', x'); gz, Hz, gv, Hv.
    """

    fields: Array
    angle: Array
    first: Array
    second: Array
    strain: Array
    stress: Array
    rows: Array
    stiff_rows: Array
    by: Array
    gz: Array
    Hz: Array
    gv: Array
    Hv: Array
    places: Index


class Place(NamedTuple):
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


@inlined
def _scratch(modes: int, warps: int, across: int) -> Scratch:
    """Work space for M opening modes, W warping modes and m places across; made inside the loop's function,
    where the compiler can tell that no two of the arrays overlap.
    """
    nz = 2 + 3 * modes + 2 * warps
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
    return Scratch(
        np.zeros((2 + modes + warps, 3)),
        np.zeros((4, across)),
        np.zeros((4, modes)),
        np.zeros((4, modes, modes)),
        np.zeros(5),
        np.zeros(5),
        np.zeros((5, nz)),
        np.zeros((5, nz)),
        np.zeros((3, nz)),
        np.zeros(nz),
        np.zeros((nz, nz)),
        np.zeros(nz + 2),
        np.zeros((nz + 2, nz + 2)),
        places,
    )


@inlined
def _station(u: Array, dofs: Index, shape: Array, t: Tables, row: int, k: Scratch) -> None:
    """Fields with derivatives, section angle, its slope, sine and cosine across."""
    for f in range(k.fields.shape[0]):
        for d in range(3):
            total = 0.0
            for i in range(4):
                total += shape[d, i] * u[dofs[4 * f + i]]
            k.fields[f, d] = total
    for i in range(k.angle.shape[1]):
        p, slope = t.angle[row, i], t.angle_s[row, i]
        for a in range(k.first.shape[1]):
            p += k.fields[2 + a, 0] * t.mode[row, i, a]
            slope += k.fields[2 + a, 1] * t.mode[row, i, a]
        k.angle[0, i], k.angle[1, i] = p, slope
        k.angle[2, i], k.angle[3, i] = np.sin(p), np.cos(p)


@inlined
def _section(t: Tables, row: int, i: int, order: int, k: Scratch) -> tuple[float, float, float]:
    """Height and slopes h, h', x' at place i; derivatives in the amplitudes into k.first and k.second."""
    M = k.first.shape[1]
    k.first[:, :] = 0.0
    if order > 1:
        k.second[:, :, :] = 0.0
    h, h_s, x_s = 0.0, 0.0, 0.0
    for j in range(k.angle.shape[1]):
        w = t.inner[row, i, j]
        sine, cosine, slope = w * k.angle[2, j], w * k.angle[3, j], k.angle[1, j]
        h += sine
        h_s += cosine * slope
        x_s -= sine * slope
        if order == 0:
            continue
        for a in range(M):
            pa = t.mode[row, j, a]
            k.first[0, a] += cosine * pa
            k.first[1, a] -= sine * pa
            k.first[2, a] -= sine * slope * pa
            k.first[3, a] -= cosine * slope * pa
            if order > 1:
                for b in range(M):
                    pab = pa * t.mode[row, j, b]
                    k.second[0, a, b] -= sine * pab
                    k.second[1, a, b] -= cosine * pab
                    k.second[2, a, b] -= cosine * slope * pab
                    k.second[3, a, b] += sine * slope * pab
    return h, h_s, x_s


@inlined
def _strain(t: Tables, p: Place, k: Scratch) -> float:
    """Strains and weighted stresses at a place; returns the energy per length of strip there."""
    row, i = p.row, p.i
    M, W = k.first.shape[1], t.warp.shape[2]
    lam0, sine, cosine = t.rest[row, i, 0], k.angle[2, i], k.angle[3, i]
    warp_shear, across, twist = 0.0, 0.0, 0.0
    bend = p.lam * p.turning * cosine - t.rest[row, i, 3]
    for c in range(W):
        warp_shear += k.fields[2 + M + c, 0] * t.warp_q[row, i, c]
    for a in range(M):
        bend += k.fields[2 + a, 2] * t.mode_integral[row, i, a]
        across += k.fields[2 + a, 0] * t.mode_q[row, i, a]
        twist += k.fields[2 + a, 1] * t.mode[row, i, a]
    k.strain[0] = 0.5 * (p.lam * p.lam + p.h_s * p.h_s + p.x_s * p.x_s - t.rest[row, i, 1]) * p.scale
    k.strain[1] = (p.h_s * sine + p.x_s * cosine - t.rest[row, i, 2]) * p.per + warp_shear
    k.strain[2] = bend * p.scale
    k.strain[3], k.strain[4] = across, 2.0 * twist
    weight, energy = 2.0 * t.width_weight[row, i] * lam0, 0.0
    for a in range(5):
        total = 0.0
        for b in range(5):
            total += t.stiffness[row, i, a, b] * k.strain[b]
        k.stress[a] = total * weight
        energy += 0.5 * k.strain[a] * k.stress[a]
    return energy


@inlined
def _first(t: Tables, p: Place, k: Scratch) -> None:
    """Rows d(strain)/dz into k.rows, d(lam, h', x')/dz into k.by; adds to the gradient k.gz."""
    row, i = p.row, p.i
    M, W = k.first.shape[1], t.warp.shape[2]
    b0, b1, b2, a0, a1 = 2, 2 + M, 2 + 2 * M, 2 + 3 * M, 2 + 3 * M + W
    sine, cosine, w = k.angle[2, i], k.angle[3, i], p.turning
    k.by[:, :] = 0.0
    k.by[0, 0], k.by[0, 1] = 1.0, -p.h
    for a in range(M):
        k.by[0, b0 + a] = -w * k.first[0, a]
        k.by[1, b0 + a], k.by[1, b1 + a] = k.first[2, a], k.first[0, a]
        k.by[2, b0 + a], k.by[2, b1 + a] = k.first[3, a], k.first[1, a]
    for c in range(W):
        k.by[0, a1 + c] = t.warp[row, i, c]
    for a in range(k.gz.shape[0]):
        k.rows[0, a] = (p.lam * k.by[0, a] + p.h_s * k.by[1, a] + p.x_s * k.by[2, a]) * p.scale
        k.rows[1, a] = (k.by[1, a] * sine + k.by[2, a] * cosine) * p.per
        k.rows[2, a] = w * cosine * k.by[0, a] * p.scale
        k.rows[3, a], k.rows[4, a] = 0.0, 0.0
    k.rows[2, 1] += p.lam * cosine * p.scale
    for a in range(M):
        mode = t.mode[row, i, a]
        k.rows[1, b0 + a] += mode * (p.h_s * cosine - p.x_s * sine) * p.per
        k.rows[2, b0 + a] -= p.lam * w * sine * mode * p.scale
        k.rows[2, b2 + a] += t.mode_integral[row, i, a] * p.scale
        k.rows[3, b0 + a] = t.mode_q[row, i, a]
        k.rows[4, b1 + a] = 2.0 * mode
    for c in range(W):
        k.rows[1, a0 + c] = t.warp_q[row, i, c]
    for a in range(k.gz.shape[0]):
        total = 0.0
        for b in range(5):
            total += k.stress[b] * k.rows[b, a]
        k.gz[a] += total


@inlined
def _material_tangent(t: Tables, p: Place, k: Scratch) -> None:
    """Adds rows^T C rows and the square of d(lam, h', x') to the lower triangle of k.Hz."""
    nz = k.gz.shape[0]
    weight = 2.0 * t.width_weight[p.row, p.i] * t.rest[p.row, p.i, 0]
    for a in range(5):
        k.stiff_rows[a, :] = 0.0
        for b in range(5):
            stiff = t.stiffness[p.row, p.i, a, b] * weight
            if stiff != 0.0:  # many entries are
                for z in range(nz):
                    k.stiff_rows[a, z] += stiff * k.rows[b, z]
        _add_lower(1.0, k.rows[a], k.stiff_rows[a], k.Hz)
    for c in range(3):
        _add_lower(k.stress[0] * p.scale, k.by[c], k.by[c], k.Hz)


@inlined
def _add_lower(scale: float, left: Array, right: Array, out: Array) -> None:
    for a in range(left.shape[0]):
        row = scale * left[a]
        if row != 0.0:
            for b in range(a + 1):
                out[a, b] += row * right[b]


@inlined
def _stress_tangent(t: Tables, p: Place, k: Scratch) -> None:
    """Adds stress times second derivatives of the strains to k.Hz (lower triangle, but full in b' by b)."""
    row, i = p.row, p.i
    M, W = k.first.shape[1], t.warp.shape[2]
    b0, b1, a1 = 2, 2 + M, 2 + 3 * M + W
    sine, cosine, w = k.angle[2, i], k.angle[3, i], p.turning
    shear, bend = k.stress[1] * p.per, k.stress[2] * p.scale
    # weights of the second derivatives of lam, h', x'
    on_lam = k.stress[0] * p.scale * p.lam + bend * w * cosine
    on_h = k.stress[0] * p.scale * p.h_s + shear * sine
    on_x = k.stress[0] * p.scale * p.x_s + shear * cosine
    k.Hz[1, 0], k.Hz[1, 1] = k.Hz[1, 0] + bend * cosine, k.Hz[1, 1] - 2.0 * bend * p.h * cosine
    for a in range(M):
        pa, ha = t.mode[row, i, a], k.first[0, a]
        k.Hz[b0 + a, 0] -= bend * w * sine * pa
        k.Hz[b0 + a, 1] -= on_lam * ha + bend * (w * ha * cosine + (p.lam - w * p.h) * sine * pa)
        for c in range(W):
            k.Hz[a1 + c, b0 + a] -= bend * w * sine * pa * t.warp[row, i, c]
        for b in range(M):
            pb = t.mode[row, i, b]
            k.Hz[b1 + a, b0 + b] += on_h * k.second[0, a, b] + on_x * k.second[1, a, b]
            k.Hz[b1 + a, b0 + b] += shear * pb * (k.first[0, a] * cosine - k.first[1, a] * sine)
            if b > a:
                continue
            total = -on_lam * w * k.second[0, a, b] + on_h * k.second[2, a, b] + on_x * k.second[3, a, b]
            total += shear * pb * (k.first[2, a] * cosine - k.first[3, a] * sine)
            total += shear * pa * (k.first[2, b] * cosine - k.first[3, b] * sine)
            total -= shear * pa * pb * (p.h_s * sine + p.x_s * cosine)
            total += bend * w * w * sine * (ha * pb + k.first[0, b] * pa)
            total -= bend * p.lam * w * cosine * pa * pb
            k.Hz[b0 + a, b0 + b] += total
    for c in range(W):
        k.Hz[a1 + c, 1] += bend * cosine * t.warp[row, i, c]


@inlined
def _mid_line(k: Scratch, order: int) -> None:
    """From (l, w) to (r', r''): k.gz, k.Hz become k.gv, k.Hv (lower triangle)."""
    rx, ry, rxx, ryy = k.fields[0, 1], k.fields[1, 1], k.fields[0, 2], k.fields[1, 2]
    l2 = rx * rx + ry * ry
    size, w = np.sqrt(l2), (rx * ryy - ry * rxx) / l2
    dl = (rx / size, ry / size, 0.0, 0.0)
    dw = ((ryy - 2.0 * w * rx) / l2, -(rxx + 2.0 * w * ry) / l2, -ry / l2, rx / l2)
    nz = k.gz.shape[0]
    for a in range(4):
        k.gv[a] = k.gz[0] * dl[a] + k.gz[1] * dw[a]
    for a in range(2, nz):
        k.gv[a + 2] = k.gz[a]
    if order < 2:
        return
    for a in range(4):
        for b in range(a + 1):
            k.Hv[a, b] = k.Hz[0, 0] * dl[a] * dl[b] + k.Hz[1, 1] * dw[a] * dw[b]
            k.Hv[a, b] += k.Hz[1, 0] * (dl[a] * dw[b] + dw[a] * dl[b])
    for a in range(2, nz):
        for b in range(4):
            k.Hv[a + 2, b] = k.Hz[a, 0] * dl[b] + k.Hz[a, 1] * dw[b]
        for b in range(2, a + 1):
            k.Hv[a + 2, b + 2] = k.Hz[a, b]
    # second derivatives of l and w
    force, moment, l4 = k.gz[0] / size, k.gz[1], l2 * l2
    k.Hv[0, 0] += force * dl[1] * dl[1] + moment * (8.0 * w * rx * rx - 4.0 * rx * ryy - 2.0 * w * l2) / l4
    k.Hv[1, 1] += force * dl[0] * dl[0] + moment * (8.0 * w * ry * ry + 4.0 * ry * rxx - 2.0 * w * l2) / l4
    k.Hv[1, 0] -= force * dl[0] * dl[1]
    k.Hv[1, 0] += moment * (8.0 * w * rx * ry + 2.0 * rx * rxx - 2.0 * ry * ryy) / l4
    k.Hv[2, 0] += moment * 2.0 * rx * ry / l4
    k.Hv[3, 0] += moment * (l2 - 2.0 * rx * rx) / l4
    k.Hv[2, 1] += moment * (2.0 * ry * ry - l2) / l4
    k.Hv[3, 1] -= moment * 2.0 * rx * ry / l4


@inlined
def _spread_gradient(k: Scratch, dofs: Index, shape: Array, weight: float, gradient: Array) -> None:
    for a in range(k.gv.shape[0]):
        base, d, value = 4 * k.places[0, a], k.places[1, a], k.gv[a] * weight
        for i in range(4):
            gradient[dofs[base + i]] += value * shape[d, i]


@inlined
def _spread_block(k: Scratch, shape: Array, weight: float, block: Array) -> None:
    """Half of the block: its transpose is still to be added."""
    for a in range(k.gv.shape[0]):
        fa, da = 4 * k.places[0, a], k.places[1, a]
        for b in range(a + 1):
            value = k.Hv[a, b] * weight
            if value == 0.0:
                continue
            if a == b:
                value *= 0.5
            fb, db = 4 * k.places[0, b], k.places[1, b]
            for i in range(4):
                left = value * shape[da, i]
                for j in range(4):
                    block[fa + i, fb + j] += left * shape[db, j]


@inlined
def _add_transpose(block: Array) -> None:
    for i in range(block.shape[0]):
        for j in range(i + 1):
            value = block[i, j] + block[j, i]
            block[i, j], block[j, i] = value, value


@inlined
def _width(t: Tables, row: int, order: int, k: Scratch) -> float:
    """Energy per length at a station with k.gz and k.Hz of it."""
    rx, ry, rxx, ryy = k.fields[0, 1], k.fields[1, 1], k.fields[0, 2], k.fields[1, 2]
    l2 = rx * rx + ry * ry
    size, w, M = np.sqrt(l2), (rx * ryy - ry * rxx) / l2, k.first.shape[1]
    k.gz[:], k.Hz[:, :] = 0.0, 0.0
    energy = 0.0
    for i in range(k.angle.shape[1]):
        h, h_s, x_s = _section(t, row, i, order, k)
        lam = size - w * h
        for c in range(t.warp.shape[2]):
            lam += k.fields[2 + M + c, 1] * t.warp[row, i, c]
        per = 1.0 / t.rest[row, i, 0]
        place = Place(row, i, w, lam, h, h_s, x_s, per, per * per)
        energy += _strain(t, place, k)
        if order > 0:
            _first(t, place, k)
        if order > 1:
            _material_tangent(t, place, k)
            _stress_tangent(t, place, k)
    return energy


@compiled
def rod_energy(order: int, u: Array, dofs: Index, t: Tables, gradient: Array, blocks: Array) -> float:
    """Energy [N mm]; adds to the gradient (n,) and the blocks (N, 4F, 4F) as far as order asks."""
    total = 0.0
    points = t.weights.shape[1]
    k = _scratch(t.mode.shape[2], t.warp.shape[2], t.angle.shape[1])
    for e in range(dofs.shape[0]):
        for g in range(points):
            row, weight, shape = e * points + g, t.weights[e, g], t.shape[e, g]
            _station(u, dofs[e], shape, t, row, k)
            total += weight * _width(t, row, order, k)
            if order == 0:
                continue
            _mid_line(k, order)
            _spread_gradient(k, dofs[e], shape, weight, gradient)
            if order > 1:
                _spread_block(k, shape, weight, blocks[e])
        if order > 1:
            _add_transpose(blocks[e])
    return total
