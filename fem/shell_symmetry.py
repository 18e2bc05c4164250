"""Whether half the width is enough: modes of the whole width that a half model cannot show.

The state of the half, with its friction, is carried over to the whole width, and the negative pivots of both
tangents are counted (friction held, as for the stability of a step). What the whole has more are modes that
twist the strip or bend it sideways: from there on the half would follow a path the strip leaves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fem.equilibrium import Array, Blocks, Index
from fem.linear import SymmetricMatrix, assemble
from fem.modes import softest_of
from fem.shell_contact import ShellWalls
from fem.shell_cycle import ShellGrip
from fem.shell_model import ShellModel
from fem.shell_wraps import ShellWraps

FLIP = np.array([[1.0, 1.0, -1.0], [1.0, 1.0, -1.0], [-1.0, -1.0, 1.0], [-1.0, -1.0, 1.0]])
"""Signs of x, x_1, x_2, x_12 (rows) and their components when q turns into -q."""
OVER_WIDTH = np.array([1.0, -1.0])
"""Signs of a slip along the strip and across it."""


EVERY, SURE = 8, 3
"""Accepted steps between two looks, and looks in a row (then at every step) that must agree: on the way
through a snap a state may be unstable for a moment.
"""


class SymmetryLostError(Exception):
    """The whole width would leave the symmetric shape of a half model; says where."""


@dataclass
class Guard:
    """Watches a trip of a half model for modes of `whole`, the same case with its whole width."""

    whole: ShellModel
    looked: int = 0
    seen: int = 0

    def __call__(self, model: ShellModel, u: Array, accepted: int, control: float) -> None:
        """Look at an accepted state; raises SymmetryLostError once the strip would leave the symmetric
        shape.
        """
        if accepted % EVERY and not self.seen:
            return
        self.looked += 1
        more = twisting_now(model, self.whole, u)
        self.seen = self.seen + 1 if more > 0 else 0
        if self.seen >= SURE:
            raise SymmetryLostError(
                f"with the axle wound in by {control:.2f} rad the whole width has {more} unstable "
                f"{'mode' if more == 1 else 'modes'} more than the half (twist or sideways)"
            )

    def told(self) -> str:
        """What was found, for the record of a run that went through."""
        return f"in {self.looked} states the whole width had no unstable modes more"


def mirrored(model: ShellModel, u: Array) -> Array:
    """The state of the whole width from that of the half q >= 0."""
    grid = model.body.shell.grid
    half = u.reshape(grid.stations.size, grid.across.size, 4, 3)
    return np.concatenate([half[:, :0:-1] * FLIP, half], axis=1).ravel()


def _both_sides(values: Array, signs: Array | float = 1.0) -> Array:
    """Values (n, k, ...) on the lines q >= 0 carried to all lines."""
    return np.concatenate([values[:, :0:-1] * signs, values], axis=1)


def widen(model: ShellModel, whole: ShellModel, u: Array) -> Array:
    """Carry the friction of a half model at its state u to the whole width; returns the state there."""
    both = mirrored(model, u)
    mine, walls = model.walls, whole.walls
    walls.move_walls(mine.walls)
    walls.turn = 0.0
    walls.share(mine.fine)
    walls.slip = _both_sides(mine.slip, OVER_WIDTH)
    walls.before = _both_sides(mine.before, np.array([1.0, 1.0, -1.0]))
    walls.hold(both)
    walls.remembered = (walls.held.copy(), _both_sides(mine.remembered[1], OVER_WIDTH))
    if model.wraps is not None and whole.wraps is not None:
        rub, wraps = model.wraps, whole.wraps
        wraps.sides, wraps.slip = _both_sides(rub.sides), _both_sides(rub.slip, OVER_WIDTH)
        wraps.last = mirrored(model, rub.last)
        wraps.restart(_both_sides(rub.remembered[1], OVER_WIDTH), both)
    return both


def static_tangent(model: ShellModel, u: Array) -> tuple[SymmetricMatrix, Index]:
    """Tangent of the unknowns that are free, everything held as it is; and which they are (n,)."""
    fixed = np.zeros(u.size, dtype=np.bool_)
    fixed[ShellGrip(model).indices()] = True
    number = np.where(fixed, -1, np.cumsum(~fixed) - 1)
    blocks = [block for block in model.motion.total(u, 2).blocks if len(block.dofs)]
    matrix, _ = assemble(int((~fixed).sum()), [Blocks(number[b.dofs], b.values) for b in blocks])
    return matrix, np.flatnonzero(~fixed)


def unstable_modes(model: ShellModel, u: Array) -> int:
    """Negative eigenvalues of the static tangent at a state."""
    return static_tangent(model, u)[0].factorise().negative


def twisting_now(model: ShellModel, whole: ShellModel, u: Array) -> int:
    """Unstable modes that the whole width has more than the half, which is at u with its friction."""
    both = widen(model, whole, u)
    return unstable_modes(whole, both) - unstable_modes(model, u)


def touching(model: ShellModel) -> list[ShellWalls | ShellWraps]:
    """Contact terms of a model."""
    return [term for term in (model.walls, model.wraps) if term is not None]


def softest_mode(model: ShellModel, u: Array) -> tuple[float, Array]:
    """Lowest eigenvalue [N/mm] of the static tangent with sticking contact, against moves weighted to
    lengths, and its mode (size,) with largest move of a place 1.
    """
    for term in touching(model):
        term.start(u)
    matrix, free = static_tangent(model, u)
    values, modes = softest_of(matrix, model.body.shell.weights[free], 1)
    mode = np.zeros(u.size)
    mode[free] = modes[0]
    places = mode.reshape(-1, 4, 3)[:, 0]
    return float(values[0]), mode / max(float(np.linalg.norm(places, axis=1).max()), 1e-300)
