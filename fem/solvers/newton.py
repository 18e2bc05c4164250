"""Newton's method at given levels: converged points, each with its stability.

A solver asks a `Problem` for gradient and tangent in its unknowns u at a level (the one number that drives
the experiment) and knows nothing else. A point is accepted when the last correction, weighted into lengths,
is below a tolerance; the inertia of the last factorisation says whether the point is stable. Between levels
the tangent predicts; a level that fails is approached in halved steps. A failure is a status in words, never
an exception and never a statement about the structure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from fem.core.term import Array
from fem.linalg.profile_ldl import ProfileFactor, SymmetricMatrix
from fem.solvers.newton_loop import OUT_OF_ITERATIONS, Reached, iterate


class Problem(Protocol):
    """Equilibrium gradient(u, level) = 0; `weights` (n,) turn every unknown into a length."""

    @property
    def weights(self) -> Array: ...

    @property
    def size(self) -> int: ...

    def energy(self, u: Array, level: float) -> float: ...

    def gradient(self, u: Array, level: float) -> Array: ...

    def tangent(self, u: Array, level: float, step: Array | None = None) -> SymmetricMatrix: ...

    def rate(self, u: Array, level: float) -> Array: ...


@dataclass(frozen=True)
class NewtonSettings:
    """`correction`: largest weighted correction of a converged point (the error left is about its square);
    `iterations`: most per point; `largest`: a correction beyond it means divergence; `extrapolate`: use the
    tangent with extrapolated membrane forces while steps are large; `halvings`: most cuts of one level step;
    `stable_from`: give up if the tangent is indefinite at this iteration or later (0: never), for callers
    that want stable points only.
    """

    correction: float = 1e-5
    iterations: int = 15
    largest: float = np.inf
    extrapolate: bool = True
    halvings: int = 8
    stable_from: int = 0


@dataclass(frozen=True)
class Point:
    """A point u (n,) at a level: status (converged, diverged, out of iterations, singular tangent, unstable),
    iterations used, negative pivots, size of the last correction.
    """

    u: Array
    level: float
    status: str
    iterations: int
    factor: ProfileFactor | None
    correction: float

    @property
    def converged(self) -> bool:
        return self.status == "converged"

    @property
    def stable(self) -> bool:
        """True if the tangent is positive definite."""
        return self.factor is not None and self.factor.positive_definite

    @property
    def negative(self) -> int:
        """Number of negative eigenvalues of the tangent."""
        return 0 if self.factor is None else self.factor.negative


@dataclass(frozen=True)
class SolutionPath:
    """Accepted points in order and how the walk ended, in words."""

    points: tuple[Point, ...]
    finished: bool
    message: str

    @property
    def levels(self) -> Array:
        return np.array([point.level for point in self.points])


def size_of(step: Array, weights: Array) -> float:
    """Largest weighted entry of a step; nan counts as infinite."""
    largest = float(np.max(np.abs(step * weights), initial=0.0))
    return largest if np.isfinite(largest) else np.inf


@dataclass
class Corrections:
    """Newton's method at a level: whole corrections until one is short enough; `last`: the move that led to
    the present point. correction: weighted size of the last one.
    """

    problem: Problem
    level: float
    settings: NewtonSettings
    last: Array | None
    factor: ProfileFactor | None = None
    correction: float = np.inf

    def direction(self, u: Array, count: int) -> Array | Reached[Array]:
        """The correction at u, or that the iteration leads to nothing wanted."""
        st = self.settings
        self.factor = self.problem.tangent(u, self.level, self.last if st.extrapolate else None).factorise()
        if 0 < st.stable_from <= count and self.factor.negative:
            return Reached(u, "unstable")
        move = -self.factor.solve(self.problem.gradient(u, self.level))
        self.correction = size_of(move, self.problem.weights)
        return Reached(u, "diverged") if self.correction > st.largest else move

    def accept(self, u: Array, move: Array) -> Reached[Array]:
        """All of it."""
        self.last = move
        return Reached(u + move, "converged" if self.correction <= self.settings.correction else "")


def solve(
    problem: Problem, u: Array, level: float, settings: NewtonSettings, step: Array | None = None
) -> Point:
    """Equilibrium near u at a level; `step` is the move that led to u (the predictor), if there was one."""
    parts = Corrections(problem, level, settings, step)
    reached, count = iterate(parts, u.copy(), settings.iterations)
    if reached.status == OUT_OF_ITERATIONS and parts.factor is not None and parts.factor.zero:
        reached = replace(reached, status="singular tangent")
    return Point(reached.state, level, reached.status, count, parts.factor, parts.correction)


def follow(
    problem: Problem, start: Array, levels: Sequence[float] | Array, settings: NewtonSettings | None = None
) -> SolutionPath:
    """Converged points at the given levels, starting from equilibrium `start` at level 0.

    The returned path holds the points at the asked levels only; substeps are taken where Newton needs them.
    """
    settings = settings or NewtonSettings()
    here = solve(problem, start, 0.0, settings)
    if not here.converged:
        return SolutionPath((), False, f"no equilibrium at the start: {here.status}")
    points: list[Point] = []
    for target in levels:
        size = target - here.level
        smallest = abs(size) * 0.5**settings.halvings
        while abs(target - here.level) > 1e-12 * max(1.0, abs(target)):
            size = min(abs(size), abs(target - here.level)) * np.sign(target - here.level)
            tried = _advance(problem, here, float(here.level + size), settings)
            if tried.converged:
                here, size = tried, 2.0 * size
                continue
            size *= 0.5
            if abs(size) < smallest:
                message = f"stopped at level {here.level:.6g}: {tried.status} on the way to {target:.6g}"
                return SolutionPath(tuple(points), False, message)
        points.append(here)
    return SolutionPath(tuple(points), True, "all levels reached")


def _advance(problem: Problem, here: Point, level: float, settings: NewtonSettings) -> Point:
    assert here.factor is not None  # a converged point has one
    step = -here.factor.solve(problem.rate(here.u, here.level)) * (level - here.level)
    return solve(problem, here.u + step, level, settings, step)
