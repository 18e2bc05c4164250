"""Compiled loops of a shell against itself: what is held at a pair, distances, energy with gradient and
tangents.
"""

from __future__ import annotations

import numpy as np

from fem.contact.kernels.laws import penalty
from fem.jit.decorators import compiled
from fem.shell.kernels.faces import (
    LOCAL,
    face_first,
    face_second,
    gathered,
    local_state,
    rub,
    spread_block,
    spread_gradient,
    vectors,
)
from fem.shell.kernels.followers import (
    LEAST_DISTANCE,
    arms_follow,
    cross,
    facing,
    foot_moves,
    friction_follows,
    offsets_follow,
    outside,
    push_follows,
    toward,
)
from fem.shell.kernels.pairs import dot

KEEP_SIDE = 1.5
"""Surfaces closer than this many thicknesses keep the side they were last seen on: a deep press is no
crossing.
"""


@compiled
def apart(v, w, normal):
    """How far the place v[0] lies from w[0] along a normal."""
    return (v[0, 0] - w[0, 0]) * normal[0] + (v[0, 1] - w[0, 1]) * normal[1] + (v[0, 2] - w[0, 2]) * normal[2]


@compiled
def hold_kernel(u, last, cells, cell, shape, partner, rows, foot, free, thickness, sides, held, before):
    """held: force (set by the caller), nu, direction along, offsets of both sides of the interface,
    distance; a side of 0 is told from where the point lay at `last`. before (n, k, 2): how far both sides of
    the interface were apart there, in the frame that the foot had. free (2,): eta of the free edges.
    """
    n, k = cell.shape
    elements, earlier = gathered(u, cells), gathered(last, cells)
    v, normal, dual = np.empty((3, 3)), np.empty(3), np.empty((2, 3))
    w, other, dual2 = np.empty((3, 3)), np.empty(3), np.empty((2, 3))
    v0, normal0, w0, other0 = np.empty((3, 3)), np.empty(3), np.empty((3, 3)), np.empty(3)
    lay, across, nu = np.empty(3), np.empty(3), np.empty(3)
    for p in range(n):
        for line in range(k):
            if partner[p, line] < 0:
                held[p, line, :] = 0.0
                before[p, line, :] = 0.0
                continue
            mine, theirs = cell[p, line], partner[p, line]
            local_state(earlier[mine], shape[p, line], v0, normal0, dual)
            local_state(earlier[theirs], rows[p, line], w0, other0, dual2)
            away = apart(v0, w0, other0)
            side = sides[p, line]
            if abs(away) > KEEP_SIDE * thickness or side == 0.0:
                side = 1.0 if away > 0.0 else -1.0
            local_state(elements[mine], shape[p, line], v, normal, dual)
            local_state(elements[theirs], rows[p, line], w, other, dual2)
            edge = outside(foot[p, line, 1], free)
            toward(v, w, other, side, edge, nu)
            distance = apart(v, w, nu)
            size = np.sqrt(dot(w[1], w[1]))
            for c in range(3):
                held[p, line, 1 + c] = nu[c]
                held[p, line, 4 + c] = w[1, c] / size
            # one interface for both, halfway: pressed wraps that turn together do not slip by their overlap
            held[p, line, 7] = -0.5 * distance / facing(nu, normal)
            held[p, line, 8] = 0.5 * max(distance, LEAST_DISTANCE) / facing(nu, other)
            held[p, line, 9] = distance
            for c in range(3):
                lay[c] = v0[0, c] + held[p, line, 7] * normal0[c] - w0[0, c] - held[p, line, 8] * other0[c]
            toward(v0, w0, other0, side, edge, nu)
            size = np.sqrt(dot(w0[1], w0[1]))
            cross(nu, w0[1], across)
            before[p, line, 0], before[p, line, 1] = dot(lay, w0[1]) / size, dot(lay, across) / size


@compiled
def apart_kernel(u, cells, cell, shape, partner, rows, held):
    """How far both sides of the interfaces are apart (n, k, 2), in the held frame."""
    n, k = cell.shape
    elements = gathered(u, cells)
    out = np.zeros((n, k, 2))
    v, normal, dual = np.empty((3, 3)), np.empty(3), np.empty((2, 3))
    w, other, across = np.empty((3, 3)), np.empty(3), np.empty(3)
    for p in range(n):
        for line in range(k):
            if partner[p, line] < 0:
                continue
            local_state(elements[cell[p, line]], shape[p, line], v, normal, dual)
            local_state(elements[partner[p, line]], rows[p, line], w, other, dual)
            hold = held[p, line]
            apart = v[0] + hold[7] * normal - w[0] - hold[8] * other
            nu, along = hold[1:4], hold[4:7]
            out[p, line, 0] = dot(apart, along)
            cross(nu, along, across)
            out[p, line, 1] = dot(apart, across)
    return out


@compiled
def distance_kernel(u, cells, cell, shape, partner, rows, held):
    """Distance (n, k) of paired mid-surfaces along the held normal; inf without a pair."""
    n, k = cell.shape
    elements = gathered(u, cells)
    out = np.full((n, k), np.inf)
    v, w = np.empty((1, 3)), np.empty((1, 3))
    for p in range(n):
        for line in range(k):
            if partner[p, line] < 0:
                continue
            vectors(elements[cell[p, line]], shape[p, line], v)
            vectors(elements[partner[p, line]], rows[p, line], w)
            out[p, line] = apart(v, w, held[p, line, 1:4])
    return out


@compiled
def _both_faces(s, own, n, dual, other, N, Dual, row):
    """Row (18,) = derivative of s . (own face - partner's face)."""
    face_first(s, own, n, dual, row[:LOCAL])
    face_first(s, other, N, Dual, row[LOCAL:])
    for a in range(LOCAL, 18):
        row[a] = -row[a]


@compiled
def wrap_kernel(
    order,
    u,
    cells,
    cell,
    shape,
    area,
    partner,
    rows,
    foot,
    edges,
    free,
    held,
    slip,
    before,
    numbers,
    chosen,
    which,
    gradient,
    blocks,
):
    """Energy of the chosen pairs; gradient and blocks (one per pair of elements) are added to."""
    k = cell.shape[1]
    stiffness, onset, elastic, mu, thickness, following = numbers
    energy = 0.0
    elements = gathered(u, cells)
    v, n, dual = np.empty((3, 3)), np.empty(3), np.empty((2, 3))
    w, N, Dual, W = np.empty((3, 3)), np.empty(3), np.empty((2, 3)), np.empty((6, 3))
    g, H, Hs = np.zeros(18), np.zeros((18, 18)), np.zeros((LOCAL, LOCAL))
    r1, r2, rn = np.zeros(18), np.zeros(18), np.zeros(18)
    glide, turn, law = np.zeros((2, 18)), np.zeros((2, 18)), np.zeros(5)
    f, across = np.zeros(3), np.zeros(3)
    away, gap, ahead = np.zeros(3), np.zeros(18), np.zeros((LOCAL, 18))
    down, back, dnu = np.zeros(18), np.zeros(18), np.zeros((3, 18))
    for i in range(len(chosen)):
        p, line = chosen[i] // k, chosen[i] % k
        mine, theirs = cells[cell[p, line]], cells[partner[p, line]]
        local_state(elements[cell[p, line]], shape[p, line], v, n, dual)
        local_state(elements[partner[p, line]], rows[p, line], w, N, Dual)
        hold = held[p, line]
        nu = hold[1:4]
        distance = dot(v[0] - w[0], nu)
        value, force, stiff = penalty(distance - thickness, stiffness, onset)
        force, stiff = force * area[p, line], stiff * area[p, line]
        limit = mu * (force if following > 0.0 else hold[0])
        if force <= 0.0 and limit <= 0.0:
            continue
        energy += value * area[p, line]
        g[:] = 0.0
        H[:, :] = 0.0
        for c in range(3):
            g[c] -= force * nu[c]
            g[LOCAL + c] += force * nu[c]
            away[c] = v[0, c] - w[0, c]
        along, own, other = hold[4:7], hold[7], hold[8]
        cross(nu, along, across)
        gap[:] = 0.0
        for c in range(3):
            gap[c], gap[LOCAL + c] = nu[c], -nu[c]
        f[:] = 0.0
        follows = following > 0.0 and order > 1
        if follows:
            vectors(elements[partner[p, line]], rows[p, line], W)
            at_edge = outside(foot[p, line, 1], edges)
            foot_moves(W, away, N, at_edge, glide, turn)
            edge = outside(foot[p, line, 1], free)
            push_follows(W, away, nu, Dual, 1.0 if other > 0.0 else -1.0, edge, glide, turn, dnu)
            for b in range(18):
                for c in range(3):
                    gap[b] += away[c] * dnu[c, b]
                    H[c, b] -= force * dnu[c, b]
                    H[LOCAL + c, b] += force * dnu[c, b]
        if order > 1:
            for b in range(18):
                for c in range(3):
                    H[c, b] += stiff * nu[c] * gap[b]
                    H[LOCAL + c, b] -= stiff * nu[c] * gap[b]
        if limit > 0.0:
            m = v[0] + own * n - w[0] - other * N
            s0 = slip[p, line, 0] + dot(m, along) - before[p, line, 0]
            s1 = slip[p, line, 1] + dot(m, across) - before[p, line, 1]
            energy += rub(s0, s1, limit, elastic, law)
            if order > 0:
                _both_faces(along, own, n, dual, other, N, Dual, r1)
                _both_faces(across, own, n, dual, other, N, Dual, r2)
                for c in range(3):
                    f[c] = law[0] * along[c] + law[1] * across[c]
                for a in range(18):
                    g[a] += law[0] * r1[a] + law[1] * r2[a]
            if order > 1:
                size = np.sqrt(dot(w[1], w[1]))
                m1, m2 = dot(m, along) / size, dot(m, across) / size
                for b in range(18):
                    d1, d2 = r1[b], r2[b]
                    if follows and LOCAL + 3 <= b < LOCAL + 6:  # the frame turns about its normal
                        d1 += m2 * across[b - LOCAL - 3]
                        d2 -= m1 * across[b - LOCAL - 3]
                    pa, pb = law[2] * d1 + law[4] * d2, law[4] * d1 + law[3] * d2
                    if following > 0.0:
                        pa -= law[0] * stiff / force * gap[b]
                        pb -= law[1] * stiff / force * gap[b]
                    for a in range(18):
                        H[a, b] += r1[a] * pa + r2[a] * pb
                for side in range(2):
                    Hs[:, :] = 0.0
                    if side == 0:
                        face_second(f, own, n, dual, Hs)
                    else:
                        face_second(-f, other, N, Dual, Hs)
                    for a in range(LOCAL):
                        for b in range(LOCAL):
                            H[side * LOCAL + a, side * LOCAL + b] += Hs[a, b]
                if follows:  # Hs is that of the partner here
                    friction_follows(W, N, Dual, other, f, glide, Hs, H, ahead)
                    block = blocks[which[i]]
                    spread_block(ahead[:, :LOCAL], rows[p, line, 3:], shape[p, line], 48, 0, block)
                    spread_block(ahead[:, LOCAL:], rows[p, line, 3:], rows[p, line], 48, 48, block)
                    offsets_follow(nu, n, N, dual, Dual, distance, gap, dnu, turn, down, back)
                    arms_follow(f, n, N, dual, Dual, down, back, H)
                    g1, g2 = dot(across, W[3]) / size, dot(across, W[5]) / size
                    for b in range(18):  # the foot's frame turns about its normal
                        spin = g1 * glide[0, b] + g2 * glide[1, b]
                        if LOCAL + 3 <= b < LOCAL + 6:
                            spin += across[b - LOCAL - 3] / size
                        for a in range(18):
                            H[a, b] += (law[0] * r2[a] - law[1] * r1[a]) * spin
                    _both_faces(nu, own, n, dual, other, N, Dual, rn)
                    for b in range(18):
                        part = f[0] * dnu[0, b] + f[1] * dnu[1, b] + f[2] * dnu[2, b]
                        for a in range(18):
                            H[a, b] -= rn[a] * part
        if follows:
            for c in range(3):
                pull = f[c] - force * nu[c]
                for b in range(18):
                    H[LOCAL + 3 + c, b] -= pull * glide[0, b]
                    H[LOCAL + 6 + c, b] -= pull * glide[1, b]
        if order > 0:
            spread_gradient(g[:LOCAL], mine, shape[p, line], gradient)
            spread_gradient(g[LOCAL:], theirs, rows[p, line], gradient)
        if order > 1:
            block = blocks[which[i]]
            spread_block(H[:LOCAL, :LOCAL], shape[p, line], shape[p, line], 0, 0, block)
            spread_block(H[:LOCAL, LOCAL:], shape[p, line], rows[p, line], 0, 48, block)
            spread_block(H[LOCAL:, :LOCAL], rows[p, line], shape[p, line], 48, 0, block)
            spread_block(H[LOCAL:, LOCAL:], rows[p, line], rows[p, line], 48, 48, block)
    return energy
