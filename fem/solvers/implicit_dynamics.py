"""Damped motion by an incremental potential: how the strip is carried through snaps, contact and friction.

One time step minimises, over the unknowns u,

    Pi(u) = sum of terms(u) + |u - (u_n + dt v_n)|_M^2 / (2 dt^2) + c |u - u_n|_M^2 / (2 dt)

(backward Euler; M an artificially large but small-in-effect mass, c the damping rate). Terms with friction
hold their normal forces and directions during one minimisation and renew them between minimisations. Since
what is minimised is an energy, indefinite tangents on the way are met by a shift along the mass and a line
search on the energy. Between minimisations Newton tries the full balance, with friction that follows the
present normal force; a step counts only when that settles and the tangent at its end is positive definite
without any shift.

(Variational form of the implicit step: Radovitzky & Ortiz 1999, Comput. Methods Appl. Mech. Engng 172:203;
lagged friction: common in implicit contact dynamics, no single source.)
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array

from fem.core.term import Array, Blocks, Evaluation, Index
from fem.linalg.banded import BandMatrix, Matrix, Solver

Frame = tuple[Array, Array, float]
ARMIJO = 1e-4
LARGEST_SHIFT = 1e12
EASY = 5
"""Iterations of the balance, tried at once, up to which it is tried at once in the next step too; else some
steps start with minimisations, twice as many each time.
"""


class HeldTerm(Protocol):
    """A term with held quantities (contact with friction)."""

    def evaluate(self, u: Array, order: int) -> Evaluation: ...

    coupled: bool

    def hold(self, u: Array) -> float: ...
    def safe_fraction(self, u: Array, move: Array) -> float: ...


class PlainTerm(Protocol):
    """A term that depends on the unknowns alone."""

    def evaluate(self, u: Array, order: int) -> Evaluation: ...


@dataclass(frozen=True)
class MotionSettings:
    """Numbers that steer the minimisation.

    damping [1/s]; energy [N mm]: the scale against which the Newton decrement is judged; decrement and
    early_decrement: shares of it at which a minimisation ends, in full and cut short; newton, early, polish:
    iterations of a full and a shortened minimisation and of the balance; outer: rounds of both; wait: most
    steps in a row that start with minimisations without the balance being tried at once; patience:
    iterations of the balance without halving its move; settled [mm]: move at which it ends; move [mm]:
    largest change of a place per iteration; small_move [mm]: moves below are not asked whether they jump
    through anything.
    """

    damping: float = 5.0
    energy: float = 1.0
    decrement: float = 1e-8
    newton: int = 40
    outer: int = 6
    wait: int = 15
    polish: int = 20
    patience: int = 5
    settled: float = 1e-5
    early: int = 8
    early_decrement: float = 1e-4
    move: float = 6.0
    small_move: float = 0.02


@dataclass(frozen=True)
class StepOutcome:
    """Result of one attempted step: u, whether it counts, why not, iterations spent.

    stable: whether the static tangent at its end is positive definite too (it need not be on the way through
    a snap). parts: the terms' evaluations there, in the order of `Motion.terms`; none where it was not
    reached.
    """

    u: Array
    accepted: bool
    reason: str
    iterations: int
    stable: bool = False
    parts: tuple[Evaluation, ...] = ()


@dataclass
class Shrinking:
    """The moves of an iteration: the shortest so far, and how often in a row none was half as long."""

    best: float = np.inf
    worse: int = 0

    def lost(self, size: float, settings: MotionSettings) -> bool:
        """Whether there is no use going on after a move of this size [mm]."""
        self.worse = 0 if size < 0.5 * self.best else self.worse + 1
        self.best = min(self.best, size)
        return not np.isfinite(size) or self.worse > settings.patience or size > 50 * settings.move


class StraightOn:
    """How a motion goes on unless a model knows better. A class, so that a motion can be kept on disk."""

    def __call__(self, u: Array, before: Array, ratio: float) -> Array:
        """Where a motion from `before` to u leads when it goes on for `ratio` times its length."""
        return u + ratio * (u - before)


@dataclass
class Motion:
    """Steps of a system of terms with prescribed unknowns.

    group: unknowns per node; places (n,) marks unknowns that are positions (for the move limit); ahead: how a
    motion is expected to go on, as `StraightOn`. rhythm: steps still to wait before the balance is tried at
    once, and how many the last wait was.
    """

    plain: list[PlainTerm]
    heldterms: list[HeldTerm]
    mass: Blocks
    size: int
    group: int
    fixed: NDArray[np.bool_]
    places: NDArray[np.bool_]
    settings: MotionSettings
    ahead: Callable[[Array, Array, float], Array] = field(default_factory=StraightOn)
    matrix: Matrix = field(init=False)
    mass_matrix: csr_array = field(init=False)
    mass_diagonal: Array = field(init=False)
    rhythm: tuple[int, int] = (1, 1)

    def __post_init__(self) -> None:
        self.matrix = BandMatrix(self.size, self.group, self.fixed)
        k = self.mass.dofs.shape[1]
        rows = np.repeat(self.mass.dofs, k, axis=1).ravel()
        columns = np.tile(self.mass.dofs, (1, k)).ravel()
        self.mass_matrix = coo_array(
            (self.mass.values.ravel(), (rows, columns)), shape=(self.size, self.size)
        ).tocsr()
        self.mass_matrix.eliminate_zeros()
        self.mass_diagonal = np.asarray(self.mass_matrix.diagonal())

    def terms(self) -> list[PlainTerm]:
        """All terms."""
        return [*self.plain, *self.heldterms]

    def total(self, u: Array, order: int) -> Evaluation:
        """Sum of all terms without inertia."""
        return summed([term.evaluate(u, order) for term in self.terms()], self.size)

    def step(self, u_old: Array, v_old: Array, dt: float, start: Array) -> StepOutcome:
        """Minimise the potential of one step from `start` (prescribed unknowns already in place).

        The first one holds the forces of the last accepted state, which are nearer the truth than those of
        the extrapolated start. Minimisations are cut short: while the held forces are far off, their exact
        minimum is of no use.
        """
        st = self.settings
        frame = (u_old, v_old, dt)
        u, iterations = start, 0
        if not self.heldterms:
            u, iterations, reason = self._minimise(u, frame, st.newton, False)
            if reason:
                return StepOutcome(u, False, reason, iterations)
            _, stable, parts = self._definite(u, frame)
            return StepOutcome(u, True, "", iterations, stable, parts)
        at_once = self._at_once()
        for renewal in range(0 if at_once else 1, st.outer + 1):
            if renewal > 0:
                u, spent, reason = self._minimise(u, frame, st.early, True)
                iterations += spent
                if reason:
                    return StepOutcome(u, False, reason, iterations)
            better, spent, done = self._polish(u, frame)
            iterations += spent
            if done:
                counts, stable, parts = self._definite(better, frame)
                if counts or renewal > 0:
                    if at_once and counts and renewal == 0 and spent <= EASY:
                        self.rhythm = (0, 0)
                    reason = "" if counts else "the state is not stable"
                    return StepOutcome(better, counts, reason, iterations, stable, parts)
            if renewal == 0:
                for term in self.heldterms:
                    term.hold(u_old)
                continue
            for term in self.heldterms:
                term.hold(u)
        return StepOutcome(u, False, f"friction did not settle in {st.outer} rounds", iterations)

    def _at_once(self) -> bool:
        """Whether this step tries the balance at once; what it finds must shorten the wait again."""
        wait, length = self.rhythm
        if wait > 0:
            self.rhythm = (wait - 1, length)
            return False
        length = min(2 * length + 1, self.settings.wait)
        self.rhythm = (length, length)
        return True

    def _definite(self, u: Array, frame: Frame) -> tuple[bool, bool, tuple[Evaluation, ...]]:
        """Whether the tangent with held friction is positive definite: with inertia, and without
        (statically stable); and the terms there.
        """
        parts = tuple(term.evaluate(u, 2) for term in self.terms())
        blocks = [block for part in parts for block in part.blocks]
        self.matrix.assemble(blocks)
        if self.matrix.factor() is not None:
            return True, True, parts
        self.matrix.assemble([*blocks, self._inertia_blocks(frame[2])])
        return self.matrix.factor() is not None, False, parts

    def _polish(self, u: Array, frame: Frame) -> tuple[Array, int, bool]:
        """Newton on the balance of forces with the normal force of friction taken from the present state.

        The tangent is not symmetric. Pairs and directions are renewed before each iteration. Returns (u,
        iterations, settled).
        """
        try:
            for term in self.heldterms:
                term.coupled = True
            return self._newton(u, frame)
        finally:
            for term in self.heldterms:
                term.coupled = False

    def _newton(self, u: Array, frame: Frame) -> tuple[Array, int, bool]:
        """Iterations of `_polish`.

        A move is halved once when the correction it leaves, by the same factors, is longer than the move
        itself (the natural monotonicity test: Deuflhard 2004, Newton Methods for Nonlinear Problems, ch. 3):
        contact points that open and close by turns would make it jump to and fro. A correction small enough
        ends it.
        """
        st = self.settings
        inertia, moves = self._inertia_blocks(frame[2]), Shrinking()
        ev = self._renewed(u, frame)
        iteration = 0
        while iteration < st.polish:
            iteration += 1
            factor, move, part = self._next_move(u, ev, inertia, moves)
            if factor is None:
                return u, iteration, False
            if self._size(move) < st.settled:
                return self._hold(u + move), iteration, True
            trial = u + part * move
            ev = self._renewed(trial, frame)
            rest = factor.solve(-ev.gradient)
            if part == 1.0 and self._size(rest) < 0.25 * st.settled:
                return self._hold(trial + rest), iteration + 1, True
            if self._length(rest) > self._length(move):
                trial = u + 0.5 * part * move
                ev = self._renewed(trial, frame)
                iteration += 1
            u = trial
        return u, iteration, False

    def _next_move(
        self, u: Array, ev: Evaluation, inertia: Blocks, moves: Shrinking
    ) -> tuple[Solver | None, Array, float]:
        """Factors, the move they ask for, the part of it that is safe; no factors where it leads nowhere."""
        st = self.settings
        factor = self.matrix.factor_general([*ev.blocks, inertia])
        if factor is None:
            return None, np.zeros_like(u), 0.0
        move = factor.solve(-ev.gradient)
        size = self._size(move)
        if not size < st.settled and moves.lost(size, st):
            return None, move, 0.0
        return factor, move, self.safe_fraction(u, move) if size > st.small_move else 1.0

    def _size(self, move: Array) -> float:
        """Largest change of a place."""
        return float(np.abs(move[self.places]).max())

    def _length(self, move: Array) -> float:
        """Root of the sum of squares of all changes of places."""
        return float(np.linalg.norm(move[self.places]))

    def _hold(self, u: Array) -> Array:
        """The same u, with everything held renewed there."""
        for term in self.heldterms:
            term.hold(u)
        return u

    def _renewed(self, u: Array, frame: Frame, order: int = 2) -> Evaluation:
        """Balance of forces at u with everything held renewed there; order 1 leaves out the tangent."""
        return self._with_inertia(self._hold(u), order, frame)

    def _inertia_blocks(self, dt: float) -> Blocks:
        return Blocks(self.mass.dofs, self.mass.values * (1 / dt**2 + self.settings.damping / dt))

    def safe_fraction(self, u: Array, move: Array) -> float:
        """Largest part of a move that no contact objects to."""
        return min([term.safe_fraction(u, move) for term in self.heldterms], default=1.0)

    def _inertia(self, u: Array, u_old: Array, v_old: Array, dt: float) -> tuple[float, Array]:
        ahead = u - u_old - dt * v_old
        back = u - u_old
        ma, mb = self.mass_matrix @ ahead, self.mass_matrix @ back
        c = self.settings.damping
        return float(ahead @ ma / (2 * dt**2) + c * (back @ mb) / (2 * dt)), ma / dt**2 + c * mb / dt

    def _minimise(self, u: Array, frame: Frame, limit: int, early: bool) -> tuple[Array, int, str]:
        """Newton with shift and energy line search; `early` means that running out of iterations is no
        failure.
        """
        st, free = self.settings, ~self.fixed
        factor_mass = 1 / frame[2] ** 2 + st.damping / frame[2]
        inertia_blocks = self._inertia_blocks(frame[2])
        shift = 0.0
        ev = self._with_inertia(u, 2, frame)
        for iteration in range(1, limit + 1):
            if not np.isfinite(ev.energy):
                return u, iteration, "the energy is not finite"
            self.matrix.assemble([*ev.blocks, inertia_blocks])
            factor = self.matrix.factor()
            definite = factor is not None
            shift = max(shift / 16, factor_mass / 4) if not definite else 0.0
            while factor is None:
                shift *= 4
                if shift > LARGEST_SHIFT * factor_mass:
                    return u, iteration, "no positive definite shift found"
                factor = self.matrix.factor(shift * self.mass_diagonal)
            move = factor.solve(-ev.gradient)
            slope = float(ev.gradient[free] @ move[free])
            if definite and -slope < (st.early_decrement if early else st.decrement) * st.energy:
                return u + move, iteration, ""
            largest = float(np.abs(move[self.places]).max())
            alpha = min(1.0, st.move / largest) if largest > 0 else 1.0
            if largest > st.small_move:
                alpha = min(alpha, self.safe_fraction(u, move))
            trial, found = self._search(u, move, alpha, ev.energy, slope, frame)
            if found is None:
                if definite and -slope < 1e-3 * st.energy * st.decrement**0.5:
                    return u, iteration, ""
                return u, iteration, "the line search found no lower energy"
            u, ev = trial, found
        return (u, limit, "") if early else (u, limit, f"no convergence in {limit} iterations")

    def _with_inertia(self, u: Array, order: int, frame: Frame) -> Evaluation:
        ev = self.total(u, order)
        energy, gradient = self._inertia(u, *frame)
        return Evaluation(ev.energy + energy, ev.gradient + gradient, ev.blocks)

    def _search(
        self, u: Array, move: Array, alpha: float, energy: float, slope: float, frame: Frame
    ) -> tuple[Array, Evaluation | None]:
        """First step length whose energy falls enough, with the full evaluation there.

        The whole step is evaluated with its tangent at once: it is nearly always taken.
        """
        noise = 1e-12 * max(abs(energy), self.settings.energy)
        for attempt in range(25):
            trial = u + alpha * move
            ev = self._with_inertia(trial, 2 if attempt == 0 else 0, frame)
            if np.isfinite(ev.energy) and ev.energy <= energy + ARMIJO * alpha * slope + noise:
                return trial, ev if attempt == 0 else self._with_inertia(trial, 2, frame)
            alpha *= 0.5
        return u, None


def summed(parts: list[Evaluation], size: int) -> Evaluation:
    """Sum of evaluations."""
    energy, gradient = 0.0, np.zeros(size)
    blocks: list[Blocks] = []
    for ev in parts:
        energy += ev.energy
        if len(ev.gradient):
            gradient += ev.gradient
        blocks.extend(ev.blocks)
    return Evaluation(energy, gradient, tuple(blocks))


def mass_blocks(dofs: Index, shape: Array, weights: Array, density: Array) -> Blocks:
    """Mass of fields with Hermite functions: density (F,) per unit length, dofs (N, 4F), shape (N, G, D,
    4).
    """
    elements, fields = len(dofs), dofs.shape[1] // 4
    one = np.einsum("egi,egj,eg->eij", shape[:, :, 0], shape[:, :, 0], weights)
    values = np.zeros((elements, 4 * fields, 4 * fields))
    for f in range(fields):
        values[:, 4 * f : 4 * f + 4, 4 * f : 4 * f + 4] = density[f] * one
    return Blocks(dofs, values)
