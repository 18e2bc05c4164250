"""The shell carried through contact by damped motion: mass, whole-strip energies, what is held at the root.

A half model stands for the whole strip: its energies, forces and mass are doubled here, so that everything
the motion sees (and every ledger of it) is that of the whole strip.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fem.contact.sliding import FAR, NEAR, SlidingThrough
from fem.core.term import Array, Blocks, Evaluation, FrictionTerm, Index, Term
from fem.linalg.banded import Matrix
from fem.linalg.block_sparse import BlockMatrix
from fem.shell.constraints import symmetric
from fem.shell.energy import Shell
from fem.shell.strip_shell import StripShell
from fem.solvers.balance import Damped
from fem.solvers.implicit_dynamics import Motion
from fem.solvers.moving_system import MotionSettings

UNKNOWNS = 12
"""Unknowns of a node."""


@dataclass
class Whole:
    """A term of the half model, counted for the whole strip."""

    term: Term
    copies: int

    def evaluate(self, u: Array, order: int) -> Evaluation:
        """Energy, gradient and tangent times the copies."""
        return self._copied(self.term.evaluate(u, order))

    def evaluate_after(self, u: Array, last: Array) -> Evaluation:
        """The same with a tangent whose membrane force is extrapolated over the move (size,) that led to u,
        where the term is a shell.
        """
        if not isinstance(self.term, Shell):
            return self.evaluate(u, 2)
        ev = self.term.evaluate(u, 1)
        return self._copied(replace(ev, blocks=self.term.extrapolated(u, last)))

    def _copied(self, ev: Evaluation) -> Evaluation:
        if self.copies == 1:
            return ev
        for block in ev.blocks:
            np.multiply(block.values, self.copies, out=block.values)  # made anew in every evaluation
        return Evaluation(self.copies * ev.energy, self.copies * ev.gradient, ev.blocks)


@dataclass(frozen=True)
class CorotatingLines:
    """How a motion of the shell goes on: every line of nodes across in the frame that turns with the heading
    of its middle, as the nodes of the rod do.

    A coil that turns as a whole, and a strip that slides along a curve of constant curvature, are then met
    exactly, with a section that opens or closes evenly. across: nodes of a line; middle: the one at q = 0.
    """

    across: int
    middle: int

    def __call__(self, u: Array, before: Array, ratio: float) -> Array:
        """Unknowns after `ratio` times the step from `before` to u."""
        here, there = (x.reshape(-1, self.across, 4, 3) for x in (u, before))
        line, old = here[:, self.middle], there[:, self.middle]
        heading, was = (np.arctan2(x[:, 1, 1], x[:, 1, 0]) for x in (line, old))
        turn = np.angle(np.exp(1j * (heading - was)))
        moved = line[:, 0] - old[:, 0]
        chord = ratio * np.sinc(ratio * turn / (2 * np.pi)) / np.sinc(turn / (2 * np.pi))
        ahead = line[:, 0] + chord[:, None] * _turned(moved, 0.5 * (1 + ratio) * turn)
        ahead[:, 2] = line[:, 0, 2] + ratio * moved[:, 2]
        vectors, back = here.copy(), there.copy()
        vectors[:, :, 0] -= line[:, None, 0]
        back[:, :, 0] -= old[:, None, 0]
        carried = _turned(back, turn[:, None, None])
        out = _turned(vectors + ratio * (vectors - carried), (ratio * turn)[:, None, None])
        out[:, :, 0] += ahead[:, None]
        return out.ravel()


def _turned(vectors: Array, angle: Array) -> Array:
    """Vectors (..., 3) turned about z by angles (...)."""
    c, s = np.cos(angle), np.sin(angle)
    x, y = vectors[..., 0], vectors[..., 1]
    return np.stack([c * x - s * y, s * x + c * y, np.broadcast_to(vectors[..., 2], x.shape)], axis=-1)


@dataclass(frozen=True)
class SnapTest:
    """Whether a strip does too much within a step: the tangent in the middle of some line of nodes turns
    farther than `most` [rad] in the plane of the path, or than `sideways` out of it. across, middle: as for
    `CorotatingLines`.
    """

    across: int
    middle: int
    most: float
    sideways: float

    def __call__(self, before: Array, u: Array) -> bool:
        """Whether that is so from one state to another."""
        there, here = (x.reshape(-1, self.across, 4, 3)[:, self.middle, 1] for x in (before, u))
        turn = np.arctan2(
            there[:, 0] * here[:, 1] - there[:, 1] * here[:, 0], (there[:, :2] * here[:, :2]).sum(axis=1)
        )
        then, now = (np.arctan2(x[:, 2], np.linalg.norm(x[:, :2], axis=1)) for x in (there, here))
        return bool(np.abs(turn).max() > self.most or np.abs(now - then).max() > self.sideways)


@dataclass(frozen=True)
class LinesAsFields:
    """Unknowns of a shell as functions along it, and back."""

    across: int

    def __call__(self, u: Array) -> Array:
        """Values and slopes along (n, 6 across, 2) of place and slope across of each node of a line."""
        return np.moveaxis(u.reshape(-1, self.across, 2, 2, 3), 3, 4).reshape(-1, 6 * self.across, 2)

    def unknowns(self, x: Array) -> Array:
        """Unknowns (size,) of such functions."""
        return np.moveaxis(x.reshape(-1, self.across, 2, 3, 2), 4, 3).ravel()


def sliding_through(model: StripShell, elsewhere: CorotatingLines, plane: float) -> SlidingThrough:
    """The motion of a shell that slides through a slot whose inner end is the plane x = `plane` [mm]."""
    lines, width = LinesAsFields(elsewhere.across), model.strip.width
    return SlidingThrough(
        elsewhere, model.shell.grid.stations, lines, 6 * elsewhere.middle, plane, NEAR * width, FAR * width
    )  # fmt: skip


@dataclass
class ShellMotion(Motion):
    """Motion of a shell; line: unknowns of a line of nodes across."""

    line: int = UNKNOWNS

    def new_matrix(self) -> Matrix:
        """Blocks of lines of nodes."""
        return BlockMatrix(self.size, self.line, self.fixed)


def mass_blocks(model: StripShell, density: float) -> Blocks:
    """Mass of the whole strip with `density` [tonne/mm^2] per rest area, in blocks (ne, 48, 48)."""
    shell = model.shell
    one = np.asarray(replace(shell, density=np.full(shell.grid.weights.shape, density)).mass())
    values = np.einsum("eij,cd->eicjd", model.copies * one, np.eye(3)).reshape(-1, 48, 48)
    return Blocks(shell.dofs, values)


def shell_motion(
    model: StripShell,
    terms: list[Term],
    friction: list[FrictionTerm],
    density: float,
    settings: MotionSettings,
    slot: float | None = None,
) -> Motion:
    """Motion of a shell strip; the plane of symmetry of a half model is prescribed, nothing else yet.

    slot [mm]: x of the inner end of a slot that it slides through.
    """
    shell = model.shell
    places = np.zeros((shell.grid.nodes, 4, 3), dtype=np.bool_)
    places[:, 0] = True
    whole: list[Term] = [Whole(term, model.copies) for term in terms]
    mass, line = mass_blocks(model, density), UNKNOWNS * shell.grid.across.size
    lines = CorotatingLines(shell.grid.across.size, int(np.argmin(np.abs(shell.grid.across))))
    predictor = lines if slot is None else sliding_through(model, lines, slot)
    motion = ShellMotion(
        whole, friction, mass, shell.size, UNKNOWNS, places.ravel(), settings, predictor, Damped, line
    )
    motion.prescribe(mirror_unknowns(model))
    return motion


def mirror_unknowns(model: StripShell) -> Index:
    """Unknowns that vanish on the plane of symmetry of a half model."""
    if not model.half:
        return np.zeros(0, dtype=np.int64)
    return symmetric(model.shell, "low", 2)
