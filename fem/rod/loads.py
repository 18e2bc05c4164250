"""Loads on the rod, and grips that hold a heading: terms of the potential like everything else.

Forces are dead (they keep their direction) and act at the mid-line. A moment does work on the heading, which
in a plane makes it conservative for any rotation. A grip holds the heading of a node by a stiff spring and
leaves its stretch free, which prescribing both components of r' would not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fem.core.term import Array, Blocks, DeadLoad, Evaluation, Index
from fem.rod.energy import Rod


def point_load(rod: Rod, station: float, force: Array) -> DeadLoad:
    """A dead force (2,) [N] in (x, y) at a station [mm] of the mid-line."""
    if not 0.0 <= station <= rod.nodes[-1]:
        raise ValueError(
            f"the load's station must lie on the strip, 0 to {rod.nodes[-1]:g} mm, got {station:g}"
        )
    element, shape = rod.shape_at(np.array([station]))
    result = np.zeros(rod.size)
    for axis in range(2):
        result[rod.dofs[element[0], 4 * axis : 4 * axis + 4]] = force[axis] * shape[0, 0]
    return DeadLoad(result)


def weight(rod: Rod, gravity: Array) -> DeadLoad:
    """The strip's weight for an acceleration (2,) [mm/s^2] in (x, y), acting at the mid-line of each section.

    Mass per length is that of the rest surface: the integral across of mass per area times 1 - curvature
    height. The lever of a curved section's centroid about the mid-line is left out.
    """
    tab = rod.tables
    mass = 2.0 * np.sum(tab.rule.weight * tab.mass * tab.rest[..., 0], axis=1).reshape(rod.stations.shape)
    line = np.einsum("eg,egi->ei", mass * rod.weights, rod.shape[:, :, 0])
    result = np.zeros(rod.size)
    for axis in range(2):
        np.add.at(result, rod.dofs[:, 4 * axis : 4 * axis + 4], gravity[axis] * line)
    return DeadLoad(result)


def _slopes(rod: Rod, node: int) -> Index:
    return np.array([[rod.index(node, 0, 1), rod.index(node, 1, 1)]], dtype=np.int64)


@dataclass(frozen=True, eq=False)
class EndMoment:
    """A moment [N mm] at a node that follows its heading; > 0 turns the way the coil turns.

    Energy -moment * (heading there - heading at the root), counted continuously from node to node, so that
    any number of turns is one smooth branch.
    """

    rod: Rod
    moment: float
    node: int = -1

    def evaluate(self, u: Array, order: int) -> Evaluation:
        """Energy [N mm], gradient and one block on the slopes of the node and one on those of the root."""
        heading = np.unwrap(self._headings(u))
        gradient = np.zeros(self.rod.size)
        ends = ((self.node, -self.moment), (0, self.moment))
        blocks = []
        for node, force in ends:
            dofs = _slopes(self.rod, node)
            x, y = u[dofs[0]]
            l2 = x * x + y * y
            if order > 0:
                gradient[dofs[0]] += force * np.array([-y, x]) / l2
            if order > 1:
                second = np.array([[2 * x * y, y * y - x * x], [y * y - x * x, -2 * x * y]]) / l2**2
                blocks.append(Blocks(dofs, force * second[None]))
        energy = -self.moment * float(heading[self.node] - heading[0])
        return Evaluation(energy, gradient, tuple(blocks))

    def _headings(self, u: Array) -> Array:
        slopes = u.reshape(len(self.rod.nodes), self.rod.fields, 2)[:, :2, 1]
        return np.asarray(np.arctan2(slopes[:, 1], slopes[:, 0]))


@dataclass(frozen=True, eq=False)
class Grip:
    """Holds a node's heading [rad] by energy stiffness (e x r')^2 / 2, stiffness [N mm] large beside EI /
    size.

    With e the unit vector of the heading, e x r' is the sine of the error times the stretch: the moment it
    carries is about stiffness times that error.
    """

    rod: Rod
    node: int
    heading: float
    stiffness: float

    def evaluate(self, u: Array, order: int) -> Evaluation:
        """Energy [N mm], gradient and one constant block."""
        dofs = _slopes(self.rod, self.node)
        across = np.array([-np.sin(self.heading), np.cos(self.heading)])
        error = float(across @ u[dofs[0]])
        gradient = np.zeros(self.rod.size)
        gradient[dofs[0]] = self.stiffness * error * across
        blocks = (Blocks(dofs, self.stiffness * np.outer(across, across)[None]),) if order > 1 else ()
        return Evaluation(0.5 * self.stiffness * error**2, gradient, blocks)
