"""The shell touching itself: contact and friction between the wraps of a coil (and in any fold).

Each point is paired with its foot on the strip further out, a place (s, eta) of the surface
(`fem.shell.kernels.pairs`). The gap is nu . (x - X) - t along the held normal nu of the foot, on the side
where the point last lay; beyond a free edge, where no surface is, nu points from the edge to the point. The
slip is that of one interface halfway between both mid-surfaces, so that turning the pair as a whole is no
slip. Pairing, directions and normal force are held while a step is solved and renewed between solves; with
friction following, the normal force is that of the present state and the tangent includes how the foot
X(s, eta) glides and its normal turns. Differentiating (x - X) . X_a = 0 gives

    M_ab ds_b = (dx - dX) . X_a + (x - X) . dX_a,  M_ab = A_ab - (x - X) . X_ab,  dnu = -A^a nu . d(X_a)

(beyond an edge dnu is the turn of x - X) with d(X_a) taken at the gliding foot; what pushes and rubs there is
carried along with it. Where the tangent does not follow the foot and the moving arm of friction, its error is
as large as the change of friction itself, and friction decides whether a coil comes out.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, field, replace
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from fem.contact.settings import SAFE_DEPTH, ContactSettings, Penalised, pressure
from fem.contact.state import ContactRecord, ContactState, filled, like, spread_out, spreads, within
from fem.core.term import Array, Blocks, Evaluation, FrictionMode, History, Index
from fem.mesh.bicubic import Grid
from fem.shell.kernels.pairs import pair_kernel, rows_kernel
from fem.shell.kernels.self_contact import apart_kernel, distance_kernel, hold_kernel, wrap_kernel
from fem.shell.surface_points import SurfacePoints

NUMBERS = 10
FORCE, OWN, OTHER, DISTANCE = 0, 7, 8, 9
RELAX = 0.5
SAME_FOOT = 3.0
"""A foot farther along the strip from that of the nearest recorded point than this many thicknesses, and
twice as far as both points are apart, belongs to another pair.
"""
Pairing = tuple[Index, Array, Array, Array, Array]


@dataclass
class ShellSelfContact(Penalised):
    """Self-contact of the shell over pairs of points; the same calls as
    `fem.rod.self_contact.RodSelfContact`.

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

    @property
    def near(self) -> float:
        """Distance [mm] of two mid-surfaces at which they begin to push."""
        return self.thickness + 2.0 * self.settings.lead

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

    @property
    def free(self) -> Array:
        """Eta (2,) [mm] from which on outwards there is no strip; of half a strip only on one side."""
        low, high = self.grid.across[[0, -1]]
        return np.array([-np.inf if self.points.mirrored else low, high])

    def start(self, u: Array) -> None:
        """Forget all friction; slip is counted from here."""
        self.slip[:] = 0.0
        self.last = u.copy()
        self.hold(u)
        self.remembered = (self._pairing(), np.zeros_like(self.slip))

    def save(self) -> History:
        """Slip, unknowns and friction force at the last accepted step, and what is held of every pair there:
        sides, partners, feet, forces and directions, place.
        """
        pairs = (self.sides, self.partner.astype(np.float64), self.foot, self.held, self.before)
        return self.slip.copy(), self.last.copy(), self.remembered[1], *(array.copy() for array in pairs)

    def restore(self, history: History, u: Array) -> None:  # noqa: ARG002 - pairs are kept, not looked for
        """Go on from an accepted state and its pairs: found anew, feet would move in last digits."""
        slip, last, force, *pairs = history
        self.slip, self.last = like(slip, self.slip), like(last, self.last)
        own = (self.sides, self.partner, self.foot, self.held, self.before)
        sides, partner, foot, held, before = (like(kept, mine) for kept, mine in zip(pairs, own, strict=True))
        if not self._on_strip(partner.ravel() + 1.0, foot[partner >= 0.0], 1):
            raise ValueError("pairs of another strip")
        self.sides, self.foot, self.held, self.before = sides, foot, held, before
        self.partner = partner.astype(np.int64)
        rows_kernel(self.grid.stations, self.grid.across, self.partner, self.foot, self.rows)
        self.remembered = (self._pairing(), like(force, self.slip))

    def record(self) -> ContactRecord:
        """Pairs and friction of the last accepted step."""
        partner = self.partner.ravel()
        at = np.flatnonzero(partner >= 0)
        sides = self._sides_now().ravel()[at].astype(np.int8)
        pairs = (partner[at].astype(np.int32), self.foot.reshape(-1, 2)[at], sides)
        return at.astype(np.int32), *pairs, *filled(self.remembered[1], 2)

    def fits(self, record: ContactRecord) -> bool:
        """Whether a record is one of this strip."""
        if len(record) != 6:
            return False
        at, partner, foot, sides = record[:4]
        if not (at.shape == partner.shape == sides.shape and within(at, self.partner.size)):
            return False
        return self._on_strip(partner, foot) and spreads(record[4:], self.slip.shape)

    def _on_strip(self, cells: NDArray[Any], feet: Array, more: int = 0) -> bool:
        """Whether cells (m,), and `more` besides, and feet (p, 2) are some of this strip."""
        low, high = self.grid.stations[0] - 1e-6, self.grid.stations[-1] + 1e-6
        lies = feet.ndim == 2 and bool(np.all((feet[:, 0] >= low) & (feet[:, 0] <= high)))
        return within(cells, len(self.points.cells) + more) and lies and bool(np.all(np.isfinite(feet)))

    def recalled(self, u: Array, record: ContactRecord) -> Self:
        """A copy as it was at an accepted state u of which `record` was kept; slip counts from there."""
        there, at = copy(self), record[0]
        there.partner, there.foot = np.full_like(self.partner, -1), np.zeros_like(self.foot)
        there.sides, there.rows = np.zeros_like(self.sides), np.zeros_like(self.rows)
        there.partner.ravel()[at], there.foot.reshape(-1, 2)[at] = record[1], record[2]
        there.sides.ravel()[at] = record[3]
        rows_kernel(self.grid.stations, self.grid.across, there.partner, there.foot, there.rows)
        there.held, there.before = np.zeros_like(self.held), np.zeros_like(self.before)
        there.slip, there.last = np.zeros_like(self.slip), u.copy()
        there.held[..., FORCE] = there._hold_pairs(u)
        there.remembered = (there._pairing(), spread_out(record[4:6], self.slip.shape))
        return there

    def state(self, u: Array, record: ContactRecord) -> ContactState:
        """Contact at an accepted state u of which `record` was kept."""
        there, pt = self.recalled(u, record), self.points
        paired = (there.partner >= 0)[..., None]
        return ContactState(
            pt.stations, pt.lines, pt.mirrored, pt.lengths, pt.area, ("strip",), there.gaps(u)[..., None],
            there.forces(u)[..., None], there.remembered[1][:, :, None],
            np.sign(there.held[..., OWN : OWN + 1]) * (there.held[..., FORCE : FORCE + 1] > 0.0),
            np.where(paired, there.foot, np.nan),
        )  # fmt: skip

    def on_points(self, points: SurfacePoints, u: Array, record: ContactRecord) -> Self:
        """The same contact at other points of the strip at an accepted state u: their pairs are found there,
        on the sides on which those recorded for the nearest points lie.
        """
        there, fine = self.recalled(u, record), replace(self, points=points)
        fine.last = u.copy()
        fine.hold(u)  # for the feet; their sides do not matter to these
        at = _nearest(there.points.stations, points.stations)
        near = at[:, None], _nearest(there.points.lines, points.lines)
        away = np.abs(there.points.stations[at] - points.stations)[:, None]
        same = np.abs(fine.foot - there.foot[near])[..., 0] < SAME_FOOT * self.thickness + 2.0 * away
        fine.sides = np.where((there.partner[near] >= 0) & same, there.sides[near], 0.0)
        fine.hold(u, fully=True)
        return fine

    def hold(self, u: Array, fully: bool = False) -> float:
        """Renew pairs, directions, normal forces; returns the relative change of the forces."""
        old, pt, grid = self.held[..., FORCE].copy(), self.points, self.grid
        own = np.concatenate([pt.stations, pt.lines])
        reachable = 2.5 * self.thickness + 0.5 * float(pt.width.max()) + float(np.diff(grid.stations).max())
        pair_kernel(
            u,
            pt.cells,
            grid.stations,
            grid.across,
            own,
            pt.positions(u),
            self.reach,
            np.array([reachable, 3 * self.thickness]),
            self.partner,
            self.foot,
            self.rows,
        )
        force = self._hold_pairs(u)
        self.held[..., FORCE] = force if fully else old + RELAX * (force - old)
        scale = force.sum()
        return float(np.abs(force - old).sum() / scale) if scale > 0 else 0.0

    def _hold_pairs(self, u: Array) -> Array:
        """Renew what is held of the pairs there are, all but the normal force (n, k), which is returned."""
        pt, st = self.points, self.settings
        hold_kernel(
            u,
            self.last,
            pt.cells,
            pt.cell,
            pt.shape,
            self.partner,
            self.rows,
            self.foot,
            self.free,
            self.thickness,
            self.sides,
            self.held,
            self.before,
        )
        share = pressure(self.held[..., DISTANCE] - self.near, st.stiffness, st.onset)
        return np.where(self.partner >= 0, pt.bearing * share, 0.0)

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
        self.sides = self._sides_now()  # a pair born in this step has its side from where it was born
        self.last = u.copy()
        self.hold(u)
        self.sides = self._sides_now()
        self.remembered = (self._pairing(), force)
        return work

    def friction(self, u: Array) -> tuple[Array, Array]:
        """Slip increment of this step and friction force (n, k, 2), along the partner and across it."""
        st = self.settings
        slide = self._slide(u, self._pairing())
        total = self.slip + slide
        size = np.linalg.norm(total, axis=-1, keepdims=True)
        force = st.friction * self.held[..., FORCE, None] * total / np.maximum(size, st.slip)
        return slide, force

    def _sides_now(self) -> Array:
        """+1 where the point is held on the side its foot's normal points to, else -1; 0 without a foot (n,
        k).
        """
        return np.where(self.partner >= 0, np.where(self.held[..., OTHER] >= 0.0, 1.0, -1.0), 0.0)

    def _pairing(self) -> Pairing:
        return (self.partner.copy(), self.rows.copy(), self.held.copy(), self.before.copy(), self.foot.copy())

    def _apart(self, u: Array, pairing: Pairing) -> Array:
        """How far both sides of the interfaces are apart (n, k, 2), along the foot and across, in the held
        frame.
        """
        pt = self.points
        partner, rows, held = pairing[:3]
        return np.asarray(apart_kernel(u, pt.cells, pt.cell, pt.shape, partner, rows, held))

    def _slide(self, u: Array, pairing: Pairing) -> Array:
        """Motion of the interfaces along the held directions since the last step (n, k, 2); zero without
        force.

        Each separation is told in the frame of its own time, so that a turn of the whole pair is no slip.
        """
        slide = self._apart(u, pairing) - pairing[3]
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
        return np.asarray(distance_kernel(u, pt.cells, pt.cell, pt.shape, self.partner, self.rows, self.held))

    def gaps(self, u: Array) -> Array:
        """Gap (n, k) [mm] of the pairs held; inf where there is no partner."""
        return np.where(self.partner >= 0, self._distance(u) - self.thickness, np.inf)

    def forces(self, u: Array) -> Array:
        """Normal force (n, k) [N] of the pairs held, of the whole strip."""
        st = self.settings
        return np.asarray(
            self.points.bearing * pressure(self.gaps(u) - 2.0 * st.lead, st.stiffness, st.onset)
        )

    def balance(self, u: Array, order: int) -> Evaluation:
        """Renew pairs and forces at u, then evaluate there with friction following."""
        self.hold(u, fully=True)
        return self.evaluate(u, order, FrictionMode.FOLLOWING)

    def evaluate(self, u: Array, order: int, friction: FrictionMode = FrictionMode.HELD) -> Evaluation:
        """Energy, gradient and one block per pair of elements that touch."""
        pt, st = self.points, self.settings
        touching = (self.partner >= 0) & ((self._distance(u) < self.near) | (self.held[..., FORCE] > 0.0))
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
                0.0 if friction is FrictionMode.NONE else st.friction,
                self.near,
                float(friction is FrictionMode.FOLLOWING),
            ]
        )
        edges = self.grid.across[[0, -1]]
        energy = wrap_kernel(
            order,
            u,
            pt.cells,
            pt.cell,
            pt.shape,
            pt.bearing,
            self.partner,
            self.rows,
            self.foot,
            edges,
            self.free,
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


def _nearest(sorted_places: Array, wanted: Array) -> Index:
    """Index of the nearest of some sorted places to each wanted one."""
    return np.asarray(np.abs(sorted_places - wanted[:, None]).argmin(axis=1))
