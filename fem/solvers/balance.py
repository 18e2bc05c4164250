"""Parts of Newton's method on the balance of forces, with friction that follows the present normal force.

The tangent is not symmetric. Pairs and directions are renewed before each iteration. Two things differ from
Newton's method of a textbook. A move may be too long: contact points that open and close by turns would make
it jump to and fro, so it is shortened where the correction it leaves, by the same factors, does not get
shorter (the natural monotonicity test: Deuflhard 2004, Newton Methods for Nonlinear Problems, ch. 3). And a
tangent with its factors costs several times what the forces alone do: corrections by old factors follow as
long as they shorten well.

Two acceptances are kept apart because the costs of the two models are. The rod's factors are cheap against
its forces: it halves a move once and never looks back (`Halved`). The shell's are dear: it foretells how far
to go and cuts until the rest is shorter (`Damped`). Each with the other's rule costs a fifth to a half more.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from fem.core.term import Array, Blocks
from fem.linalg.banded import Solver
from fem.solvers.broyden import ALONG, learned
from fem.solvers.moving_system import Frame, MovingSystem, length_of_move, size_of_move
from fem.solvers.newton_loop import Reached

SETTLED, LOST = "settled", "leads nowhere"
SURELY = 0.25
"""A correction by old factors settles the balance below this share of what counts as settled."""
CHORD = 0.6
"""A correction by old factors is followed by another as long as it is shorter than this share of the one
before: new factors cost as much as several corrections.
"""
REMAINS = 0.3
"""What may remain after the last correction of the shell, as a share of what counts as settled."""
LONGEST = 50
"""Moves of the balance above so many times what a minimisation may go lead nowhere."""
LEAST = 0.02
"""Share of a move below which it leads nowhere."""


@dataclass
class Shrinking:
    """The moves of an iteration: the shortest so far, and how often in a row none was half as long."""

    best: float = np.inf
    worse: int = 0

    def lost(self, size: float, patience: int, longest: float) -> bool:
        """Whether there is no use going on after a move of this size [mm]; longest [mm]: what none may be."""
        self.worse = 0 if size < 0.5 * self.best else self.worse + 1
        self.best = min(self.best, size)
        return not np.isfinite(size) or self.worse > patience or size > longest


@dataclass(frozen=True)
class Toward:
    """Factors, the move (n,) they ask for, and the part of it that passes through nothing."""

    factor: Solver
    move: Array
    part: float


@dataclass
class Balance:
    """The direction, the same for both acceptances; patience: moves in a row that need not halve the shortest
    so far; last: the move that led to the present state.
    """

    system: MovingSystem
    frame: Frame
    patience: int
    moves: Shrinking = field(default_factory=Shrinking)
    last: Array | None = None
    inertia: Blocks = field(init=False)

    def __post_init__(self) -> None:
        self.inertia = self.system.inertia_blocks(self.frame)

    def direction(self, u: Array, count: int) -> Toward | Reached[Array]:  # noqa: ARG002 - all iterations alike
        """Newton's direction; the iteration ends where the move is short enough, or leads nowhere."""
        system, st = self.system, self.system.settings
        here = system.balance(u, 2, self.frame, self.last)
        factor = system.matrix.factor_general([*here.blocks, self.inertia])
        if factor is None:
            return Reached(u, LOST)
        move = factor.solve(-here.gradient)
        size = size_of_move(system, move)
        if size < st.settled:
            return self.settled(u + move)
        if self.moves.lost(size, self.patience, LONGEST * st.move):
            return Reached(u, LOST)
        return Toward(factor, move, system.safe_fraction(u, move) if size > st.small_move else 1.0)

    def settled(self, u: Array, extra: int = 0) -> Reached[Array]:
        """The end in balance, everything held renewed there."""
        self.system.hold_fully(u)
        return Reached(u, SETTLED, extra)

    def left(self, u: Array, factor: Solver) -> Array:
        """Correction (n,) that remains at u by given factors."""
        return factor.solve(-self.system.balance(u, 1, self.frame).gradient)


class Halved(Balance):
    """A move that leaves a longer correction than itself is halved, once."""

    def accept(self, u: Array, direction: Toward) -> Reached[Array]:
        """The move or half of it, and corrections by old factors after a whole one."""
        reached = self._gone(u, direction)
        self.last = reached.state - u
        return reached

    def _gone(self, u: Array, direction: Toward) -> Reached[Array]:
        system, move, part = self.system, direction.move, direction.part
        trial = u + part * move
        rest = self.left(trial, direction.factor)
        if length_of_move(system, rest) > length_of_move(system, move):
            return Reached(u + 0.5 * part * move, extra=1)
        taken = [move]
        while part == 1.0 and length_of_move(system, rest) < CHORD * length_of_move(system, taken[-1]):
            rest, along = learned(taken, rest, system.places)
            if along > ALONG:
                break
            taken.append(rest / (1.0 - along))
            trial = trial + taken[-1]
            if size_of_move(system, taken[-1]) < SURELY * system.settings.settled:
                return self.settled(trial, 1)
            rest = self.left(trial, direction.factor)
        return Reached(trial)


class Damped(Balance):
    """A move is cut until what it leaves is shorter; what remains must be foreseen to settle."""

    def direction(self, u: Array, count: int) -> Toward | Reached[Array]:
        """As for all, with a tangent that makes use of the last move; of none at first."""
        if self.last is None:
            self.last = np.zeros_like(u)
        return super().direction(u, count)

    def accept(self, u: Array, direction: Toward) -> Reached[Array]:
        """The part of the move that shortens, and corrections by old factors after a whole one."""
        u, part, rest = self._shortened(u, direction)
        self.last = part * direction.move
        if part == 0.0:
            return Reached(u, LOST)
        if part == 1.0:
            u, done = self._corrected(u, direction, rest)
            if done:
                return self.settled(u)
        return Reached(u)

    def _shortened(self, u: Array, direction: Toward) -> tuple[Array, float, Array]:
        """Where to go along a move: u there, the part of the move, what remains by the same factors. The part
        is foretold from how the path bends (algorithm NLEQ-ERR of Deuflhard 2004, sec. 3.3.3); 0: it does not
        get shorter.
        """
        system, move, part = self.system, direction.move, direction.part
        length = length_of_move(system, move)
        while part > LEAST:
            rest = self.left(u + part * move, direction.factor)
            if length_of_move(system, rest) <= (1.0 - 0.25 * part) * length:
                return u + part * move, part, rest
            bent = length_of_move(system, rest - (1.0 - part) * move)
            part *= min(0.5, max(0.1, 0.5 * length * part / bent))
        return u, 0.0, move

    def _corrected(self, u: Array, direction: Toward, rest: Array) -> tuple[Array, bool]:
        """Further corrections by the factors of the last move, which left `rest`, as long as they shorten
        well; u then, and whether they have settled.
        """
        system, moves = self.system, [direction.move]
        while True:
            rest, along = learned(moves, rest, system.places)
            left = length_of_move(system, rest) / length_of_move(system, moves[-1])
            if along > ALONG or left > CHORD:
                return u, False
            rest = rest / (1.0 - along)
            u = u + rest
            # left / (1 - left) of this correction will remain
            if size_of_move(system, rest) * max(1.0, left / (1.0 - left) / REMAINS) < system.settings.settled:
                return u, True
            moves.append(rest)
            rest = self.left(u, direction.factor)
