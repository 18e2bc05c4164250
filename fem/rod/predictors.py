"""Where a motion of the rod is expected to lead: the start of the next step's iterations."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fem.contact.sliding import FAR, NEAR, SlidingThrough
from fem.core.term import Array
from fem.rod.energy import Rod


@dataclass(frozen=True)
class CorotatingNodes:
    """How a motion of the rod goes on: every node in the frame that turns with its heading.

    A coil that turns as a whole, and a strip that slides along a curve of constant curvature, are then met
    exactly; places and slopes that went straight on would leave them by the square of the step.
    """

    rod: Rod

    def __call__(self, u: Array, before: Array, ratio: float) -> Array:
        """Unknowns after `ratio` times the step from `before` to u."""
        here, there = (x.reshape(len(self.rod.nodes), self.rod.fields, 2) for x in (u, before))
        out = here + ratio * (here - there)
        slope, old = here[:, 0, 1] + 1j * here[:, 1, 1], there[:, 0, 1] + 1j * there[:, 1, 1]
        moved = here[:, 0, 0] - there[:, 0, 0] + 1j * (here[:, 1, 0] - there[:, 1, 0])
        turn, size, was = np.angle(slope * old.conj()), np.abs(slope), np.abs(old)
        chord = ratio * np.sinc(ratio * turn / (2 * np.pi)) / np.sinc(turn / (2 * np.pi))
        moved = chord * moved * np.exp(0.5j * (1 + ratio) * turn)
        slope = slope * np.exp(1j * ratio * turn) * (1 + ratio * (size - was) / size)
        out[:, 0, 0], out[:, 1, 0] = here[:, 0, 0] + moved.real, here[:, 1, 0] + moved.imag
        out[:, 0, 1], out[:, 1, 1] = slope.real, slope.imag
        return out.ravel()


def sliding_through(rod: Rod, plane: float) -> SlidingThrough:
    """The motion of a rod that slides through a slot whose inner end is the plane x = `plane` [mm]."""
    width = rod.strip.width
    return SlidingThrough(
        CorotatingNodes(rod),
        rod.nodes,
        FieldsOfNodes(rod.fields),
        0,
        plane,
        NEAR * width,
        FAR * width,
    )


@dataclass(frozen=True)
class FieldsOfNodes:
    """Unknowns of a rod as functions along it, and back."""

    fields: int

    def __call__(self, u: Array) -> Array:
        """Values and slopes (n, fields, 2)."""
        return u.reshape(-1, self.fields, 2)

    def unknowns(self, x: Array) -> Array:
        """Unknowns (size,) of such functions."""
        return x.ravel()
