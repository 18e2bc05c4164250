"""Whether half the width is enough: modes of the whole width that a half model cannot show.

In a state that is mirror symmetric, the tangent of the whole width splits into one for symmetric moves, which
is what the half model has, and one for antisymmetric moves. The latter is that of the half with the other
unknowns held on the plane of symmetry: elements and contact points of the half stand for both sides of it. A
negative pivot there (friction held, as for the stability of a step) is a mode that twists the strip or bends
it sideways: from there on the half would follow a path the strip leaves.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fem.contact.state import ContactRecord
from fem.core.term import Array, Blocks, FrictionTerm, Index
from fem.linalg.block_sparse import BlockMatrix
from fem.linalg.profile_ldl import SymmetricMatrix, assemble
from fem.shell.axle_clamp import ClampedShell, ShellAxleClamp
from fem.shell.constraints import unknowns
from fem.shell.mirror import FLIP, both_sides
from fem.shell.motion import UNKNOWNS
from fem.shell.self_contact import ShellSelfContact
from fem.shell.wall_contact import ShellWallContact
from fem.solvers.eigenmodes import softest_modes

EVERY, SURE = 8, 3
"""Accepted steps between two looks, and looks in a row (then at every step) that must agree: on the way
through a snap a state may be unstable for a moment.
"""


class SymmetryLostError(Exception):
    """The whole width would leave the symmetric shape of a half model; says where. doubtful: accepted steps
    since the last look that found nothing.
    """

    def __init__(self, where: str, doubtful: int = 0) -> None:
        super().__init__(where)
        self.doubtful = doubtful


@dataclass
class Guard:
    """Watches a run of a half model for modes that only the whole width has.

    looked: states looked at; seen: looks in a row that found such modes; sure: the last accepted step at
    which there were none.
    """

    looked: int = 0
    seen: int = 0
    sure: int = 0

    def __call__(self, model: ClampedShell, u: Array, accepted: int, control: float) -> None:
        """Look at an accepted state; raises SymmetryLostError once the strip would leave the symmetric
        shape.
        """
        if accepted % EVERY and not self.seen:
            return
        self.looked += 1
        more = twisting_now(model, u)
        self.seen = self.seen + 1 if more > 0 else 0
        self.sure = self.sure if self.seen else accepted
        if self.seen >= SURE:
            raise SymmetryLostError(
                f"with the axle wound in by {control:.2f} rad the whole width has {more} unstable "
                f"{'mode' if more == 1 else 'modes'} more than the half (twist or sideways)",
                accepted - self.sure,
            )

    def finding(self) -> str:
        """What was found, for the provenance of a run that went through."""
        return f"in {self.looked} states the whole width had no unstable modes more"


def held_unknowns(model: ClampedShell, twisted: bool) -> Index:
    """Unknowns that the root holds, and those that vanish on the plane of symmetry of a half model: for
    symmetric moves, or (twisted) for antisymmetric ones.
    """
    grip = ShellAxleClamp(model)
    if not twisted:
        return grip.indices()
    middle = unknowns(model.body.shell.grid.edge("low"), (0, 1, 2, 3)).reshape(-1, 4, 3)
    return np.union1d(grip.root(), middle[:, FLIP > 0.0].ravel())


def static_tangent(
    model: ClampedShell, u: Array, twisted: bool = False, contact: Sequence[FrictionTerm] | None = None
) -> tuple[SymmetricMatrix, Index]:
    """Tangent of the unknowns that are free, everything held as it is; and which they are (n,). twisted:
    for the antisymmetric moves of a half model; contact: in place of what the motion has.
    """
    fixed = np.zeros(u.size, dtype=np.bool_)
    fixed[held_unknowns(model, twisted)] = True
    number = np.where(fixed, -1, np.cumsum(~fixed) - 1)
    motion = model.motion
    terms = [*motion.terms, *(motion.friction if contact is None else contact)]
    blocks = [block for term in terms for block in term.evaluate(u, 2).blocks if len(block.dofs)]
    matrix, _ = assemble(int((~fixed).sum()), [Blocks(number[b.dofs], b.values) for b in blocks])
    return matrix, np.flatnonzero(~fixed)


def unstable_modes(model: ClampedShell, u: Array, twisted: bool = False) -> int:
    """Negative eigenvalues of the static tangent at a state."""
    return static_tangent(model, u, twisted)[0].factorise().negative


def twisting_now(model: ClampedShell, u: Array) -> int:
    """Unstable modes that the whole width has more than the half, which is at u with its friction."""
    fixed = np.zeros(u.size, dtype=np.bool_)
    fixed[held_unknowns(model, True)] = True
    matrix = BlockMatrix(u.size, UNKNOWNS * model.body.shell.grid.across.size, fixed)
    matrix.assemble(list(model.motion.total(u, 2).blocks))
    return 0 if matrix.factor() is not None else unstable_modes(model, u, True)


def touching(model: ClampedShell) -> list[ShellWallContact | ShellSelfContact]:
    """Contact terms of a model."""
    return [term for term in (model.walls, model.wraps) if term is not None]


def softest_mode(
    model: ClampedShell, u: Array, record: tuple[ContactRecord, ContactRecord]
) -> tuple[float, Array]:
    """Lowest eigenvalue [N/mm] of the static tangent with sticking contact, against moves weighted to
    lengths, and its mode (size,) with largest move of a place 1.

    u: an accepted state, with what was recorded there of the contact with walls and of wraps.
    """
    walls, wraps = record
    contact: list[FrictionTerm] = [model.walls.recalled(u, walls)]
    if model.wraps is not None:
        contact.append(model.wraps.recalled(u, wraps))
    matrix, free = static_tangent(model, u, contact=contact)
    values, modes = softest_modes(matrix, model.body.shell.weights[free], 1)
    mode = np.zeros(u.size)
    mode[free] = modes[0]
    places = mode.reshape(-1, 4, 3)[:, 0]
    return float(values[0]), mode / max(float(np.linalg.norm(places, axis=1).max()), 1e-300)


def mode_shape(model: ClampedShell, u: Array, record: tuple[ContactRecord, ContactRecord]) -> Array:
    """Softest mode (n, m, 3) over the whole width, contact sticking; largest displacement 1."""
    grid = model.body.shell.grid
    place = softest_mode(model, u, record)[1].reshape(grid.stations.size, -1, 4, 3)[:, :, 0]
    if not model.body.half:
        return place
    return both_sides(place, FLIP[0])
