"""The root of the rod clamped flat to the axle."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Protocol

from fem.core.term import Array
from fem.rod.energy import Rod
from fem.rod.wall_contact import RodWallContact


class ClampedRod(Protocol):
    """A rod whose root can be clamped: root_radius [mm], distance of the root's mid-line from the axle's
    centre; flat (modes,), opening amplitudes of the root pressed flat.
    """

    @property
    def rod(self) -> Rod: ...
    @property
    def walls(self) -> RodWallContact | None: ...
    @property
    def root_radius(self) -> float: ...
    @property
    def flat(self) -> Array: ...


@dataclass(frozen=True)
class RodAxleClamp:
    """Root clamped flat to an axle that has wound in by the control psi [rad]."""

    model: ClampedRod
    flatten: float = 1.0

    def indices(self) -> list[int]:
        """Prescribed unknowns: place, heading and section of the root; no warping there."""
        rod = self.model.rod
        clamped = [rod.index(0, f) for f in range(rod.fields)]
        return clamped + [rod.index(0, f, 1) for f in range(2 + rod.modes)]

    def pressed(self, share: float) -> RodAxleClamp:
        """The same clamp with the root's section pressed flat by a share of the way."""
        return replace(self, flatten=share)

    def place(self, u: Array, control: float) -> Array:
        """Root turned clockwise by the control."""
        rod, r = self.model.rod, self.model.root_radius
        u = u.copy()
        u[self.indices()] = 0.0
        u[rod.index(0, 0)], u[rod.index(0, 1)] = -r * math.sin(control), -r * math.cos(control)
        u[rod.index(0, 0, 1)], u[rod.index(0, 1, 1)] = math.cos(control), -math.sin(control)
        for mode in range(rod.modes):
            u[rod.index(0, 2 + mode)] = self.flatten * self.model.flat[mode]
        return u

    def force(self, u: Array, gradient: Array, control: float) -> float:
        """Torque [N mm] the axle needs to wind in."""
        rod, r = self.model.rod, self.model.root_radius
        c, s = math.cos(control), math.sin(control)
        torque = -r * c * gradient[rod.index(0, 0)] + r * s * gradient[rod.index(0, 1)]
        torque += -s * gradient[rod.index(0, 0, 1)] - c * gradient[rod.index(0, 1, 1)]
        return float(torque + (self.model.walls.axle_moment(u) if self.model.walls else 0.0))

    def reach(self, u: Array, control: float) -> float:  # noqa: ARG002 - the control itself
        """The axle's angle."""
        return control

    def prepare(self, before: float, control: float) -> None:
        """The axle's surface turns with it."""
        if self.model.walls:
            self.model.walls.follow_axle(control - before)
