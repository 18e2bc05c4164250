"""Contact and Coulomb friction between the shell and thick curves extruded across its width, as one term of
the potential.

The pressure grows linearly with penetration after a quadratic onset; the gap is that of the mid-surface
less half the thickness, so normal forces act on the place alone. Friction is incremental, as for the rod:
while one step is solved the normal force and the directions of sliding (one in the plane of the path, one
across) are held, and the friction energy is mu N psi(|slip|) with psi quadratic up to the elastic slip and
linear beyond. The slip is that of the strip's face against the surface of the wall, which may turn with the
axle. With friction following, the normal force is that of the present state and the tangent that of the
balance of forces, not symmetric.

Near sharp roundings (lips) points are split, as the rod's are (`fem.rod.wall_contact`): points as coarse as a
lip pass it one by one, the force ripples, and friction around the coil turns the ripple into another mean.
The shares follow the strip from step to step, by the place of each group of points itself.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, field
from typing import Self

import numpy as np

from fem.contact.settings import (
    CLEAR,
    FADE,
    SAFE_DEPTH,
    SHARP,
    ContactSettings,
    Penalised,
    pressure,
    sharp_roundings,
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
from fem.shell.kernels.walls import (
    gaps_kernel,
    hold_kernel,
    near_kernel,
    room_kernel,
    slide_kernel,
    touching_kernel,
    wall_kernel,
)
from fem.shell.surface_points import SurfacePoints

FORCE, NX, NY, OFFSET = range(4)
NOWHERE = np.zeros(0), np.zeros(0, dtype=np.int64)


@dataclass
class ShellWallContact(Penalised):
    """Contact and friction of the shell with walls; the same calls as `fem.rod.wall_contact.RodWallContact`.

    size: unknowns of the shell; thickness [mm]; turn [rad]: how far the axle has turned since the last
    accepted step; touching: where what is held was last renewed, and the points that touched there.
    """

    points: SurfacePoints
    size: int
    thickness: float
    walls: tuple[Wall, ...]
    settings: ContactSettings
    all_points: SurfacePoints = field(init=False)
    fine: Array = field(init=False)
    table: Array = field(init=False)
    held: Array = field(init=False)
    slip: Array = field(init=False)
    before: Array = field(init=False)
    remembered: tuple[Array, Array] = field(init=False)
    touching: tuple[Array, Index] = field(init=False)
    turn: float = 0.0

    def __post_init__(self) -> None:
        self.table = wall_table(self.walls)
        self.all_points, self.fine = self.points, np.ones(len(self.points.middles))
        n, k = self.points.area.shape
        self.held = np.zeros((n, k, len(self.walls), 4))
        self.slip = np.zeros((n, k, len(self.walls), 2))
        self.before = np.zeros((n, k, 2, 3))
        self.remembered = (self.held.copy(), self.slip.copy())
        self.touching = NOWHERE

    @property
    def reach(self) -> float:
        """Distance [mm] of the mid-surface from a wall at which it begins to push."""
        return 0.5 * self.thickness + self.settings.lead

    def move_walls(self, walls: tuple[Wall, ...]) -> None:
        """Put the same walls elsewhere (assembly)."""
        self.walls, self.table, self.touching = walls, wall_table(walls), NOWHERE

    def choose_points(self, u: Array) -> None:
        """Choose which stations count from here on: all near sharp roundings, else one for each group."""
        pt = self.all_points
        if pt.split == 1:
            return
        roundings = sharp_roundings(self.table, SHARP * pt.split * float(np.diff(pt.stations[:2])[0]))
        middle = pt.middles
        cell, shape = pt.cell[middle], pt.shape[middle]
        near = 0.5 * self.thickness + CLEAR
        self.share(near_kernel(u, pt.cells, cell, shape, roundings, near, FADE))

    def share(self, fine: Array) -> None:
        """Let stations count by groups, as `SurfacePoints.shared` says."""
        self.fine, self.points = fine, self.all_points.shared(fine)
        self.held[~self.points.counted] = 0.0
        self.touching = NOWHERE

    def start(self, u: Array) -> None:
        """Forget all friction; the present place is where slip is counted from."""
        self.slip[:] = 0.0
        self.choose_points(u)
        self.hold(u)
        self.before = self.points.places(u)
        self.remembered = (self.held.copy(), np.zeros_like(self.slip))

    def follow_axle(self, turn: float) -> None:
        """Walls that turn have turned by an angle [rad, clockwise] since the last accepted step."""
        self.turn = turn

    def hold(self, u: Array, fully: bool = False) -> float:  # noqa: ARG002 - walls need no relaxation
        """Renew held normal force, sliding direction and face offset; returns the relative change of the
        forces.
        """
        st, pt = self.settings, self.points
        touching, changed, total = hold_kernel(
            u, pt.cells, pt.cell, pt.shape, pt.bearing, self.table, self.reach, st.stiffness,
            st.onset, self.held,
        )  # fmt: skip
        self.touching = u.copy(), touching
        return changed / total if total > 0 else 0.0

    def accept(self, u: Array) -> float:
        """Take the step: store the elastic slip, renew what is held. Returns the friction work of the step
        [N mm].
        """
        slide, force = self.friction(u)
        before_held, before_force = self.remembered
        work = 0.5 * float((force * slide).sum() + (before_force * self._slide(u, before_held)).sum())
        at = np.nonzero(self.held[..., FORCE] > 0)
        total = self.slip[at] + slide[at]
        size = np.linalg.norm(total, axis=-1, keepdims=True)
        self.slip = np.zeros_like(self.slip)
        self.slip[at] = total * np.minimum(1.0, self.settings.slip / np.maximum(size, 1e-300))
        self.choose_points(u)
        self.before = self.points.places(u)
        self.hold(u)
        self.remembered = (self.held.copy(), force)
        return work

    def save(self) -> History:
        """Slip and friction force at the last accepted step."""
        return kept_friction(self.slip, self.remembered[1], 2)

    def restore(self, history: History, u: Array) -> None:
        """Go on from an accepted state; points count there as they did."""
        self.choose_points(u)
        self.slip, force = friction_kept(history, 2, self.slip.shape)
        self.before = self.points.places(u)
        self.hold(u)
        self.remembered = (self.held.copy(), force)

    def record(self) -> ContactRecord:
        """Friction of the last accepted step; gaps and normal forces follow from its state."""
        return filled(self.remembered[1], 2)

    def fits(self, record: ContactRecord) -> bool:
        """Whether a record is one of this strip among these walls."""
        return spreads(record, self.slip.shape)

    def recalled(self, u: Array, record: ContactRecord) -> Self:
        """A copy as it was at an accepted state u of which `record` was kept; slip counts from there."""
        there = copy(self)
        there.held, there.slip, there.turn = np.zeros_like(self.held), np.zeros_like(self.slip), 0.0
        there.choose_points(u)
        there.hold(u)
        there.before = there.points.places(u)
        there.remembered = (there.held.copy(), spread_out(record, self.slip.shape))
        return there

    def state(self, u: Array, record: ContactRecord) -> ContactState:
        """Contact at an accepted state u of which `record` was kept."""
        there = self.recalled(u, record)
        pt = there.points
        return ContactState(
            pt.stations, pt.lines, pt.mirrored, pt.lengths, pt.area,
            tuple(wall.name for wall in self.walls), there.gaps(u), there.forces(u), there.remembered[1],
            np.sign(there.held[..., OFFSET]) * (there.held[..., FORCE] > 0.0),
            np.full((*pt.area.shape, 2), np.nan),
        )  # fmt: skip

    def friction(self, u: Array) -> tuple[Array, Array]:
        """Slip increment of this step and friction force (n, k, walls, 2), in the plane and across."""
        st, slide = self.settings, self._slide(u, self.held)
        force = np.zeros_like(slide)
        at = np.nonzero(self.held[..., FORCE] > 0)
        total = self.slip[at] + slide[at]
        size = np.linalg.norm(total, axis=-1, keepdims=True)
        force[at] = st.friction * self.held[at][:, FORCE, None] * total / np.maximum(size, st.slip)
        return slide, force

    def _slide(self, u: Array, held: Array) -> Array:
        """Motion of the faces along the held directions since the last step (n, k, walls, 2); zero without
        force.
        """
        pt = self.points
        return np.asarray(
            slide_kernel(u, pt.cells, pt.cell, pt.shape, self.table, held, self.before, self.turn)
        )

    def _carried(self, places: Array, wall: Index) -> Array:
        """Places (m, 3) carried by the walls (m,) they lie on; some of these turn clockwise about the
        origin.
        """
        c, s = np.cos(self.turn), np.sin(self.turn)
        x, y = places[:, 0], places[:, 1]
        turning = self.table[wall, 9] > 0
        carried = (np.where(turning, c * x + s * y, x), np.where(turning, -s * x + c * y, y), places[:, 2])
        return np.stack(carried, axis=1)

    def axle_moment(self, u: Array) -> float:
        """Moment [N mm] of the friction force on turning walls about the origin, resisting clockwise
        turning.
        """
        _, force = self.friction(u)
        at = np.nonzero((self.held[..., FORCE] > 0) & (self.table[:, 9] > 0))
        hold = self.held[at]
        carried = self._carried(_faces(self.before[at[:2]], hold[:, OFFSET, None]), at[2])
        # d(carried)/d(turn) for clockwise turning is (y, -x); friction pulls the wall with -force * direction
        rate = -carried[:, 1] * hold[:, NY] - carried[:, 0] * hold[:, NX]
        return float(-(force[at][:, 0] * rate).sum())

    def safe_fraction(self, u: Array, move: Array) -> float:
        """Largest part of a move that lets no point jump through a wall.

        A point may go as far as its gap plus SAFE_DEPTH of the way to the wall's core, where the side would
        change.
        """
        pt, half = self.points, self.reach
        room = room_kernel(u, move, pt.cells, pt.cell, pt.shape, pt.area, self.table, half, SAFE_DEPTH)
        return float(room)

    def forces(self, u: Array) -> Array:
        """Normal contact force (n, k, walls) [N] of the whole strip."""
        st = self.settings
        return np.asarray(
            self.points.bearing[:, :, None] * pressure(self.gaps(u) - st.lead, st.stiffness, st.onset)
        )

    def gaps(self, u: Array) -> Array:
        """Gap (n, k, walls) [mm] between the strip's face and each wall; inf where a point does not count."""
        pt = self.points
        return np.asarray(gaps_kernel(pt.positions(u), pt.area, self.table, 0.5 * self.thickness))

    def least_gap(self, u: Array) -> float:
        """The smallest gap [mm]."""
        return float(self.gaps(u).min())

    def mid_line(self, u: Array) -> Array:
        """Places (n, 2) [mm] of the mid-line at the contact stations."""
        return self.points.mid_line(u)

    def balance(self, u: Array, order: int) -> Evaluation:
        """Renew what is held at u, then evaluate there with friction following."""
        self.hold(u)
        return self.evaluate(u, order, FrictionMode.FOLLOWING)

    def evaluate(self, u: Array, order: int, friction: FrictionMode = FrictionMode.HELD) -> Evaluation:
        """Contact and friction energy, gradient and blocks of the elements that touch."""
        pt, st = self.points, self.settings
        gradient = np.zeros(self.size)
        there, chosen = self.touching
        if not np.array_equal(u, there):
            chosen = touching_kernel(
                u, pt.cells, pt.cell, pt.shape, pt.area, self.table, self.held, self.reach
            )
        touched, which = np.unique(pt.cell.ravel()[chosen], return_inverse=True)
        blocks = np.zeros((len(touched) if order > 1 else 0, 48, 48))
        numbers = np.array(
            [
                st.stiffness,
                st.onset,
                st.slip,
                0.0 if friction is FrictionMode.NONE else st.friction,
                self.reach,
                self.turn,
                float(friction is FrictionMode.FOLLOWING),
            ]
        )
        energy = wall_kernel(
            order,
            u,
            pt.cells,
            pt.cell,
            pt.shape,
            pt.bearing,
            self.table,
            self.held,
            self.slip,
            self.before,
            numbers,
            chosen,
            which.ravel().astype(np.int64),
            gradient,
            blocks,
        )
        return Evaluation(float(energy), gradient, (Blocks(pt.cells[touched], blocks),) if order > 1 else ())


def _faces(places: Array, offset: Array) -> Array:
    """Faces (m, 3) at offsets (m, 1) along the normal of places (m, 2, 3)."""
    return np.asarray(places[:, 0] + offset * places[:, 1])
