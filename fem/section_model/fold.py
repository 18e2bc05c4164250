"""The folds of a cross-section: where it gives way, and the moment and radius of a fold that has formed.

A long strip does not bend evenly: it stays almost straight but for a fold of curvature kb. Both parts carry
the same moment M* and the fold grows at no cost when
    M(ka) = M(kb) = M*,   U(kb) - U(ka) = M* (kb - ka)        (Maxwell's common tangent)
which gives the steady fold moment and the fold radius 1/kb. Taking the straight part as rigid (ka = rest)
is the usual simplification: U(k) = k M(k).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from fem.section_model.fold_model import SectionProblem
from fem.section_model.moment_curvature import (
    MomentCurve,
    SectionBranch,
    SectionState,
    moment_curve,
    state_at,
)

__all__ = ["Fold", "MomentCurve", "SectionProblem", "SteadyFold", "fold", "moment_curve", "steady_fold"]


@dataclass(frozen=True)
class SteadyFold:
    """Moment [N mm] of a growing fold in its own direction, curvatures [1/mm] of straight part and fold."""

    moment: float
    straight_curvature: float
    fold_curvature: float


@dataclass(frozen=True)
class Fold:
    """How a section folds in one direction (+1 toward the axle); moments > 0 resist that bending.

    sense: "equal" (section and fold hollow on the same side), "opposite" or "none" (section not hollow).
    peak_*: largest moment before the section gives way; steady: the fold once formed; steady_rigid: the same
    with the straight part taken rigid; valley_moment: least moment after the peak (< 0: a bent state that
    bending alone does not undo).
    """

    direction: int
    sense: str
    peak_moment: float
    peak_curvature: float
    steady: SteadyFold
    steady_rigid: SteadyFold
    valley_moment: float
    snaps: bool

    @property
    def fold_radius(self) -> float:
        """Radius of the fold [mm], to the mid-plane of the strip."""
        return 1.0 / abs(self.steady.fold_curvature)


def fold(curve: MomentCurve, direction: int) -> Fold | None:
    """The fold of one direction (+1 toward the axle, -1 away); None if the moment only rises."""
    away = curve.outward(direction)
    falls = np.flatnonzero(np.diff(away.moment * direction) < 0.0)
    if falls.size == 0:
        return None
    first = int(falls[0])
    peak = _peak(curve, away, first)
    steady, rigid = steady_fold(curve, direction), steady_fold(curve, direction, rigid_straight=True)
    hollow = float(curve.model.angle[-1] - curve.model.angle[0])
    sense = "none" if abs(hollow) < 1e-6 else ("equal" if hollow * direction > 0.0 else "opposite")
    valley = float(np.min((curve.outward(direction, "returning").moment * direction)[first:]))
    snaps = bool(np.any(away.snapped))
    return Fold(direction, sense, peak.moment * direction, peak.curvature, steady, rigid, valley, snaps)


def _peak(curve: MomentCurve, away: SectionBranch, index: int) -> SectionState:
    """The state of largest moment next to states[index]: dM/dk = 0, or the end of the branch before a snap.

    Kept throughout: M rises at `low`, and beyond `high` it is less, or falling, or on another branch.
    """
    best = away.states[index]
    low, high = (best, away.states[index + 1]) if best.slope > 0.0 else (away.states[max(index - 1, 0)], best)
    side = 1.0 if high.curvature > low.curvature else -1.0
    halve = False
    while abs(high.curvature - low.curvature) > 1e-9 * abs(low.curvature - curve.model.rest_curvature):
        part = 0.5
        if high.slope < 0.0 and not (high.snapped or halve):
            part = min(max(low.slope / (low.slope - high.slope), 0.02), 0.98)
        middle = state_at(curve.model, low, low.curvature + part * (high.curvature - low.curvature))
        rises = not middle.snapped and middle.slope > 0.0 and middle.moment * side >= low.moment * side
        halve = part != 0.5 and (part > 0.5) == rises and abs(part - 0.5) > 0.4
        low, high = (middle, high) if rises else (low, middle)
        if not high.snapped and abs(middle.slope * (high.curvature - low.curvature)) < 1e-9 * abs(low.moment):
            break
    return low if high.snapped or low.moment * side > high.moment * side else high


def steady_fold(curve: MomentCurve, direction: int, rigid_straight: bool = False) -> SteadyFold:
    """Maxwell's construction over the first fall of the moment; nan if the curve ends before a fold settles.

    The edge of the lower convex hull of U(k) that spans the fall, made exact by Newton on M(ka) = M(kb) and
    equal energies. rigid_straight: the tangent from the rest state instead; nan if there is none.
    """
    none = SteadyFold(math.nan, math.nan, math.nan)
    lower = curve.outward(direction, "stable")
    if rigid_straight:
        touching = _tangent(curve, lower, lower.states[0])
        if touching is None:
            return none
        return SteadyFold(touching.moment * direction, lower.states[0].curvature, touching.curvature)
    first, last = _hull_edge(lower, direction)
    if first == last or last == len(lower.states) - 1:
        return none
    near, far = lower.states[first], lower.states[last]
    for _ in range(40):
        span = far.curvature - near.curvature
        balance = np.array([near.moment - far.moment, far.energy - near.energy - far.moment * span])
        if abs(balance[0]) < 1e-10 * abs(far.moment) and abs(balance[1]) < 1e-10 * abs(far.energy):
            return SteadyFold(far.moment * direction, near.curvature, far.curvature)
        by = np.array([[near.slope, -far.slope], [far.moment - near.moment, -far.slope * span]])
        step = -np.linalg.solve(by, balance)
        part = min(1.0, 0.2 * abs(span) / float(np.max(np.abs(step))))
        near = state_at(curve.model, near, near.curvature + part * float(step[0]))
        far = state_at(curve.model, far, far.curvature + part * float(step[1]))
    return none


def _hull_edge(branch: SectionBranch, direction: int) -> tuple[int, int]:
    """Ends of the edge of the lower hull of U(k) that spans the first fall of the moment; (0, 0) if none.

    Andrew's monotone chain; the states lead from rest outward.
    """
    falls = np.flatnonzero(np.diff(branch.moment * direction) < 0.0)
    if falls.size == 0:
        return 0, 0
    k, u = branch.curvature * direction, branch.energy
    hull: list[int] = []
    for i in range(k.size):
        while len(hull) > 1:
            a, b = hull[-2], hull[-1]
            if (k[b] - k[a]) * (u[i] - u[a]) > (u[b] - u[a]) * (k[i] - k[a]):
                break
            hull.pop()
        hull.append(i)
    first = int(falls[0])
    edges = [(a, b) for a, b in pairwise(hull) if a <= first + 1 and b > first and b > a + 1]
    return edges[-1] if edges else (0, 0)


def _tangent(curve: MomentCurve, far: SectionBranch, near: SectionState) -> SectionState | None:
    """The far state whose tangent to U(k) passes through `near`."""
    excess = far.energy - near.energy - (far.curvature - near.curvature) * far.moment
    crossings = np.flatnonzero((excess[:-1] > 0.0) & (excess[1:] <= 0.0))
    if crossings.size == 0:
        return None
    i = int(crossings[-1])
    state, beyond = far.states[i], far.states[i + 1]
    low, high = state.curvature, beyond.curvature
    for _ in range(20):
        gap = state.energy - near.energy - (state.curvature - near.curvature) * state.moment
        if abs(gap) < 1e-11 * abs(state.energy):
            break
        low, high = (state.curvature, high) if gap > 0.0 else (low, state.curvature)
        at = state.curvature + gap / ((state.curvature - near.curvature) * state.slope)
        if not min(low, high) < at < max(low, high):
            at = 0.5 * (low + high)
        state = state_at(curve.model, state, at)
    return state
