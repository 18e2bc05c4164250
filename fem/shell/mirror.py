"""A state of half a strip, with its forces and its contact, as one of the whole width.

Half a model stands for both sides: q and -q move alike, what is written along the strip is the same there,
what is written across it turns its sign, and forces at a place off the plane of symmetry are those of two
places. Pairs of wraps are carried over and not looked for again: which wrap faces which depends on the way.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fem.contact.state import ContactRecord, filled, friction_kept, kept_friction, spread_out
from fem.core.term import Array, History, Index
from fem.mesh.bicubic import Grid
from fem.shell.self_contact import FORCE, ShellSelfContact
from fem.shell.wall_contact import ShellWallContact

FLIP = np.array([[1.0, 1.0, -1.0], [1.0, 1.0, -1.0], [-1.0, -1.0, 1.0], [-1.0, -1.0, 1.0]])
"""Signs of x, x_1, x_2, x_12 (rows) and their components when q turns into -q."""
ACROSS = np.array([1.0, -1.0])
"""The same of what slips or rubs along the strip and across it, and of a place (s, eta) on it."""
HELD = np.array([1.0, 1.0, 1.0, -1.0, 1.0, 1.0, -1.0, 1.0, 1.0, 1.0])
"""The same of what is held at a pair of wraps: force, normal, direction along, offsets and distance."""


def both_sides(values: NDArray[Any], signs: Array | float = 1.0, shared: bool = False) -> NDArray[Any]:
    """Values (n, 2 m - 1, ...) at all lines across from those (n, m, ...) at the lines from q = 0 on; signs:
    what they are multiplied by on the other side; shared: each side has half of them, but on the plane of
    symmetry.
    """
    own = values[:, 1:]
    if shared:
        own = 0.5 * own
    return np.concatenate([own[:, ::-1] * signs, values[:, :1], own], axis=1).astype(values.dtype)


def whole_unknowns(u: Array, half: Grid) -> Array:
    """Unknowns of the whole width from those (size,) of the half on its grid; speeds as well."""
    return both_sides(u.reshape(half.stations.size, -1, 4, 3), FLIP).ravel()


def whole_forces(force: Array, half: Grid) -> Array:
    """Forces on the unknowns of the whole width from those (size,) on the half, which stand for both sides.
    What holds the half on the plane of symmetry is not among them: there both sides cancel.
    """
    both = both_sides(force.reshape(half.stations.size, -1, 4, 3), FLIP, shared=True)
    both[:, both.shape[1] // 2] *= FLIP > 0.0
    return both.ravel()


@dataclass(frozen=True)
class WholeContact:
    """What contact of half a strip remembers, as contact of the whole width does; grid: of the half."""

    grid: Grid
    walls: tuple[ShellWallContact, ShellWallContact]
    wraps: tuple[ShellSelfContact, ShellSelfContact] | None

    def histories(self, kept: Sequence[History]) -> tuple[History, ...]:
        """What the terms with friction saved: walls and, where there are some, wraps."""
        half, _ = self.walls
        slip, force = friction_kept(kept[0], 2, half.slip.shape)
        walls = kept_friction(both_sides(slip, ACROSS), both_sides(force, ACROSS, shared=True), 2)
        return (walls,) if self.wraps is None else (walls, self._pairs(kept[1]))

    def _pairs(self, history: History) -> History:
        slip, last, force, sides, partner, foot, held, before = history
        feet, both = both_sides(foot, ACROSS), both_sides(held, HELD)
        both[..., FORCE] = both_sides(held[..., FORCE], shared=True)
        return (
            both_sides(slip, ACROSS), whole_unknowns(last, self.grid),
            both_sides(force, ACROSS, shared=True), both_sides(sides),
            self._cells(both_sides(partner) >= 0.0, feet).astype(np.float64), feet, both,
            both_sides(before, ACROSS),
        )  # fmt: skip

    def _cells(self, paired: NDArray[np.bool_], feet: Array) -> Index:
        """Elements (n, k) of the whole width on which feet (n, k, 2) lie; -1 where nothing is paired."""
        assert self.wraps is not None
        whole = self.wraps[1].grid
        lines = (whole.stations, whole.across)
        along, over = (
            np.clip(np.searchsorted(line, feet[..., axis], side="right") - 1, 0, line.size - 2)
            for axis, line in enumerate(lines)
        )
        return np.where(paired, along * (whole.across.size - 1) + over, -1).astype(np.int64)

    def records(self, walls: ContactRecord, wraps: ContactRecord) -> tuple[ContactRecord, ContactRecord]:
        """What was recorded of the contact of an accepted state, with walls and of wraps."""
        force = spread_out(walls, self.walls[0].slip.shape)
        mine = filled(both_sides(force, ACROSS, shared=True), 2)
        if self.wraps is None:
            return mine, ()
        half, _ = self.wraps
        at, _, foot, sides = wraps[:4]
        feet, faces = np.zeros_like(half.foot), np.zeros_like(half.sides)
        paired = np.zeros(half.partner.shape, dtype=np.bool_)
        feet.reshape(-1, 2)[at], faces.ravel()[at], paired.ravel()[at] = foot, sides, True
        paired, feet, faces = both_sides(paired), both_sides(feet, ACROSS), both_sides(faces)
        there = np.flatnonzero(paired)
        partner = self._cells(paired, feet).ravel()[there].astype(np.int32)
        rubbing = filled(both_sides(spread_out(wraps[4:], half.slip.shape), ACROSS, shared=True), 2)
        pairs = (partner, feet.reshape(-1, 2)[there], faces.ravel()[there].astype(np.int8))
        return mine, (there.astype(np.int32), *pairs, *rubbing)
