"""Whether half the width was enough: modes of the whole width that a half model cannot show.

A state of the half is mirrored and the negative pivots of the tangent are counted in both (friction left
out, which only makes the count larger). What the whole has more are modes that twist the strip or bend it
sideways.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fem.equilibrium import Array
from fem.linear import assemble
from fem.shell_cycle import ShellGrip
from fem.shell_model import ShellModel

FLIP = np.array([[1.0, 1.0, -1.0], [1.0, 1.0, -1.0], [-1.0, -1.0, 1.0], [-1.0, -1.0, 1.0]])
"""Signs of x, x_1, x_2, x_12 (rows) and their components when q turns into -q."""


@dataclass(frozen=True)
class Twist:
    """Most modes found beyond the symmetric ones, and the row of the log in which they were."""

    modes: int
    row: int


def mirrored(model: ShellModel, u: Array) -> Array:
    """The state of the whole width from that of the half q >= 0."""
    grid = model.body.shell.grid
    half = u.reshape(grid.stations.size, grid.across.size, 4, 3)
    return np.concatenate([half[:, :0:-1] * FLIP, half], axis=1).ravel()


def unstable_modes(model: ShellModel, u: Array) -> int:
    """Negative eigenvalues of the tangent at a state, contact without friction."""
    fixed = np.zeros(u.size, dtype=np.bool_)
    fixed[ShellGrip(model).indices()] = True
    number = np.where(fixed, -1, np.cumsum(~fixed) - 1)
    touching = [term for term in (model.walls, model.wraps) if term is not None]
    try:
        for term in touching:
            term.start(u)
            term.friction_on = False
        blocks = model.motion.total(u, 2).blocks
    finally:
        for term in touching:
            term.friction_on = True
    placed = [type(block)(number[block.dofs], block.values) for block in blocks if len(block.dofs)]
    matrix, _ = assemble(int((~fixed).sum()), placed)
    return matrix.factorise().negative


def twisting(model: ShellModel, whole: ShellModel, states: list[Array], rows: list[int]) -> Twist:
    """Look at some logged states of a half model; `whole` is the same case with its whole width."""
    found = Twist(0, -1)
    for row in rows:
        more = unstable_modes(whole, mirrored(model, states[row])) - unstable_modes(model, states[row])
        if more > found.modes:
            found = Twist(more, row)
    return found
