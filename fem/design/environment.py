"""What stands around the strip in every case, as data: axle, casing, slot, friction, weight.

The axle's centre is the origin. The strip leaves the axle at its bottom and heads +x to the slot, which sits
at x = casing radius. Shapes to touch are made from these by the obstacles; here are only the dimensions a
drawing would give.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from fem.core.units import Angle, Distance, FrictionCoefficient, Length, Position

STANDARD_GRAVITY = 9806.65
"""Standard acceleration of free fall [mm/s^2] (ISO 80000-3)."""


@dataclass(frozen=True)
class Axle:
    """The turning axle the root is clamped to; radius [mm] of the surface the strip lies on."""

    radius: Length


@dataclass(frozen=True)
class Casing:
    """The round casing about the axle; radius [mm] of its inner face."""

    radius: Length


@dataclass(frozen=True)
class Slot:
    """The way out: clear gap across the strip's thickness [mm].

    length: of the channel, from the casing's inner face outward [mm]. lip: radius [mm] of the rounded edges
    at both ends. height: offset [mm] of the slot's centre line from the line on which the strip leaves the
    axle; positive lies nearer the axle's level.
    """

    gap: Length = 1.5
    length: Distance = 1.5
    lip: Length = 0.5
    height: Position = 0.0


@dataclass(frozen=True)
class Friction:
    """Coulomb coefficients: strip on everything around it, and wrap on wrap within the coil."""

    strip: FrictionCoefficient = 0.2
    wraps: FrictionCoefficient = 0.2


@dataclass(frozen=True)
class Weight:
    """Whether the strip's weight acts, and its direction [rad] from the +x axis towards +y."""

    acts: bool = False
    direction: Angle = -math.pi / 2

    def acceleration(self) -> tuple[float, float]:
        """Acceleration (x, y) [mm/s^2]; zero where weight is left out."""
        if not self.acts:
            return 0.0, 0.0
        return STANDARD_GRAVITY * math.cos(self.direction), STANDARD_GRAVITY * math.sin(self.direction)
