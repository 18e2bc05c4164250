"""The ledger of a push: running sums of energies in which every entry is computed for itself.

    work at the grip = change of strain, contact and kinetic energy + friction + damping + numerical loss

Where the strip snaps, damping and numerical loss are energy that the snap released. Elsewhere damping and the
inertia's part are drag, which should be next to nothing; the mean force's part is an error of this sum alone,
for the states at both ends are static.

Work and friction use the mean of the forces at both ends of the step. The numerical loss is what backward
Euler takes out: the inertia forces' work beyond the change of kinetic energy, and the mean elastic force's
work beyond the change of energy (small on a smooth path, the energy of the jump in a snap). What does not
close is the audit error.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from fem.core.term import Array


@dataclass(frozen=True)
class Stored:
    """Energies of one state [N mm] and the force of strain and contact without friction (n,)."""

    strain: float
    contact: float
    kinetic: float
    force: Array

    @property
    def total(self) -> float:
        """All of it."""
        return self.strain + self.contact + self.kinetic


class Entry(NamedTuple):
    """Energies of one step [N mm]; elastic, inertial: parts of the numerical loss; gone: what goes with
    mass that acts no longer, kinetic energy and inertia's work, < 0 with mass that comes to act.
    """

    work: float
    friction: float
    damping: float
    elastic: float
    inertial: float
    gone: float


@dataclass
class Ledger:
    """Running sums [N mm]; gained: of steps in which the numerical loss is negative, which a damped motion
    should not know; released: damping and numerical loss of snaps, a part of those two; drag: work against
    damping and inertia outside snaps.
    """

    work: float = 0.0
    friction: float = 0.0
    damping: float = 0.0
    numerical: float = 0.0
    gained: float = 0.0
    released: float = 0.0
    drag: float = 0.0
    first_stored: float = 0.0
    scale: float = 1e-12

    def error(self, stored: float) -> float:
        """What does not close [N mm]."""
        return self.work - (stored - self.first_stored) - self.friction - self.damping - self.numerical

    def add(self, entry: Entry, snapping: bool, stored: float) -> None:
        """Add a step, in which the strip snapped or did not, to a state that stores so much [N mm]."""
        numerical = entry.elastic + entry.inertial + entry.gone
        self.work += entry.work
        self.friction += entry.friction
        self.damping += entry.damping
        self.numerical += numerical
        self.gained += max(0.0, -numerical)
        self.released += entry.gone
        if snapping:
            self.released += entry.damping + entry.elastic + entry.inertial
        else:
            self.drag += entry.damping + entry.inertial
        self.scale = max(self.scale, abs(self.work), stored)
