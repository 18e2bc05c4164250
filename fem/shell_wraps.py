"""The shell touching itself: contact and friction between the wraps of a coil (and in any fold).

Each point is paired with its foot on the strip further out, a place (s, eta) of the surface (`shell_foot`).
The gap is nu . (x - X) - t along the held normal nu of the foot, on the side where the point last lay; the
slip is that of one interface halfway between both mid-surfaces, so that turning the pair as a whole is no
slip. Pairing, directions and normal force are held while a step is solved and renewed between solves; in
the coupled mode the normal force is that of the present state and the tangent includes how the foot moves
and its normal turns:

    d2(distance) = (A^ab t_a t_b - M^ab w_a w_b) / distance,   M_ab = A_ab - (x - X) . X_ab,
    t_a = dD . X_a,  w_a = t_a + distance nu . dX_a,  dD = dx - dX

(second variation of the closest-point distance, derived here; the special case of a line is that of the rod).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numba import njit

from fem.contact import SAFE_DEPTH, ContactSettings, pressure
from fem.contact_kernel import penalty
from fem.element import Grid
from fem.equilibrium import Array, Blocks, Evaluation, Index
from fem.shell_foot import dot, foot_metric, pair_kernel, vectors
from fem.shell_points import (
    LOCAL,
    SurfacePoints,
    face_first,
    face_second,
    local_state,
    rub,
    spread_block,
    spread_gradient,
)

NUMBERS = 10
FORCE, OTHER, DISTANCE = 0, 8, 9
KEEP_SIDE = 1.5
"""Surfaces closer than this many thicknesses keep the side they were last seen on: a deep press is no
crossing.
"""
RELAX = 0.5
Pairing = tuple[Index, Array, Array, Array, Array]


@dataclass
class ShellWraps:
    """Self-contact of the shell over pairs of points; the same calls as `fem.wraps.WrapContact`.

    reach [mm]: partners are at least this much further along the strip.
    """

    points: SurfacePoints
    grid: Grid
    size: int
    thickness: float
    settings: ContactSettings
    reach: float
    partner: Index = field(init=False)
    foot: Array = field(init=False)
    rows: Array = field(init=False)
    held: Array = field(init=False)
    sides: Array = field(init=False)
    slip: Array = field(init=False)
    before: Array = field(init=False)
    last: Array = field(init=False)
    remembered: tuple[Pairing, Array] = field(init=False)
    friction_on: bool = True
    coupled: bool = False

    def __post_init__(self) -> None:
        n, k = self.points.area.shape
        self.partner = np.full((n, k), -1, dtype=np.int64)
        self.foot, self.rows = np.zeros((n, k, 2)), np.zeros((n, k, 6, 16))
        self.held = np.zeros((n, k, NUMBERS))
        self.sides = -np.ones((n, k))  # the shell's normal points away from the axle
        self.slip = np.zeros((n, k, 2))
        self.before = np.zeros((n, k, 2))
        self.last = np.zeros(self.size)
        self.remembered = (self._pairing(), np.zeros_like(self.slip))

    def start(self, u: Array) -> None:
        """Forget all friction; slip is counted from here."""
        self.slip[:] = 0.0
        self.last = u.copy()
        self.hold(u)
        self.remembered = (self._pairing(), np.zeros_like(self.slip))

    def restart(self, force: Array, u: Array) -> None:
        """Go on from a state whose slip, last place and friction force (n, k, 2) are known."""
        self.coupled = True
        self.hold(u)
        self.coupled = False
        self.remembered = (self._pairing(), force)

    def hold(self, u: Array) -> float:
        """Renew pairs, directions, normal forces; returns the relative change of the forces."""
        old, pt, grid = self.held[..., FORCE].copy(), self.points, self.grid
        own = np.concatenate([pt.stations, pt.lines])
        near = np.array(
            [2.5 * self.thickness + 0.5 * pt.width + float(np.diff(grid.stations).max()), 3 * self.thickness]
        )
        pair_kernel(
            u,
            pt.cells,
            grid.stations,
            grid.across,
            own,
            pt.places(u),
            self.reach,
            near,
            self.partner,
            self.foot,
            self.rows,
        )
        _hold_kernel(
            u,
            self.last,
            pt.cells,
            pt.cell,
            pt.shape,
            self.partner,
            self.rows,
            self.thickness,
            self.sides,
            self.held,
        )
        self.before = self._apart(self.last, self._pairing(), True)
        force = np.where(
            self.partner >= 0,
            pt.area * pressure(self.gaps(), self.settings.stiffness, self.settings.onset),
            0.0,
        )
        self.held[..., FORCE] = force if self.coupled else old + RELAX * (force - old)
        scale = force.sum()
        return float(np.abs(force - old).sum() / scale) if scale > 0 else 0.0

    def accept(self, u: Array) -> float:
        """Take the step: store the elastic slip, renew what is held. Returns the friction work of the step
        [N mm].
        """
        slide, force = self.friction(u)
        pairing, before_force = self.remembered
        work = 0.5 * float((force * slide).sum() + (before_force * self._slide(u, pairing)).sum())
        total = self.slip + slide
        size = np.linalg.norm(total, axis=-1, keepdims=True)
        kept = total * np.minimum(1.0, self.settings.slip / np.maximum(size, 1e-300))
        self.slip = np.where(self.held[..., FORCE, None] > 0, kept, 0.0)
        self.last = u.copy()
        self.hold(u)
        self.sides = np.where(self.partner >= 0, self._sides_now(), self.sides)
        self.remembered = (self._pairing(), force)
        return work

    def friction(self, u: Array) -> tuple[Array, Array]:
        """Slip increment of this step and friction force (n, k, 2), along the partner and across it."""
        st = self.settings
        slide = self._slide(u, self._pairing())
        total = self.slip + slide
        size = np.linalg.norm(total, axis=-1, keepdims=True)
        force = st.friction * self.held[..., FORCE, None] * total / np.maximum(size, st.slip)
        return slide, force if self.friction_on else 0 * force

    def _sides_now(self) -> Array:
        """+1 where the point lies on the side its foot's normal points to, else -1 (n, k)."""
        return np.where(self.held[..., OTHER] >= 0.0, 1.0, -1.0)

    def _pairing(self) -> Pairing:
        return (self.partner.copy(), self.rows.copy(), self.held.copy(), self.before.copy(), self.foot.copy())

    def _apart(self, u: Array, pairing: Pairing, own_frame: bool) -> Array:
        """How far both sides of the interfaces are apart (n, k, 2), along the foot and across, in the frame
        that the foot has at u (own_frame) or in the held one.
        """
        pt = self.points
        partner, rows, held = pairing[:3]
        return np.asarray(_apart_kernel(u, pt.cells, pt.cell, pt.shape, partner, rows, held, own_frame))

    def _slide(self, u: Array, pairing: Pairing) -> Array:
        """Motion of the interfaces along the held directions since the last step (n, k, 2); zero without
        force.

        Each separation is told in the frame of its own time, so that a turn of the whole pair is no slip.
        """
        slide = self._apart(u, pairing, False) - pairing[3]
        return np.where(pairing[2][..., FORCE, None] > 0, slide, 0.0)

    def safe_fraction(self, u: Array, move: Array) -> float:
        """Largest part of a move that lets no pair come closer than its gap plus SAFE_DEPTH of the
        thickness.
        """
        paired = self.partner >= 0
        if not np.any(paired):
            return 1.0
        here, there = self._distance(u)[paired], self._distance(u + move)[paired]
        room = np.maximum(here - self.thickness, 0.0) + SAFE_DEPTH * self.thickness
        return float(min(1.0, (room / np.maximum(here - there, 1e-12)).min()))

    def _distance(self, u: Array) -> Array:
        """Distance (n, k) of the paired mid-surfaces along the held direction; inf where there is no pair."""
        pt = self.points
        return np.asarray(
            _distance_kernel(u, pt.cells, pt.cell, pt.shape, self.partner, self.rows, self.held)
        )

    def gaps(self) -> Array:
        """Gap (n, k) at the held pairs [mm] (inf where there is no partner)."""
        return np.where(self.partner >= 0, self.held[..., DISTANCE] - self.thickness, np.inf)

    def evaluate(self, u: Array, order: int) -> Evaluation:
        """Energy, gradient and one block per pair of elements that touch."""
        pt, st = self.points, self.settings
        touching = (self.partner >= 0) & (
            (self._distance(u) < self.thickness) | (self.held[..., FORCE] > 0.0)
        )
        chosen = np.flatnonzero(touching)
        gradient = np.zeros(self.size)
        count = len(pt.cells)
        key = pt.cell.ravel()[chosen] * count + self.partner.ravel()[chosen]
        pairs, which = np.unique(key, return_inverse=True)
        dofs = np.concatenate([pt.cells[pairs // count], pt.cells[pairs % count]], axis=1)
        blocks = np.zeros((len(pairs) if order > 1 else 0, 96, 96))
        numbers = np.array(
            [
                st.stiffness,
                st.onset,
                st.slip,
                st.friction if self.friction_on else 0.0,
                self.thickness,
                float(self.coupled),
            ]
        )
        edges = self.grid.across[[0, -1]]
        energy = _wrap_kernel(
            order,
            u,
            pt.cells,
            pt.cell,
            pt.shape,
            pt.area,
            self.partner,
            self.rows,
            self.foot,
            edges,
            self.held,
            self.slip,
            self.before,
            numbers,
            chosen,
            which.ravel().astype(np.int64),
            gradient,
            blocks,
        )
        return Evaluation(float(energy), gradient, (Blocks(dofs, blocks),) if order > 1 else ())


@njit(cache=True)
def _hold_kernel(u, last, cells, cell, shape, partner, rows, thickness, sides, held):  # type: ignore[no-untyped-def]
    """held: force (set by the caller), nu, direction along, offsets of both sides of the interface,
    distance.
    """
    n, k = cell.shape
    v, normal, dual = np.empty((3, 3)), np.empty(3), np.empty((2, 3))
    w, other, dual2 = np.empty((3, 3)), np.empty(3), np.empty((2, 3))
    for p in range(n):
        for line in range(k):
            if partner[p, line] < 0:
                held[p, line, :] = 0.0
                continue
            mine, theirs = cells[cell[p, line]], cells[partner[p, line]]
            local_state(last, mine, shape[p, line], v, normal, dual)
            local_state(last, theirs, rows[p, line], w, other, dual2)
            away = dot(v[0] - w[0], other)
            side = sides[p, line]
            if abs(away) > KEEP_SIDE * thickness:
                side = 1.0 if away > 0.0 else -1.0
            local_state(u, mine, shape[p, line], v, normal, dual)
            local_state(u, theirs, rows[p, line], w, other, dual2)
            distance = side * dot(v[0] - w[0], other)
            facing = side * dot(normal, other)
            if abs(facing) < 0.2:
                facing = 0.2 if facing > 0.0 else -0.2
            size = np.sqrt(dot(w[1], w[1]))
            for c in range(3):
                held[p, line, 1 + c] = side * other[c]
                held[p, line, 4 + c] = w[1, c] / size
            # one interface for both, halfway, so that pressed wraps that turn together do not slip by their overlap
            held[p, line, 7], held[p, line, 8] = -0.5 * distance / facing, 0.5 * max(distance, 1e-9) * side
            held[p, line, 9] = distance


@njit(cache=True)
def _apart_kernel(u, cells, cell, shape, partner, rows, held, own_frame):  # type: ignore[no-untyped-def]
    n, k = cell.shape
    out = np.zeros((n, k, 2))
    v, normal, dual = np.empty((3, 3)), np.empty(3), np.empty((2, 3))
    w, other = np.empty((3, 3)), np.empty(3)
    for p in range(n):
        for line in range(k):
            if partner[p, line] < 0:
                continue
            local_state(u, cells[cell[p, line]], shape[p, line], v, normal, dual)
            local_state(u, cells[partner[p, line]], rows[p, line], w, other, dual)
            hold = held[p, line]
            apart = v[0] + hold[7] * normal - w[0] - hold[8] * other
            nu, along = hold[1:4].copy(), hold[4:7].copy()
            if own_frame:
                side = 1.0 if hold[8] >= 0.0 else -1.0
                nu, along = side * other, w[1] / np.sqrt(dot(w[1], w[1]))
            out[p, line, 0] = dot(apart, along)
            out[p, line, 1] = dot(apart, np.cross(nu, along))
    return out


@njit(cache=True)
def _distance_kernel(u, cells, cell, shape, partner, rows, held):  # type: ignore[no-untyped-def]
    n, k = cell.shape
    out = np.full((n, k), np.inf)
    v, w = np.empty((1, 3)), np.empty((1, 3))
    for p in range(n):
        for line in range(k):
            if partner[p, line] < 0:
                continue
            vectors(u, cells[cell[p, line]], shape[p, line], v)
            vectors(u, cells[partner[p, line]], rows[p, line], w)
            out[p, line] = dot(v[0] - w[0], held[p, line, 1:4])
    return out


@njit(cache=True)
def _foot_rows(w, nu, distance, along_only, t, turn, pull, H):  # type: ignore[no-untyped-def]
    """Second variation of the distance times -pull into H (18, 18); turn (2, 18): nu . d(X_a) at the moving
    foot.

    t (2, 18) is work space: relative motion along the foot's two directions.
    """
    m, away = np.empty(3), distance * nu
    foot_metric(away, w, m)
    a11, a22, a12 = dot(w[1], w[1]), dot(w[2], w[2]), dot(w[1], w[2])
    if along_only:
        m[1], m[2], a22, a12 = 1e30, 0.0, 1e30, 0.0
    det, area = m[0] * m[1] - m[2] ** 2, a11 * a22 - a12 * a12
    if m[0] < 0.1 * a11 or det < 0.01 * area:
        m[0], m[1], m[2], det = a11, a22, a12, area
    t[:, :] = 0.0
    turn[:, :] = 0.0
    for a in range(2):
        for c in range(3):
            t[a, c], t[a, LOCAL + c] = w[1 + a, c], -w[1 + a, c]
            turn[a, LOCAL + 3 + 3 * a + c] = nu[c]
    for a in range(18):
        ta, tb = t[0, a], t[1, a]
        wa, wb = ta + distance * turn[0, a], tb + distance * turn[1, a]
        for b in range(18):
            sa, sb = t[0, b], t[1, b]
            xa, xb = sa + distance * turn[0, b], sb + distance * turn[1, b]
            value = (a22 * ta * sa - a12 * (ta * sb + tb * sa) + a11 * tb * sb) / area
            value -= (m[1] * wa * xa - m[2] * (wa * xb + wb * xa) + m[0] * wb * xb) / det
            H[a, b] -= pull * value / distance
    b11, b22, b12 = dot(nu, w[3]), dot(nu, w[4]), dot(nu, w[5])
    for b in range(18):
        xa, xb = t[0, b] + distance * turn[0, b], t[1, b] + distance * turn[1, b]
        ds, da = (m[1] * xa - m[2] * xb) / det, (m[0] * xb - m[2] * xa) / det
        turn[0, b] += b11 * ds + b12 * da
        turn[1, b] += b12 * ds + b22 * da


@njit(cache=True)
def _wrap_kernel(
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
):  # type: ignore[no-untyped-def]
    k = cell.shape[1]
    stiffness, onset, elastic, mu, thickness, coupled = numbers
    energy = 0.0
    v, n, dual = np.empty((3, 3)), np.empty(3), np.empty((2, 3))
    w, N, Dual, W = np.empty((3, 3)), np.empty(3), np.empty((2, 3)), np.empty((6, 3))
    g, H, Hs = np.zeros(18), np.zeros((18, 18)), np.zeros((LOCAL, LOCAL))
    r1, r2, rn, row = np.zeros(18), np.zeros(18), np.zeros(18), np.zeros(LOCAL)
    t, turn, law, f = np.zeros((2, 18)), np.zeros((2, 18)), np.zeros(5), np.zeros(3)
    for i in range(len(chosen)):
        p, line = chosen[i] // k, chosen[i] % k
        mine, theirs = cells[cell[p, line]], cells[partner[p, line]]
        local_state(u, mine, shape[p, line], v, n, dual)
        local_state(u, theirs, rows[p, line], w, N, Dual)
        hold = held[p, line]
        nu = hold[1:4]
        distance = dot(v[0] - w[0], nu)
        value, force, stiff = penalty(distance - thickness, stiffness, onset)
        force, stiff = force * area[p, line], stiff * area[p, line]
        limit = mu * (force if coupled > 0.0 else hold[0])
        if force <= 0.0 and limit <= 0.0:
            continue
        energy += value * area[p, line]
        g[:] = 0.0
        H[:, :] = 0.0
        for c in range(3):
            g[c] -= force * nu[c]
            g[LOCAL + c] += force * nu[c]
            for d in range(3):
                part = stiff * nu[c] * nu[d]
                H[c, d] += part
                H[LOCAL + c, LOCAL + d] += part
                H[c, LOCAL + d] -= part
                H[LOCAL + c, d] -= part
        if coupled > 0.0 and order > 1 and force > 0.0:
            vectors(u, theirs, rows[p, line], W)
            at_edge = foot[p, line, 1] <= edges[0] or foot[p, line, 1] >= edges[1]
            _foot_rows(W, nu, max(distance, 0.2 * thickness), at_edge, t, turn, force, H)
        if limit > 0.0:
            along, own, other = hold[4:7], hold[7], hold[8]
            across = np.cross(nu, along)
            m = v[0] + own * n - w[0] - other * N
            s0 = slip[p, line, 0] + dot(m, along) - before[p, line, 0]
            s1 = slip[p, line, 1] + dot(m, across) - before[p, line, 1]
            energy += rub(s0, s1, limit, elastic, law)
            if order > 0:
                face_first(along, own, n, dual, row)
                r1[:LOCAL] = row
                face_first(along, other, N, Dual, row)
                r1[LOCAL:] = -row
                face_first(across, own, n, dual, row)
                r2[:LOCAL] = row
                face_first(across, other, N, Dual, row)
                r2[LOCAL:] = -row
                for a in range(18):
                    g[a] += law[0] * r1[a] + law[1] * r2[a]
            if order > 1:
                for a in range(18):
                    pa, pb = law[2] * r1[a] + law[4] * r2[a], law[4] * r1[a] + law[3] * r2[a]
                    for b in range(18):
                        H[a, b] += pa * r1[b] + pb * r2[b]
                for c in range(3):
                    f[c] = law[0] * along[c] + law[1] * across[c]
                Hs[:, :] = 0.0
                face_second(f, own, n, dual, Hs)
                H[:LOCAL, :LOCAL] += Hs
                Hs[:, :] = 0.0
                face_second(-f, other, N, Dual, Hs)
                H[LOCAL:, LOCAL:] += Hs
                if coupled > 0.0:
                    face_first(nu, own, n, dual, row)
                    rn[:LOCAL] = row
                    face_first(nu, other, N, Dual, row)
                    rn[LOCAL:] = -row
                    fa, fb = dot(f, Dual[0]), dot(f, Dual[1])
                    for a in range(18):
                        grown = (law[0] * r1[a] + law[1] * r2[a]) * stiff / force
                        for c in range(3):
                            H[a, c] -= grown * nu[c]
                            H[a, LOCAL + c] += grown * nu[c]
                        for b in range(18):
                            H[a, b] += rn[a] * (fa * turn[0, b] + fb * turn[1, b])
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
