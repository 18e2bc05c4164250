"""The strip touching itself: contact and friction between the wraps of a coil (and in any fold).

Each station of the strip is paired with the nearest place of the strip further out (at least `reach` away
along it), found
by distance between mid-lines. At that pair every line across the half width has a gap nu . (p - c) - t
along the held
direction nu, and a slip between the two facing surfaces, each half a thickness from its own mid-surface,
so that turning the pair
as a whole is no slip. Pairing, direction and normal force are held while a step is solved and renewed
between solves.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from fem.contact import SAFE_DEPTH, ContactPoints, ContactSettings, pressure
from fem.equilibrium import Array, Blocks, Evaluation, Index
from fem.pairs_kernel import distance_kernel, hold_kernel, pair_kernel, slide_kernel
from fem.rod import Rod
from fem.wraps_kernel import wrap_kernel

NUMBERS = 8
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
        pair_kernel(
            u,
            rod.dofs,
            rod.nodes,
            pt.stations,
            pt.element,
            pt.shape,
            self.reach,
            reachable,
            self.partner,
            self.place,
        )
        tab = pt.tables
        self.foot_angle = self._angle_at(self.partner, self.place)
        hold_kernel(
            u,
            self.last,
            rod.dofs,
            rod.nodes,
            pt.element,
            pt.shape,
            rod.modes,
            tab.angle,
            self.foot_angle,
            tab.mode,
            tab.rule.to,
            self.partner,
            self.place,
            rod.strip.thickness,
            self.sides,
            self.held,
            self.before,
            self.before_partner,
        )
        gap = self.held[..., 5]
        force = np.where(
            self.partner[:, None] >= 0,
            pt.area * pressure(gap, self.settings.stiffness, self.settings.onset),
            0.0,
        )
        self.held[..., 0] = force if self.coupled else old + RELAX * (force - old)
        scale = force.sum()
        return float(np.abs(force - old).sum() / scale) if scale > 0 else 0.0

    def accept(self, u: Array) -> float:
        """Take the step: store the elastic slip, renew what is held. Returns the friction work of the step
        [N mm].
        """
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
        """Rest angle (n, m) of the partner's section at the foot point, from the nearest contact station
        and its slope along s.
        """
        rod, pt, tab = self.rod, self.points, self.points.tables
        first = np.searchsorted(pt.element, np.arange(len(rod.dofs) + 1))
        there = np.maximum(partner, 0)
        count = first[there + 1] - first[there]
        nearest = first[there] + np.clip((place * count).astype(np.int64), 0, count - 1)
        station = rod.nodes[there] + place * (rod.nodes[there + 1] - rod.nodes[there])
        return np.asarray(
            tab.angle[nearest] + tab.angle_s[nearest] * (station - pt.stations[nearest])[:, None]
        )

    def _sides_now(self) -> Array:
        """+1 where the held direction points to the partner's axle side, else -1 (n,)."""
        return np.where(self.held[:, 0, 4] >= 0.0, 1.0, -1.0)

    def _pairing(self) -> Pairing:
        return (
            self.partner.copy(),
            self.place.copy(),
            self.held.copy(),
            self.before.copy(),
            self.before_partner.copy(),
        )

    def _slide(self, u: Array, pairing: Pairing) -> Array:
        """Motion of the two faces along the held directions since the last step (n, k); zero without
        force.
        """
        rod, pt, tab = self.rod, self.points, self.points.tables
        return np.asarray(
            slide_kernel(
                u,
                rod.dofs,
                rod.nodes,
                pt.element,
                pt.shape,
                rod.modes,
                tab.angle,
                self._angle_at(*pairing[:2]),
                tab.mode,
                tab.rule.to,
                *pairing,
            )
        )

    def safe_fraction(self, u: Array, move: Array) -> float:
        """Largest part of a move that lets no pair come closer than its gap plus SAFE_DEPTH of the
        thickness.
        """
        paired = self.partner >= 0
        if not np.any(paired):
            return 1.0
        here, there = self._distance(u)[paired], self._distance(u + move)[paired]
        room = np.maximum(here - self.rod.strip.thickness, 0.0) + SAFE_DEPTH * self.rod.strip.thickness
        return float(min(1.0, (room / np.maximum(here - there, 1e-12)).min()))

    def _distance(self, u: Array) -> Array:
        """Distance (n, k) of the paired mid-surfaces along the held direction."""
        rod, pt, tab = self.rod, self.points, self.points.tables
        return np.asarray(
            distance_kernel(
                u,
                rod.dofs,
                rod.nodes,
                pt.element,
                pt.shape,
                rod.modes,
                tab.angle,
                self.foot_angle,
                tab.mode,
                tab.rule.to,
                self.partner,
                self.place,
                self.held,
            )
        )

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
        numbers = np.array(
            [
                st.stiffness,
                st.onset,
                st.slip,
                st.friction if self.friction_on else 0.0,
                rod.strip.thickness,
                float(self.coupled),
            ]
        )
        tab = pt.tables
        energy = wrap_kernel(
            order,
            u,
            rod.dofs,
            rod.nodes,
            pt.element,
            pt.shape,
            pt.area,
            rod.modes,
            tab.angle,
            self.foot_angle,
            tab.mode,
            tab.rule.to,
            self.partner,
            self.place,
            self.held,
            self.slip,
            self.before,
            self.before_partner,
            numbers,
            chosen,
            inverse.ravel().astype(np.int64),
            gradient,
            blocks,
        )
        return Evaluation(energy, gradient, (Blocks(dofs, blocks),) if order > 1 else ())
