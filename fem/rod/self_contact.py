"""The strip touching itself: contact and friction between the wraps of a coil (and in any fold).

Each station of the strip is paired with the nearest place of the strip further out (at least `reach` away
along it), found by distance between mid-lines. At that pair every line across the half width has a gap nu .
(p - c) - t along the held direction nu, and a slip between the two faces at the interface halfway, so that
turning the pair as a whole is no slip. Pairing, direction and normal force are held while a step is solved
and renewed between solves.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, field
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from fem.contact.kernels.laws import Law
from fem.contact.settings import SAFE_DEPTH, ContactSettings, Penalised, lobatto, pressure
from fem.contact.state import ContactRecord, ContactState, filled, like, spread_out, spreads, within
from fem.core.term import Array, Blocks, Evaluation, FrictionMode, History, Index
from fem.rod.energy import Rod
from fem.rod.kernels.pairs import NUMBERS, Pairs, find_pairs, hold_pairs, pair_gaps, pair_room, slide_pairs
from fem.rod.kernels.self_contact import pair_blocks, pairs_touching, wrap_energy
from fem.rod.wall_contact import ContactPoints

RELAX = 0.5
"""Share of a change of the normal force that `hold` takes over while the force is held (it settles faster
than all of it).
"""
SAME_FOOT = 2.0
"""A foot farther along the strip from the last one than this many thicknesses belongs to another pair."""


@dataclass
class RodSelfContact(Penalised):
    """Self-contact of the rod over pairs of stations; same calls as `fem.rod.wall_contact.RodWallContact`.

    reach [mm]: strip that lies at least between a station and its partner. partner (n,), place (n,), held (n,
    k, 6), before and before_partner (n, k, 2): as in `fem.rod.kernels.pairs.Pairs`; sides, feet (n,): side of
    the partner at the last accepted step (0 without one) and station of the foot [mm] then; taken (n,): sides
    held now; slip (n, k) [mm]: elastic slip then; last (size,): the unknowns then; remembered: the pairs then
    and the friction forces.
    """

    rod: Rod
    points: ContactPoints
    settings: ContactSettings
    reach: float
    partner: Index = field(init=False)
    place: Array = field(init=False)
    held: Array = field(init=False)
    before: Array = field(init=False)
    before_partner: Array = field(init=False)
    sides: Array = field(init=False)
    feet: Array = field(init=False)
    taken: Array = field(init=False)
    slip: Array = field(init=False)
    last: Array = field(init=False)
    remembered: tuple[Pairs, Array] = field(init=False)

    def __post_init__(self) -> None:
        n, k = self.points.area.shape
        self._tables = self.points.kernel_tables(self.rod)
        self.partner = np.full(n, -1, dtype=np.int64)
        self.place = np.zeros(n)
        self.held = np.zeros((n, k, NUMBERS))
        self.before = np.zeros((n, k, 2))
        self.before_partner = np.zeros((n, k, 2))
        self.sides, self.feet, self.taken = np.zeros(n), np.zeros(n), np.zeros(n)
        self.slip = np.zeros((n, k))
        self.last = np.zeros(self.rod.size)
        self.remembered = (self._kept(), self.slip.copy())

    def start(self, u: Array) -> None:
        """Forget all friction; slip is counted from here."""
        self.slip[:] = 0.0
        self.last = u.copy()
        self.hold(u)
        self._keep_sides()
        self.remembered = (self._kept(), np.zeros_like(self.slip))

    def save(self) -> History:
        """Slip, unknowns and friction force at the last accepted step, and what is held of every pair there:
        stations, partners, places, sides, forces and directions, faces before.
        """
        at = np.flatnonzero(self.partner >= 0)
        pairs = (at.astype(np.float64), self.partner[at].astype(np.float64), self.place[at], self.taken[at])
        held = (self.held[at], self.before[at], self.before_partner[at])
        return self.slip.copy(), self.last.copy(), self.remembered[1], *pairs, *held

    def restore(self, history: History, u: Array) -> None:  # noqa: ARG002 - pairs are kept, not looked for
        """Go on from an accepted state and its pairs: found anew, some could be of another side of a fold."""
        slip, last, force, stations, partner, place, taken, held, before, before_partner = history
        self.slip, self.last, at = like(slip, self.slip), like(last, self.last), stations.astype(np.int64)
        if not self._pairs_fit(at, partner, place, taken):
            raise ValueError("pairs of another strip")
        self._put_pairs(at, partner, place, taken)
        self.held[at], self.before[at], self.before_partner[at] = held, before, before_partner
        self._keep_sides()
        self.remembered = (self._kept(), like(force, self.slip))

    def record(self) -> ContactRecord:
        """Pairs and friction of the last accepted step."""
        at = np.flatnonzero(self.partner >= 0)
        pairs = (self.partner[at].astype(np.int32), self.place[at], self.taken[at].astype(np.int8))
        return at.astype(np.int32), *pairs, *filled(self.remembered[1], 1)

    def fits(self, record: ContactRecord) -> bool:
        """Whether a record is one of this strip."""
        return (
            len(record) == 6 and self._pairs_fit(*record[:4]) and spreads(record[4:], (*self.slip.shape, 1))
        )

    def _pairs_fit(self, at: NDArray[Any], *pairs: NDArray[Any]) -> bool:
        """Whether stations (m,) and their partners, places and sides are some of this strip."""
        same = all(each.shape == at.shape for each in pairs)
        return same and within(at, len(self.partner)) and within(pairs[0], len(self.rod.nodes) - 1)

    def recalled(self, u: Array, record: ContactRecord) -> Self:
        """A copy as it was at an accepted state u of which `record` was kept; slip counts from there."""
        there = copy(self)
        there.slip, there.last = np.zeros_like(self.slip), u.copy()
        there._put_pairs(*record[:4])
        there._keep_sides()
        there._hold_pairs(u, 1.0, there.sides)
        there.remembered = (there._kept(), spread_out(record[4:6], self.slip.shape))
        return there

    def state(self, u: Array, record: ContactRecord) -> ContactState:
        """Contact at an accepted state u of which `record` was kept."""
        there, lines = self.recalled(u, record), lobatto(self.points.area.shape[1])[0]
        pt, across = self.points, lines * 0.5 * self.rod.strip.width
        foot = np.stack(np.broadcast_arrays(there._feet()[:, None], across), axis=-1)
        paired = (there.partner >= 0)[:, None]
        return ContactState(
            pt.stations, across, True, pt.lengths, pt.area, ("strip",), there.gaps(u)[..., None],
            there.forces(u)[..., None], there.remembered[1][..., None, None],
            np.sign(there.held[..., 3:4]) * (there.held[..., :1] > 0.0),
            np.where(paired[..., None], foot, np.nan),
        )  # fmt: skip

    def hold(self, u: Array, fully: bool = False) -> float:
        """Renew pairs, directions, normal forces; returns the relative change of the forces."""
        strip = self.rod.strip
        reachable = 2.5 * strip.thickness + 0.5 * strip.width
        find_pairs(u, self._tables, self.reach, reachable, self._pairs())
        same = np.abs(self._feet() - self.feet) < SAME_FOOT * strip.thickness
        return self._hold_pairs(u, 1.0 if fully else RELAX, np.where(same, self.sides, 0.0))

    def accept(self, u: Array) -> float:
        """Take the step: store the elastic slip, renew what is held. Returns the friction work of the step [N
        mm].
        """
        limit = self.settings.slip
        slide, force = self.friction(u)
        pairs, before_force = self.remembered
        work = 0.5 * float((force * slide).sum() + (before_force * slide_pairs(u, self._tables, pairs)).sum())
        self.slip = np.where(self.held[..., 0] > 0, np.clip(self.slip + slide, -limit, limit), 0.0)
        self._keep_sides()  # a pair born in this step has its side from where it was born, not from here
        self.last = u.copy()
        self.hold(u)
        self._keep_sides()
        self.remembered = (self._kept(), force)
        return work

    def friction(self, u: Array) -> tuple[Array, Array]:
        """Slip increment of this step [mm] and friction force [N], both (n, k)."""
        st = self.settings
        slide = slide_pairs(u, self._tables, self._pairs())
        return slide, st.friction * self.held[..., 0] * np.clip((self.slip + slide) / st.slip, -1, 1)

    def safe_fraction(self, u: Array, move: Array) -> float:
        """Largest part of a move with no pair coming closer than its gap and SAFE_DEPTH of the thickness."""
        thickness = self.rod.strip.thickness
        return float(pair_room(u, u + move, self._tables, self._pairs(), thickness, SAFE_DEPTH))

    def gaps(self, u: Array) -> Array:
        """Gap (n, k) [mm] of the pairs held; inf where there is no partner."""
        return np.asarray(pair_gaps(u, self._tables, self._pairs(), self.rod.strip.thickness))

    def forces(self, u: Array) -> Array:
        """Normal force (n, k) [N] of the pairs held, over the whole width."""
        st = self.settings
        return np.asarray(
            self.points.bearing * pressure(self.gaps(u) - 2.0 * st.lead, st.stiffness, st.onset)
        )

    def balance(self, u: Array, order: int) -> Evaluation:
        """Renew pairs and forces at u, then evaluate there with friction following."""
        self.hold(u, fully=True)
        return self.evaluate(u, order, FrictionMode.FOLLOWING)

    def evaluate(self, u: Array, order: int, friction: FrictionMode = FrictionMode.HELD) -> Evaluation:
        """Energy [N mm], gradient (n,) and one block per pair of elements that touch."""
        tables, pairs, law = self._tables, self._pairs(), self._law(friction)
        stations = pairs_touching(u, tables, pairs, law)
        which, dofs = pair_blocks(stations, tables, pairs)
        gradient = np.zeros(self.rod.size)
        blocks = np.zeros((len(dofs) if order > 1 else 0, dofs.shape[1], dofs.shape[1]))
        energy = wrap_energy(order, u, tables, (pairs, self.slip, law), (stations, which), (gradient, blocks))
        if order < 2:
            return Evaluation(energy, gradient)
        return Evaluation(energy, gradient, (Blocks(dofs, blocks),))

    def _hold_pairs(self, u: Array, share: float, sides: Array) -> float:
        """Renew what is held of the pairs there are, on the sides (n,) kept, with a share of the change of
        the normal forces; returns their relative change.
        """
        memory = (sides, share, self.taken)
        scale, change = hold_pairs(u, self.last, self._tables, self._pairs(), self._law(), memory)
        return float(change / scale) if scale > 0 else 0.0

    def _put_pairs(self, at: NDArray[Any], partner: NDArray[Any], place: Array, taken: NDArray[Any]) -> None:
        """Have these pairs of stations and no others, in arrays of their own; nothing is held yet."""
        n, k = self.points.area.shape
        self.partner, self.place, self.taken = np.full(n, -1, dtype=np.int64), np.zeros(n), np.zeros(n)
        self.partner[at], self.place[at], self.taken[at] = partner, place, taken
        self.held, self.before, self.before_partner = (np.zeros((n, k, size)) for size in (NUMBERS, 2, 2))

    def _keep_sides(self) -> None:
        """Remember on which side each pair is held, and its foot."""
        self.sides = np.where(self.partner >= 0, self.taken, 0.0)
        self.feet = self._feet()

    def _feet(self) -> Array:
        """Stations of the feet (n,) [mm]; of no meaning where there is no partner."""
        nodes, at = self._tables.nodes, np.maximum(self.partner, 0)
        return np.asarray(nodes[at] + self.place * (nodes[at + 1] - nodes[at]))

    def _pairs(self) -> Pairs:
        """The pairs as the compiled loops read and renew them."""
        return Pairs(self.partner, self.place, self.held, self.before, self.before_partner)

    def _kept(self) -> Pairs:
        """A copy of the pairs."""
        now = self._pairs()
        lines = (now.held.copy(), now.before.copy(), now.before_partner.copy())
        return Pairs(now.partner.copy(), now.place.copy(), *lines)

    def _law(self, friction: FrictionMode = FrictionMode.HELD) -> Law:
        return self.settings.law(self.rod.strip, 0.0, friction)
