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
from fem.shell.kernels.pairs import dot, foot_metric

KEEP_SIDE = 1.5
"""Surfaces closer than this many thicknesses keep the side they were last seen on: a deep press is no
crossing.
"""
LEAST_FACING, LEAST_DISTANCE = 0.2, 1e-9
"""Cosine of the angle between both surfaces, and distance [mm], below which the interface between them is placed
as if it were these.
"""


@compiled
def apart(v, w, normal):
    """How far the place v[0] lies from w[0] along a normal."""
    return (v[0, 0] - w[0, 0]) * normal[0] + (v[0, 1] - w[0, 1]) * normal[1] + (v[0, 2] - w[0, 2]) * normal[2]


@compiled
def cross(a, b, out):
    """Out (3,) = a x b."""
    out[0] = a[1] * b[2] - a[2] * b[1]
    out[1] = a[2] * b[0] - a[0] * b[2]
    out[2] = a[0] * b[1] - a[1] * b[0]


@compiled
def hold_kernel(u, last, cells, cell, shape, partner, rows, thickness, sides, held, before):
    """held: force (set by the caller), nu, direction along, offsets of both sides of the interface,
    distance; a side of 0 is told from where the point lay at `last`. before (n, k, 2): how far both sides of
    the interface were apart there, in the frame that the foot had.
    """
    n, k = cell.shape
    elements, earlier = gathered(u, cells), gathered(last, cells)
    v, normal, dual = np.empty((3, 3)), np.empty(3), np.empty((2, 3))
    w, other, dual2 = np.empty((3, 3)), np.empty(3), np.empty((2, 3))
    v0, normal0, w0, other0 = np.empty((3, 3)), np.empty(3), np.empty((3, 3)), np.empty(3)
    lay, across = np.empty(3), np.empty(3)
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
            distance = side * apart(v, w, other)
            facing = side * dot(normal, other)
            if abs(facing) < LEAST_FACING:
                facing = LEAST_FACING if facing > 0.0 else -LEAST_FACING
            size = np.sqrt(dot(w[1], w[1]))
            for c in range(3):
                held[p, line, 1 + c] = side * other[c]
                held[p, line, 4 + c] = w[1, c] / size
            # one interface for both, halfway: pressed wraps that turn together do not slip by their overlap
            held[p, line, 7], held[p, line, 8] = -0.5 * distance / facing, 0.5 * max(distance, LEAST_DISTANCE) * side
            held[p, line, 9] = distance
            for c in range(3):
                lay[c] = v0[0, c] + held[p, line, 7] * normal0[c] - w0[0, c] - held[p, line, 8] * other0[c]
            size = np.sqrt(dot(w0[1], w0[1]))
            cross(other0, w0[1], across)
            before[p, line, 0], before[p, line, 1] = dot(lay, w0[1]) / size, side * dot(lay, across) / size


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
def _foot_moves(w, away, nu, along_only, glide, turn):
    """How a foot with vectors w (6, 3) and x - X = away follows: glide (2, 18) along its two directions, turn
    (2, 18) = nu . d(X_a).
    """
    m = np.empty(3)
    foot_metric(away, w, m)
    a11, a22, a12 = dot(w[1], w[1]), dot(w[2], w[2]), dot(w[1], w[2])
    if along_only:
        m[1], m[2], a22, a12 = 1e30, 0.0, 1e30, 0.0
    det = m[0] * m[1] - m[2] ** 2
    if m[0] < 0.1 * a11 or det < 0.01 * (a11 * a22 - a12 * a12):
        m[0], m[1], m[2], det = a11, a22, a12, a11 * a22 - a12 * a12
    b11, b22, b12 = dot(nu, w[3]), dot(nu, w[4]), dot(nu, w[5])
    turn[:, :] = 0.0
    for a in range(2):
        for c in range(3):
            turn[a, c], turn[a, LOCAL + c] = w[1 + a, c], -w[1 + a, c]
            turn[a, LOCAL + 3 + 3 * a + c] = away[c]
    for b in range(18):
        one, two = turn[0, b], turn[1, b]
        glide[0, b], glide[1, b] = (m[1] * one - m[2] * two) / det, (m[0] * two - m[2] * one) / det
        turn[0, b] = b11 * glide[0, b] + b12 * glide[1, b]
        turn[1, b] = b12 * glide[0, b] + b22 * glide[1, b]
    for a in range(2):
        for c in range(3):
            turn[a, LOCAL + 3 + 3 * a + c] += nu[c]


@compiled
def _friction_follows(w, normal, dual, other, f, glide, Hs, H, ahead):
    """What the tangent H (18, 18) of friction f on a foot with vectors w (6, 3) gains as the foot glides: its
    arm turns with the normal there (Hs (9, 9): second derivative of its work). ahead (9, 18): arms that glide
    along, on the second derivatives 11, 22, 12 of the foot's place.
    """
    fa, fb = dot(f, dual[0]), dot(f, dual[1])
    for a in range(LOCAL):
        h1, h2 = 0.0, 0.0
        for c in range(3):
            h1 += Hs[a, 3 + c] * w[3, c] + Hs[a, 6 + c] * w[5, c]
            h2 += Hs[a, 3 + c] * w[5, c] + Hs[a, 6 + c] * w[4, c]
        for b in range(18):
            H[LOCAL + a, b] += h1 * glide[0, b] + h2 * glide[1, b]
    for c in range(3):
        h1, h2 = other * fa * normal[c], other * fb * normal[c]
        for b in range(18):
            ahead[c, b], ahead[3 + c, b] = h1 * glide[0, b], h2 * glide[1, b]
            ahead[6 + c, b] = h1 * glide[1, b] + h2 * glide[0, b]


@compiled
def _offsets_follow(nu, n, N, dual, Dual, distance, gap, turn, own, other):
    """How the offsets of the interface from both mid-surfaces change: own, other (18,); gap (18,): how the
    distance does; turn (2, 18): of the foot's normal.
    """
    facing = dot(nu, n)
    clear = abs(facing) >= LEAST_FACING
    if not clear:
        facing = LEAST_FACING if facing > 0.0 else -LEAST_FACING
    side = 1.0 if dot(nu, N) > 0.0 else -1.0
    b1, b2 = dot(n, Dual[0]), dot(n, Dual[1])
    part = 0.5 * distance / (facing * facing) if clear else 0.0
    for b in range(18):
        own[b] = -0.5 * gap[b] / facing - part * (b1 * turn[0, b] + b2 * turn[1, b])
        other[b] = 0.5 * side * gap[b] if distance > LEAST_DISTANCE else 0.0
    for a in range(2):
        away = part * dot(nu, dual[a])
        for c in range(3):
            own[3 + 3 * a + c] -= away * n[c]


@compiled
def _arms_follow(f, n, N, dual, Dual, own, other, H):
    """What the tangent H (18, 18) of friction f gains as the offsets change: the arms with which it turns the
    normals grow.
    """
    for a in range(2):
        mine, theirs = -dot(f, dual[a]), dot(f, Dual[a])
        for c in range(3):
            for b in range(18):
                H[3 + 3 * a + c, b] += mine * n[c] * own[b]
                H[LOCAL + 3 + 3 * a + c, b] += theirs * N[c] * other[b]


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
    down, back = np.zeros(18), np.zeros(18)
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
            at_edge = foot[p, line, 1] <= edges[0] or foot[p, line, 1] >= edges[1]
            _foot_moves(W, away, nu, at_edge, glide, turn)
            a1, a2 = dot(away, Dual[0]), dot(away, Dual[1])
            for b in range(18):  # at an edge x - X is not along nu
                gap[b] -= a1 * turn[0, b] + a2 * turn[1, b]
                for c in range(3):
                    part = force * (Dual[0, c] * turn[0, b] + Dual[1, c] * turn[1, b])
                    H[c, b] += part
                    H[LOCAL + c, b] -= part
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
                    _friction_follows(W, N, Dual, other, f, glide, Hs, H, ahead)
                    block = blocks[which[i]]
                    spread_block(ahead[:, :LOCAL], rows[p, line, 3:], shape[p, line], 48, 0, block)
                    spread_block(ahead[:, LOCAL:], rows[p, line, 3:], rows[p, line], 48, 48, block)
                    _offsets_follow(nu, n, N, dual, Dual, distance, gap, turn, down, back)
                    _arms_follow(f, n, N, dual, Dual, down, back, H)
                    g1, g2 = dot(across, W[3]) / size, dot(across, W[5]) / size
                    for b in range(18):  # the foot's frame turns about its normal
                        spin = g1 * glide[0, b] + g2 * glide[1, b]
                        if LOCAL + 3 <= b < LOCAL + 6:
                            spin += across[b - LOCAL - 3] / size
                        for a in range(18):
                            H[a, b] += (law[0] * r2[a] - law[1] * r1[a]) * spin
                    _both_faces(nu, own, n, dual, other, N, Dual, rn)
                    fa, fb = dot(f, Dual[0]), dot(f, Dual[1])
                    for a in range(18):
                        for b in range(18):
                            H[a, b] += rn[a] * (fa * turn[0, b] + fb * turn[1, b])
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
