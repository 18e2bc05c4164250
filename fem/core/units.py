"""What a number of a case file may be: its unit and its range, written beside the field that holds it.

Every frozen class that a case file can fill in (motor, push, obstacle, casing ...) annotates its fields with
these types. The case reader takes limits and units from the annotation, so messages, documentation and
checks cannot drift apart. The system is mm, N, MPa, s, tonne. `Unit("rad")` means radians in code and
degrees in the case file; the reader converts. `Unit("1")` marks a pure number: a number without any unit is
one whose unit was forgotten, and a test says so.
"""

from __future__ import annotations

import math
from typing import Annotated

from annotated_types import Ge, Gt, Le, Len, Lt, Unit

FARTHEST = 1e5
"""Nothing here is 100 m long; a larger number is a slip of units."""
SMALLEST = 1e-4
"""Nothing here is a tenth of a micrometre thin."""

Length = Annotated[float, Gt(SMALLEST), Le(FARTHEST), Unit("mm")]
"""A size that cannot be nothing: a radius, a thickness, a gap."""

Distance = Annotated[float, Ge(0.0), Le(FARTHEST), Unit("mm")]
"""A size or a distance from the root that may be zero."""

Position = Annotated[float, Ge(-FARTHEST), Le(FARTHEST), Unit("mm")]
"""A coordinate; either sign."""

Angle = Annotated[float, Ge(-20.0 * math.pi), Le(20.0 * math.pi), Unit("rad")]
"""An angle; either sign; degrees in the case file. Nothing here turns ten times round."""

# Orders of magnitude beyond which a number is a slip of units or of the keyboard (common practice, no
# source): strips carry newtons, small motors have torques of N mm and turn at thousands of rpm.
Force = Annotated[float, Gt(1e-9), Le(1e6), Unit("N")]
Torque = Annotated[float, Gt(1e-9), Le(1e9), Unit("N mm")]
Speed = Annotated[float, Gt(1e-4), Le(1e7), Unit("rpm")]
Ratio = Annotated[float, Gt(1e-4), Le(1e6), Unit("1")]
Efficiency = Annotated[float, Gt(1e-4), Le(1.0), Unit("1")]
FrictionCoefficient = Annotated[float, Ge(0.0), Le(3.0), Unit("1")]
"""Coulomb friction; soft polymers on polymers reach about 1, nothing here is meant above 3."""

Share = Annotated[float, Ge(0.0), Le(1.0), Unit("1")]
"""A part of a whole."""

Points = Annotated[tuple[tuple[float, float], ...], Len(3), Unit("mm")]
"""Places (x, y) that a curve passes through; at least three."""
Extent = Annotated[tuple[float, float], Unit("mm")]
"""From one place to another."""

Modulus = Annotated[float, Gt(1e-4), Le(2e6), Unit("MPa")]
"""From a jelly, 100 Pa, to twice the stiffest crystal (orders of magnitude, from memory)."""
Density = Annotated[float, Ge(1e-11), Le(3e-8), Unit("tonne/mm^3 (water is 1e-9)")]
PoissonRatio = Annotated[float, Gt(-1.0), Lt(1.0), Unit("1")]
StrainLimit = Annotated[float, Gt(1e-6), Le(10.0), Unit("mm/mm (2 % is 0.02)")]

Sense = Annotated[int, Unit("1")]
"""1 or -1."""
