"""The strip touching itself: contact and friction between the wraps of a coil (and in any fold).

Each station of the strip is paired with the nearest place of the strip further out (at least `reach` away along it), found
by distance between mid-lines. At that pair every line across the half width has a gap nu . (p - c) - t along the held
direction nu, and a slip between the two facing surfaces, each half a thickness from its own mid-surface, so that turning the pair
as a whole is no slip. Pairing, direction and normal force are held while a step is solved and renewed between solves.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numba import njit

from fem.contact import SAFE_DEPTH, ContactPoints, ContactSettings, penalty, point_first, point_second, pressure, sliding, local_place
from fem.equilibrium import Array, Blocks, Evaluation, Index
from fem.rod import Rod

NUMBERS = 8
KEEP_SIDE = 1.5
"""Mid-lines closer than this many thicknesses keep the side they were last seen on: a deep press is no crossing."""
Pairing = tuple[Index, Array, Array, Array, Array]
RELAX = 0.5


@dataclass
class WrapContact:
    """Self-contact of the rod over pairs of stations; same calls as `fem.contact.WallContact`."""

    rod: Rod
    points: ContactPoints
    settings: ContactSettings
    reach: float
    partner: Index = field(init=False)
    sides: Array = field(init=False)
    foot_angle: Array = field(init=False)
    place: Array = field(init=False)
    held: Array = field(init=False)
    slip: Array = field(init=False)
    before: Array = field(init=False)
    before_partner: Array = field(init=False)
    last: Array = field(init=False)
    remembered: tuple[Pairing, Array] = field(init=False)
    friction_on: bool = True
    coupled: bool = False

    def __post_init__(self) -> None:
        n, k = self.points.area.shape
        self.partner = np.full(n, -1, dtype=np.int64)
        self.sides = np.ones(n)
        self.foot_angle = np.zeros_like(self.points.tables.angle)
        self.place = np.zeros(n)
        self.held = np.zeros((n, k, NUMBERS))
        self.slip = np.zeros((n, k))
        self.before = np.zeros((n, k, 2))
        self.before_partner = np.zeros((n, k, 2))
        self.last = np.zeros(self.rod.size)
        self.remembered = (self._pairing(), self.slip.copy())

    def start(self, u: Array) -> None:
        """Forget all friction; slip is counted from here."""
        self.slip[:] = 0.0
        self.last = u.copy()
        self.hold(u)
        self.remembered = (self._pairing(), np.zeros_like(self.slip))

    def restart(self, force: Array, u: Array) -> None:
        """Go on from a state whose slip, last place and friction force (n, k) are known."""
        self.coupled = True
        self.hold(u)
        self.coupled = False
        self.remembered = (self._pairing(), force)

    def hold(self, u: Array) -> float:
        """Renew pairs, directions, normal forces; returns the relative change of the forces."""
        old = self.held[..., 0].copy()
        rod, pt = self.rod, self.points
        reachable = 2.5 * rod.strip.thickness + 0.5 * rod.strip.width
        _pair_kernel(u, rod.dofs, rod.nodes, pt.stations, pt.element, pt.shape, self.reach, reachable, self.partner, self.place)
        tab = pt.tables
        self.foot_angle = self._angle_at(self.partner, self.place)
        _hold_kernel(u, self.last, rod.dofs, rod.nodes, pt.element, pt.shape, rod.modes, tab.angle, self.foot_angle, tab.mode, tab.rule.to,
                     self.partner, self.place, rod.strip.thickness, self.sides, self.held, self.before, self.before_partner)
        gap = self.held[..., 5]
        force = np.where(self.partner[:, None] >= 0, pt.area * pressure(gap, self.settings.stiffness, self.settings.onset), 0.0)
        self.held[..., 0] = force if self.coupled else old + RELAX * (force - old)
        scale = force.sum()
        return float(np.abs(force - old).sum() / scale) if scale > 0 else 0.0

    def accept(self, u: Array) -> float:
        """Take the step: store the elastic slip, renew what is held. Returns the friction work of the step [N mm]."""
        slide, force = self.friction(u)
        st = self.settings
        pairing, before_force = self.remembered
        work = 0.5 * float((force * slide).sum() + (before_force * self._slide(u, pairing)).sum())
        self.slip = np.where(self.held[..., 0] > 0, np.clip(self.slip + slide, -st.slip, st.slip), 0.0)
        self.last = u.copy()
        self.hold(u)
        self.sides = np.where(self.partner >= 0, self._sides_now(), self.sides)
        self.remembered = (self._pairing(), force)
        return work

    def friction(self, u: Array) -> tuple[Array, Array]:
        """Slip increment of this step and friction force (n, k)."""
        st = self.settings
        slide = self._slide(u, (self.partner, self.place, self.held, self.before, self.before_partner))
        force = st.friction * self.held[..., 0] * np.clip((self.slip + slide) / st.slip, -1, 1)
        return slide, force if self.friction_on else 0 * force

    def _angle_at(self, partner: Index, place: Array) -> Array:
        """Rest angle (n, m) of the partner's section at the foot point, from the nearest contact station and its slope along s."""
        rod, pt, tab = self.rod, self.points, self.points.tables
        first = np.searchsorted(pt.element, np.arange(len(rod.dofs) + 1))
        there = np.maximum(partner, 0)
        count = first[there + 1] - first[there]
        nearest = first[there] + np.clip((place * count).astype(np.int64), 0, count - 1)
        station = rod.nodes[there] + place * (rod.nodes[there + 1] - rod.nodes[there])
        return np.asarray(tab.angle[nearest] + tab.angle_s[nearest] * (station - pt.stations[nearest])[:, None])

    def _sides_now(self) -> Array:
        """+1 where the held direction points to the partner's axle side, else -1 (n,)."""
        return np.where(self.held[:, 0, 4] >= 0.0, 1.0, -1.0)

    def _pairing(self) -> Pairing:
        return (self.partner.copy(), self.place.copy(), self.held.copy(), self.before.copy(), self.before_partner.copy())

    def _slide(self, u: Array, pairing: Pairing) -> Array:
        """Motion of the two faces along the held directions since the last step (n, k); zero without force."""
        rod, pt, tab = self.rod, self.points, self.points.tables
        return _slide_kernel(u, rod.dofs, rod.nodes, pt.element, pt.shape, rod.modes, tab.angle, self._angle_at(*pairing[:2]), tab.mode, tab.rule.to, *pairing)

    def safe_fraction(self, u: Array, move: Array) -> float:
        """Largest part of a move that lets no pair come closer than its gap plus SAFE_DEPTH of the thickness."""
        paired = self.partner >= 0
        if not np.any(paired):
            return 1.0
        here, there = self._distance(u)[paired], self._distance(u + move)[paired]
        room = np.maximum(here - self.rod.strip.thickness, 0.0) + SAFE_DEPTH * self.rod.strip.thickness
        return float(min(1.0, (room / np.maximum(here - there, 1e-12)).min()))

    def _distance(self, u: Array) -> Array:
        """Distance (n, k) of the paired mid-surfaces along the held direction."""
        rod, pt, tab = self.rod, self.points, self.points.tables
        return _distance_kernel(u, rod.dofs, rod.nodes, pt.element, pt.shape, rod.modes, tab.angle, self.foot_angle, tab.mode, tab.rule.to,
                                self.partner, self.place, self.held)

    def gaps(self) -> Array:
        """Gap (n, k) at the held pairs [mm] (inf where there is no partner)."""
        return np.where(self.partner[:, None] >= 0, self.held[..., 5], np.inf)

    def evaluate(self, u: Array, order: int) -> Evaluation:
        """Energy, gradient and one block per paired station."""
        rod, pt, st = self.rod, self.points, self.settings
        width = 4 * (2 + rod.modes)
        chosen = np.flatnonzero(self.partner >= 0)
        gradient = np.zeros(rod.size)
        count = len(rod.dofs)
        pairs, inverse = np.unique(pt.element[chosen] * count + self.partner[chosen], return_inverse=True)
        dofs = np.concatenate([rod.dofs[pairs // count, :width], rod.dofs[pairs % count, :width]], axis=1)
        blocks = np.zeros((len(pairs) if order > 1 else 0, 2 * width, 2 * width))
        numbers = np.array([st.stiffness, st.onset, st.slip, st.friction if self.friction_on else 0.0, rod.strip.thickness, float(self.coupled)])
        tab = pt.tables
        energy = _wrap_kernel(order, u, rod.dofs, rod.nodes, pt.element, pt.shape, pt.area, rod.modes, tab.angle, self.foot_angle, tab.mode,
                              tab.rule.to, self.partner, self.place, self.held, self.slip, self.before, self.before_partner,
                              numbers, chosen, inverse.ravel().astype(np.int64), gradient, blocks)
        return Evaluation(energy, gradient, (Blocks(dofs, blocks),) if order > 1 else ())


@njit(cache=True)  # type: ignore[untyped-decorator]
def hermite_row(t, size, out):  # type: ignore[no-untyped-def]
    """Value and slope functions of one element at t, out (2, 4)."""
    t2, t3 = t * t, t * t * t
    out[0, 0], out[0, 1], out[0, 2], out[0, 3] = 1 - 3 * t2 + 2 * t3, (t - 2 * t2 + t3) * size, 3 * t2 - 2 * t3, (t3 - t2) * size
    out[1, 0], out[1, 1] = (-6 * t + 6 * t2) / size, 1 - 4 * t + 3 * t2
    out[1, 2], out[1, 3] = (6 * t - 6 * t2) / size, -2 * t + 3 * t2


@njit(cache=True)  # type: ignore[untyped-decorator]
def _mid(u, dofs, shape):  # type: ignore[no-untyped-def]
    x, y, dx, dy = 0.0, 0.0, 0.0, 0.0
    for i in range(4):
        x += shape[0, i] * u[dofs[i]]
        y += shape[0, i] * u[dofs[4 + i]]
        dx += shape[1, i] * u[dofs[i]]
        dy += shape[1, i] * u[dofs[4 + i]]
    return x, y, dx, dy


@njit(cache=True)  # type: ignore[untyped-decorator]
def _pair_kernel(u, dofs, nodes, stations, element, shape, reach, reachable, partner, place):  # type: ignore[no-untyped-def]
    """Nearest place further out for each station; -1 where none is within `reachable`."""
    n, elements = len(stations), len(nodes) - 1
    samples = 2
    px, py = np.empty(elements * samples), np.empty(elements * samples)
    row = np.zeros((2, 4))
    for e in range(elements):
        size = nodes[e + 1] - nodes[e]
        for i in range(samples):
            hermite_row((i + 0.5) / samples, size, row)
            px[e * samples + i], py[e * samples + i], _, _ = _mid(u, dofs[e], row)
    for p in range(n):
        x, y, _, _ = _mid(u, dofs[element[p]], shape[p])
        best, best_d = -1, 1e30
        for i in range(elements * samples):
            e = i // samples
            s = nodes[e] + ((i % samples) + 0.5) / samples * (nodes[e + 1] - nodes[e])
            if s - stations[p] < reach:
                continue
            d = (px[i] - x) ** 2 + (py[i] - y) ** 2
            if d < best_d:
                best, best_d = i, d
        partner[p] = -1
        if best < 0 or best_d > (reachable + nodes[1]) ** 2 * 4:
            continue
        e, t = best // samples, ((best % samples) + 0.5) / samples
        ok = False
        for _ in range(30):
            size = nodes[e + 1] - nodes[e]
            hermite_row(t, size, row)
            cx, cy, dx, dy = _mid(u, dofs[e], row)
            step = ((x - cx) * dx + (y - cy) * dy) / (dx * dx + dy * dy)
            t += step / size
            if t < 0.0:
                if e == 0:
                    break
                e -= 1
                t = 1.0 + t * size / (nodes[e + 1] - nodes[e])
                if t < 0.0:
                    t = 0.5
            elif t > 1.0:
                if e == elements - 1:
                    break
                e += 1
                t = (t - 1.0) * size / (nodes[e + 1] - nodes[e])
                if t > 1.0:
                    t = 0.5
            if abs(step) < 1e-12 * (1.0 + abs(x) + abs(y)) or abs(step) < 1e-10:
                ok = True
                break
        if not ok:
            continue
        size = nodes[e + 1] - nodes[e]
        if nodes[e] + t * size - stations[p] < 0.9 * reach:
            continue
        hermite_row(t, size, row)
        cx, cy, _, _ = _mid(u, dofs[e], row)
        if (cx - x) ** 2 + (cy - y) ** 2 < reachable**2:
            partner[p] = e
            place[p] = t


@njit(cache=True)  # type: ignore[untyped-decorator]
def _section_at(u, dofs, shape, M, angle, mode, to, height, hm, hmn):  # type: ignore[no-untyped-def]
    """Heights (k,) on the lines and their derivatives with respect to the opening amplitudes."""
    k, m = to.shape
    height[:] = 0.0
    hm[:, :] = 0.0
    hmn[:, :, :] = 0.0
    for j in range(m):
        phi = angle[j]
        for a in range(M):
            amp = 0.0
            for i in range(4):
                amp += shape[0, i] * u[dofs[8 + 4 * a + i]]
            phi += amp * mode[j, a]
        s, c = np.sin(phi), np.cos(phi)
        for line in range(k):
            wt = to[line, j]
            height[line] += wt * s
            for a in range(M):
                hm[line, a] += wt * c * mode[j, a]
                for b in range(M):
                    hmn[line, a, b] -= wt * s * mode[j, a] * mode[j, b]


@njit(cache=True)  # type: ignore[untyped-decorator]
def _nearest_station(element, first, e, t):  # type: ignore[no-untyped-def]
    """Contact station of element e nearest to t: its section tables stand for the partner's."""
    count = first[e + 1] - first[e]
    i = int(t * count)
    return first[e] + min(max(i, 0), count - 1)


@njit(cache=True)  # type: ignore[untyped-decorator]
def _first(element, elements):  # type: ignore[no-untyped-def]
    first = np.zeros(elements + 1, np.int64)
    for p in range(len(element)):
        first[element[p] + 1] += 1
    for e in range(elements):
        first[e + 1] += first[e]
    return first


@njit(cache=True)  # type: ignore[untyped-decorator]
def _side_of(last, own, other, shape, row, near, kept):  # type: ignore[no-untyped-def]
    """Side of the partner on which the point lay at the last accepted state; the kept one when it was too near to tell."""
    x, y, _, _ = _mid(last, own, shape)
    X, Y, DX, DY = _mid(last, other, row)
    away = (-(x - X) * DY + (y - Y) * DX) / np.sqrt(DX * DX + DY * DY)
    if abs(away) > near:
        return 1.0 if away > 0.0 else -1.0
    return kept


@njit(cache=True)  # type: ignore[untyped-decorator]
def _hold_kernel(u, last, dofs, nodes, element, shape, M, angle, foot_angle, mode, to, partner, place, thickness, sides, held,
                 before, before_partner):  # type: ignore[no-untyped-def]
    """held: force (set by caller), nu (2), own offset, partner's offset, gap; before: places of both faces at the last step."""
    n, k, m = to.shape
    first = _first(element, len(nodes) - 1)
    row = np.zeros((2, 4))
    ha, hb = np.zeros(k), np.zeros(k)
    hm, hmn = np.zeros((k, M)), np.zeros((k, M, M))
    for p in range(n):
        if partner[p] < 0:
            held[p, :, :] = 0.0
            continue
        e, f = element[p], partner[p]
        q = _nearest_station(element, first, f, place[p])
        hermite_row(place[p], nodes[f + 1] - nodes[f], row)
        x, y, dx, dy = _mid(u, dofs[e], shape[p])
        X, Y, DX, DY = _mid(u, dofs[f], row)
        l, L = np.sqrt(dx * dx + dy * dy), np.sqrt(DX * DX + DY * DY)
        nx, ny, Nx, Ny = -dy / l, dx / l, -DY / L, DX / L
        side = _side_of(last, dofs[e], dofs[f], shape[p], row, KEEP_SIDE * thickness, sides[p])
        vx, vy = side * Nx, side * Ny
        facing = vx * nx + vy * ny
        facing = facing if abs(facing) > 0.2 else (0.2 if facing > 0.0 else -0.2)
        _section_at(u, dofs[e], shape[p], M, angle[p], mode[p], to[p], ha, hm, hmn)
        _section_at(u, dofs[f], row, M, foot_angle[p], mode[q], to[q], hb, hm, hmn)
        for line in range(k):
            held[p, line, 1], held[p, line, 2] = vx, vy
            gx = x + ha[line] * nx - X - hb[line] * Nx
            gy = y + ha[line] * ny - Y - hb[line] * Ny
            distance = gx * vx + gy * vy
            # one interface for both, halfway, so that pressed wraps that turn together do not slip by their overlap
            held[p, line, 3], held[p, line, 4] = -0.5 * distance / facing, 0.5 * distance * side
            held[p, line, 5] = distance - thickness
        # where both faces were at the last accepted step
        x, y, dx, dy = _mid(last, dofs[e], shape[p])
        X, Y, DX, DY = _mid(last, dofs[f], row)
        l, L = np.sqrt(dx * dx + dy * dy), np.sqrt(DX * DX + DY * DY)
        _section_at(last, dofs[e], shape[p], M, angle[p], mode[p], to[p], ha, hm, hmn)
        _section_at(last, dofs[f], row, M, foot_angle[p], mode[q], to[q], hb, hm, hmn)
        for line in range(k):
            own, other = held[p, line, 3], held[p, line, 4]
            before[p, line, 0], before[p, line, 1] = x - (ha[line] + own) * dy / l, y + (ha[line] + own) * dx / l
            before_partner[p, line, 0] = X - (hb[line] + other) * DY / L
            before_partner[p, line, 1] = Y + (hb[line] + other) * DX / L


@njit(cache=True)  # type: ignore[untyped-decorator]
def _distance_kernel(u, dofs, nodes, element, shape, M, angle, foot_angle, mode, to, partner, place, held):  # type: ignore[no-untyped-def]
    n, k, m = to.shape
    first = _first(element, len(nodes) - 1)
    row = np.zeros((2, 4))
    ha, hb = np.zeros(k), np.zeros(k)
    hm, hmn = np.zeros((k, M)), np.zeros((k, M, M))
    out = np.full((n, k), np.inf)
    for p in range(n):
        if partner[p] < 0:
            continue
        e, f = element[p], partner[p]
        q = _nearest_station(element, first, f, place[p])
        hermite_row(place[p], nodes[f + 1] - nodes[f], row)
        x, y, dx, dy = _mid(u, dofs[e], shape[p])
        X, Y, DX, DY = _mid(u, dofs[f], row)
        l, L = np.sqrt(dx * dx + dy * dy), np.sqrt(DX * DX + DY * DY)
        _section_at(u, dofs[e], shape[p], M, angle[p], mode[p], to[p], ha, hm, hmn)
        _section_at(u, dofs[f], row, M, foot_angle[p], mode[q], to[q], hb, hm, hmn)
        for line in range(k):
            gx = x - ha[line] * dy / l - X + hb[line] * DY / L
            gy = y + ha[line] * dx / l - Y - hb[line] * DX / L
            out[p, line] = gx * held[p, line, 1] + gy * held[p, line, 2]
    return out


@njit(cache=True)  # type: ignore[untyped-decorator]
def _slide_kernel(u, dofs, nodes, element, shape, M, angle, foot_angle, mode, to, partner, place, held, before, before_partner):  # type: ignore[no-untyped-def]
    n, k, m = to.shape
    first = _first(element, len(nodes) - 1)
    row = np.zeros((2, 4))
    ha, hb = np.zeros(k), np.zeros(k)
    hm, hmn = np.zeros((k, M)), np.zeros((k, M, M))
    out = np.zeros((n, k))
    for p in range(n):
        if partner[p] < 0:
            continue
        e, f = element[p], partner[p]
        q = _nearest_station(element, first, f, place[p])
        hermite_row(place[p], nodes[f + 1] - nodes[f], row)
        x, y, dx, dy = _mid(u, dofs[e], shape[p])
        X, Y, DX, DY = _mid(u, dofs[f], row)
        l, L = np.sqrt(dx * dx + dy * dy), np.sqrt(DX * DX + DY * DY)
        _section_at(u, dofs[e], shape[p], M, angle[p], mode[p], to[p], ha, hm, hmn)
        _section_at(u, dofs[f], row, M, foot_angle[p], mode[q], to[q], hb, hm, hmn)
        for line in range(k):
            own, other = held[p, line, 3], held[p, line, 4]
            mx = x - (ha[line] + own) * dy / l - before[p, line, 0] - (X - (hb[line] + other) * DY / L - before_partner[p, line, 0])
            my = y + (ha[line] + own) * dx / l - before[p, line, 1] - (Y + (hb[line] + other) * DX / L - before_partner[p, line, 1])
            if held[p, line, 0] > 0.0:
                out[p, line] = -mx * held[p, line, 2] + my * held[p, line, 1]
    return out


@njit(cache=True)  # type: ignore[untyped-decorator]
def _curvature(u, dofs, t, size, dx, dy):  # type: ignore[no-untyped-def]
    """Curvature of the mid-line at place t of an element."""
    second = ((-6 + 12 * t) / size**2, (-4 + 6 * t) / size, (6 - 12 * t) / size**2, (-2 + 6 * t) / size)
    ddx, ddy = 0.0, 0.0
    for i in range(4):
        ddx += second[i] * u[dofs[i]]
        ddy += second[i] * u[dofs[4 + i]]
    return (dx * ddy - dy * ddx) / (dx * dx + dy * dy) ** 1.5


@njit(cache=True)  # type: ignore[untyped-decorator]
def _turning(kind, force, side, curve, distance, row_t, row_turn, across, Hl):  # type: ignore[no-untyped-def]
    """Tangent of a pair's direction, which turns with the partner's tangent at the moving foot point.

    With tau the relative motion along the partner and Theta its turning, the foot moves by
    (tau + d Theta)/(1 - kappa d) and the distance has the second variation -(kappa tau^2 + 2 tau Theta + d Theta^2)/(1 - kappa d).
    """
    n = len(row_t)
    d = side * distance
    stretch = 1.0 - curve * d
    if abs(stretch) < 0.2:
        stretch = 0.2 if stretch > 0 else -0.2
    if kind == 0:
        scale = -force * side / stretch
        for a in range(n):
            for b in range(n):
                Hl[a, b] += scale * (curve * row_t[a] * row_t[b] + row_t[a] * row_turn[b] + row_turn[a] * row_t[b]
                                     + d * row_turn[a] * row_turn[b])
        return
    for b in range(n):
        turn = row_turn[b] + curve * (row_t[b] + d * row_turn[b]) / stretch
        for a in range(n):
            Hl[a, b] -= force * across[a] * turn


@njit(cache=True)  # type: ignore[untyped-decorator]
def _wrap_kernel(order, u, dofs, nodes, element, shape, area, M, angle, foot_angle, mode, to, partner, place, held, slip, before,
                 before_partner, numbers, chosen, which, gradient, blocks):  # type: ignore[no-untyped-def]
    n, k, m = to.shape
    L = 4 + M
    stiffness, onset, elastic, mu, thickness, coupled = numbers
    first = _first(element, len(nodes) - 1)
    row = np.zeros((2, 4))
    ha, hb = np.zeros(k), np.zeros(k)
    hma, hmna, hmb, hmnb = np.zeros((k, M)), np.zeros((k, M, M)), np.zeros((k, M)), np.zeros((k, M, M))
    gl, Hl = np.zeros(2 * L), np.zeros((2 * L, 2 * L))
    Haa, Hbb = np.zeros((L, L)), np.zeros((L, L))
    ra, rb, r2, across = np.zeros(L), np.zeros(L), np.zeros(2 * L), np.zeros(2 * L)
    row_t, row_turn = np.zeros(2 * L), np.zeros(2 * L)
    energy = 0.0
    for c in range(len(chosen)):
        p = chosen[c]
        e, f = element[p], partner[p]
        q = _nearest_station(element, first, f, place[p])
        hermite_row(place[p], nodes[f + 1] - nodes[f], row)
        x, y, dx, dy = _mid(u, dofs[e], shape[p])
        X, Y, DX, DY = _mid(u, dofs[f], row)
        l, LL = np.sqrt(dx * dx + dy * dy), np.sqrt(DX * DX + DY * DY)
        tx, ty, Tx, Ty = dx / l, dy / l, DX / LL, DY / LL
        _section_at(u, dofs[e], shape[p], M, angle[p], mode[p], to[p], ha, hma, hmna)
        _section_at(u, dofs[f], row, M, foot_angle[p], mode[q], to[q], hb, hmb, hmnb)
        gl[:] = 0.0
        Hl[:, :] = 0.0
        Haa[:, :] = 0.0
        Hbb[:, :] = 0.0
        touched = False
        curve = _curvature(u, dofs[f], place[p], nodes[f + 1] - nodes[f], DX, DY) if coupled > 0.0 else 0.0
        for line in range(k):
            vx, vy, own, other = held[p, line, 1], held[p, line, 2], held[p, line, 3], held[p, line, 4]
            gx = x - ha[line] * ty - X + hb[line] * Ty
            gy = y + ha[line] * tx - Y - hb[line] * Tx
            gap = gx * vx + gy * vy - thickness
            normal, normal_stiff = 0.0, 0.0
            for kind in range(2):
                if kind == 0:
                    if gap >= 0.0:
                        continue
                    value, force, stiff = penalty(gap, stiffness, onset)
                    value, force, stiff = value * area[p, line], -force * area[p, line], stiff * area[p, line]
                    wx, wy, Ha, Hb = vx, vy, ha[line], hb[line]
                    normal, normal_stiff = -force, stiff
                else:
                    limit = mu * (normal if coupled > 0.0 else held[p, line, 0])
                    if limit <= 0.0:
                        continue
                    wx, wy, Ha, Hb = -vy, vx, ha[line] + own, hb[line] + other
                    mx = x - Ha * ty - before[p, line, 0] - (X - Hb * Ty - before_partner[p, line, 0])
                    my = y + Ha * tx - before[p, line, 1] - (Y + Hb * Tx - before_partner[p, line, 1])
                    value, force, stiff = sliding(slip[p, line] + mx * wx + my * wy, limit, elastic)
                touched = True
                energy += value
                if order == 0:
                    continue
                point_first(wx, wy, Ha, tx, ty, -ty, tx, l, hma[line], M, ra)
                point_first(wx, wy, Hb, Tx, Ty, -Ty, Tx, LL, hmb[line], M, rb)
                for a in range(L):
                    r2[a], r2[L + a] = ra[a], -rb[a]
                for a in range(2 * L):
                    gl[a] += force * r2[a]
                if kind == 0:
                    across[:] = r2
                if order > 1 and coupled > 0.0:
                    point_first(Tx, Ty, Ha, tx, ty, -ty, tx, l, hma[line], M, ra)
                    point_first(Tx, Ty, Hb, Tx, Ty, -Ty, Tx, LL, hmb[line], M, rb)
                    for a in range(L):
                        row_t[a], row_t[L + a] = ra[a], -rb[a]
                    row_turn[L + 2], row_turn[L + 3] = -Ty / LL, Tx / LL
                if order > 1:
                    if coupled > 0.0:
                        _turning(kind, force, -vx * Ty + vy * Tx, curve, gap + thickness, row_t, row_turn, across, Hl)
                    if kind == 1 and coupled > 0.0:
                        part = force / normal * normal_stiff
                        for a in range(2 * L):
                            for b in range(2 * L):
                                Hl[a, b] -= part * r2[a] * across[b]
                    for a in range(2 * L):
                        for b in range(2 * L):
                            Hl[a, b] += stiff * r2[a] * r2[b]
                    point_second(force * wx, force * wy, Ha, tx, ty, -ty, tx, l, hma[line], hmna[line], M, Haa)
                    point_second(-force * wx, -force * wy, Hb, Tx, Ty, -Ty, Tx, LL, hmb[line], hmnb[line], M, Hbb)
        if not touched or order == 0:
            continue
        for a in range(L):
            for b in range(L):
                Hl[a, b] += Haa[a, b]
                Hl[L + a, L + b] += Hbb[a, b]
        width = 4 * (2 + M)
        block = which[c]
        for a in range(2 * L):
            fa, da = local_place(a % L)
            for i in range(4):
                sa = shape[p, da, i] if a < L else row[da, i]
                ea = e if a < L else f
                gradient[dofs[ea, 4 * fa + i]] += gl[a] * sa
                if order > 1:
                    ia = 4 * fa + i if a < L else width + 4 * fa + i
                    for b in range(2 * L):
                        value = Hl[a, b] * sa
                        if value == 0.0:
                            continue
                        fb, db = local_place(b % L)
                        for j in range(4):
                            sb = shape[p, db, j] if b < L else row[db, j]
                            ib = 4 * fb + j if b < L else width + 4 * fb + j
                            blocks[block, ia, ib] += value * sb
    return energy
