"""What surrounds the strip: thick curves with a smooth signed gap.

Every obstacle is a curve in the plane of the path (a point, a segment, an arc or a line), thickened by a
radius and extruded across the width. The gap of a mid-surface point p is

    gap = distance(p, core) - radius - t/2

whose gradient is the unit normal and whose second derivative is curvature * tangent tangent^T. A slot lip is
nothing special: it is the round end of the wall beside it, so that no contact ever meets a corner.

To add an obstacle: a frozen class with `walls(opening)`, registered in OBSTACLES; the first sentence of its
docstring is what the starter of a case tells of it. `opening` moves walls out of the way while the strip is
being put in place.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import asin, cos, pi, sin
from typing import Protocol

import numpy as np

from fem.core.term import Array
from fem.core.units import Angle, Length, Position

POINT, SEGMENT, ARC, LINE = 0.0, 1.0, 2.0, 3.0
WALL_NUMBERS = 14


@dataclass(frozen=True)
class Wall:
    """One thick curve.

    kind POINT: at (x, y). SEGMENT: (x, y) to (x2, y2). ARC: centre (x, y), core radius `core`, from angle
    `start` over `sweep` > 0 counter-clockwise [rad]. LINE: through (x, y) with unit normal (x2, y2), material
    on the other side. `radius` is the thickness radius [mm]; `turning` walls turn with the axle about the
    origin.
    """

    name: str
    kind: float
    x: float
    y: float
    radius: float
    x2: float = 0.0
    y2: float = 0.0
    core: float = 0.0
    start: float = 0.0
    sweep: float = 0.0
    turning: bool = False

    def numbers(self) -> list[float]:
        """Row for the compiled kernels."""
        return [
            self.kind,
            self.x,
            self.y,
            self.radius,
            self.x2,
            self.y2,
            self.core,
            self.start,
            self.sweep,
            float(self.turning),
            cos(self.start),
            sin(self.start),
            cos(self.start + self.sweep),
            sin(self.start + self.sweep),
        ]

    def drawing(self) -> dict[str, object]:
        """Plain numbers for pictures: kind 'disc', 'bar', 'arc' or 'plane'."""
        if self.kind == POINT:
            return {
                "name": self.name,
                "kind": "disc",
                "x": self.x,
                "y": self.y,
                "radius": self.radius,
                "turning": self.turning,
            }
        if self.kind == SEGMENT:
            return {
                "name": self.name,
                "kind": "bar",
                "x": self.x,
                "y": self.y,
                "x2": self.x2,
                "y2": self.y2,
                "radius": self.radius,
            }
        if self.kind == ARC:
            return {
                "name": self.name,
                "kind": "arc",
                "x": self.x,
                "y": self.y,
                "core": self.core,
                "start": self.start,
                "sweep": self.sweep,
                "radius": self.radius,
            }
        return {
            "name": self.name,
            "kind": "plane",
            "x": self.x,
            "y": self.y,
            "nx": self.x2,
            "ny": self.y2,
            "radius": 0.0,
        }


class Obstacle(Protocol):
    """Anything that can be touched."""

    def walls(self, opening: float) -> tuple[Wall, ...]:
        """Thick curves with every wall backed off by `opening` >= 0 mm."""
        ...


def axle_walls(radius: float, opening: float) -> tuple[Wall, ...]:
    """The turning axle at the origin: one disc, thinner while opening: the rest section may reach into it."""
    return (Wall("axle", POINT, 0.0, 0.0, radius - opening, turning=True),)


@dataclass(frozen=True)
class Pod:
    """Round casing with a slot on the right [mm]: inner radius, clear gap of the slot, height of its centre
    line above the axle's centre, x of its outer mouth, radius of its lips.

    The casing is an arc of core radius (radius + lip) whose round ends are the slot's inner lips; the
    channel is a pair of bars with the same lips at its outer end.
    """

    radius: float
    gap: float
    height: float
    mouth: float
    lip: float

    def walls(self, opening: float) -> tuple[Wall, ...]:
        """Casing arc and the two bars of the slot."""
        core = self.radius + self.lip
        half = 0.5 * self.gap + self.lip + opening
        low, high = self.height - half, self.height + half
        # a slot below the casing's floor starts at the lowest point
        start = asin(max(-1.0, min(1.0, high / core)))
        end = asin(max(-1.0, min(1.0, low / core)))
        walls = [Wall("casing", ARC, 0.0, 0.0, self.lip, core=core, start=start, sweep=2 * pi + end - start)]
        outer = self.mouth - self.lip
        for name, level, angle in (("slot, axle side", high, start), ("slot, far side", low, end)):
            inner = core * cos(angle)
            if outer > inner:
                walls.append(Wall(name, SEGMENT, inner, level, self.lip, x2=outer, y2=level))
            else:
                walls.append(Wall(name, POINT, inner, level, self.lip))
        return tuple(walls)


@dataclass(frozen=True)
class Plane:
    """Flat face through (x, y) whose outside looks in the direction `facing`."""

    x: Position
    y: Position
    facing: Angle

    def walls(self, opening: float) -> tuple[Wall, ...]:
        """One line, moved back against its facing while opening."""
        nx, ny = cos(self.facing), sin(self.facing)
        return (Wall("plane", LINE, self.x - opening * nx, self.y - opening * ny, 0.0, x2=nx, y2=ny),)


@dataclass(frozen=True)
class Cylinder:
    """Fixed round post of a radius at (x, y), its axis across the strip."""

    x: Position
    y: Position
    radius: Length

    def walls(self, opening: float) -> tuple[Wall, ...]:
        """One disc, made thinner while opening."""
        return (Wall("cylinder", POINT, self.x, self.y, self.radius - opening),)


@dataclass(frozen=True)
class Bar:
    """Straight wall with round ends from (x, y) to (x2, y2), `radius` thick on each side."""

    x: Position
    y: Position
    x2: Position
    y2: Position
    radius: Length

    def walls(self, opening: float) -> tuple[Wall, ...]:
        """One segment, made thinner while opening."""
        return (Wall("bar", SEGMENT, self.x, self.y, self.radius - opening, x2=self.x2, y2=self.y2),)


@dataclass(frozen=True)
class Guide:
    """Two walls `gap` apart along a centre line that starts at (x, y) with a heading and is bent by an angle.

    The line is `length` long, straight where angle [rad] is 0; a positive one turns toward the axle's side.
    Each wall is `lip` thick on each side, with round ends.
    """

    x: Position
    y: Position
    heading: Angle
    length: Length
    angle: Angle
    gap: Length
    lip: Length

    def walls(self, opening: float) -> tuple[Wall, ...]:
        """Wall on the axle's side (+n) and on the far side."""
        offset = 0.5 * self.gap + self.lip + opening
        nx, ny = -sin(self.heading), cos(self.heading)
        made = []
        for name, side in (("guide, axle side", 1.0), ("guide, far side", -1.0)):
            x, y = self.x + side * offset * nx, self.y + side * offset * ny
            if abs(self.angle) < 1e-9:
                made.append(
                    Wall(
                        name,
                        SEGMENT,
                        x,
                        y,
                        self.lip,
                        x2=x + self.length * cos(self.heading),
                        y2=y + self.length * sin(self.heading),
                    )
                )
                continue
            bend = self.length / self.angle
            cx, cy = self.x + bend * nx, self.y + bend * ny
            # beyond the centre of its bend an inner wall only grows thinner
            inner = abs(bend) - (side if bend > 0.0 else -side) * offset
            core, radius = max(inner, self.lip), self.lip + min(0.0, inner - self.lip)
            first = self.heading - (0.5 if self.angle > 0.0 else -0.5) * pi
            start = first if self.angle > 0 else first + self.angle
            made.append(Wall(name, ARC, cx, cy, radius, core=core, start=start, sweep=abs(self.angle)))
        return tuple(made)


OBSTACLES: tuple[type, ...] = (Plane, Cylinder, Bar, Guide)


def wall_table(walls: tuple[Wall, ...]) -> Array:
    """(k, WALL_NUMBERS) numbers of the walls for the compiled kernels."""
    return np.array([wall.numbers() for wall in walls], dtype=float).reshape(len(walls), WALL_NUMBERS)
