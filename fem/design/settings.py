"""Numerical settings with safe defaults: the table `solver` of a case file.

They change how finely a case is resolved, not what it is; results that move when they change are reported
with that band. Nothing else in a case file is numerical.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated

from annotated_types import Ge, Gt, Le, Unit

from fem.core.units import Angle, Length


@dataclass(frozen=True)
class Settings:
    """How a case is resolved.

    element, element_fine [mm]: longest element anywhere, and at bends, root and slot; a shell has the shorter
    of both where it is wound, and four thirds of `element` outside. turn [rad]: largest turn of the axle per
    step. contact_stiffness [N/mm^3]: pressure per depth two faces sink into each other; contact_onset [mm]:
    depth over which it sets in; contact_spacing [mm]: largest distance of points that can touch; near lips
    and other sharp roundings they are split further. slip [mm]: elastic slip before faces slide. damping
    [1/s]: of motion, against the artificial mass. wraps_touch: whether the wraps of the coil touch and rub
    each other.
    """

    element: Length = 1.0
    element_fine: Length = 1.0
    turn: Annotated[Angle, Gt(1e-4), Le(math.pi / 2)] = 0.05
    contact_stiffness: Annotated[float, Gt(1e-6), Le(1e9), Unit("N/mm^3")] | None = None
    contact_onset: Length | None = None
    contact_spacing: Length = 0.25
    slip: Length | None = None
    damping: Annotated[float, Ge(0.0), Le(1e6), Unit("1/s")] = 5.0
    wraps_touch: bool = True
