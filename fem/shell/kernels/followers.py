"""Compiled: how a pair of a shell's points follows the unknowns, its foot, push and interface.

x is a point, X its foot, w its vectors there (X, X_1, X_2, X_11, X_22, X_12), n and N both normals, nu the
direction of the push, f friction; the 18 columns of what follows are the local unknowns of both sides.
"""

from __future__ import annotations

import numpy as np

from fem.jit.decorators import compiled, inlined
from fem.shell.kernels.faces import LOCAL
from fem.shell.kernels.pairs import dot, foot_metric

LEAST_FACING, LEAST_DISTANCE = 0.2, 1e-9
"""Cosine of the angle between push and normal, and distance [mm], below which the interface is placed as if
it were these.
"""


@compiled
def cross(a, b, out):
    """Out (3,) = a x b."""
    out[0] = a[1] * b[2] - a[2] * b[1]
    out[1] = a[2] * b[0] - a[0] * b[2]
    out[2] = a[0] * b[1] - a[1] * b[0]


@inlined
def toward(v, w, normal, side, edge, nu):
    """Nu (3,): the direction in which a point v is pushed by its foot w, along the normal there on its side;
    by a free edge, beyond which there is no surface, straight away from it.
    """
    if edge:
        part = 0.0
        for c in range(3):
            nu[c] = v[0, c] - w[0, c]
            part += nu[c] * w[1, c]
        part /= dot(w[1], w[1])
        for c in range(3):
            nu[c] -= part * w[1, c]
        size = np.sqrt(dot(nu, nu))
        if size > LEAST_DISTANCE:
            for c in range(3):
                nu[c] /= size
            return
    for c in range(3):
        nu[c] = side * normal[c]


@inlined
def outside(eta, ends):
    """Whether a place across the strip lies at one of two ends (2,), or farther out."""
    return eta <= ends[0] or eta >= ends[1]


@inlined
def facing(nu, normal):
    """Cosine between a direction and a normal, not nearer to 0 than LEAST_FACING."""
    cosine = dot(nu, normal)
    if abs(cosine) >= LEAST_FACING:
        return cosine
    return LEAST_FACING if cosine > 0.0 else -LEAST_FACING


@compiled
def foot_moves(w, away, normal, along_only, glide, turn):
    """How a foot with vectors w (6, 3) and x - X = away follows: glide (2, 18) along its two directions, turn
    (2, 18) = normal . d(X_a).
    """
    m = np.empty(3)
    foot_metric(away, w, m)
    a11, a22, a12 = dot(w[1], w[1]), dot(w[2], w[2]), dot(w[1], w[2])
    if along_only:
        m[1], m[2], a22, a12 = 1e30, 0.0, 1e30, 0.0
    det = m[0] * m[1] - m[2] ** 2
    if m[0] < 0.1 * a11 or det < 0.01 * (a11 * a22 - a12 * a12):
        m[0], m[1], m[2], det = a11, a22, a12, a11 * a22 - a12 * a12
    b11, b22, b12 = dot(normal, w[3]), dot(normal, w[4]), dot(normal, w[5])
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
            turn[a, LOCAL + 3 + 3 * a + c] += normal[c]


@compiled
def push_follows(w, away, nu, Dual, side, edge, glide, turn, dnu):
    """How the direction of a push follows: dnu (3, 18); turn (2, 18): of the foot's normal."""
    distance = dot(away, nu)
    if not edge or distance < LEAST_DISTANCE:
        for c in range(3):
            for b in range(18):
                dnu[c, b] = -side * (Dual[0, c] * turn[0, b] + Dual[1, c] * turn[1, b])
        return
    for b in range(18):
        for c in range(3):
            dnu[c, b] = -w[1, c] * glide[0, b]
        if b < 3:
            dnu[b, b] += 1.0
        elif LOCAL <= b < LOCAL + 3:
            dnu[b - LOCAL, b] -= 1.0
        part = nu[0] * dnu[0, b] + nu[1] * dnu[1, b] + nu[2] * dnu[2, b]
        for c in range(3):
            dnu[c, b] = (dnu[c, b] - part * nu[c]) / distance


@compiled
def friction_follows(w, normal, dual, other, f, glide, Hs, H, ahead):
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
def offsets_follow(nu, n, N, dual, Dual, distance, gap, dnu, turn, own, other):
    """How the offsets of the interface from both mid-surfaces change: own, other (18,); gap (18,): how the
    distance does; dnu (3, 18): the direction of the push; turn (2, 18): of the foot's normal.
    """
    mine, theirs = facing(nu, n), facing(nu, N)
    part = 0.5 * distance / (mine * mine) if mine == dot(nu, n) else 0.0
    rest = 0.5 * distance / (theirs * theirs) if theirs == dot(nu, N) else 0.0
    b1, b2 = dot(nu, Dual[0]), dot(nu, Dual[1])
    for b in range(18):
        own[b], other[b] = -0.5 * gap[b] / mine, 0.5 * gap[b] / theirs
        for c in range(3):
            own[b] += part * n[c] * dnu[c, b]
            other[b] -= rest * N[c] * dnu[c, b]
        other[b] += rest * (b1 * turn[0, b] + b2 * turn[1, b])
        if distance <= LEAST_DISTANCE:
            other[b] = 0.0
    for a in range(2):
        away = part * dot(nu, dual[a])
        for c in range(3):
            own[3 + 3 * a + c] -= away * n[c]


@compiled
def arms_follow(f, n, N, dual, Dual, own, other, H):
    """What the tangent H (18, 18) of friction f gains as the offsets change: the arms with which it turns the
    normals grow.
    """
    for a in range(2):
        mine, theirs = -dot(f, dual[a]), dot(f, Dual[a])
        for c in range(3):
            for b in range(18):
                H[3 + 3 * a + c, b] += mine * n[c] * own[b]
                H[LOCAL + 3 + 3 * a + c, b] += theirs * N[c] * other[b]
