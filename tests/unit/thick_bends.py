"""Thick bends computed apart from the program: along the fibres of a bend, by the fibres' own lengths.

Own derivation. A fibre at height z of a piece that turns by K per length of its middle is 1 - z K long; made
to turn by w, with the middle stretched to l, it is l - z w long. Its strain is the ratio of both, less one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fem.core.term import Array


@dataclass(frozen=True)
class Bar:
    """A bar of layers E [MPa] (n,) between heights (n + 1,) [mm], naturally turning by `curvature` [1/mm]."""

    edges: tuple[float, ...]
    young: tuple[float, ...]
    curvature: float
    slices: int = 20000

    def _fibres(self) -> tuple[Array, Array, Array]:
        """Heights, their slices' thickness and modulus, by the midpoint rule."""
        parts = [
            (np.linspace(a, b, self.slices + 1), e)
            for a, b, e in zip(self.edges[:-1], self.edges[1:], self.young, strict=True)
        ]
        z = np.concatenate([0.5 * (cuts[1:] + cuts[:-1]) for cuts, _ in parts])
        size = np.concatenate([np.diff(cuts) for cuts, _ in parts])
        return z, size, np.repeat(self.young, self.slices)

    def bent(self, change: float) -> tuple[float, float]:
        """Stretch of the middle and moment per width [N] with no axial force when the turn changes."""
        z, size, young = self._fibres()
        long = 1.0 - z * self.curvature
        turned = self.curvature + change
        stretch = float(np.sum(young * size * (1.0 + z * turned / long)) / np.sum(young * size / long))
        strain = (stretch - z * turned) / long - 1.0
        return stretch, float(-np.sum(young * size * strain * z))

    def stiffness(self) -> float:
        """Moment per width and change of turn [N mm]."""
        return self.bent(1e-6)[1] / 1e-6

    def strain(self, change: float, z: float) -> float:
        """Strain at a height."""
        turned = self.curvature + change
        return (self.bent(change)[0] - z * turned) / (1.0 - z * self.curvature) - 1.0


def flattened_face(radius: float, thickness: float, poisson: float, z: float) -> float:
    """Strain across at height z of one layer with an arc section pressed flat, no force along or across.

    With K = 1 / radius, strain along b and across (a + z K) / (1 - z K): no force along gives b = -nu a, none
    across (1 + a) L = t (1 + nu^2 a) with L the integral of dz / (1 - z K), ln of the faces' radii times R.
    """
    length = radius * math.log((radius + 0.5 * thickness) / (radius - 0.5 * thickness))
    middle = (thickness - length) / (length - poisson**2 * thickness)
    return (middle + z / radius) / (1.0 - z / radius)
