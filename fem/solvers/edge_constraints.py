"""Edges that move by rules: a section that stays plane, a clamp along which the shell may stretch.

Both carry the vectors of an edge (positions and derivatives of position) by unknowns of their own and depend
on them linearly, at any level.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from fem.core.term import Array, Index
from fem.solvers.constraints import Mask, turn


@dataclass(frozen=True)
class PlaneEnd:
    """A section that stays plane and square to the surface but may deform in its plane.

    The plane turns by level * angle about `axis` and may shift along its normal and across (`free_shift` of
    its own axes: normal, first, second). frame (3, 3): columns are the rest normal and two directions in the
    plane. Positions and their derivatives along the plane (`points`, `along`) have free in-plane components;
    slopes across it keep only their normal one; `kept` lists component numbers
    (3 * vector + axis of the frame) held all the same. It is how a long uniform strip continues past its cut.
    """

    dofs: Index
    vectors: Array
    points: Mask
    along: Mask
    centre: tuple[float, float, float]
    frame: Array
    axis: tuple[float, float, float] = (0.0, 0.0, 1.0)
    angle: float = 0.0
    free_shift: tuple[bool, bool, bool] = (True, False, False)
    kept: tuple[int, ...] = ()
    free_spins: int = 0

    @cached_property
    def relative(self) -> Array:
        """Rest components (m, 3) in the frame, the centre taken off the positions."""
        return (self.vectors - np.where(self.points[:, None], np.array(self.centre), 0.0)) @ self.frame

    @cached_property
    def open(self) -> Index:
        """Flat component numbers (3 m) that are free."""
        free = np.zeros((len(self.vectors), 3), dtype=bool)
        in_plane = self.points | self.along
        free[in_plane, 1:] = True
        free[~in_plane, 0] = True
        return np.setdiff1d(np.flatnonzero(free), np.array(self.kept, dtype=np.int64))

    @property
    def shifts(self) -> tuple[int, ...]:
        """Axes of the frame along which the plane moves freely."""
        return tuple(k for k in range(3) if self.free_shift[k])

    @property
    def unknowns(self) -> int:
        """Number of unknowns: shifts, then open components."""
        return len(self.shifts) + int(self.open.size)

    def loads(self) -> Array:
        """No loads act on a plane end."""
        return np.zeros(self.unknowns)

    def weights(self) -> Array:
        """Every unknown counts as a length."""
        return np.ones(self.unknowns)

    def vectors_at(self, p: Array, level: float) -> Array:
        """Carried vectors (m, 3)."""
        components = self.relative.copy()
        components.reshape(-1)[self.open] += p[len(self.shifts) :]
        for k, value in zip(self.shifts, p, strict=False):
            components[:, k] += value * self.points
        return np.asarray(
            components @ self._turned(level).T + np.where(self.points[:, None], self.centre, 0.0)
        )

    def derivative(self, p: Array, level: float) -> Array:  # noqa: ARG002 - other carriers need p
        """d(carried vectors)/d(unknowns), (m, 3, unknowns)."""
        turned = self._turned(level)
        result = np.zeros((len(self.vectors), 3, self.unknowns))
        for column, k in enumerate(self.shifts):
            result[:, :, column] = self.points[:, None] * turned[:, k]
        for column, number in enumerate(self.open, start=len(self.shifts)):
            vector, k = divmod(int(number), 3)
            result[vector, :, column] = turned[:, k]
        return result

    def curvature(self, p: Array, gradient: Array) -> Array:  # noqa: ARG002 - the map is linear
        """Zero: the map is linear in the unknowns, (unknowns, unknowns)."""
        return np.zeros((self.unknowns, self.unknowns))

    def resultant(self, p: Array, level: float, gradient: Array) -> tuple[Array, Array]:
        """Force [N] and moment about the centre [N mm] on the structure, each (3,)."""
        vectors = self.vectors_at(p, level) - np.where(self.points[:, None], self.centre, 0.0)
        return gradient[self.points].sum(axis=0), np.cross(vectors, gradient).sum(axis=0)

    def _turned(self, level: float) -> Array:
        return turn(np.array(self.axis), level * self.angle) @ self.frame


@dataclass(frozen=True)
class SlidingClamp:
    """Vectors (m, 3) = rest + modes (m, 3, k) times k unknowns: what a clamp leaves free.

    `points` (m,) marks positions, `centre` is where moments are taken about.
    """

    dofs: Index
    vectors: Array
    points: Mask
    modes: Array
    centre: tuple[float, float, float]
    free_spins: int = 0

    @property
    def unknowns(self) -> int:
        """Number of unknowns."""
        return int(self.modes.shape[2])

    def loads(self) -> Array:
        """No loads act on a clamp."""
        return np.zeros(self.unknowns)

    def weights(self) -> Array:
        """Every unknown counts as a length."""
        return np.ones(self.unknowns)

    def vectors_at(self, p: Array, level: float) -> Array:  # noqa: ARG002 - the clamp stands still
        """Carried vectors (m, 3)."""
        return np.asarray(self.vectors + self.modes @ p)

    def derivative(self, p: Array, level: float) -> Array:  # noqa: ARG002 - constant
        """d(carried vectors)/d(unknowns), (m, 3, unknowns)."""
        return self.modes

    def curvature(self, p: Array, gradient: Array) -> Array:  # noqa: ARG002 - the map is linear
        """Zero: the map is linear in the unknowns, (unknowns, unknowns)."""
        return np.zeros((self.unknowns, self.unknowns))

    def resultant(self, p: Array, level: float, gradient: Array) -> tuple[Array, Array]:
        """Force [N] and moment about the centre [N mm] on the structure, each (3,)."""
        vectors = self.vectors_at(p, level) - np.where(self.points[:, None], self.centre, 0.0)
        return gradient[self.points].sum(axis=0), np.cross(vectors, gradient).sum(axis=0)
