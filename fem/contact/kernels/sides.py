"""Compiled loops that ask whether a line of points passes through walls or through itself."""

from __future__ import annotations

import numpy as np

from fem.contact.kernels.distance import wall_gap
from fem.core.term import Array
from fem.jit.decorators import compiled, inlined

BLOCK = 12
"""Pieces of the line that share a box."""


@inlined
def _turn(ax: float, ay: float, bx: float, by: float, cx: float, cy: float) -> float:
    """Twice the area of the triangle a b c, positive counter-clockwise."""
    return (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)


@inlined
def _pieces_cross(a: Array, b: Array, c: Array, d: Array) -> bool:
    """Whether the straight pieces a b and c d pass through each other."""
    apart = _turn(a[0], a[1], b[0], b[1], c[0], c[1]) * _turn(a[0], a[1], b[0], b[1], d[0], d[1])
    if apart >= 0.0:
        return False
    return _turn(c[0], c[1], d[0], d[1], a[0], a[1]) * _turn(c[0], c[1], d[0], d[1], b[0], b[1]) < 0.0


@inlined
def _meets_arc(wall: Array, a: Array, b: Array) -> bool:
    """Whether the straight piece a b passes through the core of an arc."""
    x, y, ex, ey = a[0] - wall[1], a[1] - wall[2], b[0] - a[0], b[1] - a[1]
    square, half, rest = ex * ex + ey * ey, x * ex + y * ey, x * x + y * y - wall[6] * wall[6]
    root = half * half - square * rest
    if square == 0.0 or root <= 0.0:
        return False
    for sign in (-1.0, 1.0):
        t = (-half + sign * np.sqrt(root)) / square
        if t <= 0.0 or t > 1.0:
            continue
        px, py = x + t * ex, y + t * ey
        after, before = wall[10] * py - wall[11] * px >= 0.0, px * wall[13] - py * wall[12] >= 0.0
        inside = (after and before) if wall[8] <= np.pi else (after or before)
        if inside or wall[8] >= 2.0 * np.pi:
            return True
    return False


@inlined
def _meets_core(wall: Array, a: Array, b: Array, ends: Array) -> bool:
    """Whether the straight piece a b passes through the core of a wall; ends (2, 2): those of a segment."""
    if wall[0] == 1.0:
        return bool(_pieces_cross(a, b, ends[0], ends[1]))
    if wall[0] == 2.0:
        return bool(_meets_arc(wall, a, b))
    return False


@compiled
def passes_walls(line: Array, table: Array) -> tuple[int, int]:
    """Point and wall at which a line (n, 2) passes through the core of a wall or lies below its surface;
    (-1, -1) where it does not. Walls thinner than nothing, out of the way, are not there.
    """
    ends = np.empty((2, 2))
    for w in range(table.shape[0]):
        wall = table[w]
        ends[0, 0], ends[0, 1], ends[1, 0], ends[1, 1] = wall[1], wall[2], wall[4], wall[5]
        before = wall_gap(wall, line[0, 0], line[0, 1])[0]
        for p in range(line.shape[0]):
            gap = wall_gap(wall, line[p, 0], line[p, 1])[0]
            if gap < 0.0:
                return p, w
            if p > 0 and wall[3] >= 0.0:
                dx, dy = line[p, 0] - line[p - 1, 0], line[p, 1] - line[p - 1, 1]
                reach = np.sqrt(dx * dx + dy * dy)
                if min(gap, before) + wall[3] <= reach and _meets_core(wall, line[p - 1], line[p], ends):
                    return p, w
            before = gap
    return -1, -1


@inlined
def _apart(a: Array, b: Array) -> bool:
    """Whether two boxes (least x, largest x, least y, largest y) have nothing in common."""
    return bool(a[0] > b[1] or b[0] > a[1] or a[2] > b[3] or b[2] > a[3])


@compiled
def passes_itself(line: Array) -> tuple[int, int]:
    """Two points at which a line (n, 2) passes through itself; (-1, -1) where it does not."""
    pieces = line.shape[0] - 1
    count = (pieces + BLOCK - 1) // BLOCK
    box = np.empty((count, 4))
    for i in range(count):
        first, last = i * BLOCK, min(pieces, (i + 1) * BLOCK) + 1
        box[i, 0], box[i, 1] = line[first:last, 0].min(), line[first:last, 0].max()
        box[i, 2], box[i, 3] = line[first:last, 1].min(), line[first:last, 1].max()
    for i in range(count):
        for j in range(i, count):
            if _apart(box[i], box[j]):
                continue
            for p in range(i * BLOCK, min(pieces, (i + 1) * BLOCK)):
                px, py = min(line[p, 0], line[p + 1, 0]), max(line[p, 0], line[p + 1, 0])
                if px > box[j, 1] or py < box[j, 0]:
                    continue
                for q in range(max(p + 2, j * BLOCK), min(pieces, (j + 1) * BLOCK)):
                    if _pieces_cross(line[p], line[p + 1], line[q], line[q + 1]):
                        return p, q
    return -1, -1
