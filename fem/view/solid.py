"""Shapes of the real things for pictures and other outputs: the strip with its thickness, walls with depth.

Numbers only; whoever draws, prints or exports turns the grids of points into triangles of its own kind. What
does not change from state to state of a run (the splines, the layers, which point belongs to which face) is
laid out once in a `StripGrid`; a state then costs a few products of small matrices.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from fem.core.term import Array, Index
from fem.results.snapshot import Snapshot

ALONG, ACROSS = 600, 15
"""Points of a drawn strip."""


@dataclass(frozen=True, eq=False)
class StripSolid:
    """The strip as six grids of points and its marks.

    Faces in the order: toward the axle (+n), away from it, both long edges, root end, tip end. Long edges and
    ends have two lines per layer.
    """

    faces: tuple[Array, ...]
    """Each (a, b, 3) mm."""
    normals: tuple[Array, ...]
    """Outward unit normals at those points."""
    shares: tuple[Array, ...]
    """Strain share at those points, each (a, b)."""
    station: Array
    """(k,) mm, of the first index of the two broad faces and the long edges."""
    layer_faces: Array
    """(layers + 1, k, b, 3) mm: faces of the layers, from the one away from the axle to the one toward it."""

    @property
    def middle(self) -> Array:
        """(k, 3) mm, the middle between both broad faces half-way across."""
        column = self.faces[0].shape[1] // 2
        return np.asarray((self.faces[0][:, column] + self.faces[1][:, column]) / 2)

    def _between(self, station: float) -> tuple[int, float]:
        place = int(np.clip(np.searchsorted(self.station, station), 1, self.station.size - 1))
        low, high = self.station[place - 1], self.station[place]
        return place, float(np.clip((station - low) / (high - low), 0.0, 1.0))

    def across_at(self, station: float) -> tuple[Array, Array]:
        """The lines across both broad faces at a station, each (b, 3): toward the axle, away from it."""
        place, part = self._between(station)
        above, below = ((1 - part) * face[place - 1] + part * face[place] for face in self.faces[:2])
        return above, below

    def cut(self, station: float) -> Array:
        """The section at a station, (layers + 1, b, 3): lines of the layers' faces."""
        place, part = self._between(station)
        return np.asarray((1 - part) * self.layer_faces[:, place - 1] + part * self.layer_faces[:, place])

    def edges(self) -> list[Array]:
        """The sharp edges as curves, each (k, 3)."""
        rims = [face[:, k] for face in self.faces[:2] for k in (0, -1)]
        return rims + [np.concatenate([end[:, 0], end[::-1, -1], end[:1, 0]]) for end in self.faces[4:]]

    def tick_step(self) -> float:
        """Distance of ticks along the strip [mm]."""
        return tick_step(float(self.station[-1]))

    def ticks(self) -> list[Array]:
        """Lines across both broad faces at every tick, each (b, 3)."""
        stations = np.arange(self.tick_step(), self.station[-1], self.tick_step())
        return [line for station in stations for line in self.lifted(station)]

    def band(self, station: float) -> list[Array]:
        """A narrow stripe across both broad faces at a station, each (5, b, 3)."""
        half = 0.006 * float(self.station[-1])
        rows = [self.lifted(place) for place in np.linspace(station - half, station + half, 5)]
        return [np.stack([row[k] for row in rows]) for k in (0, 1)]

    def lifted(self, station: float) -> tuple[Array, Array]:
        """The lines across at a station, a little off the surface, or a drawing would let the two flicker."""
        above, below = self.across_at(station)
        lift = 0.025 * (above - below)
        return above + lift, below - lift


@dataclass(frozen=True, eq=False)
class StripGrid:
    """Where the points of a drawn strip lie: on a grid `station` x `share`, at heights of the layers' faces.

    station (a,) mm; share (b,) of the width, 0 ... 1; heights (layers + 1, a, b) mm from the mid-surface,
    rising; along and across: values at a state's stations and columns -> the grid, by splines, by slopes of
    these and by straight lines.
    """

    station: Array
    share: Array
    along: tuple[Array, Array, Array]
    across: tuple[Array, Array, Array]
    heights: Array | None = None

    @classmethod
    def of(
        cls, station: Array, columns: int, along: Array | None = None, share: Array | None = None
    ) -> StripGrid:
        """For states with these stations (n,) and `columns` points across."""
        dense = np.linspace(station[0], station[-1], ALONG) if along is None else along
        part = np.linspace(0.0, 1.0, ACROSS) if share is None else share
        column = np.linspace(0.0, 1.0, columns)
        lengthwise = (*spline_matrices(station, dense), linear_matrix(station, dense))
        return cls(dense, part, lengthwise, (*spline_matrices(column, part), linear_matrix(column, part)))

    @property
    def layers(self) -> int:
        """Number of layers that long edges and ends show."""
        return 1 if self.heights is None else len(self.heights) - 1

    def field(self, values: Array) -> Array:
        """(n, m) -> (a, b), by straight lines: a spline would overshoot beyond the extremes."""
        return np.asarray(self.along[2] @ values @ self.across[2].T)

    def solid(self, snapshot: Snapshot, moved: Array | None = None) -> StripSolid:
        """The strip of a state as a solid, or one of its thickness about a surface `moved` (n, m, 3)."""
        surface = snapshot.surface() if moved is None else moved
        (value, slope, _), (value_q, slope_q, _) = self.along, self.across

        def refined(lengthwise: Array, crosswise: Array) -> Array:
            rows = np.tensordot(lengthwise, surface, axes=(1, 0))
            return np.asarray(np.einsum("amk,bm->abk", rows, crosswise))

        middle = refined(value, value_q)
        # e_z x heading = n: this order of the product points toward the axle, whatever the section
        tangent, aside = refined(slope, value_q), refined(value, slope_q)
        normal = _unit(np.cross(aside, tangent))
        heights = self.heights
        if heights is None:
            half = self.field(np.broadcast_to(snapshot.thickness, snapshot.height.shape)) / 2
            heights = np.stack([-half, half])
        layer_faces = middle + normal * heights[..., None]
        share = self.field(snapshot.strain_share)
        outward = (_unit(-aside[:, 0]), _unit(aside[:, -1]), _unit(-tangent[0]), _unit(tangent[-1]))
        doubled = 2 * self.layers
        lines = np.stack([layer_faces[(k + 1) // 2] for k in reversed(range(doubled))], axis=2)
        sides = (lines[:, 0], lines[:, -1], lines[0], lines[-1])
        rims = [
            np.repeat(part[:, None], doubled, axis=1)
            for part in (share[:, 0], share[:, -1], share[0], share[-1])
        ]
        faces = (layer_faces[-1], layer_faces[0], *sides)
        normals = (normal, -normal, *(np.repeat(way[:, None], doubled, axis=1) for way in outward))
        return StripSolid(faces, normals, (share, share, *rims), self.station, layer_faces)

    @cached_property
    def sources(self) -> Index:
        """(P,) place in the flat grid (a * b) of every point of all faces, in their order."""
        grid = np.arange(self.station.size * self.share.size).reshape(self.station.size, self.share.size)
        doubled = 2 * self.layers
        rims = [np.repeat(part, doubled) for part in (grid[:, 0], grid[:, -1], grid[0], grid[-1])]
        return np.concatenate([grid.ravel(), grid.ravel(), *rims])

    def with_heights(self, heights: Array) -> StripGrid:
        """The same grid with other faces of the layers, (layers + 1, a, b)."""
        return replace(self, heights=heights)


def strip_solid(snapshot: Snapshot) -> StripSolid:
    """The strip of one snapshot as a solid of one layer, refined by splines.

    Thickness is laid out half and half along the normal of the mid-surface.
    """
    return StripGrid.of(snapshot.station, snapshot.across.size).solid(snapshot)


def tick_step(length: float) -> float:
    """Distance of ticks along a length [mm]: 1, 2 or 5 times a power of ten, at most 12 of them."""
    decade: float = 10.0 ** math.floor(math.log10(length / 12))
    return next(step * decade for step in (1.0, 2.0, 5.0, 10.0) if step * decade * 12 >= length * 0.999)


def quads(shapes: Sequence[tuple[int, int]]) -> Index:
    """Corners (k, 4) of the quadrilaterals of grids of these shapes, numbered one after the other."""
    made, offset = [], 0
    for a, b in shapes:
        number = offset + np.arange(a * b).reshape(a, b)
        corners = (number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:])
        made.append(np.stack(corners, axis=-1).reshape(-1, 4))
        offset += a * b
    return np.concatenate(made)


def spline_matrices(knots: Array, places: Array) -> tuple[Array, Array]:
    """Matrices (k, n) from values at knots (n,) to the cubic spline through them, and its slope, at places
    (k,).

    Ends as in de Boor, A Practical Guide to Splines: the third derivative is continuous at the second and the
    last but one knot; with two or three knots the polynomial through them.
    """
    n = knots.size
    if n < 4:
        powers = np.arange(n)
        back = np.linalg.inv(knots[:, None] ** powers)
        return places[:, None] ** powers @ back, (
            powers * places[:, None] ** np.maximum(powers - 1, 0)
        ) @ back
    step = np.diff(knots)
    left, right = np.zeros((n, n)), np.zeros((n, n))  # left @ second derivatives = right @ values
    k = np.arange(1, n - 1)
    left[k, k - 1], left[k, k], left[k, k + 1] = step[:-1] / 6, (step[:-1] + step[1:]) / 3, step[1:] / 6
    right[k, k - 1], right[k, k], right[k, k + 1] = 1 / step[:-1], -1 / step[:-1] - 1 / step[1:], 1 / step[1:]
    left[0, :3] = -1 / step[0], 1 / step[0] + 1 / step[1], -1 / step[1]
    left[-1, -3:] = -1 / step[-2], 1 / step[-2] + 1 / step[-1], -1 / step[-1]
    second = np.linalg.solve(left, right)
    i = np.clip(np.searchsorted(knots, places) - 1, 0, n - 2)
    h, unit = step[i][:, None], np.eye(n)
    a, b = (knots[i + 1] - places)[:, None] / h, (places - knots[i])[:, None] / h
    value = a * unit[i] + b * unit[i + 1] + h**2 / 6 * ((a**3 - a) * second[i] + (b**3 - b) * second[i + 1])
    slope = (unit[i + 1] - unit[i]) / h + h / 6 * (
        (1 - 3 * a**2) * second[i] + (3 * b**2 - 1) * second[i + 1]
    )
    return value, slope


def linear_matrix(knots: Array, places: Array) -> Array:
    """Matrix (k, n) from values at knots (n,) to straight lines between them at places (k,)."""
    return np.stack([np.interp(places, knots, row) for row in np.eye(knots.size)], axis=1)


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
