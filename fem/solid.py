"""Shapes of the real things for pictures and other outputs: the strip with its thickness, walls with depth.

Numbers only; whoever draws, prints or exports turns the grids of points into triangles of its own kind.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.interpolate import CubicSpline

from fem.equilibrium import Array
from fem.snapshot import Snapshot


@dataclass(frozen=True, eq=False)
class StripSolid:
    """The strip as six grids of points and its marks.

    Faces in the order: toward the axle (+n), away from it, both long edges, root end, tip end.
    """

    faces: tuple[Array, ...]
    """Each (a, b, 3) mm."""
    shares: tuple[Array, ...]
    """Strain share at those points, each (a, b)."""
    station: Array
    """(k,) mm, of the first index of the two broad faces and the long edges."""

    def across_at(self, station: float) -> tuple[Array, Array]:
        """The lines across both broad faces at a station, each (b, 3): toward the axle, away from it."""
        place = int(np.clip(np.searchsorted(self.station, station), 1, self.station.size - 1))
        low, high = self.station[place - 1], self.station[place]
        part = float(np.clip((station - low) / (high - low), 0.0, 1.0))
        above, below = ((1 - part) * face[place - 1] + part * face[place] for face in self.faces[:2])
        return above, below

    def edges(self) -> list[Array]:
        """The sharp edges as curves, each (k, 3)."""
        rims = [face[:, k] for face in self.faces[:2] for k in (0, -1)]
        return rims + [np.concatenate([end[:, 0], end[::-1, 1], end[:1, 0]]) for end in self.faces[4:]]

    def tick_step(self) -> float:
        """Distance of ticks along the strip [mm]: 1, 2 or 5 times a power of ten, at most 12 of them."""
        length = float(self.station[-1])
        decade = 10.0 ** math.floor(math.log10(length / 12))
        return next(step * decade for step in (1.0, 2.0, 5.0, 10.0) if step * decade * 12 >= length)

    def ticks(self) -> list[Array]:
        """Lines across both broad faces at every tick, each (b, 3)."""
        stations = np.arange(self.tick_step(), self.station[-1], self.tick_step())
        return [line for station in stations for line in self._lifted(station)]

    def band(self, station: float) -> list[Array]:
        """A narrow stripe across both broad faces at a station, each (5, b, 3)."""
        half = 0.006 * float(self.station[-1])
        rows = [self._lifted(place) for place in np.linspace(station - half, station + half, 5)]
        return [np.stack([row[k] for row in rows]) for k in (0, 1)]

    def _lifted(self, station: float) -> tuple[Array, Array]:
        above, below = self.across_at(station)
        lift = 0.025 * (above - below)  # off the surface, or a drawing would let the two flicker
        return above + lift, below - lift


def strip_solid(snapshot: Snapshot, along: int = 600, across: int = 15) -> StripSolid:
    """The strip of a snapshot as a solid, refined by splines to `along` x `across` points.

    Thickness is laid out half and half along the normal of the mid-surface.
    """
    station = np.linspace(snapshot.station[0], snapshot.station[-1], along)
    share_of_width = np.linspace(0.0, 1.0, across)
    columns = np.linspace(0.0, 1.0, snapshot.across.size)

    def refined(values: Array) -> Array:
        dense = CubicSpline(snapshot.station, values, axis=0)(station)
        return np.asarray(CubicSpline(columns, dense, axis=1)(share_of_width))

    def plainly(values: Array) -> Array:  # a spline would overshoot beyond the extremes
        rows = np.stack([np.interp(station, snapshot.station, column) for column in values.T], axis=1)
        return np.stack([np.interp(share_of_width, columns, row) for row in rows])

    surface = refined(snapshot.surface())
    # e_z x heading = n: this order of the product points toward the axle, whatever the section
    normal = np.cross(np.gradient(surface, axis=1), np.gradient(surface, axis=0))
    normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
    thickness = plainly(np.broadcast_to(snapshot.thickness, snapshot.height.shape))[..., None]
    above, below = surface + normal * thickness / 2, surface - normal * thickness / 2
    share = plainly(snapshot.strain_share)
    sides = [np.stack([above[:, k], below[:, k]], axis=1) for k in (0, -1)]
    ends = [np.stack([above[k], below[k]], axis=1) for k in (0, -1)]
    shares = [share, share, *(np.stack([share[:, k]] * 2, axis=1) for k in (0, -1))]
    shares += [np.stack([share[k]] * 2, axis=1) for k in (0, -1)]
    return StripSolid((above, below, *sides, *ends), tuple(shares), station)


def wall_outline(wall: Mapping[str, Any], reach: float) -> tuple[Array, Array]:
    """Both sides of a wall in the plane of the path, each (k, 2); joined point by point they fill it.

    `wall` is an entry of `Snapshot.obstacles`; a plane is drawn `reach` mm to either side of its point and
    reach/60 thick. Raises ValueError for an unknown kind.
    """
    kind, radius = wall["kind"], float(wall["radius"])
    place = np.array([wall["x"], wall["y"]], dtype=float)
    if kind == "disc":
        core, tangent = place[None], np.array([[1.0, 0.0]])
    elif kind == "bar":
        core = np.array([place, [wall["x2"], wall["y2"]]], dtype=float)
        tangent = np.repeat(_unit(core[1:] - core[:1]), 2, axis=0)
    elif kind == "arc":
        turn = wall["start"] + np.linspace(0.0, 1.0, 4 + int(abs(wall["sweep"]) * 30)) * wall["sweep"]
        core = place + wall["core"] * np.stack([np.cos(turn), np.sin(turn)], axis=1)
        tangent = np.stack([-np.sin(turn), np.cos(turn)], axis=1) * math.copysign(1.0, wall["sweep"])
    elif kind == "plane":
        normal = _unit(np.array([[wall["nx"], wall["ny"]]], dtype=float))[0]
        along = np.array([-normal[1], normal[0]])
        half = reach / 120.0
        core = place - normal * (half - radius) + np.array([[-reach], [reach]]) * along
        return core + half * normal, core - half * normal
    else:
        raise ValueError(f"no way to draw a wall of kind {kind!r}; known are disc, bar, arc, plane")
    side = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1) * radius
    bow = np.linspace(0.0, math.pi / 2, 17)[:, None]
    sines, cosines = np.sin(bow), np.cos(bow)
    left, right = core + side, core - side
    first, last = tangent[0] * radius, tangent[-1] * radius
    caps = [
        (core[0] - sines[::-1] * first, cosines[::-1] * side[0]),
        (core[-1] + sines * last, cosines * side[-1]),
    ]
    (start, start_side), (end, end_side) = caps
    return (
        np.concatenate([start + start_side, left, end + end_side]),
        np.concatenate([start - start_side, right, end - end_side]),
    )


def _unit(vectors: Array) -> Array:
    return np.asarray(vectors / np.linalg.norm(vectors, axis=-1, keepdims=True))


def wall_faces(outline: tuple[Array, Array], z: tuple[float, float]) -> tuple[Array, ...]:
    """A wall as grids of points, each (a, b, 3): the face at the larger z, its back and the rim around."""
    left, right = outline
    rim = np.concatenate([left, right[::-1], left[:1]])
    back, front = (np.full((len(left), 1), depth) for depth in z)
    faces = [
        np.stack([np.hstack([left, depth]), np.hstack([right, depth])], axis=1) for depth in (front, back)
    ]
    around = [np.hstack([rim, np.full((len(rim), 1), depth)]) for depth in z]
    return (*faces, np.stack(around, axis=1))


def axle_mark(wall: Mapping[str, Any], angle: float, z: float) -> Array:
    """A bar (2, 2, 3) on the end of the axle from its centre to the clamped root: down, `angle` clockwise."""
    out = np.array([-math.sin(angle), -math.cos(angle)])
    side, middle = np.array([-out[1], out[0]]), np.array([wall["x"], wall["y"]])
    ends = [middle + wall["radius"] * (a * out + b * side) for a in (0.0, 0.95) for b in (0.1, -0.1)]
    return np.column_stack([ends, np.full(4, z)]).reshape(2, 2, 3)


def dashes(path: Array) -> list[Array]:
    """A curve (k, 3) cut into dashes of at most 1.8 mm, each (4, 3)."""
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    step = min(along[-1] / 45.0, 3.0)
    spans = [np.linspace(s, min(s + 0.6 * step, along[-1]), 4) for s in np.arange(0.0, along[-1], step)]
    return [np.stack([np.interp(s, along, path[:, k]) for k in range(3)], axis=1) for s in spans]
