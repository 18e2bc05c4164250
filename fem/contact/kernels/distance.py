"""Signed gap of a point to a thick curve, compiled: the one place where distance, normal and curvature are
worked out.
"""

from __future__ import annotations

import numpy as np

from fem.core.term import Array
from fem.jit.decorators import inlined


@inlined
def least_gap(table: Array, w: int, x: float, y: float) -> float:
    """A bound below the distance of (x, y) to the surface of wall w that costs little: as if arcs were full
    circles and segments were lines.
    """
    kind = table[w, 0]
    dx, dy = x - table[w, 1], y - table[w, 2]
    if kind == 3.0:
        across = dx * table[w, 4] + dy * table[w, 5]
    elif kind == 1.0:
        ex, ey = table[w, 4] - table[w, 1], table[w, 5] - table[w, 2]
        across = abs(dx * ey - dy * ex) / np.sqrt(ex * ex + ey * ey)
    else:
        across = np.sqrt(dx * dx + dy * dy)
        if kind == 2.0:
            across = abs(across - table[w, 6])
    return float(across - table[w, 3])


@inlined
def wall_gap(wall: Array, x: float, y: float) -> tuple[float, float, float, float]:
    """Distance of (x, y) to the wall's surface, unit normal, curvature of the distance: (gap, nx, ny, k)."""
    kind = wall[0]
    dx, dy = x - wall[1], y - wall[2]
    if kind == 3.0:
        return dx * wall[4] + dy * wall[5] - wall[3], wall[4], wall[5], 0.0
    if kind == 1.0:
        ex, ey = wall[4] - wall[1], wall[5] - wall[2]
        length2 = ex * ex + ey * ey
        along = (dx * ex + dy * ey) / length2
        if along > 0.0 and along < 1.0:
            length = np.sqrt(length2)
            nx, ny = -ey / length, ex / length
            d = dx * nx + dy * ny
            if d < 0.0:
                return -d - wall[3], -nx, -ny, 0.0
            return d - wall[3], nx, ny, 0.0
        if along >= 1.0:
            dx, dy = x - wall[4], y - wall[5]
    elif kind == 2.0:
        rho = np.sqrt(dx * dx + dy * dy)
        # counter-clockwise of the start, clockwise of the end: both for a minor arc, either for a major one
        after, before = wall[10] * dy - wall[11] * dx >= 0.0, dx * wall[13] - dy * wall[12] >= 0.0
        inside = (after and before) if wall[8] <= np.pi else (after or before)
        if (inside or wall[8] >= 2.0 * np.pi) and rho > 1e-12:
            nx, ny = dx / rho, dy / rho
            if rho < wall[6]:
                return wall[6] - rho - wall[3], -nx, -ny, -1.0 / rho
            return rho - wall[6] - wall[3], nx, ny, 1.0 / rho
        # nearer end of the arc
        ax, ay = wall[1] + wall[6] * wall[10], wall[2] + wall[6] * wall[11]
        bx, by = wall[1] + wall[6] * wall[12], wall[2] + wall[6] * wall[13]
        if (x - ax) ** 2 + (y - ay) ** 2 < (x - bx) ** 2 + (y - by) ** 2:
            dx, dy = x - ax, y - ay
        else:
            dx, dy = x - bx, y - by
    d = np.sqrt(dx * dx + dy * dy)
    if d < 1e-12:
        return -wall[3], 1.0, 0.0, 0.0
    return d - wall[3], dx / d, dy / d, 1.0 / d
