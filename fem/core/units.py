"""What a number of a case file may be: its unit and its range, written beside the field that holds it.

Every frozen class that a case file can fill in (motor, push, obstacle, casing ...) annotates its fields with
these types. The case reader takes limits and units from the annotation, so messages, documentation and
checks cannot drift apart. The system is mm, N, MPa, s, tonne. `Unit("rad")` means radians in code and
degrees in the case file; the reader converts.
"""

from __future__ import annotations

from typing import Annotated

from annotated_types import Ge, Gt, Le, Len, Unit

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

Angle = Annotated[float, Unit("rad")]
"""An angle; either sign; degrees in the case file."""

Points = Annotated[tuple[tuple[float, float], ...], Len(3), Unit("mm")]
"""Places (x, y) that a curve passes through; at least three."""

Force = Annotated[float, Gt(0.0), Unit("N")]
Torque = Annotated[float, Gt(0.0), Unit("N mm")]
Speed = Annotated[float, Gt(0.0), Unit("rpm")]
Ratio = Annotated[float, Gt(0.0), Unit("1")]
Efficiency = Annotated[float, Gt(0.0), Le(1.0), Unit("1")]
FrictionCoefficient = Annotated[float, Ge(0.0), Le(3.0), Unit("1")]
"""Coulomb friction; soft polymers on polymers reach about 1, nothing here is meant above 3."""

BY_NAME: dict[str, object] = {
    "radius": Length,
    "gap": Length,
    "length": Length,
    "lip": Length,
    "x": Position,
    "y": Position,
    "x2": Position,
    "y2": Position,
    "facing": Angle,
    "heading": Angle,
    "angle": Angle,
    "points": Points,
}
"""What a field without a unit means, by its name (sections and obstacles use these names)."""
