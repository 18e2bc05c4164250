"""The shell carried through contact by damped motion: mass, whole-strip energies, what is held at the root.

A half model stands for the whole strip: its energies, forces and mass are doubled here, so that everything
the motion sees (and every ledger of it) is that of the whole strip.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fem.core.term import Array, Blocks, Evaluation, Index
from fem.linalg.banded import Solver
from fem.linalg.block_sparse import BlockMatrix
from fem.shell.constraints import symmetric
from fem.shell.energy import Shell
from fem.shell.strip_shell import StripShell
from fem.solvers.broyden import learned
from fem.solvers.implicit_dynamics import Frame, HeldTerm, Motion, MotionSettings, PlainTerm, Shrinking

UNKNOWNS = 12
"""Unknowns of a node."""


QUICK = 0.6
"""A correction by old factors that is longer than this share of the one before is not worth it: new factors
cost as much as several of them.
"""

REMAINS = 0.3
"""What may remain after the last correction by old factors, as a share of what counts as settled."""
LEAST = 0.02
"""Share of a move below which it leads nowhere."""


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
        for block in ev.blocks:
            np.multiply(block.values, self.copies, out=block.values)  # made anew in every evaluation
        return Evaluation(self.copies * ev.energy, self.copies * ev.gradient, ev.blocks)


@dataclass(frozen=True)
class LinesTurningOn:
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


@dataclass
class ShellMotion(Motion):
    """Motion of a shell; line: unknowns of a line of nodes across.

    Its Newton's method has three remedies for what thin and dear shells do to Newton's method.

    A correction goes along straight lines, so that one that turns stretches the strip, and the false membrane
    force spoils the geometric part of the tangent: there the force extrapolated over the last move takes its
    place (Magisano, Leonetti & Garcea 2017: see `fem.solvers.static_problem`).
    Contact points that open and close by turns make it jump to and fro: a move is cut until what it leaves,
    by the same factors, is shorter. And factors are dear: corrections by old ones follow as long as they
    shorten well.
    """

    line: int = UNKNOWNS

    def __post_init__(self) -> None:
        super().__post_init__()
        self.matrix = BlockMatrix(self.size, self.line, self.fixed)

    def _newton(self, u: Array, frame: Frame) -> tuple[Array, int, bool]:
        """Iterations of the balance, each with new factors (see `Motion`)."""
        st = self.settings
        inertia, moves, last = self._inertia_blocks(frame[2]), Shrinking(), np.zeros_like(u)
        for iteration in range(1, st.polish + 1):
            here = self._tangent(u, last, frame)
            factor, move, part = self._next_move(u, here, inertia, moves)
            if factor is None:
                return u, iteration, False
            if self._size(move) < st.settled:
                return self._hold(u + move), iteration, True
            u, part, rest = self._damped(u, part, move, factor, frame)
            last = part * move
            if part == 0.0:
                return u, iteration, False
            if part == 1.0:
                u, done = self._corrected(u, move, rest, factor, frame)
                if done:
                    return self._hold(u), iteration, True
        return u, st.polish, False

    def _damped(
        self, u: Array, part: float, move: Array, factor: Solver, frame: Frame
    ) -> tuple[Array, float, Array]:
        """Where to go along a move, at most the part of it: u there, the part, what remains by the same
        factors. What remains must be shorter than the move, or contact points that open and close by turns
        would make it jump to and fro; else the part is foretold anew from how the path bends. Part 0: it
        does not get shorter (algorithm NLEQ-ERR of Deuflhard 2004, sec. 3.3.3).
        """
        length = self._length(move)
        while part > LEAST:
            rest = factor.solve(-self._renewed(u + part * move, frame, 1).gradient)
            if self._length(rest) <= (1.0 - 0.25 * part) * length:
                return u + part * move, part, rest
            bent = self._length(rest - (1.0 - part) * move)
            part *= min(0.5, max(0.1, 0.5 * length * part / bent))
        return u, 0.0, move

    def _corrected(
        self, u: Array, move: Array, rest: Array, factor: Solver, frame: Frame
    ) -> tuple[Array, bool]:
        """Further corrections by the factors that gave the last `move`, here and so far leaving `rest`, as
        long as they shorten well; u then, and whether they have settled.

        What earlier corrections left tells how the factors are off (`learned`).
        """
        moves = [move]
        while True:
            rest, along = learned(moves, rest, self.places)
            left = self._length(rest) / self._length(moves[-1])
            if along > 0.5 or left > QUICK:
                return u, False
            rest = rest / (1.0 - along)
            u = u + rest
            # left / (1 - left) of this correction will remain
            if self._size(rest) * max(1.0, left / (1.0 - left) / REMAINS) < self.settings.settled:
                return u, True
            moves.append(rest)
            rest = factor.solve(-self._renewed(u, frame, 1).gradient)

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
    ahead = LinesTurningOn(shell.grid.across.size, int(np.argmin(np.abs(shell.grid.across))))
    return ShellMotion(
        terms, held, mass, shell.size, UNKNOWNS, fixed, places.ravel(), settings, ahead, line=line
    )


def mirror_unknowns(model: StripShell) -> Index:
    """Unknowns that vanish on the plane of symmetry of a half model."""
    if not model.half:
        return np.zeros(0, dtype=np.int64)
    return symmetric(model.shell, "low", 2)
