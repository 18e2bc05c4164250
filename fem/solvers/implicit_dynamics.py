"""Damped motion by an incremental potential: how the strip is carried through snaps, contact and friction.

One time step minimises, over the unknowns u,

    Pi(u) = sum of terms(u) + |u - (u_n + dt v_n)|_M^2 / (2 dt^2) + c |u - u_n|_M^2 / (2 dt)

(backward Euler; M an artificially large but small-in-effect mass, c the damping rate). Terms with friction
hold their normal forces and directions during one minimisation and renew them between minimisations
(`descent`). Between minimisations the full balance is tried, with friction that follows the present normal
force (`balance`); a step counts only when that settles and the tangent at its end is positive definite
without any shift.

A share of the mass can act (`MassShares`): next to none where the balance is found at once, so that the state
found is the static one, and three hundredths where the strip snaps, or nearly.

(Variational form of the implicit step: Radovitzky & Ortiz 1999, Comput. Methods Appl. Mech. Engng 172:203;
lagged friction: common in implicit contact dynamics, no single source.)
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array

from fem.core.term import Array, Blocks, Evaluation, Extrapolating, FrictionTerm, Index, Stressed, Term
from fem.linalg.banded import BandMatrix, Matrix
from fem.solvers.balance import SETTLED, Damped, Halved
from fem.solvers.descent import FOUND, LOWEST, Descent
from fem.solvers.moving_system import Frame, MotionSettings
from fem.solvers.newton_loop import OUT_OF_ITERATIONS, iterate

EASY = 5
"""Iterations of the balance, tried at once, up to which it is tried at once in the next step too."""


@dataclass(frozen=True)
class StepOutcome:
    """Result of one attempted step: u, whether it counts, why not, iterations spent.

    stable: whether the static tangent at its end is positive definite too (it need not be on the way through
    a snap). parts: the terms' evaluations there, in the order of `Motion.all_terms`; none where it was not
    reached. share: of the mass that acted.
    """

    u: Array
    accepted: bool
    reason: str
    iterations: int
    stable: bool = False
    parts: tuple[Evaluation, ...] = ()
    share: float = 1.0


@dataclass(frozen=True)
class MassShares:
    """Shares of the mass that act in a step. smooth: where the balance is found at once, from where the
    motion leads; rough: where it is not, so that what comes is a snap, or nearly.

    With a thousandth of a mass that lets the strip swing in a radian of turning, what is found is the static
    state: less changes nothing. But near a snap a mode has next to no stiffness, contact opens and closes
    under it, and Newton's method does not find the static state at all.

    A mass that comes to act goes along as fast as the strip does. Begun at rest it would have to be brought
    up to that at once: single steps then told 15 N mm amid 12.5. (After a snap that was found at once the
    stepper begins at rest.)
    """

    smooth: float = 1.0
    rough: float = 1.0


FULL, QUASISTATIC = MassShares(), MassShares(1e-3, 0.03)


@dataclass(frozen=True)
class Backoff:
    """When the balance is tried before anything is minimised: at once as long as that takes few iterations,
    else more and more rarely. wait: steps left until it is tried again; length: how many the last wait was.
    """

    wait: int = 1
    length: int = 1

    def tried(self, longest: int) -> tuple[bool, Backoff]:
        """Whether this step tries it, and the backoff if that does not go easily."""
        if self.wait > 0:
            return False, Backoff(self.wait - 1, self.length)
        length = min(2 * self.length + 1, longest)
        return True, Backoff(length, length)


class StraightOn:
    """How a motion goes on unless a model knows better."""

    def __call__(self, u: Array, before: Array, ratio: float) -> Array:
        """Where a motion from `before` to u leads when it goes on for `ratio` times its length."""
        return u + ratio * (u - before)


@dataclass
class Motion:
    """Steps of a system of terms with prescribed unknowns.

    terms, friction: terms without and with friction; mass: its blocks; size, group: unknowns in all, per
    node; places (n,) marks unknowns that are positions (for the move limit); predictor: where a motion is
    expected to lead, as `StraightOn`; acceptance: how far a correction of the balance goes; fixed (n,) marks
    what is prescribed.
    """

    terms: list[Term]
    friction: list[FrictionTerm]
    mass: Blocks
    size: int
    group: int
    places: NDArray[np.bool_]
    settings: MotionSettings
    predictor: Callable[[Array, Array, float], Array] = field(default_factory=StraightOn)
    acceptance: type[Halved] | type[Damped] = Halved
    fixed: NDArray[np.bool_] = field(init=False)
    matrix: Matrix = field(init=False)
    mass_matrix: csr_array = field(init=False)
    mass_diagonal: Array = field(init=False)
    backoff: Backoff = field(init=False)
    lightly: Backoff = field(init=False)

    def __post_init__(self) -> None:
        self.fixed = np.zeros(self.size, dtype=np.bool_)
        self.matrix = self.new_matrix()
        self.backoff, self.lightly = Backoff(), Backoff(0, 0)
        k = self.mass.dofs.shape[1]
        rows = np.repeat(self.mass.dofs, k, axis=1).ravel()
        columns = np.tile(self.mass.dofs, (1, k)).ravel()
        self.mass_matrix = coo_array(
            (self.mass.values.ravel(), (rows, columns)), shape=(self.size, self.size)
        ).tocsr()
        self.mass_matrix.eliminate_zeros()
        self.mass_diagonal = np.asarray(self.mass_matrix.diagonal())

    def new_matrix(self) -> Matrix:
        """What tangents are summed and factorised in; it reads `fixed` as it is then."""
        return BandMatrix(self.size, self.group, self.fixed)

    def prescribe(self, unknowns: Index | Sequence[int], only: bool = False) -> None:
        """Hold unknowns where a step's start has them, besides what is prescribed already; `only`: nothing
        else.
        """
        if only:
            self.fixed[:] = False
        self.fixed[np.asarray(unknowns, dtype=np.int64)] = True

    def add(self, term: Term) -> None:
        """Let a term without friction act from now on."""
        self.terms.append(term)

    def remove(self, term: Term) -> None:
        """Let a term act no longer."""
        self.terms.remove(term)

    def all_terms(self) -> list[Term | FrictionTerm]:
        """All terms, those without friction first."""
        return [*self.terms, *self.friction]

    def total(self, u: Array, order: int) -> Evaluation:
        """Sum of all terms without inertia."""
        return summed([term.evaluate(u, order) for term in self.all_terms()], self.size)

    def step(
        self, u_old: Array, v_old: Array, dt: float, start: Array, shares: MassShares = FULL
    ) -> StepOutcome:
        """Find the end of one step from `start` (prescribed unknowns already in place).

        The balance is tried at once; then the potential is minimised and the balance tried again, round by
        round. Where shares differ both is done with the smooth one first, minimising once. The first
        minimisation holds the forces of the last accepted state, which are nearer the truth than those of the
        extrapolated start. Minimisations are cut short: while the held forces are far off, their exact
        minimum is of no use.
        """
        st = self.settings
        smooth = Frame(u_old, v_old, dt, shares.smooth, start)
        rough = smooth
        if shares.rough != shares.smooth:
            rough = Frame(u_old, v_old, dt, shares.rough, start)
        u, iterations = start, 0
        if not self.friction:
            u, iterations, reason = self._minimised(u, rough, early=False)
            if reason:
                return StepOutcome(u, False, reason, iterations)
            _, stable, parts = self.stability(u, rough)
            return StepOutcome(u, True, "", iterations, stable, parts, rough.share)
        trouble = f"contact forces did not settle in {st.outer} rounds"
        at_once, self.backoff = self.backoff.tried(st.wait)
        tries = [(smooth, False)] if at_once else []
        if rough is not smooth:
            lightly, self.lightly = self.lightly.tried(st.wait)
            tries += [(smooth, True)] * lightly + [(rough, False)]
        tries += [(rough, True)] * st.outer
        for number, (frame, minimised) in enumerate(tries):
            if minimised:
                lower, spent, reason = self._minimised(u, frame, early=True)
                iterations += spent
                if reason and frame is rough:
                    return StepOutcome(lower, False, reason, iterations)
                if reason:
                    continue
                u = lower
            patience = st.patience if minimised else st.patience_at_once
            better, spent, done = self.balanced(u, frame, patience)
            iterations += spent
            if done:
                counts, stable, parts = self.stability(better, frame)
                if counts:
                    if at_once and number == 0 and spent <= EASY:
                        self.backoff = Backoff(0, 0)
                    if minimised and frame is smooth:
                        self.lightly = Backoff(0, 0)
                    return StepOutcome(better, True, "", iterations, stable, parts, frame.share)
                trouble = "the state is not stable"  # a ridge: minimise on from where that had come
            for term in self.friction:
                term.hold(u if minimised else u_old)
        return StepOutcome(u, False, trouble, iterations)

    def stability(self, u: Array, frame: Frame) -> tuple[bool, bool, tuple[Evaluation, ...]]:
        """Whether the tangent with held friction is positive definite: with inertia, and without
        (statically stable); and the terms there.
        """
        parts = tuple(term.evaluate(u, 2) for term in self.all_terms())
        blocks = [block for part in parts for block in part.blocks]
        self.matrix.assemble(blocks)
        if self.matrix.factor() is not None:
            return True, True, parts
        self.matrix.assemble([*blocks, self.inertia_blocks(frame)])
        return self.matrix.factor() is not None, False, parts

    def balanced(self, u: Array, frame: Frame, patience: int) -> tuple[Array, int, bool]:
        """Balance of forces near u, with friction that follows: u there, iterations, whether it settled.
        patience: iterations in a row that need not halve their move.
        """
        parts = self.acceptance(self, frame, patience)
        reached, count = iterate(parts, u, self.settings.balance)
        return reached.state, count, reached.status == SETTLED

    def _minimised(self, u: Array, frame: Frame, early: bool) -> tuple[Array, int, str]:
        """Minimum of the potential with held friction, iterations, what went wrong; `early`: cut short, so
        that running out of iterations is no failure.
        """
        st = self.settings
        enough = (st.early_decrement if early else st.decrement) * st.energy
        most = st.descent if early else st.minimisation
        reached, count = iterate(Descent(self, frame, enough), u, most)
        if reached.status in (LOWEST, FOUND) or (early and reached.status == OUT_OF_ITERATIONS):
            return reached.state, count, ""
        if reached.status == OUT_OF_ITERATIONS:
            return reached.state, count, f"no convergence in {most} iterations"
        return reached.state, count, reached.status

    def potential(self, u: Array, order: int, frame: Frame, last: Array | None = None) -> Evaluation:
        """Incremental potential at u with friction held."""
        parts = [
            *self.plain_parts(u, order, frame, last),
            *(term.evaluate(u, order) for term in self.friction),
        ]
        ev = summed(parts, self.size)
        back = u - frame.u
        ahead = back - frame.dt * frame.v
        ma, mb = self.mass_matrix @ ahead, self.mass_matrix @ back
        one, two = frame.share / frame.dt**2, frame.share * self.settings.damping / frame.dt
        energy = 0.5 * (one * float(ahead @ ma) + two * float(back @ mb))
        return Evaluation(ev.energy + energy, ev.gradient + (one * ma + two * mb), ev.blocks)

    def balance(self, u: Array, order: int, frame: Frame, last: Array | None = None) -> Evaluation:
        """Balance of forces at u, everything held renewed there; the energy and the blocks are those without
        inertia.
        """
        parts = [
            *self.plain_parts(u, order, frame, last),
            *(term.balance(u, order) for term in self.friction),
        ]
        ev = summed(parts, self.size)
        inertia = self.mass_matrix @ frame.force(u, self.settings.damping)
        return Evaluation(ev.energy, ev.gradient + inertia, ev.blocks)

    def plain_parts(self, u: Array, order: int, frame: Frame, last: Array | None) -> list[Evaluation]:
        """Terms without friction at u.

        A correction goes along straight lines, so that one that turns stretches the strip, and the false
        stress spoils the geometric part of the tangent: there the stress extrapolated over the move that led
        to u takes its place (Magisano, Leonetti & Garcea 2017: see `fem.solvers.static_problem`). A guess
        stretches the strip too, for it leads beside what the mesh can do; there the stress at the start
        of the step does.
        """
        if order < 2 or (last is None and u is not frame.guess):
            return [term.evaluate(u, order) for term in self.terms]
        if last is None:
            return [
                term.evaluate_stressed(u, frame.u) if isinstance(term, Stressed) else term.evaluate(u, order)
                for term in self.terms
            ]
        return [
            term.evaluate_after(u, last) if isinstance(term, Extrapolating) else term.evaluate(u, order)
            for term in self.terms
        ]

    def inertia_blocks(self, frame: Frame) -> Blocks:
        """Second derivatives of inertia and damping in a step."""
        return Blocks(self.mass.dofs, self.mass.values * frame.stiffness(self.settings.damping))

    def hold_fully(self, u: Array) -> None:
        """Renew at u all that is held."""
        for term in self.friction:
            term.hold(u, fully=True)

    def safe_fraction(self, u: Array, move: Array) -> float:
        """Largest part of a move that no contact objects to."""
        return min([term.safe_fraction(u, move) for term in self.friction], default=1.0)


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
