"""Contact and Coulomb friction between the rod and thick curves, as one term of the potential.

Contact points sit at stations finer than the quadrature and on lines across the half width (mid-line, edge
and between). A point is p = r + h n, the height h following the opening of the section. The pressure grows
linearly with penetration after a quadratic onset, so its energy is smooth.

Where the strip passes a sharp rounding (a lip), points that are coarse against it make the force ripple as
they pass one by one. Each station is therefore split into an odd number of finer ones near such roundings;
elsewhere the middle one stands for all of them. The shares follow the strip from step to step and fade over
FADE mm.

Friction is incremental: while one step is solved, the normal force N and the direction of sliding are held at
their last values (they are renewed between solves), and the friction energy is mu N psi(slip), with psi
quadratic up to the elastic slip and linear beyond; its derivative is the return mapping of an
elastic-perfectly-sliding law. Slip is that of the strip's face, half a thickness from the mid-surface,
against the surface of the wall, which may turn. Energy, gradient and tangent are exact derivatives of one
another, which the tests check by finite differences.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, field, replace
from typing import Self

import numpy as np

from fem.contact.kernels.laws import Law
from fem.contact.settings import (
    CLEAR,
    FADE,
    SAFE_DEPTH,
    SHARP,
    ContactSettings,
    Penalised,
    lobatto,
    pressure,
    sharp_roundings,
    with_ends,
)
from fem.contact.state import (
    ContactRecord,
    ContactState,
    filled,
    friction_kept,
    kept_friction,
    spread_out,
    spreads,
)
from fem.core.term import Array, Blocks, Evaluation, FrictionMode, History, Index
from fem.design.obstacle import Wall, wall_table
from fem.mesh.hermite_line import hermite
from fem.rod.energy import Rod
from fem.rod.kernels.faces import PointTables, wall_places, wall_shares
from fem.rod.kernels.wall_readings import (
    least_of_all,
    mid_points,
    wall_gaps,
    wall_moment,
    wall_slide,
    wall_taken,
)
from fem.rod.kernels.walls import RENEWED, WallMemory, wall_energy, wall_hold, wall_room
from fem.rod.section_tables import LINES, SectionTables, section_tables

EDGE = 5.0
"""Mid-line and free edge press along lines: their points bear as if they stood for this many times their
area, as much as the points between. With their own (a twelfth of the width each) they would sink in several
times as deep as all others.
"""


@dataclass(frozen=True)
class ContactPoints:
    """Stations and lines where the rod can touch.

    stations (n,) [mm], element (n,), shape (n, 2, 4) value and slope functions, area (n, k) [mm^2] of the
    whole width per point; tables: section tables with rule.to (n, k, m) up to the lines; split (odd):
    stations that one of them can stand for; ends [mm]: length of strip as which the first and the last press,
    which stand on root and tip (0: they do not).
    """

    stations: Array
    element: Index
    shape: Array
    area: Array
    tables: SectionTables

    split: int = 1
    ends: float = 0.0

    def kernel_tables(self, rod: Rod) -> PointTables:
        """The same for the compiled loops."""
        first = np.searchsorted(self.element, np.arange(len(rod.dofs) + 1)).astype(np.int64)
        tab = self.tables
        dofs = np.ascontiguousarray(rod.dofs[:, : 4 * (2 + rod.modes)])
        reach = np.abs(tab.rule.to).max(axis=1)
        arrays = (
            self.stations,
            self.shape,
            self.bearing,
            tab.angle,
            tab.angle_s,
            tab.mode,
            tab.rule.to,
            reach,
        )
        dense = (np.ascontiguousarray(array) for array in arrays)
        return PointTables(rod.nodes, dofs, first, self.element, *dense)

    @property
    def bearing(self) -> Array:
        """Area (n, k) [mm^2] that a point presses with: EDGE times its own on mid-line and edge, and as
        much strip on root and tip as `ends` says.
        """
        bearing = self.area * np.where(np.isin(np.arange(LINES), (0, LINES - 1)), EDGE, 1.0)
        if self.ends:
            bearing[[0, -1]] *= (self.ends / self.lengths[[0, -1]])[:, None]
        return bearing

    @property
    def lengths(self) -> Array:
        """Length of strip (n,) [mm] that each station stands for."""
        width = 2 * np.asarray(self.tables.rule.weight.sum(axis=1))
        return np.asarray(self.area.sum(axis=1) / width)


def contact_points(rod: Rod, spacing: float, split: int = 1, ends: float = 0.0) -> ContactPoints:
    """Points at most `spacing` mm apart along the strip, each split into `split` (odd), on LINES lines from
    mid-line to free edge.

    Points stand in the middle of their pieces. With `ends` [mm] (not when split) root and tip carry points
    too, of a share of the outermost piece: a wrap laid over the root would else sink in there unseen. They
    press along a line, as `ends` mm of strip, however fine the others are.
    """
    sizes = np.diff(rod.nodes)
    per = split * np.maximum(2, np.ceil(sizes / spacing)).astype(np.int64)
    element = np.repeat(np.arange(len(sizes)), per)
    local = np.concatenate([(np.arange(n) + 0.5) / n for n in per])
    length = sizes[element] / per[element]
    if ends:
        element, local = np.pad(element, 1, mode="edge"), np.pad(local, 1, constant_values=(0.0, 1.0))
        length = with_ends(length)
    size = sizes[element]
    stations = rod.nodes[element] + local * size
    table = hermite(local, size)
    shape = np.stack([np.stack([f[d] for f in table], axis=-1) for d in (0, 1)], axis=1)
    place, weight = lobatto(LINES)
    half = 0.5 * rod.strip.width_at(stations)
    targets = half[:, None] * place[None, :]
    tables = section_tables(rod.strip, stations, targets, rod.modes)
    area = length[:, None] * 2 * half[:, None] * weight[None, :]
    return ContactPoints(stations, element.astype(np.int64), shape, area, tables, split, ends)


@dataclass
class RodWallContact(Penalised):
    """Contact and friction of the rod with walls.

    turn [rad]: how far walls that turn have gone since the last accepted step.

    held (n, k, walls, 4): normal force [N], sliding direction, offset of the face [mm]; slip (n, k, walls)
    [mm]: elastic slip at the last accepted step; before (n, k, 6): places then; remembered: what was held
    then, and the friction forces.
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
    turn: float = 0.0

    def __post_init__(self) -> None:
        self.table = wall_table(self.walls)
        self._find_roundings()
        self._tables = self.points.kernel_tables(self.rod)
        n, k = self.points.area.shape
        self._area, self._rise = self.points.area, highest(self.points)
        self.held = np.zeros((n, k, len(self.walls), 4))
        self.slip = np.zeros((n, k, len(self.walls)))
        self.before = np.zeros((n, k, 6))
        self.remembered = (self.held.copy(), self.slip.copy())

    def move_walls(self, walls: tuple[Wall, ...]) -> None:
        """Put the same walls elsewhere (assembly)."""
        self.walls, self.table = walls, wall_table(walls)
        self._find_roundings()

    def start(self, u: Array) -> None:
        """Forget all friction; the present place is where slip is counted from."""
        self.slip[:] = 0.0
        self.choose_points(u)
        self.hold(u)
        self.before = wall_places(u, self._tables)
        self.remembered = (self.held.copy(), np.zeros_like(self.slip))

    def choose_points(self, u: Array) -> None:
        """Choose which points count from here on: all near sharp roundings, else one for each `split`; the
        others have no area.
        """
        split = self.points.split
        if split == 1:
            return
        near = 0.5 * self.rod.strip.thickness + self._rise + CLEAR
        share = wall_shares(u, self._tables, self._roundings, (near, FADE, split))
        self.points = replace(self.points, area=self._area * share[:, None])
        self._tables = self._tables._replace(area=self.points.bearing)
        self.held[share == 0.0, :, :, 0] = 0.0

    def follow_axle(self, turn: float) -> None:
        """Walls that turn have turned by an angle [rad, clockwise] since the last accepted step."""
        self.turn = turn

    def hold(self, u: Array, fully: bool = False) -> float:  # noqa: ARG002 - walls need no relaxation
        """Renew held normal force, sliding direction and face offset; returns the relative change of the
        forces.
        """
        scale, change = wall_hold(u, self._tables, self.table, self._law(), self.held)
        return float(change / scale) if scale > 0 else 0.0

    def accept(self, u: Array) -> float:
        """Take the step: store the elastic slip, renew what is held. Returns the friction work of the step [N
        mm].
        """
        force = np.zeros_like(self.slip)
        walls = (self.table, self._law(), self._memory())
        work = float(wall_taken(u, self._tables, walls, self.remembered, force))
        self.choose_points(u)
        self.before = wall_places(u, self._tables)
        self.hold(u)
        np.copyto(self.remembered[0], self.held)
        self.remembered = (self.remembered[0], force)
        return work

    def save(self) -> History:
        """Slip and friction force at the last accepted step."""
        return kept_friction(self.slip, self.remembered[1], 1)

    def restore(self, history: History, u: Array) -> None:
        """Go on from an accepted state; points count there as they did."""
        self.slip, force = friction_kept(history, 1, self.slip.shape)
        self.choose_points(u)
        self.before = wall_places(u, self._tables)
        self.hold(u)
        self.remembered = (self.held.copy(), force)

    def record(self) -> ContactRecord:
        """Friction of the last accepted step; gaps and normal forces follow from its state."""
        return filled(self.remembered[1], 1)

    def fits(self, record: ContactRecord) -> bool:
        """Whether a record is one of this strip among these walls."""
        return spreads(record, (*self.slip.shape, 1))

    def recalled(self, u: Array, record: ContactRecord) -> Self:
        """A copy as it was at an accepted state u of which `record` was kept; slip counts from there."""
        there = copy(self)
        there.held, there.slip, there.turn = np.zeros_like(self.held), np.zeros_like(self.slip), 0.0
        there.choose_points(u)
        there.hold(u)
        there.before = wall_places(u, there._tables)
        there.remembered = (there.held.copy(), spread_out(record, self.slip.shape))
        return there

    def state(self, u: Array, record: ContactRecord) -> ContactState:
        """Contact at an accepted state u of which `record` was kept."""
        there = self.recalled(u, record)
        pt = there.points
        return ContactState(
            pt.stations, lobatto(LINES)[0] * 0.5 * self.rod.strip.width, True, pt.lengths, pt.area,
            tuple(wall.name for wall in self.walls), there.gaps(u), there.forces(u),
            there.remembered[1][..., None], np.sign(there.held[..., 3]) * (there.held[..., 0] > 0.0),
            np.full((*pt.area.shape, 2), np.nan),
        )  # fmt: skip

    def friction(self, u: Array) -> tuple[Array, Array]:
        """Slip increment of this step [mm] and friction force [N], both (n, k, walls)."""
        st = self.settings
        slide = self._slide(u, self.held)
        return slide, st.friction * self.held[..., 0] * np.clip((self.slip + slide) / st.slip, -1, 1)

    def axle_moment(self, u: Array) -> float:
        """Moment [N mm] of the friction force on turning walls about the origin against clockwise turning."""
        return float(wall_moment(u, self._tables, self.table, self._law(), self._memory()))

    def safe_fraction(self, u: Array, move: Array) -> float:
        """Largest part of a move that lets no point jump through a wall.

        A point may go as far as its gap plus SAFE_DEPTH of the way to the wall's core, where the side would
        change.
        """
        return float(wall_room(u, u + move, self._tables, self.table, self._law(), SAFE_DEPTH))

    def forces(self, u: Array) -> Array:
        """Normal contact force (n, k, walls) [N] over the whole width."""
        st = self.settings
        return np.asarray(
            self.points.bearing[:, :, None] * pressure(self.gaps(u) - st.lead, st.stiffness, st.onset)
        )

    def gaps(self, u: Array) -> Array:
        """Gaps (n, k, walls) [mm]; inf at stations that do not count."""
        return np.asarray(wall_gaps(u, self._tables, self.table, self.rod.strip.thickness))

    def balance(self, u: Array, order: int) -> Evaluation:
        """Renew what is held at u and evaluate there with friction following, in one go."""
        return self._evaluated(u, order, self._law()._replace(following=RENEWED))

    def evaluate(self, u: Array, order: int, friction: FrictionMode = FrictionMode.HELD) -> Evaluation:
        """Energy [N mm], gradient (n,) and element blocks of contact and friction."""
        return self._evaluated(u, order, self._law(friction))

    def _evaluated(self, u: Array, order: int, law: Law) -> Evaluation:
        dofs = self._tables.dofs
        count, width = dofs.shape
        gradient = np.zeros(self.rod.size)
        blocks = np.zeros((count if order > 1 else 0, width, width))
        walls = (self.table, law, self._memory())
        energy = wall_energy(order, u, self._tables, walls, gradient, blocks)
        return Evaluation(energy, gradient, (Blocks(dofs, blocks),) if order > 1 else ())

    def least_gap(self, u: Array) -> float:
        """The smallest gap [mm]."""
        return float(least_of_all(u, self._tables, self.table, self.rod.strip.thickness))

    def mid_line(self, u: Array) -> Array:
        """Places (n, 2) [mm] of the mid-line at the contact stations."""
        return np.asarray(mid_points(u, self._tables))

    def _find_roundings(self) -> None:
        """Sharp roundings of the walls as they stand."""
        apart = float(np.diff(self.points.stations[:2])[0])
        self._roundings = sharp_roundings(self.table, SHARP * self.points.split * apart)

    def _memory(self) -> WallMemory:
        """What the compiled loops remember."""
        return WallMemory(self.held, self.slip, self.before)

    def _law(self, friction: FrictionMode = FrictionMode.HELD) -> Law:
        return self.settings.law(self.rod.strip, self.turn, friction)

    def _slide(self, u: Array, held: Array) -> Array:
        """Motion (n, k, walls) [mm] of the faces along the held directions since the last step; zero without
        force.
        """
        return np.asarray(wall_slide(u, self._tables, self.table, self.turn, held, self.before))


def highest(points: ContactPoints) -> float:
    """Largest distance [mm] of a contact point of the rest section from the mid-line."""
    tab = points.tables
    return float(np.abs(tab.rule.to @ np.sin(tab.angle)[..., None]).max())
