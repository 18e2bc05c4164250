"""Arc-length: a branch of equilibria followed through limit points, with what happens on the way.

Level and unknowns are solved together on a plane across the predicted direction (Riks 1979, Int. J. Solids
Struct. 15:529; Keller 1977, in Applications of Bifurcation Theory, p. 359), with the step measured by the
weighted unknowns alone. The step adapts to the number of iterations. Signs of pivots are counted at every
point: a change where the level turns round is a limit point, a change elsewhere a bifurcation; both are
located, and from a bifurcation the crossing branch can be entered along the critical mode.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from fem.core.term import Array
from fem.linalg.profile_ldl import ProfileFactor
from fem.solvers.newton import NewtonSettings, Point, Problem, size_of, solve
from fem.solvers.newton_loop import Reached, iterate


@dataclass(frozen=True)
class ArcSettings:
    """Steps are root-mean-square weighted moves [mm]: `first`, `least`, `most`. `target` iterations steer the
    step; `points` bounds the walk; `turn`: a step whose direction turns by more (radians) is halved.
    """

    first: float
    least: float = 1e-9
    most: float = np.inf
    target: int = 4
    points: int = 400
    turn: float = 0.7
    newton: NewtonSettings = field(default_factory=lambda: NewtonSettings(iterations=10))


@dataclass(frozen=True)
class Event:
    """A special point between two accepted ones: kind, level there, unknowns (n,), index of the point
    before.
    """

    kind: Literal["limit point", "bifurcation"]
    level: float
    u: Array
    index: int


@dataclass(frozen=True)
class Branch:
    """Accepted points; arc (m,) their positions along the branch [mm]; slopes: d(u)/d(arc) and
    d(level)/d(arc).
    """

    points: tuple[Point, ...]
    arc: Array
    directions: tuple[Array, ...]
    level_slopes: Array
    events: tuple[Event, ...]
    finished: bool
    message: str

    @property
    def levels(self) -> Array:
        return np.array([point.level for point in self.points])

    def monitor(self, vector: Array) -> tuple[Array, Array]:
        """Vector . u and its slope in arc at every point, each (m,)."""
        values = np.array([vector @ point.u for point in self.points])
        return values, np.array([vector @ direction for direction in self.directions])

    def sample(self, vector: Array, each: int = 20) -> tuple[Array, Array]:
        """The curve (vector . u, level) by cubic Hermite interpolation, `each` pieces per step."""
        values, slopes = self.monitor(vector)
        t = np.linspace(0.0, 1.0, each, endpoint=False)
        return _hermite(self.arc, values, slopes, t), _hermite(self.arc, self.levels, self.level_slopes, t)


def _hermite(arc: Array, values: Array, slopes: Array, t: Array) -> Array:
    h = np.diff(arc)[:, None]
    a, b, da, db = values[:-1, None], values[1:, None], slopes[:-1, None], slopes[1:, None]
    t2, t3 = t**2, t**3
    curve = a * (1 - 3 * t2 + 2 * t3) + b * (3 * t2 - 2 * t3) + h * (da * (t - 2 * t2 + t3) + db * (t3 - t2))
    return np.append(curve.ravel(), values[-1])


def _norm(step: Array, weights: Array) -> float:
    return float(np.linalg.norm(step * weights) / np.sqrt(max(step.size, 1)))


@dataclass(frozen=True)
class _Here:
    point: Point
    direction: Array  # d(u)/d(arc), unit
    level_slope: float  # d(level)/d(arc)


def follow_branch(
    problem: Problem,
    start: Array,
    settings: ArcSettings,
    stop: Callable[[Point], bool],
    level: float = 0.0,
    toward: Array | None = None,
) -> Branch:
    """The branch through `start` at `level`, until `stop(point)` is true (the last point is kept).

    The first step raises the level, or goes along `toward` (n,) if it is given.
    """
    first = solve(problem, start, level, settings.newton)
    if not first.converged or first.factor is None:
        return Branch(
            (), np.zeros(0), (), np.zeros(0), (), False, f"no equilibrium at the start: {first.status}"
        )
    here = _direction(problem, first, first.factor, toward)
    walk, arc, size = [here], [0.0], settings.first
    message = f"{settings.points} points without reaching the stop"
    while len(walk) < settings.points:
        if stop(here.point):
            message = "stop reached"
            break
        tried = _step(problem, here, size, settings)
        if tried is None:
            size *= 0.5
            if size < settings.least:
                message = f"step below {settings.least:.3g} at level {here.point.level:.6g}"
                break
            continue
        arc.append(arc[-1] + size)
        here = tried
        walk.append(here)
        size = min(size * float(np.clip(settings.target / tried.point.iterations, 0.5, 1.6)), settings.most)
    events = tuple(event for k in range(len(walk) - 1) for event in _events(problem, walk, arc, k, settings))
    return Branch(
        tuple(item.point for item in walk),
        np.array(arc),
        tuple(item.direction for item in walk),
        np.array([item.level_slope for item in walk]),
        events,
        message == "stop reached",
        message,
    )


def _direction(problem: Problem, point: Point, factor: ProfileFactor, along: Array | None) -> _Here:
    move = -factor.solve(problem.rate(point.u, point.level))
    length = _norm(move, problem.weights)
    if along is not None and np.sum(problem.weights**2 * move * along) < 0.0:
        length = -length
    return _Here(point, move / length, 1.0 / length)


def _step(problem: Problem, here: _Here, size: float, settings: ArcSettings) -> _Here | None:
    """One corrected step on the plane across the direction, or None if it has to be shortened."""
    step = size * here.direction
    parts = _Bordered(problem, here.direction, size, settings.newton, step)
    start = (here.point.u + step, here.point.level + size * here.level_slope)
    reached, count = iterate(parts, start, settings.newton.iterations)
    if reached.status != "converged" or parts.factor is None:
        return None
    point = Point(*reached.state, "converged", count, parts.factor, parts.correction)
    new = _direction(problem, point, parts.factor, here.direction)
    turned = float(np.sum(problem.weights**2 * new.direction * here.direction)) / problem.size
    return new if turned > np.cos(settings.turn) else None


@dataclass
class _Bordered:
    """Newton's method for unknowns and level together, on the plane across a direction (n,); last: the move
    that led to the present point.
    """

    problem: Problem
    across: Array
    size: float
    settings: NewtonSettings
    last: Array
    factor: ProfileFactor | None = None
    correction: float = np.inf

    def direction(
        self,
        at: tuple[Array, float],
        count: int,  # noqa: ARG002 - all iterations alike
    ) -> tuple[Array, float] | Reached[tuple[Array, float]]:
        """Corrections of unknowns and level (Keller 1977: two solutions with the same factors)."""
        (u, level), st, problem = at, self.settings, self.problem
        self.factor = problem.tangent(u, level, self.last if st.extrapolate else None).factorise()
        fall = -self.factor.solve(problem.gradient(u, level))
        drive = -self.factor.solve(problem.rate(u, level))
        across = problem.weights**2 * self.across
        rise = -float(across @ fall) / float(across @ drive)
        move = fall + rise * drive
        self.correction = size_of(move, problem.weights)
        most = min(st.largest, 50.0 * self.size + 1e3 * st.correction)
        if not np.isfinite(self.correction) or self.correction > most:
            return Reached(at, "diverged")
        return move, rise

    def accept(self, at: tuple[Array, float], move: tuple[Array, float]) -> Reached[tuple[Array, float]]:
        """All of it."""
        self.last = move[0]
        done = self.correction <= self.settings.correction
        return Reached((at[0] + move[0], at[1] + move[1]), "converged" if done else "")


def _events(
    problem: Problem, walk: list[_Here], arc: list[float], k: int, settings: ArcSettings
) -> list[Event]:
    a, b = walk[k], walk[k + 1]
    if a.level_slope * b.level_slope < 0.0:
        return [_limit(problem, a, b, arc[k + 1] - arc[k], k, settings)]
    if a.point.negative != b.point.negative:
        return [_bifurcation(problem, a, arc[k + 1] - arc[k], k, settings)]
    return []


def _limit(problem: Problem, a: _Here, b: _Here, size: float, k: int, settings: ArcSettings) -> Event:
    """Zero of d(level)/d(arc): secant steps on the branch from the point before, the bracket kept."""
    low, high, slope_low, slope_high, best = 0.0, size, a.level_slope, b.level_slope, a
    for _ in range(4):
        part = low + (high - low) * slope_low / (slope_low - slope_high)
        middle = _step(problem, a, part, settings)
        if middle is None:
            break
        best = middle
        if middle.level_slope * slope_low > 0.0:
            low, slope_low = part, middle.level_slope
        else:
            high, slope_high = part, middle.level_slope
        if abs(middle.level_slope) < 1e-3 * max(abs(a.level_slope), abs(b.level_slope)):
            break
    return Event("limit point", best.point.level, best.point.u, k)


def _bifurcation(problem: Problem, a: _Here, size: float, k: int, settings: ArcSettings) -> Event:
    low, high, at = 0.0, size, a
    for _ in range(20):
        middle = 0.5 * (low + high)
        tried = _step(problem, a, middle, settings)
        if tried is None:
            break
        at = tried
        low, high = (middle, high) if tried.point.negative == a.point.negative else (low, middle)
    return Event("bifurcation", at.point.level, at.point.u, k)


def critical_mode(problem: Problem, u: Array, level: float, sweeps: int = 8) -> tuple[float, Array]:
    """Eigenvalue nearest zero of the weighted tangent at a point and its mode (n,), largest weighted entry 1.

    Inverse iteration on K v = value * W^2 v.
    """
    tangent = problem.tangent(u, level)
    factor = tangent.factorise()
    weights2 = problem.weights**2
    mode = np.random.default_rng(1).standard_normal(problem.size) / problem.weights
    for _ in range(sweeps):
        mode = factor.solve(weights2 * mode)
        mode /= size_of(mode, problem.weights)
    value = float(mode @ tangent.multiply(mode)) / float(np.sum(weights2 * mode**2))
    return value, mode


def switch_branch(
    problem: Problem, event: Event, amplitude: float, settings: ArcSettings, sign: float = 1.0
) -> tuple[Point, Array] | None:
    """A point on the branch that crosses at `event`, `amplitude` [mm, largest entry] along the critical mode.

    Level and unknowns are solved on the plane mode . (u - u_event) = amplitude. None if it falls back.
    """
    _, mode = critical_mode(problem, event.u, event.level)
    mode = sign * mode
    scale = _norm(mode, problem.weights)
    away = _Here(Point(event.u, event.level, "converged", 0, None, 0.0), mode / scale, 0.0)
    relaxed = replace(settings, turn=np.pi, newton=replace(settings.newton, iterations=25))
    found = _step(problem, away, amplitude * scale, relaxed)
    return None if found is None else (found.point, found.direction)
