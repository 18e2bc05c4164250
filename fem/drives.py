"""Stiff springs that drive one place of the rod: its heading, or its position along a direction.

A spring instead of a prescribed unknown lets the load be read off as its tension and lets it fall again after
a snap.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fem.equilibrium import Array, Blocks, Evaluation, Index
from fem.rod import Rod


@dataclass
class TurnDrive:
    """Angular spring between the heading at a station and a driven angle: E = k/2 (theta - theta0 -
    control)^2.
    """

    rod: Rod
    station: float
    stiffness: float
    start: float
    control: float = 0.0

    def evaluate(self, u: Array, order: int) -> Evaluation:
        """Energy, gradient and one block."""
        element, shape = self.rod.shape_at(np.array([self.station]))
        dofs = self.rod.dofs[element[0], :8]
        slope = shape[0, 1]
        rx, ry = float(slope @ u[dofs[:4]]), float(slope @ u[dofs[4:]])
        aim = self.start + self.control
        # angle left to go, measured in the aim's own frame: no jump at +-180 degrees
        off = math.atan2(ry * math.cos(aim) - rx * math.sin(aim), rx * math.cos(aim) + ry * math.sin(aim))
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

    def load(self, u: Array) -> float:
        """Moment [N mm] the drive puts on the strip."""
        ev = self.evaluate(u, 1)
        return math.copysign(math.sqrt(2 * ev.energy * self.stiffness), self._ahead(u))

    def moved(self, u: Array) -> float:
        """Turn of the station since the start [rad]."""
        return self.control - self.load(u) / self.stiffness

    def _ahead(self, u: Array) -> float:
        element, shape = self.rod.shape_at(np.array([self.station]))
        dofs = self.rod.dofs[element[0], :8]
        rx, ry = float(shape[0, 1] @ u[dofs[:4]]), float(shape[0, 1] @ u[dofs[4:]])
        aim = self.start + self.control
        return -(ry * math.cos(aim) - rx * math.sin(aim))


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
