"""Static states through snaps: where a stable branch ends, damped motion carries on to the next one.

At a held level the structure creeps downhill, W^2 du/dt = -gradient (W the weights that make unknowns
lengths), by backward Euler steps whose length adapts: each step minimises energy + |u - u_n|_W^2 / (2 tau),
so the energy falls at every accepted step whatever tau is. When the undamped tangent is positive definite,
plain Newton finishes. What is reported is therefore a state at rest, and the energy lost on the way is that
of the snap. A state at rest that is not stable (a symmetric ridge) is left along its softest mode.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from fem.core.term import Array
from fem.linalg.profile_ldl import SymmetricMatrix
from fem.solvers.arc_length import critical_mode
from fem.solvers.newton import NewtonSettings, Point, Problem, size_of, solve

SNAP_SHARE = 1e-3  # a jump that loses less of the stored energy is a slide along a neutral direction, no snap


@dataclass(frozen=True)
class SettleSettings:
    """`move`: largest weighted move of one damped step [mm]; `nudge`: push off an unstable ridge [mm];
    `steps`: most damped steps; `halvings`: cuts of a level step before it counts as a snap; `newton`: for the
    inner and the final solves.
    """

    move: float = 1.0
    nudge: float = 0.01
    steps: int = 400
    halvings: int = 4
    newton: NewtonSettings = field(default_factory=lambda: NewtonSettings(iterations=8))


@dataclass(frozen=True)
class Settled:
    """A state at rest: point, energy lost on the way [N mm], damped steps, factorisations, what happened."""

    point: Point
    lost: float
    steps: int
    factorisations: int
    message: str

    @property
    def at_rest(self) -> bool:
        return self.point.converged and self.point.negative == 0


@dataclass(frozen=True)
class _Damped:
    """The problem of one backward Euler step: the given one plus drag (u - origin) W^2."""

    problem: Problem
    origin: Array
    drag: float

    @property
    def weights(self) -> Array:
        return self.problem.weights

    @property
    def size(self) -> int:
        return self.problem.size

    def energy(self, u: Array, level: float) -> float:
        move = (u - self.origin) * self.weights
        return self.problem.energy(u, level) + 0.5 * self.drag * float(move @ move)

    def gradient(self, u: Array, level: float) -> Array:
        return self.problem.gradient(u, level) + self.drag * self.weights**2 * (u - self.origin)

    def tangent(self, u: Array, level: float, step: Array | None = None) -> SymmetricMatrix:
        return self.problem.tangent(u, level, step).shifted(self.drag * self.weights**2)

    def rate(self, u: Array, level: float) -> Array:
        return self.problem.rate(u, level)


def settle(problem: Problem, start: Array, level: float, settings: SettleSettings) -> Settled:
    """Damped motion from `start` at a held level until the structure is at rest at a stable state."""
    begun = energy = problem.energy(start, level)
    drag, factorisations = _first_drag(problem, start, level, settings.move)
    damped = replace(settings.newton, largest=4.0 * settings.move, iterations=8, stable_from=1)
    final = replace(damped, largest=2.0 * settings.move)
    u, nudges, moved, held_back = start.copy(), 0, settings.move, 0
    for step in range(1, settings.steps + 1):
        tried = solve(_Damped(problem, u, drag), u, level, damped)
        factorisations += tried.iterations
        moved = size_of(tried.u - u, problem.weights) if tried.converged else np.inf
        fallen = problem.energy(tried.u, level) if tried.converged else np.inf
        if not (tried.stable and moved <= 2.0 * settings.move and fallen <= energy + 1e-9 * abs(energy)):
            drag, held_back = drag * (2.0 if tried.iterations == 1 else 4.0), 2
            if drag > 1e30:
                return Settled(tried, begun - energy, step, factorisations, "the damped step vanished")
            continue
        u, energy = tried.u, fallen
        # longer steps while they stay short of the limit, but carefully after one that failed
        growth = float(np.clip(settings.move / max(moved, 1e-300), 1.2, 5.0))
        drag /= 1.0 if tried.iterations > 5 else (min(growth, 1.5) if held_back else growth)
        held_back = max(0, held_back - 1)
        rest = solve(problem, u, level, final)
        factorisations += rest.iterations
        if (
            rest.converged
            and rest.negative == 0
            and problem.energy(rest.u, level) <= energy + 1e-7 * abs(energy)
        ):
            return Settled(rest, begun - problem.energy(rest.u, level), step, factorisations, "at rest")
        if moved < 0.3 * settings.nudge and nudges < 5:
            u = _off_the_ridge(problem, u, level, settings.nudge)
            energy, nudges = problem.energy(u, level), nudges + 1
    last = Point(u, level, "out of iterations", settings.steps, None, moved)
    return Settled(
        last, begun - energy, settings.steps, factorisations, f"still moving after {settings.steps} steps"
    )


def _off_the_ridge(problem: Problem, u: Array, level: float, nudge: float) -> Array:
    """U moved by `nudge` along its softest mode, to the side of lower energy."""
    mode = critical_mode(problem, u, level)[1]
    ahead, behind = (problem.energy(u + side * nudge * mode, level) for side in (1.0, -1.0))
    return u + (nudge if ahead <= behind else -nudge) * mode


def _first_drag(problem: Problem, u: Array, level: float, move: float) -> tuple[float, int]:
    """Drag at which the first linear step is stable and moves about `move`."""
    tangent, gradient = problem.tangent(u, level), problem.gradient(u, level)
    weights2 = problem.weights**2
    # the softest stiffness a drag could matter against: the smallest weighted diagonal
    drag = 1e-6 * float(np.min(np.abs(tangent.diagonal()) / weights2)) + 1e-300
    for count in range(1, 40):
        factor = tangent.shifted(drag * weights2).factorise()
        if factor.positive_definite and size_of(factor.solve(gradient), problem.weights) <= move:
            return drag, count
        drag *= 8.0 if factor.negative else 4.0
    return drag, 40


@dataclass(frozen=True)
class Snap:
    """A jump between two states at rest: at which level, energy lost [N mm], damped steps."""

    level: float
    lost: float
    steps: int


@dataclass(frozen=True)
class Course:
    """Stable states at rest at the asked levels, the snaps between them, how it ended, factorisations."""

    points: tuple[Point, ...]
    snaps: tuple[Snap, ...]
    finished: bool
    message: str
    factorisations: int

    @property
    def levels(self) -> Array:
        return np.array([point.level for point in self.points])


def follow_stable(
    problem: Problem,
    start: Array,
    levels: Sequence[float] | Array,
    settings: SettleSettings,
    watch: Callable[[Point], None] | None = None,
    begin: float = 0.0,
) -> Course:
    """Stable equilibria at the given levels, through snaps; every point is at rest.

    `watch` is called with each accepted point.
    """
    here = solve(problem, start, begin, settings.newton)
    if not here.converged or here.negative:
        return Course((), (), False, f"no stable equilibrium at the start: {here.status}", here.iterations)
    points: list[Point] = []
    snaps: list[Snap] = []
    used = here.iterations
    for level in levels:
        size = level - here.level
        finest = abs(size) * 0.5**settings.halvings
        while abs(level - here.level) > 1e-12 * max(1.0, abs(level)):
            size = float(min(abs(size), abs(level - here.level)) * np.sign(level - here.level))
            tried, ahead = _advance(problem, here, here.level + size, settings)
            used += tried.iterations
            if not (tried.converged and tried.negative == 0):
                if abs(size) > finest * (1.0 + 1e-9):
                    size *= 0.5
                    continue
                rest, lost = _snap(problem, here, ahead, here.level + size, settings)
                used += rest.factorisations
                if not rest.at_rest:
                    return Course(
                        tuple(points),
                        tuple(snaps),
                        False,
                        f"at level {here.level + size:.6g}: {rest.message}",
                        used,
                    )
                if lost > SNAP_SHARE * abs(problem.energy(rest.point.u, here.level + size)):
                    snaps.append(Snap(here.level + size, lost, rest.steps))
                tried = rest.point
            here, size = tried, 2.0 * size
        points.append(here)
        if watch is not None:
            watch(here)
    return Course(tuple(points), tuple(snaps), True, "all levels reached", used)


def _advance(problem: Problem, here: Point, level: float, settings: SettleSettings) -> tuple[Point, Array]:
    """The predicted and corrected point at a level, and the prediction itself."""
    assert here.factor is not None  # a stable point has one
    step = -here.factor.solve(problem.rate(here.u, here.level)) * (level - here.level)
    newton = replace(settings.newton, largest=20.0 * settings.move, stable_from=3)
    return solve(problem, here.u + step, level, newton, step), here.u + step


def _snap(
    problem: Problem, here: Point, ahead: Array, level: float, settings: SettleSettings
) -> tuple[Settled, float]:
    """Settle at a level just past the end of a stable branch; energy lost, the drive's work over the step
    added.
    """
    start = min((here.u, ahead), key=lambda u: problem.energy(u, level))
    rest = settle(problem, start, level, settings)
    h = 1e-4 * abs(level - here.level)
    pull = (problem.energy(here.u, here.level + h) - problem.energy(here.u, here.level - h)) / (2.0 * h)
    before = problem.energy(here.u, here.level) + pull * (level - here.level)
    return rest, before - problem.energy(rest.point.u, level)
