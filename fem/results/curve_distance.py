"""How far one curve departs from another, and a curve kept by few of its points. Numbers only.

Two runs never stop at the same places, so their rows cannot be compared one by one. What is compared is the
curve as drawn: the largest distance from a point of one to the nearest place on the other, both ways (the
Hausdorff distance), with height and width of the accepted curve as units. A curve that was only sampled at
other points departs by no more than the sag between its points, k h^2 / 8 for curvature k and spacing h; a
peak that has moved aside by a share d of the width, or grown by a share d of the height, departs by at
most d.
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fem.core.term import Array, Index

CHUNK = 200_000
"""Pairs of point and segment looked at together."""
STRAIGHT = 1e-9
"""Distance from the straight line, of curves about one unit in size, that is only rounding."""


@dataclass(frozen=True)
class Departure:
    """The largest distance of two curves; place on each: row number, possibly between rows."""

    distance: float
    place_a: float
    place_b: float


def departure(a: Array, b: Array, ends: float = 0.0) -> Departure:
    """Largest distance of two curves a (n, k), b (m, k), both ways; n, m >= 1; nowhere nan.

    ends: how far a curve may go on beyond the range of the other, in the first coordinate, unlooked at.
    """
    forth, back = _one_way(a, b, ends), _one_way(b, a, ends)
    if forth.distance >= back.distance:
        return forth
    return Departure(back.distance, back.place_b, back.place_a)


def _one_way(points: Array, curve: Array, ends: float) -> Departure:
    """The point farthest from a curve; a distance of 0 at the first points where none is looked at."""
    beyond = np.maximum(curve[:, 0].min() - points[:, 0], points[:, 0] - curve[:, 0].max())
    looked_at = np.flatnonzero((beyond <= 0.0) | (beyond >= ends))
    worst = Departure(0.0, 0.0, 0.0)
    size = max(1, CHUNK // len(curve))
    for start in range(0, len(looked_at), size):
        rows = looked_at[start : start + size]
        distance, place = nearest(points[rows], curve)
        at = int(np.argmax(distance))
        if distance[at] > worst.distance:
            worst = Departure(float(distance[at]), float(rows[at]), float(place[at]))
    return worst


def nearest(points: Array, curve: Array) -> tuple[Array, Array]:
    """Distance (n,) of points (n, k) from a curve (m, k), and the place on it (n,): row with fraction."""
    if len(curve) == 1:
        return np.linalg.norm(points - curve[0], axis=1), np.zeros(len(points))
    start, step = curve[:-1], np.diff(curve, axis=0)
    length = np.maximum(np.einsum("sk,sk->s", step, step), 1e-300)
    away = points[:, None, :] - start
    share = np.clip(np.einsum("psk,sk->ps", away, step) / length, 0.0, 1.0)
    distance = np.linalg.norm(away - share[..., None] * step, axis=2)
    segment = np.argmin(distance, axis=1)
    row = np.arange(len(points))
    return distance[row, segment], segment + share[row, segment]


def thinned(curve: Array, keep: Sequence[int], most: int) -> Index:
    """Sorted row numbers of at most `most` rows of a curve (n, k) that stay nearest to all of it.

    The curve is about one unit in size.

    keep: rows kept in any case; they cut the curve into pieces. Each further row is the one that departs most
    from the straight line between its neighbours kept so far.
    """
    kept = sorted({0, len(curve) - 1, *keep})
    waiting: list[tuple[float, int, int, int]] = []

    def look(first: int, last: int) -> None:
        if last - first > 1:
            away, _ = nearest(curve[first + 1 : last], curve[[first, last]])
            at = int(np.argmax(away))
            heapq.heappush(waiting, (-float(away[at]), first + 1 + at, first, last))

    for first, last in itertools.pairwise(kept):
        look(first, last)
    while waiting and len(kept) < most:
        away, at, first, last = heapq.heappop(waiting)
        if away > -STRAIGHT:
            break
        kept.append(at)
        look(first, at)
        look(at, last)
    return np.array(sorted(kept))
