"""What holds and drives a strip on the bench: a driven station, or an end that is carried along.

A grip takes a section as it lies when it closes: nothing pulls before the test starts.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from fem.core.term import Array, Index
from fem.simulation.steps import Grip
from fem.simulation.strip_model import Drive


@dataclass
class DriveGrip:
    """A drive has the control; the root is held as on the axle (None: by `held`), and unknowns `held` (n,)
    stay at `values` (n,).
    """

    root: Grip | None
    drive: Drive
    held: Index = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    values: Array = field(default_factory=lambda: np.zeros(0))

    def place(self, u: Array, control: float) -> Array:  # noqa: ARG002 - the drive does the moving
        """What is held stays."""
        u = u.copy() if self.root is None else self.root.place(u, 0.0)
        u[self.held] = self.values
        return u

    def force(self, u: Array, gradient: Array, control: float) -> float:  # noqa: ARG002 - read off the spring
        """Load of the drive, at the control it was given."""
        return self.drive.load(u)

    def reach(self, u: Array, control: float) -> float:  # noqa: ARG002 - read off the strip
        """How far the driven station has gone."""
        return self.drive.moved(u)

    def prepare(self, before: float, control: float) -> None:  # noqa: ARG002 - no memory
        """Move the drive."""
        self.drive.control = control
        if self.root is not None:
            self.root.prepare(0.0, 0.0)


@dataclass
class ColumnGrip:
    """Two grips that hold unknowns (n,) at values (n,), or the axle (root) and one grip; places (k, 2), the
    x and y unknowns of what is gripped at the far end, come nearer along the unit vector `way` (2,) by the
    control [mm].
    """

    places: Index
    held: Index
    values: Array
    way: Array
    root: Grip | None = None

    def place(self, u: Array, control: float) -> Array:
        """Both grips where they belong."""
        u = u.copy() if self.root is None else self.root.place(u, 0.0)
        u[self.held] = self.values
        u[self.places] += control * self.way
        return u

    def force(self, u: Array, gradient: Array, control: float) -> float:  # noqa: ARG002 - a dead direction
        """Compressive force [N] along the way."""
        return float((gradient[self.places] @ self.way).sum())

    def reach(self, u: Array, control: float) -> float:  # noqa: ARG002 - the control itself
        """The shortening."""
        return control

    def prepare(self, before: float, control: float) -> None:  # noqa: ARG002 - the axle stands still
        """Nothing follows."""
        if self.root is not None:
            self.root.prepare(0.0, 0.0)
