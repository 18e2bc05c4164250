"""Lines of points and thick curves in the plane: how far they are apart, whether they cross.

Plain numpy for a few hundred points, without derivatives; contact has compiled distances of its own.
"""

from __future__ import annotations

from math import cos, pi, sin

import numpy as np

from fem.core.term import Array
from fem.design.obstacle import ARC, LINE, SEGMENT, Wall

ARC_STEP = 0.05
"""Largest turn [rad] between two points of a core's outline."""


def pieces_cross(a: Array, b: Array, c: Array, d: Array) -> Array:
    """Whether straight pieces a b and c d (..., 2) pass through each other (...)."""
    return np.asarray((_turn(a, b, c) * _turn(a, b, d) < 0.0) & (_turn(c, d, a) * _turn(c, d, b) < 0.0))


def pieces_apart(a: Array, b: Array, c: Array, d: Array) -> Array:
    """Distance [mm] between straight pieces a b and c d (..., 2), 0 where they cross."""
    ends = [from_piece(a, c, d), from_piece(b, c, d), from_piece(c, a, b), from_piece(d, a, b)]
    nearest = ends[0]
    for distance in ends[1:]:
        nearest = np.minimum(nearest, distance)
    return np.where(pieces_cross(a, b, c, d), 0.0, nearest)


def from_piece(points: Array, start: Array, end: Array) -> Array:
    """Distance [mm] of points (..., 2) from the straight pieces start end (..., 2)."""
    along = end - start
    square = np.maximum((along * along).sum(axis=-1), 1e-300)
    share = np.clip(((points - start) * along).sum(axis=-1) / square, 0.0, 1.0)
    away = points - start - share[..., None] * along
    return np.asarray(np.hypot(away[..., 0], away[..., 1]))


def clear_of(wall: Wall, points: Array) -> Array:
    """Distance [mm] of points (n, 2) from the surface of a wall, negative within it (n,)."""
    if wall.kind == LINE:
        return np.asarray((points - np.array([wall.x, wall.y])) @ np.array([wall.x2, wall.y2]))
    core = core_outline(wall)
    if len(core) == 1:
        away = points - core[0]
        return np.asarray(np.hypot(away[:, 0], away[:, 1]) - wall.radius)
    return np.asarray(from_piece(points[:, None], core[None, :-1], core[None, 1:]).min(axis=1) - wall.radius)


def core_outline(wall: Wall) -> Array:
    """Points (k, 2) along the core of a wall that has one: 1 of a post, 2 of a bar, more of an arc."""
    if wall.kind == SEGMENT:
        return np.array([[wall.x, wall.y], [wall.x2, wall.y2]])
    if wall.kind != ARC:
        return np.array([[wall.x, wall.y]])
    count = max(2, int(np.ceil(min(wall.sweep, 2.0 * pi) / ARC_STEP)) + 1)
    angles = np.linspace(wall.start, wall.start + wall.sweep, count)
    return np.array([[wall.x + wall.core * cos(a), wall.y + wall.core * sin(a)] for a in angles])


def first_crossing(line: Array, other: Array) -> int:
    """Number of the first piece of a line (n, 2) that crosses another (k, 2); -1 if none does."""
    if len(other) < 2:
        return -1
    crossing = pieces_cross(line[:-1, None], line[1:, None], other[None, :-1], other[None, 1:]).any(axis=1)
    found = np.flatnonzero(crossing)
    return int(found[0]) if len(found) else -1


def _turn(p: Array, q: Array, r: Array) -> Array:
    """Twice the area of triangles p q r (..., 2), positive counter-clockwise."""
    return np.asarray(
        (q[..., 0] - p[..., 0]) * (r[..., 1] - p[..., 1]) - (q[..., 1] - p[..., 1]) * (r[..., 0] - p[..., 0])
    )
