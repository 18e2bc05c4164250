"""A stiff spring that drives one place of the shell along a direction in the plane of the path.

A spring instead of prescribed unknowns lets the load be read off as its tension and lets it fall again after
a snap.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fem.core.term import Array, Blocks, Evaluation, Index
from fem.mesh.bicubic import shape_at
from fem.shell.energy import Shell


@dataclass
class ShellPushDrive:
    """Spring between the middle of a section and a driven place: E = k/2 (d . (r - r0) - control)^2.

    station [mm]; direction d (2,), a unit vector; stiffness k [N/mm]; start [mm]: d . r0, where the station
    lies along the direction when the spring is slack; control [mm].
    """

    shell: Shell
    station: float
    direction: tuple[float, float]
    stiffness: float
    start: float = 0.0
    control: float = 0.0

    def __post_init__(self) -> None:
        dofs, values = shape_at(self.shell.grid, np.array([[self.station, 0.0]]))
        kept = 3 * dofs[0][:, None] + np.arange(2)
        self._dofs: Index = kept.ravel()
        self._row: Array = (values[0, 0][:, None] * np.array(self.direction)).ravel()

    def evaluate(self, u: Array, order: int) -> Evaluation:
        """Energy, gradient and one block."""
        off = self.moved(u) - self.control
        gradient = np.zeros(self.shell.size)
        gradient[self._dofs] = self.stiffness * off * self._row
        block = self.stiffness * np.outer(self._row, self._row)
        blocks = (Blocks(self._dofs[None], block[None]),) if order > 1 else ()
        return Evaluation(0.5 * self.stiffness * off**2, gradient, blocks)

    def load(self, u: Array) -> float:
        """Force [N] the drive puts on the strip along its direction."""
        return self.stiffness * (self.control - self.moved(u))

    def moved(self, u: Array) -> float:
        """How far the station has gone along the direction [mm]."""
        return float(self._row @ u[self._dofs]) - self.start
