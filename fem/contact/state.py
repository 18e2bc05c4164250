"""Contact of the strip in an accepted state, as plain arrays: what pictures, the facts of a jam and numbers
are read from.

Which wrap faces which, and from which side, depends on the way there: at a fold the nearest part of the strip
may lie beyond the one that presses. A term with contact therefore gives, beside every state that is kept, a
record of its pairs and its friction; contact is read from both and nothing is looked for again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fem.core.term import Array, History

ContactRecord = tuple[NDArray[Any], ...]
"""What reading the contact of a state needs beside it, as small arrays that only the term reads."""


@dataclass(frozen=True, eq=False)
class ContactState:
    """Contact of one term at n stations and k lines across, with w partners: the walls, or the strip itself.

    stations (n,) [mm]; lines (k,) [mm] across at the widest station, `mirrored`: each stands for both sides;
    lengths (n,) [mm] and area (n, k) [mm^2] that stations and points stand for, of the whole strip (0: they
    do not count); names (w,). gap (n, k, w) [mm], inf where there is no partner; force (n, k, w) [N]: normal
    force; friction (n, k, w, c) [N]: friction in the plane of the path and, where c is 2, across it, at the
    end of the step; side (n, k, w): 1 where the face that the strip's normal points to is touched, -1 the
    other, 0 none. foot (n, k, 2) [mm]: station and place across of the partner on the strip, nan without.
    """

    stations: Array
    lines: Array
    mirrored: bool
    lengths: Array
    area: Array
    names: tuple[str, ...]
    gap: Array
    force: Array
    friction: Array
    side: Array
    foot: Array

    def force_of(self, name: str) -> Array:
        """Normal force (n,) [N] at each station between the strip and the partners of a name."""
        return np.asarray(self.force[..., [each == name for each in self.names]].sum(axis=(1, 2)))

    def pressure(self) -> Array:
        """Normal force over the area of the points (n, k, w) [N/mm^2]; 0 where they do not count."""
        return np.asarray(self.force / np.where(self.area > 0.0, self.area, np.inf)[..., None])


def like(kept: Array, present: NDArray[Any]) -> Array:
    """A copy of an array that was kept; raises ValueError where it cannot take the place of the present
    one.
    """
    if kept.shape != present.shape or not np.all(np.isfinite(kept)):
        raise ValueError(f"an array {kept.shape} does not fit one {present.shape}")
    return kept.copy()


def within(numbers: NDArray[Any], count: int) -> bool:
    """Whether numbers (m,) are those of some of `count` things."""
    return numbers.ndim == 1 and bool(np.all((numbers >= 0) & (numbers < count)))


def spreads(record: ContactRecord, shape: tuple[int, ...]) -> bool:
    """Whether `spread_out` can make values (shape) of a record that was kept."""
    if len(record) != 2:
        return False
    at, rows = record
    return rows.shape == (len(at), shape[-1]) and within(at, math.prod(shape[:-1]))


def kept_friction(slip: Array, force: Array, components: int) -> History:
    """Slip and friction force (..., components) without their many zeros: rows in which one of them is not
    zero, and what they are there.
    """
    slips, forces = slip.reshape(-1, components), force.reshape(-1, components)
    at = np.flatnonzero(np.any(slips != 0.0, axis=1) | np.any(forces != 0.0, axis=1))
    return at.astype(np.float64), slips[at], forces[at]


def friction_kept(history: History, components: int, shape: tuple[int, ...]) -> tuple[Array, Array]:
    """Slip and friction force (shape) of which `kept_friction` made a history; ValueError for another one."""
    at, slip, force = history[0].astype(np.int64), *history[1:]
    rows = (math.prod(shape) // components, components)
    if not (spreads((at, slip), rows) and spreads((at, force), rows)):
        raise ValueError("friction of another strip")
    return spread_out((at, slip), shape), spread_out((at, force), shape)


def filled(values: Array, components: int) -> tuple[NDArray[np.int32], Array]:
    """Rows (m,) in which values (..., components) are not all zero, and the values (m, components) there."""
    rows = values.reshape(-1, components)
    at = np.flatnonzero(np.any(rows != 0.0, axis=1))
    return at.astype(np.int32), rows[at]


def spread_out(record: ContactRecord, shape: tuple[int, ...]) -> Array:
    """The values (shape) of which `filled` gave the rows that are not all zero."""
    at, rows = record
    values = np.zeros(shape)
    values.reshape(-1, rows.shape[1])[at] = rows
    return values
