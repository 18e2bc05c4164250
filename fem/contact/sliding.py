"""Where the motion of a strip leads that slides through a slot: the start of the next step's iterations."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from fem.core.term import Array
from fem.mesh.hermite_line import hermite

NEAR, FAR = 0.4, 0.8
"""Distance from the slot, as a share of the width, up to which a strip slides through a standing shape, and
from which on it moves as elsewhere: what the lips flatten opens again over about a width.
"""


class Fields(Protocol):
    """Unknowns of a strip as functions along it, and back."""

    def __call__(self, u: Array) -> Array:
        """Values and slopes (n, k, 2) at the stations, of unknowns (size,)."""
        ...

    def unknowns(self, x: Array) -> Array:
        """Unknowns (size,) of such functions."""
        ...


@dataclass(frozen=True)
class SlidingThrough:
    """How a motion goes on near a slot, where the strip slides through a shape that stands in space: the lips
    flatten whatever is between them.

    All fields are functions of the distance from the plane x = `plane` [mm], measured along the strip; these
    go on, and the strip is moved along by the expected travel. Within `near` [mm] of the plane this holds,
    beyond `far` [mm] the motion goes on as `elsewhere` says, and between the two both are blended.

    nodes (n,): stations [mm]; fields: unknowns (size,) as cubic Hermite functions (n, k, 2), value and slope,
    and back; the place x of the mid-line is number `middle`.
    """

    elsewhere: Callable[[Array, Array, float], Array]
    nodes: Array
    fields: Fields
    middle: int
    plane: float
    near: float
    far: float

    def __call__(self, u: Array, before: Array, ratio: float) -> Array:
        """Unknowns after `ratio` times the step from `before` to u."""
        there, here = self.fields(before), self.fields(u)
        elsewhere = self.elsewhere(u, before, ratio)
        was, now = self._station(there), self._station(here)
        if was is None or now is None:
            return elsewhere
        then = now + ratio * (now - was)
        weight = np.clip((self.far - np.abs(self.nodes - then)) / (self.far - self.near), 0.0, 1.0)
        at = np.flatnonzero(weight > 0.0)
        away = self.nodes[at] - then
        inside = self._on_strip(now + away) & self._on_strip(was + away)
        at, away = at[inside], away[inside]
        a, b = self._read(here, now + away), self._read(there, was + away)
        out = self.fields(elsewhere).copy()
        out[at] += weight[at][:, None, None] * (a + ratio * (a - b) - out[at])
        return self.fields.unknowns(out)

    def _station(self, x: Array) -> float | None:
        """Station [mm] at which the mid-line first crosses the plane, if it does."""
        beyond = np.flatnonzero(x[:, self.middle, 0] > self.plane)
        if len(beyond) == 0 or beyond[0] == 0:
            return None
        k = int(beyond[0])
        start, size = self.nodes[k - 1], self.nodes[k] - self.nodes[k - 1]
        ends = x[k - 1 : k + 1, self.middle].ravel()
        t = (self.plane - ends[0]) / (ends[2] - ends[0])
        for _ in range(3):  # Newton's method, from a start good to a hundredth of an element
            functions = hermite(np.array(t), np.array(size))
            value, slope = (
                sum(c * float(f[d]) for c, f in zip(ends, functions, strict=True)) for d in (0, 1)
            )
            t -= (value - self.plane) / (slope * size)
        return float(start + t * size)

    def _on_strip(self, stations: Array) -> NDArray[np.bool_]:
        return np.asarray((stations >= self.nodes[0]) & (stations <= self.nodes[-1]))

    def _read(self, x: Array, stations: Array) -> Array:
        """Values and slopes (m, k, 2) at stations (m,)."""
        nodes = self.nodes
        k = np.clip(np.searchsorted(nodes, stations) - 1, 0, len(nodes) - 2)
        size = nodes[k + 1] - nodes[k]
        functions = hermite((stations - nodes[k]) / size, size)
        ends = (x[k, :, 0], x[k, :, 1], x[k + 1, :, 0], x[k + 1, :, 1])
        parts = [sum(c * f[d][:, None] for c, f in zip(ends, functions, strict=True)) for d in (0, 1)]
        return np.stack(parts, axis=-1)
