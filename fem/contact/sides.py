"""On which side of everything a strip is: what no accepted state may have passed through.

A strip whose mid-line lies within a wall, or has points on both sides of one, is no state of that strip,
however well its forces balance: the penalty pushes it out on the wrong side. The same holds for the mid-line
and itself. A line that begins inside the casing and passes through no wall leaves it through the slot.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from fem.contact.kernels.sides import passes_itself, passes_walls
from fem.core.term import Array
from fem.design.obstacle import Wall, wall_table

MOST_DEPTH = 0.5
"""Depth below a surface, over the thickness, at which the mid-surface has reached it."""


class Stations(Protocol):
    """Where a strip can touch: stations (n,) [mm]; split: how many of them one can stand for."""

    @property
    def stations(self) -> Array: ...
    @property
    def split(self) -> int: ...


class Surroundings(Protocol):
    """Contact with walls, as far as sides are concerned."""

    @property
    def points(self) -> Stations: ...
    @property
    def walls(self) -> tuple[Wall, ...]: ...

    def least_gap(self, u: Array) -> float: ...
    def mid_line(self, u: Array) -> Array: ...


ITSELF = "itself"
"""Named in what is said of a strip that would pass through itself."""


@dataclass(frozen=True)
class Passage:
    """Where a strip passes through something: station [mm]; number of the wall, None: through itself."""

    station: float
    wall: int | None


@dataclass(frozen=True)
class Sides:
    """Whether a state (size,) keeps to its side of all walls and of itself.

    thickness [mm] of the strip. Called with a state, it says what is wrong, "" if nothing is.
    """

    walls: Surroundings
    thickness: float

    def passage(self, u: Array) -> Passage | None:
        """The first place at which the mid-line passes through a wall or through itself, None without one."""
        line, stations = np.ascontiguousarray(self.walls.mid_line(u)), self.walls.points.stations
        point, wall = passes_walls(line, wall_table(self.walls.walls))
        if point >= 0:
            return Passage(float(stations[point]), wall)
        split = self.walls.points.split
        coarse = slice(split // 2, None, split)
        point, _ = passes_itself(np.ascontiguousarray(line[coarse]))
        return Passage(float(stations[coarse][point]), None) if point >= 0 else None

    def __call__(self, u: Array) -> str:
        """What the strip does that it cannot do, in words; "" if nothing."""
        found = self.passage(u)
        if found is not None:
            what = ITSELF if found.wall is None else f"the {self.walls.walls[found.wall].name}"
            return f"the strip would pass through {what}, {found.station:.1f} mm from the root"
        if self.walls.least_gap(u) < -MOST_DEPTH * self.thickness:
            return f"a face would sink more than {MOST_DEPTH:g} thicknesses into a wall"
        return ""
