"""Contact and Coulomb friction between the rod and thick curves, as one term of the potential.

Contact points sit at stations finer than the quadrature and on lines across the half width (mid-line, edge
and between). A
point is p = r + h n, the height h following the opening of the section. The pressure grows linearly with
penetration after a
quadratic onset, so its energy is smooth.

Friction is incremental: while one step is solved, the normal force N and the direction of sliding are held
at their last values
(they are renewed between solves), and the friction energy is mu N psi(slip), with psi quadratic up to the
elastic slip and linear beyond; its derivative is the return mapping of an elastic-perfectly-sliding law.
Slip is
that of the strip's face, half a thickness from the mid-surface, against the surface of the wall, which may
turn.
Energy, gradient and tangent are exact derivatives of one another, which the tests check by finite
differences.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from fem.contact_kernel import contact_kernel, places_kernel, state_kernel
from fem.equilibrium import Array, Blocks, Evaluation, Index
from fem.obstacle import Wall, wall_table
from fem.rod import Rod, SectionTables, hermite, section_tables

LINES = 4
SAFE_DEPTH = 0.4


@dataclass(frozen=True)
class ContactPoints:
    """Stations and lines where the rod can touch.

    stations (n,), element (n,), shape (n, 2, 4) value and slope functions, length (n,) of strip per
    station; line weights
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
    """stiffness [N/mm^3], onset of the penalty [mm], elastic slip [mm]; friction coefficient of the strip
    on walls.
    """

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
        """Renew held normal force, sliding direction and face offset; returns the relative change of the
        forces.
        """
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
        """Take the step: store the elastic slip, renew what is held. Returns the friction work of the step
        [N mm].
        """
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
        """Motion of the faces along the held directions since the last step (n, k, walls); zero without
        force.
        """
        places, off = self._places(u), held[..., 3]
        now = places[:, :, None, :2] + (places[:, :, None, 4:5] + off[..., None]) * places[:, :, None, 2:4]
        was = (
            self.before[:, :, None, :2]
            + (self.before[:, :, None, 4:5] + off[..., None]) * self.before[:, :, None, 2:4]
        )
        carried = _turned(was, self.table, self.turn)
        slide = (now[..., 0] - carried[..., 0]) * held[..., 1] + (now[..., 1] - carried[..., 1]) * held[
            ..., 2
        ]
        return np.where(held[..., 0] > 0, slide, 0.0)

    def axle_moment(self, u: Array) -> float:
        """Moment [N mm] of the friction force on turning walls about the origin, resisting clockwise
        turning.
        """
        _, force = self.friction(u)
        off = self.held[..., 3]
        was = (
            self.before[:, :, None, :2]
            + (self.before[:, :, None, 4:5] + off[..., None]) * self.before[:, :, None, 2:4]
        )
        carried = _turned(was, self.table, self.turn)
        # d(carried)/d(turn) for clockwise turning is (y, -x); friction pulls the wall with -force * direction
        rate = carried[..., 1] * self.held[..., 1] - carried[..., 0] * self.held[..., 2]
        turning = self.table[:, 9] > 0
        return float(-(force * rate * turning).sum())

    def safe_fraction(self, u: Array, move: Array) -> float:
        """Largest part of a move that lets no point jump through a wall.

        A point may go as far as its gap plus SAFE_DEPTH of the way to the wall's core, where the side
        would change.
        """
        here, there = self._places(u), self._places(u + move)
        step = (
            there[..., :2]
            + there[..., 4:5] * there[..., 2:4]
            - here[..., :2]
            - here[..., 4:5] * here[..., 2:4]
        )
        length = np.hypot(step[..., 0], step[..., 1])[:, :, None]
        half = 0.5 * self.rod.strip.thickness
        gap = state_kernel(here, self.table, half)[..., 0]
        room = np.maximum(gap, 0.0) + SAFE_DEPTH * (np.maximum(self.table[:, 3], 0.0) + half)
        return float(min(1.0, (room / np.maximum(length, 1e-12)).min()))

    def forces(self, u: Array) -> Array:
        """Normal contact force (n, k, walls) [N] over the whole width."""
        st = self.settings
        return np.asarray(
            self.points.area[:, :, None] * pressure(self._state(u)[..., 0], st.stiffness, st.onset)
        )

    def gaps(self, u: Array) -> Array:
        """Gap (n, k, walls) [mm] between the strip's face and each wall."""
        return np.asarray(self._state(u)[..., 0])

    def evaluate(self, u: Array, order: int) -> Evaluation:
        """Contact and held-friction energy, gradient and element blocks."""
        rod, pt, st = self.rod, self.points, self.settings
        width, dofs = self.dofs.shape[1], self.dofs
        gradient = np.zeros(rod.size)
        blocks = np.zeros((len(dofs) if order > 1 else 0, width, width))
        numbers = np.array(
            [
                st.stiffness,
                st.onset,
                st.slip,
                st.friction if self.friction_on else 0.0,
                0.5 * rod.strip.thickness,
                self.turn,
                rod.strip.width,
                float(self.coupled),
            ]
        )
        tab = pt.tables
        energy = contact_kernel(
            order,
            u,
            dofs,
            pt.element,
            pt.shape,
            pt.area,
            rod.modes,
            tab.angle,
            tab.mode,
            tab.rule.to,
            self.table,
            self.held,
            self.slip,
            self.before,
            numbers,
            gradient,
            blocks,
        )
        return Evaluation(energy, gradient, (Blocks(dofs, blocks),) if order > 1 else ())

    def mid_line(self, u: Array) -> Array:
        """Places (n, 2) [mm] of the mid-line at the contact stations."""
        return np.asarray(self._places(u)[:, 0, :2])

    def _places(self, u: Array) -> Array:
        """(n, k, 5): mid-line x, y, normal nx, ny and height h of every contact point."""
        pt, tab = self.points, self.points.tables
        return np.asarray(
            places_kernel(
                u, self.rod.dofs, pt.element, pt.shape, self.rod.modes, tab.angle, tab.mode, tab.rule.to
            )
        )

    def _state(self, u: Array) -> Array:
        """(n, k, walls, 4): gap, wall normal, cosine between wall normal and strip normal."""
        return np.asarray(state_kernel(self._places(u), self.table, 0.5 * self.rod.strip.thickness))


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
