"""What a push prescribes, how far it goes in a step, and where a step ends."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

from fem.core.term import Array
from fem.solvers.implicit_dynamics import StepOutcome


class Grip(Protocol):
    """What the push prescribes."""

    def place(self, u: Array, control: float) -> Array:
        """Copy of u with the prescribed unknowns in place."""
        ...

    def force(self, u: Array, gradient: Array, control: float) -> float:
        """Force on the control: gradient . d(prescribed)/d(control) and terms that depend on it."""
        ...

    def reach(self, u: Array, control: float) -> float:
        """Coordinate the force works on: the control itself, or how far a spring-driven place has gone."""
        ...

    def prepare(self, before: float, control: float) -> None:
        """Tell terms that follow the control (turning walls, springs) where it goes."""
        ...


@dataclass(frozen=True)
class StepEnd:
    """Where a step leads: its outcome, control and time; velocity, drag and inertia forces (n,), force on the
    control, and the coordinate that it works on.
    """

    outcome: StepOutcome
    control: float
    dt: float
    v: Array
    drag: Array
    inertia: Array
    force: float
    reach: float


@dataclass(frozen=True)
class StepSize:
    """first, largest and smallest change of the control per step; time per unit of control [s] at full speed;
    gather: way over which the control gathers speed evenly, from rest.
    """

    first: float
    largest: float
    smallest: float
    time: float = 1.0
    gather: float = 0.0

    def seconds(self, start: float, end: float) -> float:
        """Time [s] from one distance to another, both from where the control was at rest."""
        slow, till = min(start, self.gather), min(end, self.gather)
        gathering = 2 * math.sqrt(self.gather) * (math.sqrt(till) - math.sqrt(slow))
        return self.time * (gathering + (end - start) - (till - slow))
