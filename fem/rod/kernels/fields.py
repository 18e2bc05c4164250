"""Compiled loop over stations of a rod: what a run looks at in every step; formulas in `fem.rod.energy`."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from fem.core.term import Array, Index
from fem.jit.decorators import compiled


class FieldTables(NamedTuple):
    """Tables of n stations with P places on the half width: those of the quadrature (m), then the others.

    dofs (n, 4F), shape (n, 3, 4), angle, angle_s (n, P), mode, mode_q, mode_integral (n, P, M), warp, warp_q
    (n, P, W), rest (n, P, 4), stiffness (n, P, 5, 5), across (n, P, 5), integral (n, P, m), weight (n, m);
    fold (c,): place, of the others, on each line across; side (c,); face (k + 1,); filled, limit (k, n, c).
    """

    dofs: Index
    shape: Array
    angle: Array
    angle_s: Array
    mode: Array
    mode_q: Array
    mode_integral: Array
    warp: Array
    warp_q: Array
    rest: Array
    stiffness: Array
    across: Array
    natural: Array
    integral: Array
    weight: Array
    fold: Index
    side: Array
    face: Array
    filled: Array
    limit: Array


@compiled
def summarise(u: Array, t: FieldTables, line: Array, strain: Array, share: Array) -> None:
    """Fill line (n, 4): x, y, curvature, axial force; strain, share (n, c), as in `fem.rod.fields`."""
    n, P, M = t.mode.shape
    W, m, layers = t.warp.shape[2], t.weight.shape[1], t.limit.shape[0]
    fields = np.zeros((2 + M + W, 3))
    sine, cosine, slope = np.zeros(P), np.zeros(P), np.zeros(P)
    e = np.zeros((P, 5))
    across = np.zeros(P)
    for s in range(n):
        for f in range(2 + M + W):
            for d in range(3):
                total = 0.0
                for i in range(4):
                    total += t.shape[s, d, i] * u[t.dofs[s, 4 * f + i]]
                fields[f, d] = total
        rx, ry, rxx, ryy = fields[0, 1], fields[1, 1], fields[0, 2], fields[1, 2]
        l2 = rx * rx + ry * ry
        w, axial = (rx * ryy - ry * rxx) / l2, 0.0
        for i in range(P):
            p, ps = t.angle[s, i], t.angle_s[s, i]
            for a in range(M):
                p += fields[2 + a, 0] * t.mode[s, i, a]
                ps += fields[2 + a, 1] * t.mode[s, i, a]
            sine[i], cosine[i], slope[i] = np.sin(p), np.cos(p), ps
        for i in range(P):
            h, hs, xs = 0.0, 0.0, 0.0
            for j in range(m):
                weight = t.integral[s, i, j]
                h += weight * sine[j]
                hs += weight * cosine[j] * slope[j]
                xs -= weight * sine[j] * slope[j]
            lam, shear, bend, crosswise, twist = np.sqrt(l2) - w * h, 0.0, 0.0, 0.0, 0.0
            for c in range(W):
                lam += fields[2 + M + c, 1] * t.warp[s, i, c]
                shear += fields[2 + M + c, 0] * t.warp_q[s, i, c]
            for a in range(M):
                bend += fields[2 + a, 2] * t.mode_integral[s, i, a]
                crosswise += fields[2 + a, 0] * t.mode_q[s, i, a]
                twist += fields[2 + a, 1] * t.mode[s, i, a]
            lam0 = t.rest[s, i, 0]
            per2 = 1.0 / (lam0 * lam0)
            e[i, 0] = 0.5 * (lam * lam + hs * hs + xs * xs - t.rest[s, i, 1]) * per2
            e[i, 1] = (hs * sine[i] + xs * cosine[i] - t.rest[s, i, 2]) / lam0 + shear
            e[i, 2] = (lam * w * cosine[i] - t.rest[s, i, 3] + bend) * per2
            e[i, 3], e[i, 4] = crosswise, 2.0 * twist
            if i < m:
                pull, moment = 0.0, 0.0
                for b in range(5):
                    pull += t.stiffness[s, i, 0, b] * e[i, b]
                    moment += t.stiffness[s, i, 2, b] * e[i, b]
                axial += 2.0 * t.weight[s, i] * lam0 * per2 * (pull * lam + moment * cosine[i] * w)
                continue
            across[i] = 0.0
            for b in range(5):
                across[i] += t.across[s, i, b] * e[i, b]
        for d in range(2):
            line[s, d] = fields[d, 0]
        line[s, 2], line[s, 3] = w, axial
        for c in range(t.fold.shape[0]):
            i = m + t.fold[c]
            most, worst, before = 0.0, 0.0, 0.0
            own_s, own_q = t.natural[s, i, 0], t.natural[s, i, 1]
            for k in range(layers + 1):
                z = t.face[k]
                ps, pq = z * own_s, z * own_q
                # `fem.design.curved_layers.strain_at`; K_qq is that of the angle, per length at rest
                es = (e[i, 0] + z * (own_s * e[i, 0] - e[i, 2])) / (1.0 - ps)
                eq = (across[i] - z * e[i, 3]) / (1.0 - pq)
                esq = e[i, 1] * (1.0 - ps * pq) - z * e[i, 4] * (1.0 - 0.5 * (ps + pq))
                esq *= t.side[c] / ((1.0 - ps) * (1.0 - pq))
                size = abs(0.5 * (es + eq)) + np.sqrt((0.5 * (es - eq)) ** 2 + 0.25 * esq * esq)
                if k > 0:
                    both = max(before, size)
                    if t.filled[k - 1, s, c] > 0.0:
                        most = max(most, both)
                    worst = max(worst, both / t.limit[k - 1, s, c])
                before = size
            strain[s, c], share[s, c] = most, worst
