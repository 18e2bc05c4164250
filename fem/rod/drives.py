"""Stiff springs that drive one place of the rod: its heading, or its position along a direction.

A spring instead of a prescribed unknown lets the load be read off as its tension and lets it fall again after
a snap.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fem.core.term import Array, Blocks, Evaluation, Index
from fem.rod.energy import Rod


@dataclass
class TurnDrive:
    """Angular spring between the heading at a station and a driven angle: E = k/2 (theta - theta0 -
    control)^2.

    The heading is counted continuously from the root's, so that any number of turns is one smooth branch
    (an element turns less than half a turn).
    """

    rod: Rod
    station: float
    stiffness: float
    start: float
    control: float = 0.0

    def evaluate(self, u: Array, order: int) -> Evaluation:
        """Energy, gradient and one block."""
        dofs, slope, rx, ry = self._slope(u)
        off = self.heading(u) - self.start - self.control
        l2 = rx * rx + ry * ry
        first = np.concatenate([-ry / l2 * slope, rx / l2 * slope])
        gradient = np.zeros(self.rod.size)
        gradient[dofs] = self.stiffness * off * first
        xx, xy = 2 * rx * ry / l2**2, (ry * ry - rx * rx) / l2**2
        second = np.kron(np.array([[xx, xy], [xy, -xx]]), np.outer(slope, slope))
        block = self.stiffness * (np.outer(first, first) + off * second)
        return Evaluation(
            0.5 * self.stiffness * off**2, gradient, (Blocks(dofs[None], block[None]),) if order > 1 else ()
        )

    def heading(self, u: Array) -> float:
        """Heading at the station [rad], counted from that of the root, which lies within +-180 degrees."""
        element, _ = self.rod.shape_at(np.array([self.station]))
        nodal = u.reshape(len(self.rod.nodes), self.rod.fields, 2)[: int(element[0]) + 1, :2, 1]
        _, _, rx, ry = self._slope(u)
        return float(np.unwrap(np.arctan2(np.append(nodal[:, 1], ry), np.append(nodal[:, 0], rx)))[-1])

    def load(self, u: Array) -> float:
        """Moment [N mm] the drive puts on the strip."""
        return self.stiffness * (self.start + self.control - self.heading(u))

    def moved(self, u: Array) -> float:
        """Turn of the station since the start [rad]."""
        return self.heading(u) - self.start

    def _slope(self, u: Array) -> tuple[Index, Array, float, float]:
        """Unknowns and functions of the slope at the station, and the slope itself."""
        element, shape = self.rod.shape_at(np.array([self.station]))
        dofs, slope = self.rod.dofs[element[0], :8], shape[0, 1]
        return dofs, slope, float(slope @ u[dofs[:4]]), float(slope @ u[dofs[4:]])


@dataclass
class PushDrive:
    """Spring that drives a station along a direction: E = k/2 (d . (r - r0) - control)^2."""

    rod: Rod
    station: float
    direction: tuple[float, float]
    stiffness: float
    start: tuple[float, float]
    control: float = 0.0

    def evaluate(self, u: Array, order: int) -> Evaluation:
        """Energy, gradient and one block."""
        dofs, row = self._row()
        off = float(row @ u[dofs]) - self._origin() - self.control
        gradient = np.zeros(self.rod.size)
        gradient[dofs] = self.stiffness * off * row
        block = self.stiffness * np.outer(row, row)
        return Evaluation(
            0.5 * self.stiffness * off**2, gradient, (Blocks(dofs[None], block[None]),) if order > 1 else ()
        )

    def load(self, u: Array) -> float:
        """Force [N] the drive puts on the strip along its direction."""
        dofs, row = self._row()
        return -self.stiffness * (float(row @ u[dofs]) - self._origin() - self.control)

    def moved(self, u: Array) -> float:
        """How far the station has gone along the direction [mm]."""
        dofs, row = self._row()
        return float(row @ u[dofs]) - self._origin()

    def _origin(self) -> float:
        return self.direction[0] * self.start[0] + self.direction[1] * self.start[1]

    def _row(self) -> tuple[Index, Array]:
        element, shape = self.rod.shape_at(np.array([self.station]))
        dofs = self.rod.dofs[element[0], :8]
        return dofs, np.concatenate([self.direction[0] * shape[0, 0], self.direction[1] * shape[0, 0]])
