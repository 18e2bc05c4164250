"""Pushes: what is done to the strip, as data.

A push says which boundary moves, how far and which way; the run turns it into steps. To add one, write a
frozen class with a `kind`, a sentence in its docstring and annotated fields, and put it in `PUSHES`: the case
reader, the starter of a case (by the docstring's first sentence) and the tests all loop over that tuple.
`control_column` and `load_column` name the columns of the path for what is prescribed and what that takes,
with their units at the end: curves, comparisons and pages follow from them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar, Literal

from fem.core.units import Angle, Distance, Force, Length


@dataclass(frozen=True)
class Winding:
    """Common to everything the axle does: how far the strip is wound in.

    travel: strip wound in through the slot [mm], counted from fully out; None: all but `left_out`, the length
    [mm] that stays outside the slot so that the tip cannot slip inside.
    """

    control_column: ClassVar[str] = "axle_angle_rad"
    load_column: ClassVar[str] = "torque_Nmm"
    travel: Length | None = None
    left_out: Distance = 5.0

    def wound_travel(self, free_length: float) -> float:
        """Travel [mm] to wind in when `free_length` [mm] of strip is outside the slot at the start."""
        return self.travel if self.travel is not None else max(0.0, free_length - self.left_out)


@dataclass(frozen=True)
class RetractDeploy(Winding):
    """Wind the strip in, then turn the axle back and push it out again.

    safe_travel: when the full cycle jams, search for the largest travel from which it still comes out, to
    within `safe_travel_within` [mm].
    """

    kind: ClassVar[str] = "retract-then-deploy"
    safe_travel: bool = True
    safe_travel_within: Length = 2.0


@dataclass(frozen=True)
class Retract(Winding):
    """Wind the strip in and stop."""

    kind: ClassVar[str] = "retract"


@dataclass(frozen=True)
class Deploy(Winding):
    """Push out a strip that lies wound in.

    It is wound in first, friction included, because how the coil lies decides how it comes out.
    """

    kind: ClassVar[str] = "deploy"


@dataclass(frozen=True)
class Bend:
    """Turn one station of the free strip against its clamped root, as in a bending test.

    angle [rad]: end rotation; positive curls the strip the way the coil turns. station [mm from the root]:
    where the turning grip sits; None: the tip. The grip may slide along, so no axial force arises. grip:
    "rigid" keeps the shape the section has where it is gripped, "free" keeps it plane but lets it flatten.
    root: "flat", pressed flat as on the axle; "rigid" or "free", as the grip, on a section that nothing has
    flattened: the largest moment of the strip itself is that of "free" at both.
    """

    kind: ClassVar[str] = "bend"
    control_column: ClassVar[str] = "turn_rad"
    load_column: ClassVar[str] = "moment_Nmm"
    angle: Angle = math.pi / 2
    station: Length | None = None
    grip: Literal["rigid", "free"] = "rigid"
    root: Literal["flat", "rigid", "free"] = "flat"


@dataclass(frozen=True)
class Column:
    """Press a free length of the strip together along its own line until it gives way.

    free_length [mm]: length between the grips, counted from the root; None: the whole strip. free_lengths
    [mm]: lengths to try as well, each shortened by the same share of itself: the push against the length.
    shortening [mm]: how far the ends come together. ends: clamped, or pinned (free to turn). held:
    "clamped", by two grips in the air; "slot", the near end by axle and slot, the free length counted from
    the slot's mouth; the far end is then held as it lies, or by its middle if pinned.
    """

    kind: ClassVar[str] = "column"
    control_column: ClassVar[str] = "shortening_mm"
    load_column: ClassVar[str] = "force_N"
    free_length: Length | None = None
    free_lengths: tuple[Length, ...] = ()
    shortening: Length = 2.0
    ends: Literal["clamped", "pinned"] = "clamped"
    held: Literal["slot", "clamped"] = "clamped"


@dataclass(frozen=True)
class Press:
    """Load the deployed strip at one station with a force that grows to `force` [N].

    station [mm from the root]; None: the tip. direction [rad]: of the force, from the +x axis towards +y.
    held: "slot", as it works, by the axle and whatever it touches; "clamped", by its flattened root alone,
    in the air.
    """

    kind: ClassVar[str] = "press"
    control_column: ClassVar[str] = "pressed_mm"
    load_column: ClassVar[str] = "force_N"
    force: Force = 1.0
    station: Length | None = None
    direction: Angle = -math.pi / 2
    held: Literal["slot", "clamped"] = "slot"


@dataclass(frozen=True)
class Coil:
    """Wind the strip into an arc of one radius in the air: nothing is touched, only a moment acts.

    radius [mm]: of the mid-line when done, its centre on the axle's side. station [mm from the root]: where
    the coil ends; None: the tip, the strip beyond is left out. Both ends stay plane and square to the strip
    and are free to flatten, as within a longer coil.
    """

    kind: ClassVar[str] = "coil"
    control_column: ClassVar[str] = "turn_rad"
    load_column: ClassVar[str] = "moment_Nmm"
    radius: Length = 5.0
    station: Length | None = None

    def turn(self, length: float, heading: float) -> float:
        """Angle [rad] to turn the end of `length` [mm] whose heading at rest is `heading` [rad]."""
        return length / self.radius - heading


Push = RetractDeploy | Retract | Deploy | Bend | Column | Press | Coil

PUSHES: tuple[type[Push], ...] = (RetractDeploy, Retract, Deploy, Bend, Column, Press, Coil)
