"""The shell carried through contact by damped motion: mass, whole-strip energies, what is held at the root.

A half model stands for the whole strip: its energies, forces and mass are doubled here, so that everything
the motion sees (and every ledger of it) is that of the whole strip.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fem.block_lu import BlockMatrix
from fem.dynamics import Frame, HeldTerm, Motion, MotionSettings, PlainTerm, Shrinking
from fem.equilibrium import Array, Blocks, Evaluation, Index
from fem.shell import Shell
from fem.shell_ends import symmetric
from fem.shell_strip import StripShell

UNKNOWNS = 12
"""Unknowns of a node: the group that the band of the tangent renumbers as one."""


CHORD = 0.3
"""A correction by old factors that is shorter than this share of the move before is taken as it is: a few of
them cost less than one new factorisation.
"""


@dataclass
class Whole:
    """A term of the half model, counted for the whole strip.

    step (size,): the tangent of a shell then has its membrane force extrapolated over this last move; None
    for the true tangent.
    """

    term: PlainTerm
    copies: int
    step: Array | None = None

    def evaluate(self, u: Array, order: int) -> Evaluation:
        """Energy, gradient and tangent times the copies."""
        if order > 1 and self.step is not None and isinstance(self.term, Shell):
            ev = self.term.evaluate(u, 1)
            ev = replace(ev, blocks=self.term.extrapolated(u, self.step))
        else:
            ev = self.term.evaluate(u, order)
        if self.copies == 1:
            return ev
        blocks = tuple(Blocks(b.dofs, self.copies * b.values) for b in ev.blocks)
        return Evaluation(self.copies * ev.energy, self.copies * ev.gradient, blocks)


@dataclass
class ShellMotion(Motion):
    """Motion of a shell; line: unknowns of a line of nodes across.

    Its Newton's method has two remedies for what thin and dear shells do to Newton's method.

    A turn that is extrapolated along straight lines stretches the strip, and the false membrane force spoils
    the geometric part of the tangent: there the force extrapolated over the last move takes its place
    (Magisano, Leonetti & Garcea 2017, Int. J. Numer. Meth. Eng. 111:1105, as mixed integration points). And
    factors are dear: corrections by old ones follow as long as they shorten quickly.
    """

    line: int = UNKNOWNS

    def __post_init__(self) -> None:
        super().__post_init__()
        self.matrix = BlockMatrix(self.size, self.line, self.fixed)

    def _newton(self, u: Array, frame: Frame) -> tuple[Array, int, bool]:
        """Iterations of the balance, a move halved where its correction shows it too long (see `Motion`)."""
        st = self.settings
        inertia, moves, last = self._inertia_blocks(frame[2]), Shrinking(), u - frame[0]
        for iteration in range(1, st.polish + 1):
            here = self._tangent(u, last, frame)
            factor = self.matrix.factor_general([*here.blocks, inertia])
            if factor is None:
                return u, iteration, False
            move = factor.solve(-here.gradient)
            size = self._size(move)
            if size < st.settled:
                return self._hold(u + move), iteration, True
            if moves.lost(size, st):
                return u, iteration, False
            part = self.safe_fraction(u, move) if size > st.small_move else 1.0
            trial = u + part * move
            rest = factor.solve(-self._renewed(trial, frame, 1).gradient)
            if self._length(rest) > self._length(move):
                last = 0.5 * part * move
                u = u + last
                continue
            last = part * move
            while part == 1.0 and self._length(rest) < CHORD * self._length(move):
                if self._size(rest) < st.settled:
                    return self._hold(trial + rest), iteration, True
                trial, move = trial + rest, rest
                rest = factor.solve(-self._renewed(trial, frame, 1).gradient)
            u = trial
        return u, st.polish, False

    def _tangent(self, u: Array, last: Array, frame: Frame) -> Evaluation:
        """Balance of forces at u, everything held renewed there; the blocks are those without inertia."""
        shells = [term for term in self.plain if isinstance(term, Whole)]
        try:
            for term in shells:
                term.step = last
            return self._renewed(u, frame)
        finally:
            for term in shells:
                term.step = None


def mass_blocks(model: StripShell, density: float) -> Blocks:
    """Mass of the whole strip with `density` [tonne/mm^2] per rest area, in blocks (ne, 48, 48)."""
    shell = model.shell
    one = np.asarray(replace(shell, density=np.full(shell.grid.weights.shape, density)).mass())
    values = np.einsum("eij,cd->eicjd", model.copies * one, np.eye(3)).reshape(-1, 48, 48)
    return Blocks(shell.dofs, values)


def shell_motion(
    model: StripShell,
    plain: list[PlainTerm],
    held: list[HeldTerm],
    density: float,
    settings: MotionSettings,
) -> Motion:
    """Motion of a shell strip; the plane of symmetry of a half model is prescribed, nothing else yet."""
    shell = model.shell
    fixed = np.zeros(shell.size, dtype=np.bool_)
    fixed[mirror_unknowns(model)] = True
    places = np.zeros((shell.grid.nodes, 4, 3), dtype=np.bool_)
    places[:, 0] = True
    terms: list[PlainTerm] = [Whole(term, model.copies) for term in plain]
    mass, line = mass_blocks(model, density), UNKNOWNS * shell.grid.across.size
    return ShellMotion(terms, held, mass, shell.size, UNKNOWNS, fixed, places.ravel(), settings, line=line)


def mirror_unknowns(model: StripShell) -> Index:
    """Unknowns that vanish on the plane of symmetry of a half model."""
    if not model.half:
        return np.zeros(0, dtype=np.int64)
    return symmetric(model.shell, "low", 2)
