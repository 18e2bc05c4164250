"""Bending a cross-section step by step: energy, moment and shape against curvature.

From the rest state the curvature is raised step by step both ways, following one branch of stable shapes.
Where the branch ends (the section snaps) the energy is minimised from the last shape, and the far branch is
also followed back, so that both branches and the one of lower energy are known.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np

from fem.core.errors import InputError
from fem.core.term import Array
from fem.section_model.fold_model import SectionModel, SectionProblem
from fem.solvers.newton_loop import Reached, iterate

_TOLERANCE = 1e-12  # of the energy scale, for the energy a Newton step would still gain
_LEAP = 0.05  # rad; a solution farther than this from its prediction is another branch
_FINEST = 2.0**-18  # smallest part of a curvature step tried before the branch is taken to end


@dataclass(frozen=True)
class SectionState:
    """A section bent to `curvature` [1/mm]: energy per length [N], moment [N mm], dM/d(curvature) [N mm^2].

    x: unknowns of the model; follow: dx/d(curvature); snapped: reached by a jump from the state before.
    """

    curvature: float
    x: Array
    energy: float
    moment: float
    slope: float
    follow: Array
    snapped: bool = False


@dataclass(frozen=True)
class SectionBranch:
    """States in ascending order of curvature."""

    states: tuple[SectionState, ...]

    @cached_property
    def curvature(self) -> Array:
        """Curvatures (n,) [1/mm]."""
        return np.array([s.curvature for s in self.states])

    @cached_property
    def energy(self) -> Array:
        """Energy per length (n,) [N]."""
        return np.array([s.energy for s in self.states])

    @cached_property
    def moment(self) -> Array:
        """Moment (n,) [N mm], > 0 where it bends toward the axle."""
        return np.array([s.moment for s in self.states])

    @cached_property
    def slope(self) -> Array:
        """dM/d(curvature) (n,) [N mm^2]."""
        return np.array([s.slope for s in self.states])

    @cached_property
    def snapped(self) -> Array:
        """1 where the state was reached by a jump, else 0, (n,)."""
        return np.array([float(s.snapped) for s in self.states])

    def nearest(self, curvature: float) -> SectionState:
        """State closest in curvature."""
        return self.states[int(np.argmin(np.abs(self.curvature - curvature)))]


@dataclass(frozen=True)
class MomentCurve:
    """Both branches of a section: `loading` away from rest, `returning` from the far ends back to rest.

    They are the same where nothing snaps.
    """

    model: SectionModel
    loading: SectionBranch
    returning: SectionBranch

    @cached_property
    def stable(self) -> SectionBranch:
        """The state of lower energy at each curvature."""
        pairs = zip(self.loading.states, self.returning.states, strict=True)
        return SectionBranch(tuple(b if b.energy < a.energy else a for a, b in pairs))

    @property
    def rest_index(self) -> int:
        """Index of the rest state in each branch."""
        return int(np.argmin(np.abs(self.loading.curvature - self.model.rest_curvature)))

    @property
    def initial_stiffness(self) -> float:
        """Bending stiffness about rest, section free to deform [N mm^2]."""
        return self.loading.states[self.rest_index].slope

    def outward(
        self, direction: int, branch: Literal["loading", "returning", "stable"] = "loading"
    ) -> SectionBranch:
        """States from rest to the end of one side (+1 toward the axle), in that order."""
        states = {"loading": self.loading, "returning": self.returning, "stable": self.stable}[branch].states
        i = self.rest_index
        return SectionBranch(states[i:] if direction > 0 else states[i::-1])


def ladder(problem: SectionProblem, reach: float = 0.0, count: int = 50) -> Array:
    """Curvatures (n,) about rest, fine where the section gives way, to where it is long folded.

    A bend is stiff and gives way where it is straightened: there are fine steps about zero too.

    reach [1/mm]: largest change of curvature; 0 = three times the curvature at which a fold settles.
    """
    model, width = problem.model, problem.width
    if reach <= 0.0:
        across = math.sqrt(float(np.average(model.angle_q**2, weights=model.weights)))
        mean = np.average(model.stiffness, axis=0, weights=model.weights)
        reach = max(3.0 * across * max(1.0, math.sqrt(mean[2, 2] / mean[1, 1])), 1.0 / width)
    edges = problem.zones[0].stack.z_edges
    first = float(edges[-1] - edges[0]) / width**2
    half = first * np.sinh(np.linspace(0.0, math.asinh(reach / first), count + 1))
    about_rest = problem.rest_curvature + np.concatenate([-half[:0:-1], half])
    if problem.rest_curvature == 0.0:
        return about_rest
    span = math.asinh(abs(problem.rest_curvature) / first)
    half = first * np.sinh(np.linspace(0.0, span, count // 2, endpoint=False))
    return np.unique(np.concatenate([about_rest, half, -half]))


def rest_state(model: SectionModel) -> SectionState:
    """The unbent section: no energy, no moment, its slope the initial bending stiffness."""
    state = _newton(model, model.rest, model.rest_curvature)
    if state is None:
        raise InputError("the section at rest is not stable: its layers have no stiffness somewhere")
    return state


def moment_curve(problem: SectionProblem, kappas: Array | None = None) -> MomentCurve:
    """Bend the section from rest to both ends of kappas (n,) [1/mm]; rest itself is added if it is missing.

    Without kappas: `ladder(problem)`.
    """
    model, rest = problem.model, problem.rest_curvature
    wanted = np.unique(ladder(problem) if kappas is None else np.asarray(kappas, dtype=float))
    start = rest_state(model)
    out: list[SectionState] = [start]
    back: list[SectionState] = [start]
    for side in (-1, 1):
        beyond = wanted[(wanted - rest) * side > 1e-15]
        targets = beyond if side > 0 else beyond[::-1]
        away = _trace(model, start, targets)
        home = away
        if any(state.snapped for state in away):
            home = [away[-1], *_trace(model, away[-1], targets[-2::-1])][::-1]
        out = out + away if side > 0 else away[::-1] + out
        back = back + home if side > 0 else home[::-1] + back
    return MomentCurve(model, SectionBranch(tuple(out)), SectionBranch(tuple(back)))


def state_at(model: SectionModel, start: SectionState, curvature: float) -> SectionState:
    """Follow the branch of `start` to a curvature [1/mm], through a snap if there is one."""
    if curvature == start.curvature:
        return start
    return _trace(model, start, [curvature])[-1]


def _trace(model: SectionModel, start: SectionState, targets: Sequence[float] | Array) -> list[SectionState]:
    """States at the targets (monotone), each followed from the one before."""
    states: list[SectionState] = []
    state = start
    for target in targets:
        step, snapped = float(target) - state.curvature, False
        least = abs(step) * _FINEST
        while state.curvature != target:
            at = (
                float(target)
                if abs(target - state.curvature) <= abs(step) * 1.000001
                else state.curvature + step
            )
            guess = state.x + state.follow * (at - state.curvature)
            found = _newton(model, guess, at)
            if found is not None and np.max(np.abs(model.basis @ (found.x - guess)[:-1])) < _LEAP:
                state, step = found, 2.0 * step
                continue
            step *= 0.5
            if abs(step) < least:
                state, snapped = _settle(model, state.x, at), True
                step = float(target) - state.curvature
        state = replace(state, snapped=snapped)
        states.append(state)
    return states


def _energy_scale(model: SectionModel) -> float:
    """Energy per length of turning the section by one radian from edge to edge [N]."""
    extent = float(np.sum(model.weights))
    return float(model.weights @ model.stiffness[:, 2, 2]) / extent**2


def _newton(model: SectionModel, x: Array, curvature: float, most: int = 12) -> SectionState | None:
    """Stationary shape near x; None if not found or not a minimum."""
    parts = _Stationary(model, curvature, _TOLERANCE * _energy_scale(model))
    reached, _ = iterate(parts, x, most)
    return parts.found if reached.status == "stationary" else None


@dataclass
class _Stationary:
    """Newton's method for the shape at a curvature; enough: gain of energy below which it ends. found: the
    state there, None where it is no minimum.
    """

    model: SectionModel
    curvature: float
    enough: float
    found: SectionState | None = None

    def direction(self, x: Array, count: int) -> _Move | Reached[Array]:  # noqa: ARG002 - all iterations alike
        """Newton's step and what belongs to it."""
        gradient, hessian, cross, moment, stiff = self.model.derivatives(x, self.curvature)
        both = np.linalg.solve(hessian, np.stack([gradient, cross], axis=1))
        step, follow = np.asarray(-both[:, 0]), np.asarray(-both[:, 1])
        gain = -float(gradient @ step)
        if not math.isfinite(gain) or float(np.max(np.abs(step))) > 3.0:
            return Reached(x, "diverged")
        return _Move(step, follow, gain, hessian, moment + float(cross @ step), stiff + float(cross @ follow))

    def accept(self, x: Array, move: _Move) -> Reached[Array]:
        """All of it; the end where it gains next to nothing."""
        x = x + move.step
        if abs(move.gain) >= self.enough:
            return Reached(x)
        with contextlib.suppress(np.linalg.LinAlgError):  # no minimum
            np.linalg.cholesky(move.hessian)
            energy = self.model.energy_at(x, self.curvature)
            self.found = SectionState(self.curvature, x, energy, move.moment, move.slope, move.follow)
        return Reached(x, "stationary")


@dataclass(frozen=True)
class _Move:
    """Step of a shape and change of the shape with curvature (n,), gain of energy, second derivative (n, n),
    moment and its slope.
    """

    step: Array
    follow: Array
    gain: float
    hessian: Array
    moment: float
    slope: float


def _settle(model: SectionModel, x: Array, curvature: float, most: int = 400) -> SectionState:
    """Minimum of the energy downhill from x."""
    parts = _Downhill(model, curvature)
    iterate(parts, x, most)
    if parts.found is None:
        raise InputError(
            f"no stable section found at curvature {curvature:g} /mm: use more modes or a smaller reach"
        )
    return parts.found


@dataclass
class _Downhill:
    """Newton's method with the Hessian's eigenvalues made positive and a line search on the energy, until the
    stationary shape nearby is a minimum. found: that.
    """

    model: SectionModel
    curvature: float
    found: SectionState | None = None

    def direction(self, x: Array, count: int) -> tuple[Array, float] | Reached[Array]:  # noqa: ARG002 - all alike
        """A step downhill, none too long, and the slope along it."""
        model = self.model
        gradient, hessian, *_ = model.derivatives(x, self.curvature)
        values, vectors = np.linalg.eigh(hessian)
        if values[0] > 0.0:
            found = _newton(model, x, self.curvature)
            if found is not None and np.max(np.abs(model.basis @ (found.x - x)[:-1])) < 4.0 * _LEAP:
                self.found = found
                return Reached(found.x, "lowest")
        bent = np.maximum(np.abs(values), 1e-6 * np.median(np.abs(values)))
        step = -vectors @ ((vectors.T @ gradient) / bent)
        step *= min(1.0, 4.0 * _LEAP / max(float(np.max(np.abs(model.basis @ step[:-1]))), 1e-300))
        return step, float(gradient @ step)

    def accept(self, x: Array, direction: tuple[Array, float]) -> Reached[Array]:
        """The first part of it whose energy falls enough."""
        model, (step, slope), part = self.model, direction, 1.0
        here = model.energy_at(x, self.curvature)
        while model.energy_at(x + part * step, self.curvature) > here + 1e-4 * part * slope and part > 1e-8:
            part *= 0.5
        return Reached(x + part * step)
