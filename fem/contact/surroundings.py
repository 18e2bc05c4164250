"""What stands around the strip of a case, and the scales that contact and the artificial mass take from the
strip.
"""

from __future__ import annotations

import numpy as np

from fem.case.definition import Case
from fem.contact.settings import SHARP, sharp_roundings
from fem.design.obstacle import Pod, Wall, axle_walls, wall_table

SINK, ONSET, SLIP = 0.01, 0.05, 0.03


SAG, MOST_SPLIT = 0.1, 9


MASS_SHARE = 1.2
"""Inertia of the flat strip's slowest swing against its stiffness at 1 rad/s; results change by less than
their band at ten times this.
"""


def surrounding_walls(case: Case, opening: float) -> tuple[Wall, ...]:
    """Axle, casing, slot and obstacles as thick curves."""
    pod = Pod(case.casing.radius, case.slot.gap, case.slot_level, case.slot_mouth, case.slot.lip)
    walls = axle_walls(case.axle.radius, opening) + pod.walls(opening)
    for obstacle in case.obstacles:
        walls += obstacle.walls(opening)
    return walls


def split(walls: tuple[Wall, ...], spacing: float, onset: float) -> int:
    """Stations (odd) that one a `spacing` wide is split into near the sharpest rounding: between two of them
    its surface stands back by SAG of the penalty's onset at most.
    """
    roundings = sharp_roundings(wall_table(walls), SHARP * spacing)
    if len(roundings) == 0:
        return 1
    finest = np.sqrt(8 * max(float(roundings[:, 2].min()), 0.1 * onset) * SAG * onset)
    return min(MOST_SPLIT, 2 * int(np.ceil(0.5 * (spacing / finest - 1.0))) + 1)
