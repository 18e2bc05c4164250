"""The shell carried through contact by damped motion: mass, whole-strip energies, what is held at the root.

A half model stands for the whole strip: its energies, forces and mass are doubled here, so that everything
the motion sees (and every ledger of it) is that of the whole strip.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fem.dynamics import HeldTerm, Motion, MotionSettings, PlainTerm
from fem.equilibrium import Array, Blocks, Evaluation, Index
from fem.shell_ends import symmetric
from fem.shell_strip import StripShell

UNKNOWNS = 12
"""Unknowns of a node: the group that the band of the tangent renumbers as one."""


@dataclass(frozen=True)
class Whole:
    """A term of the half model, counted for the whole strip."""

    term: PlainTerm
    copies: int

    def evaluate(self, u: Array, order: int) -> Evaluation:
        """Energy, gradient and tangent times the copies."""
        ev = self.term.evaluate(u, order)
        if self.copies == 1:
            return ev
        blocks = tuple(Blocks(b.dofs, self.copies * b.values) for b in ev.blocks)
        return Evaluation(self.copies * ev.energy, self.copies * ev.gradient, blocks)


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
    return Motion(
        terms, held, mass_blocks(model, density), shell.size, UNKNOWNS, fixed, places.ravel(), settings
    )


def mirror_unknowns(model: StripShell) -> Index:
    """Unknowns that vanish on the plane of symmetry of a half model."""
    if not model.half:
        return np.zeros(0, dtype=np.int64)
    return symmetric(model.shell, "low", 2)
