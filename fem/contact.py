"""Contact and Coulomb friction between the rod and thick curves, as one term of the potential.

Contact points sit at stations finer than the quadrature and on lines across the half width (mid-line, edge and between). A
point is p = r + h n, the height h following the opening of the section. The pressure grows linearly with penetration after a
quadratic onset, so its energy is smooth.

Friction is incremental: while one step is solved, the normal force N and the direction of sliding are held at their last values
(they are renewed between solves), and the friction energy is mu N psi(slip), with psi quadratic up to the
elastic slip and linear beyond; its derivative is the return mapping of an elastic-perfectly-sliding law. Slip is
that of the strip's face, half a thickness from the mid-surface, against the surface of the wall, which may turn.
Energy, gradient and tangent are exact derivatives of one another, which the tests check by finite differences.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numba import njit

from fem.equilibrium import Array, Blocks, Evaluation, Index
from fem.gap import wall_gap
from fem.obstacle import Wall, wall_table
from fem.rod import Rod, SectionTables, hermite, section_tables

LINES = 4
SAFE_DEPTH = 0.4


@dataclass(frozen=True)
class ContactPoints:
    """Stations and lines where the rod can touch.

    stations (n,), element (n,), shape (n, 2, 4) value and slope functions, length (n,) of strip per station; line weights
    (k,) of the whole width; tables: section tables with rule.to (n, k, m) up to the lines.
    """

    stations: Array
    element: Index
    shape: Array
    area: Array
    tables: SectionTables

    @property
    def lengths(self) -> Array:
        """Length of strip (n,) [mm] that each station stands for."""
        width = 2 * np.asarray(self.tables.rule.weight.sum(axis=1))
        return np.asarray(self.area.sum(axis=1) / width)


def contact_points(rod: Rod, spacing: float) -> ContactPoints:
    """Points at most `spacing` mm apart along the strip, on LINES lines from mid-line to free edge."""
    sizes = np.diff(rod.nodes)
    per = np.maximum(2, np.ceil(sizes / spacing)).astype(np.int64)
    element = np.repeat(np.arange(len(sizes)), per)
    local = np.concatenate([(np.arange(n) + 0.5) / n for n in per])
    size = sizes[element]
    stations = rod.nodes[element] + local * size
    table = hermite(local, size)
    shape = np.stack([np.stack([f[d] for f in table], axis=-1) for d in (0, 1)], axis=1)
    place, weight = lobatto(LINES)
    half = 0.5 * rod.strip.width_at(stations)
    targets = half[:, None] * place[None, :]
    tables = section_tables(rod.strip, stations, targets, rod.modes)
    area = (size / per[element])[:, None] * 2 * half[:, None] * weight[None, :]
    return ContactPoints(stations, element.astype(np.int64), shape, area, tables)


def lobatto(count: int) -> tuple[Array, Array]:
    """Gauss-Lobatto places and weights on [0, 1] (both ends included)."""
    inner = np.polynomial.legendre.Legendre.basis(count - 1).deriv().roots()
    x = np.concatenate([[-1.0], np.sort(inner.real), [1.0]])
    w = 2 / (count * (count - 1) * np.polynomial.legendre.Legendre.basis(count - 1)(x) ** 2)
    return 0.5 * (x + 1), 0.5 * w


@dataclass(frozen=True)
class ContactSettings:
    """stiffness [N/mm^3], onset of the penalty [mm], elastic slip [mm]; friction coefficient of the strip on walls."""

    stiffness: float
    onset: float
    slip: float
    friction: float


@dataclass
class WallContact:
    """Contact and friction of the rod with walls.

    Call `hold(u)` to renew the held normal forces and directions, `accept(u)` once a step is taken.
    """

    rod: Rod
    points: ContactPoints
    walls: tuple[Wall, ...]
    settings: ContactSettings
    table: Array = field(init=False)
    held: Array = field(init=False)
    slip: Array = field(init=False)
    before: Array = field(init=False)
    remembered: tuple[Array, Array] = field(init=False)
    dofs: Index = field(init=False)
    turn: float = 0.0
    friction_on: bool = True
    coupled: bool = False

    def __post_init__(self) -> None:
        self.table = wall_table(self.walls)
        n, k = self.points.area.shape
        self.dofs = np.ascontiguousarray(self.rod.dofs[:, : 4 * (2 + self.rod.modes)])
        self.held = np.zeros((n, k, len(self.walls), 4))
        self.slip = np.zeros((n, k, len(self.walls)))
        self.before = np.zeros((n, k, 5))
        self.remembered = (self.held.copy(), self.slip.copy())

    def move_walls(self, walls: tuple[Wall, ...]) -> None:
        """Put the same walls elsewhere (assembly)."""
        self.walls, self.table = walls, wall_table(walls)

    def start(self, u: Array) -> None:
        """Forget all friction; the present place is where slip is counted from."""
        self.slip[:] = 0.0
        self.hold(u)
        self.before = self._places(u)
        self.remembered = (self.held.copy(), np.zeros_like(self.slip))

    def hold(self, u: Array) -> float:
        """Renew held normal force, sliding direction and face offset; returns the relative change of the forces."""
        old = self.held[..., 0].copy()
        state = self._state(u)
        gap, nx, ny = state[..., 0], state[..., 1], state[..., 2]
        st = self.settings
        force = self.points.area[:, :, None] * pressure(gap, st.stiffness, st.onset)
        self.held[..., 0], self.held[..., 1], self.held[..., 2] = force, -ny, nx
        self.held[..., 3] = -0.5 * self.rod.strip.thickness * state[..., 3]
        scale = np.abs(force).sum()
        return float(np.abs(force - old).sum() / scale) if scale > 0 else 0.0

    def accept(self, u: Array) -> float:
        """Take the step: store the elastic slip, renew what is held. Returns the friction work of the step [N mm]."""
        st = self.settings
        slide, force = self.friction(u)
        before_held, before_force = self.remembered
        work = 0.5 * float((force * slide).sum() + (before_force * self._slide(u, before_held)).sum())
        self.slip = np.where(self.held[..., 0] > 0, np.clip(self.slip + slide, -st.slip, st.slip), 0.0)
        self.before = self._places(u)
        self.hold(u)
        self.remembered = (self.held.copy(), force)
        return work

    def friction(self, u: Array) -> tuple[Array, Array]:
        """Slip increment of this step and friction force (n, k, walls)."""
        st = self.settings
        slide = self._slide(u, self.held)
        force = st.friction * self.held[..., 0] * np.clip((self.slip + slide) / st.slip, -1, 1)
        return slide, force if self.friction_on else 0 * force

    def _slide(self, u: Array, held: Array) -> Array:
        """Motion of the faces along the held directions since the last step (n, k, walls); zero without force."""
        places, off = self._places(u), held[..., 3]
        now = places[:, :, None, :2] + (places[:, :, None, 4:5] + off[..., None]) * places[:, :, None, 2:4]
        was = self.before[:, :, None, :2] + (self.before[:, :, None, 4:5] + off[..., None]) * self.before[:, :, None, 2:4]
        carried = _turned(was, self.table, self.turn)
        slide = (now[..., 0] - carried[..., 0]) * held[..., 1] + (now[..., 1] - carried[..., 1]) * held[..., 2]
        return np.where(held[..., 0] > 0, slide, 0.0)

    def axle_moment(self, u: Array) -> float:
        """Moment [N mm] of the friction force on turning walls about the origin, resisting clockwise turning."""
        _, force = self.friction(u)
        off = self.held[..., 3]
        was = self.before[:, :, None, :2] + (self.before[:, :, None, 4:5] + off[..., None]) * self.before[:, :, None, 2:4]
        carried = _turned(was, self.table, self.turn)
        # d(carried)/d(turn) for clockwise turning is (y, -x); friction pulls the wall with -force * direction
        rate = carried[..., 1] * self.held[..., 1] - carried[..., 0] * self.held[..., 2]
        turning = self.table[:, 9] > 0
        return float(-(force * rate * turning).sum())

    def safe_fraction(self, u: Array, move: Array) -> float:
        """Largest part of a move that lets no point jump through a wall.

        A point may go as far as its gap plus SAFE_DEPTH of the way to the wall's core, where the side would change.
        """
        here, there = self._places(u), self._places(u + move)
        step = there[..., :2] + there[..., 4:5] * there[..., 2:4] - here[..., :2] - here[..., 4:5] * here[..., 2:4]
        length = np.hypot(step[..., 0], step[..., 1])[:, :, None]
        half = 0.5 * self.rod.strip.thickness
        gap = _state_kernel(here, self.table, half)[..., 0]
        room = np.maximum(gap, 0.0) + SAFE_DEPTH * (np.maximum(self.table[:, 3], 0.0) + half)
        return float(min(1.0, (room / np.maximum(length, 1e-12)).min()))

    def forces(self, u: Array) -> Array:
        """Normal contact force (n, k, walls) [N] over the whole width."""
        st = self.settings
        return np.asarray(self.points.area[:, :, None] * pressure(self._state(u)[..., 0], st.stiffness, st.onset))

    def gaps(self, u: Array) -> Array:
        """Gap (n, k, walls) [mm] between the strip's face and each wall."""
        return np.asarray(self._state(u)[..., 0])

    def evaluate(self, u: Array, order: int) -> Evaluation:
        """Contact and held-friction energy, gradient and element blocks."""
        rod, pt, st = self.rod, self.points, self.settings
        width, dofs = self.dofs.shape[1], self.dofs
        gradient = np.zeros(rod.size)
        blocks = np.zeros((len(dofs) if order > 1 else 0, width, width))
        numbers = np.array([st.stiffness, st.onset, st.slip, st.friction if self.friction_on else 0.0,
                            0.5 * rod.strip.thickness, self.turn, rod.strip.width, float(self.coupled)])
        tab = pt.tables
        energy = _contact_kernel(order, u, dofs, pt.element, pt.shape, pt.area, rod.modes, tab.angle, tab.mode, tab.rule.to,
                                 self.table, self.held, self.slip, self.before, numbers, gradient, blocks)
        return Evaluation(energy, gradient, (Blocks(dofs, blocks),) if order > 1 else ())

    def mid_line(self, u: Array) -> Array:
        """Places (n, 2) [mm] of the mid-line at the contact stations."""
        return np.asarray(self._places(u)[:, 0, :2])

    def _places(self, u: Array) -> Array:
        """(n, k, 5): mid-line x, y, normal nx, ny and height h of every contact point."""
        pt, tab = self.points, self.points.tables
        return _places_kernel(u, self.rod.dofs, pt.element, pt.shape, self.rod.modes, tab.angle, tab.mode, tab.rule.to)

    def _state(self, u: Array) -> Array:
        """(n, k, walls, 4): gap, wall normal, cosine between wall normal and strip normal."""
        return _state_kernel(self._places(u), self.table, 0.5 * self.rod.strip.thickness)


def pressure(gap: Array, stiffness: float, onset: float) -> Array:
    """Contact pressure [MPa] of a penalty with quadratic onset."""
    depth = np.maximum(-gap, 0.0)
    return np.where(depth < onset, stiffness * depth**2 / (2 * onset), stiffness * (depth - 0.5 * onset))


def _turned(place: Array, table: Array, turn: float) -> Array:
    """Points carried by walls that turn clockwise about the origin by `turn`."""
    c, s = np.cos(turn), np.sin(turn)
    x, y = place[..., 0], place[..., 1]
    turning = table[:, 9] > 0
    return np.stack([np.where(turning, c * x + s * y, x), np.where(turning, -s * x + c * y, y)], axis=-1)


@njit(cache=True)  # type: ignore[untyped-decorator]
def _places_kernel(u, dofs, element, shape, M, angle, mode, to):  # type: ignore[no-untyped-def]
    n, k, m = to.shape
    out = np.zeros((n, k, 5))
    for p in range(n):
        e = element[p]
        x, y, dx, dy = 0.0, 0.0, 0.0, 0.0
        for i in range(4):
            x += shape[p, 0, i] * u[dofs[e, i]]
            y += shape[p, 0, i] * u[dofs[e, 4 + i]]
            dx += shape[p, 1, i] * u[dofs[e, i]]
            dy += shape[p, 1, i] * u[dofs[e, 4 + i]]
        length = np.sqrt(dx * dx + dy * dy)
        for j in range(m):
            phi = angle[p, j]
            for a in range(M):
                b = 0.0
                for i in range(4):
                    b += shape[p, 0, i] * u[dofs[e, 8 + 4 * a + i]]
                phi += b * mode[p, j, a]
            s = np.sin(phi)
            for line in range(k):
                out[p, line, 4] += to[p, line, j] * s
        for line in range(k):
            out[p, line, 0], out[p, line, 1] = x, y
            out[p, line, 2], out[p, line, 3] = -dy / length, dx / length
    return out


@njit(cache=True)  # type: ignore[untyped-decorator]
def _state_kernel(places, table, half):  # type: ignore[no-untyped-def]
    n, k, _ = places.shape
    walls = len(table)
    out = np.zeros((n, k, walls, 4))
    for p in range(n):
        for line in range(k):
            nx, ny, h = places[p, line, 2], places[p, line, 3], places[p, line, 4]
            px, py = places[p, line, 0] + h * nx, places[p, line, 1] + h * ny
            for w in range(walls):
                gap, gx, gy, _ = wall_gap(table[w], px, py)
                out[p, line, w, 0] = gap - half
                out[p, line, w, 1], out[p, line, w, 2] = gx, gy
                out[p, line, w, 3] = gx * nx + gy * ny
    return out


@njit(cache=True)  # type: ignore[untyped-decorator]
def point_second(gx, gy, H, tx, ty, nx, ny, length, hm, hmn, M, out):  # type: ignore[no-untyped-def]
    """Add g . d2p to out (4+M, 4+M) for p = r + H n(r'), local unknowns (r, r', b_m)."""
    gn, gt = gx * nx + gy * ny, gx * tx + gy * ty
    l2 = length * length
    h0, h1 = nx / length, ny / length
    hxx, hxy, hyy = -2 * tx * nx / l2, -(tx * ny + nx * ty) / l2, -2 * ty * ny / l2
    out[2, 2] += H * (-gn * h0 * h0 - gt * hxx)
    out[2, 3] += H * (-gn * h0 * h1 - gt * hxy)
    out[3, 2] += H * (-gn * h0 * h1 - gt * hxy)
    out[3, 3] += H * (-gn * h1 * h1 - gt * hyy)
    for a in range(M):
        out[2, 4 + a] -= hm[a] * gt * h0
        out[4 + a, 2] -= hm[a] * gt * h0
        out[3, 4 + a] -= hm[a] * gt * h1
        out[4 + a, 3] -= hm[a] * gt * h1
        for b in range(M):
            out[4 + a, 4 + b] += gn * hmn[a, b]


@njit(cache=True)  # type: ignore[untyped-decorator]
def point_first(gx, gy, H, tx, ty, nx, ny, length, hm, M, out):  # type: ignore[no-untyped-def]
    """g . dp (4+M,) for p = r + H n(r')."""
    gn, gt = gx * nx + gy * ny, gx * tx + gy * ty
    out[0], out[1] = gx, gy
    out[2] = -H * gt * nx / length
    out[3] = -H * gt * ny / length
    for a in range(M):
        out[4 + a] = hm[a] * gn


@njit(cache=True)  # type: ignore[untyped-decorator]
def penalty(gap, stiffness, onset):  # type: ignore[no-untyped-def]
    """Energy, force and stiffness per area of the penalty at a gap."""
    depth = -gap
    if depth <= 0.0:
        return 0.0, 0.0, 0.0
    if depth < onset:
        return stiffness * depth**3 / (6 * onset), stiffness * depth**2 / (2 * onset), stiffness * depth / onset
    return (stiffness * (0.5 * depth * depth - 0.5 * onset * depth + onset * onset / 6), stiffness * (depth - 0.5 * onset),
            stiffness)


@njit(cache=True)  # type: ignore[untyped-decorator]
def sliding(total, limit, slip):  # type: ignore[no-untyped-def]
    """Energy, force and stiffness of held friction of strength `limit` at a slip."""
    if abs(total) < slip:
        return limit * total * total / (2 * slip), limit * total / slip, limit / slip
    sign = 1.0 if total > 0 else -1.0
    return limit * (abs(total) - 0.5 * slip), limit * sign, 0.0


@njit(cache=True)  # type: ignore[untyped-decorator]
def _contact_kernel(order, u, dofs, element, shape, area, M, angle, mode, to, table, held, slip, before, numbers,
                    gradient, blocks):  # type: ignore[no-untyped-def]
    n, k, m = to.shape
    walls = len(table)
    L = 4 + M
    stiffness, onset, elastic, mu, half, turn, width, coupled = numbers
    ct, st = np.cos(turn), np.sin(turn)
    energy = 0.0
    height, hm, hmn = np.zeros(k), np.zeros((k, M)), np.zeros((k, M, M))
    gl, Hl, row, across, along = np.zeros(L), np.zeros((L, L)), np.zeros(L), np.zeros(L), np.zeros(L)
    amp = np.zeros(M)
    for p in range(n):
        e = element[p]
        x, y, dx, dy = 0.0, 0.0, 0.0, 0.0
        for i in range(4):
            x += shape[p, 0, i] * u[dofs[e, i]]
            y += shape[p, 0, i] * u[dofs[e, 4 + i]]
            dx += shape[p, 1, i] * u[dofs[e, i]]
            dy += shape[p, 1, i] * u[dofs[e, 4 + i]]
        near = False
        for w in range(walls):
            gap, _, _, _ = wall_gap(table[w], x, y)
            if gap < half + 0.5 * width:
                near = True
            for line in range(k):
                if held[p, line, w, 0] > 0.0:
                    near = True
        if not near:
            continue
        length = np.sqrt(dx * dx + dy * dy)
        tx, ty = dx / length, dy / length
        nx, ny = -ty, tx
        for a in range(M):
            amp[a] = 0.0
            for i in range(4):
                amp[a] += shape[p, 0, i] * u[dofs[e, 8 + 4 * a + i]]
        height[:] = 0.0
        hm[:, :] = 0.0
        hmn[:, :, :] = 0.0
        for j in range(m):
            phi = angle[p, j]
            for a in range(M):
                phi += amp[a] * mode[p, j, a]
            s, c = np.sin(phi), np.cos(phi)
            for line in range(k):
                wt = to[p, line, j]
                height[line] += wt * s
                for a in range(M):
                    hm[line, a] += wt * c * mode[p, j, a]
                    for b in range(M):
                        hmn[line, a, b] -= wt * s * mode[p, j, a] * mode[p, j, b]
        touched = False
        gl[:] = 0.0
        Hl[:, :] = 0.0
        for line in range(k):
            h = height[line]
            px, py = x + h * nx, y + h * ny
            for w in range(walls):
                gap, gx, gy, curved = wall_gap(table[w], px, py)
                gap -= half
                normal, normal_stiff = 0.0, 0.0
                if gap < 0.0:
                    touched = True
                    value, force, stiff = penalty(gap, stiffness, onset)
                    value, force, stiff = value * area[p, line], force * area[p, line], stiff * area[p, line]
                    energy += value
                    normal, normal_stiff = force, stiff
                    if order > 0:
                        point_first(gx, gy, h, tx, ty, nx, ny, length, hm[line], M, row)
                        across[:] = row
                        for a in range(L):
                            gl[a] -= force * row[a]
                        if order > 1:
                            for a in range(L):
                                for b in range(L):
                                    Hl[a, b] += stiff * row[a] * row[b]
                            point_second(-force * gx, -force * gy, h, tx, ty, nx, ny, length, hm[line], hmn[line], M, Hl)
                            if curved != 0.0:
                                point_first(-gy, gx, h, tx, ty, nx, ny, length, hm[line], M, row)
                                for a in range(L):
                                    for b in range(L):
                                        Hl[a, b] -= force * curved * row[a] * row[b]
                limit = mu * (normal if coupled > 0.0 else held[p, line, w, 0])
                if limit > 0.0:
                    touched = True
                    sx, sy, off = held[p, line, w, 1], held[p, line, w, 2], held[p, line, w, 3]
                    bh = before[p, line, 4] + off
                    bx, by = before[p, line, 0] + bh * before[p, line, 2], before[p, line, 1] + bh * before[p, line, 3]
                    if table[w, 9] > 0.0:
                        bx, by = ct * bx + st * by, -st * bx + ct * by
                    H = h + off
                    slide = (x + H * nx - bx) * sx + (y + H * ny - by) * sy
                    value, force, stiff = sliding(slip[p, line, w] + slide, limit, elastic)
                    energy += value
                    if order > 0:
                        point_first(sx, sy, H, tx, ty, nx, ny, length, hm[line], M, row)
                        for a in range(L):
                            gl[a] += force * row[a]
                        if order > 1:
                            for a in range(L):
                                for b in range(L):
                                    Hl[a, b] += stiff * row[a] * row[b]
                            if coupled > 0.0:
                                part = force / normal * normal_stiff
                                point_first(sx, sy, h, tx, ty, nx, ny, length, hm[line], M, along)
                                for a in range(L):
                                    for b in range(L):
                                        Hl[a, b] -= part * row[a] * across[b] + force * curved * across[a] * along[b]
                            point_second(force * sx, force * sy, H, tx, ty, nx, ny, length, hm[line], hmn[line], M, Hl)
        if touched and order > 0:
            spread(gl, Hl, dofs[e], shape[p], M, order, gradient, blocks, e)
    return energy


@njit(cache=True)  # type: ignore[untyped-decorator]
def local_place(a):  # type: ignore[no-untyped-def]
    """Field and derivative of local unknown a of (x, y, x', y', b_m)."""
    if a < 2:
        return a, 0
    if a < 4:
        return a - 2, 1
    return a - 2, 0


@njit(cache=True)  # type: ignore[untyped-decorator]
def spread(gl, Hl, dofs, shape, M, order, gradient, blocks, e):  # type: ignore[no-untyped-def]
    """Add local gradient and second derivative (x, y, x', y', b) to the element's unknowns."""
    L = 4 + M
    for a in range(L):
        fa, da = local_place(a)
        for i in range(4):
            gradient[dofs[4 * fa + i]] += gl[a] * shape[da, i]
        if order > 1:
            for b in range(L):
                fb, db = local_place(b)
                value = Hl[a, b]
                if value == 0.0:
                    continue
                for i in range(4):
                    left = value * shape[da, i]
                    for j in range(4):
                        blocks[e, 4 * fa + i, 4 * fb + j] += left * shape[db, j]
