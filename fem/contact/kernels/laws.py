"""Laws of contact and friction for compiled loops: penalty with a smooth onset, friction with an elastic
slip.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from fem.core.term import Array
from fem.jit.decorators import inlined

Pair = tuple[float, float]

DEEP, STEEP = 1.2, 0.3
"""Depth, in onsets, from which the penalty grows, and over how much more of it the growth is the penalty
again: a strip pressed with twenty times the force that the penalty is made for sinks in by 2.9 onsets, not
by twenty times one. The faster it grows, the more it throws back moves of an iteration that lead an onset too
far: without any growth, thin steel takes a third fewer iterations.
"""


class Law(NamedTuple):
    """Penalty [N/mm^3] and its onset [mm], elastic slip [mm], friction coefficient, thickness and width of
    the strip [mm], turn of turning walls in this step [rad], 1 where friction follows the present normal
    force and 0 where it is held.
    """

    stiffness: float
    onset: float
    slip: float
    friction: float
    thickness: float
    width: float
    turn: float
    following: float


@inlined
def penalty(gap: float, stiffness: float, onset: float) -> tuple[float, float, float]:
    """Energy, force and stiffness per area of the penalty at a gap: quadratic, then linear, and where the
    strip is pressed in hard growing with the third power of the depth.
    """
    depth = -gap
    if depth <= 0.0:
        return 0.0, 0.0, 0.0
    if depth < onset:
        return (
            stiffness * depth**3 / (6 * onset),
            stiffness * depth**2 / (2 * onset),
            stiffness * depth / onset,
        )
    energy = stiffness * (0.5 * depth * depth - 0.5 * onset * depth + onset * onset / 6)
    force, deep = stiffness * (depth - 0.5 * onset), depth - DEEP * onset
    if deep <= 0.0:
        return energy, force, stiffness
    grown = stiffness * (deep / (STEEP * onset)) ** 2
    return energy + grown * deep * deep / 12, force + grown * deep / 3, stiffness + grown


@inlined
def sliding(total: float, limit: float, slip: float) -> tuple[float, float, float]:
    """Energy, force and stiffness of friction of strength `limit`, linear up to the elastic slip."""
    if abs(total) < slip:
        return limit * total * total / (2 * slip), limit * total / slip, limit / slip
    sign = 1.0 if total > 0 else -1.0
    return limit * (abs(total) - 0.5 * slip), limit * sign, 0.0


@inlined
def carried(before: Array, off: float, turn: float) -> Pair:
    """Face that was at `before` (6,), offset by `off`, carried clockwise about the origin by `turn`."""
    H, T = before[4] + off, -off * before[5]
    x, y = before[0] + H * before[2] + T * before[3], before[1] + H * before[3] - T * before[2]
    if turn == 0.0:
        return x, y
    c, s = np.cos(turn), np.sin(turn)
    return c * x + s * y, -s * x + c * y
