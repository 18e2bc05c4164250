"""The rest path: the planar line the middle of the strip follows when nothing holds it.

A path is made of runs (straights and bends joined by smooth changes of curvature) or passes smoothly
through given points. Either way it is a curve by its own length s that starts at the origin heading +x;
positive curvature turns toward the axle (to the left, the way the coil turns). Adding a kind of path is one
frozen class with the methods of `Path`, and its keys in `fem.case.strip_tables`.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar, Protocol

import numpy as np
from numpy.typing import ArrayLike

from fem.core.term import Array
from fem.core.units import Angle, Distance, Length, Points
from fem.design.plane_curve import PlaneCurve, from_curvature, through

# A free-form path bends where its curvature exceeds this share of its largest one.
BEND_SHARE = 0.25
# ... and a stretch that turns less than this is not worth calling a bend.
LEAST_BEND = math.radians(2.0)
_PROBES = 2001


@dataclass(frozen=True)
class BendMark:
    """One bend of a path: number counted from 1 at the root, where it starts and ends [mm], its signed
    angle [rad] (positive toward the axle) and its radius to the mid-line [mm].
    """

    index: int
    start: float
    end: float
    angle: float
    radius: float


class Path(Protocol):
    """A planar rest path by arc length. Arguments s [mm] and answers are arrays of any one shape."""

    kind: ClassVar[str]

    @property
    def length(self) -> float:
        """Length of the path [mm]."""
        ...

    @property
    def bends(self) -> tuple[BendMark, ...]:
        """The bends in order from the root."""
        ...

    def position(self, s: ArrayLike) -> Array:
        """Position (..., 2) [mm], starting from the origin."""
        ...

    def heading(self, s: ArrayLike) -> Array:
        """Angle of the tangent to +x [rad], starting from 0."""
        ...

    def curvature(self, s: ArrayLike) -> Array:
        """Curvature d heading / ds [1/mm]."""
        ...

    def curvature_s(self, s: ArrayLike) -> Array:
        """Slope d curvature / ds [1/mm^2]."""
        ...


class _OnCurve(ABC):
    """The methods of a path, read from its plane curve."""

    @property
    @abstractmethod
    def curve(self) -> PlaneCurve:
        """The path as a curve by its length."""

    @property
    def length(self) -> float:
        """Length of the path [mm]."""
        return self.curve.length

    def position(self, s: ArrayLike) -> Array:
        """Position (..., 2) [mm] at s (...)."""
        return self.curve.position(s)

    def heading(self, s: ArrayLike) -> Array:
        """Angle of the tangent to +x [rad] at s (...)."""
        return self.curve.heading(s)

    def curvature(self, s: ArrayLike) -> Array:
        """Curvature d heading / ds [1/mm] at s (...)."""
        return self.curve.curvature(s)

    def curvature_s(self, s: ArrayLike) -> Array:
        """Slope d curvature / ds [1/mm^2] at s (...)."""
        return self.curve.curvature_s(s)


@dataclass(frozen=True)
class Straight:
    """A straight run of the given length [mm]."""

    length: Length

    def __post_init__(self) -> None:
        if not (math.isfinite(self.length) and self.length > 0.0):
            raise ValueError(f"the length of a straight must be > 0 mm, got {self.length:g}")

    @property
    def curvature(self) -> float:
        """Zero [1/mm]."""
        return 0.0


@dataclass(frozen=True)
class BendRun:
    """A bend by a signed angle [rad] (positive toward the axle) at a radius to the mid-line [mm]."""

    angle: Angle
    radius: Length

    def __post_init__(self) -> None:
        if not (math.isfinite(self.angle) and self.angle != 0.0):
            raise ValueError(
                f"the angle of a bend must not be zero, got {math.degrees(self.angle):g} degrees"
            )
        if not (math.isfinite(self.radius) and self.radius > 0.0):
            raise ValueError(f"the radius of a bend must be > 0 mm, got {self.radius:g}")

    @property
    def length(self) -> float:
        """Nominal length |angle| radius [mm]."""
        return abs(self.angle) * self.radius

    @property
    def curvature(self) -> float:
        """Signed curvature [1/mm]."""
        return math.copysign(1.0 / self.radius, self.angle)


Run = Straight | BendRun


@dataclass(frozen=True)
class Runs(_OnCurve):
    """Straights and bends from the root outward, joined by transitions of one length [mm].

    Each transition is centred on the joint of two runs; there the curvature goes from one run's to the
    other's as the quintic smoothstep 10 t^3 - 15 t^4 + 6 t^5 (curvature with two continuous derivatives).
    The smoothstep is antisymmetric about its middle, so that the total angle and the total length are exactly
    those of the nominal runs, and each bend has its full curvature between its transitions. The ends of the
    path have no transition.
    """

    runs: tuple[Run, ...]
    transition: Distance

    kind: ClassVar[str] = "runs"

    def __post_init__(self) -> None:
        if not self.runs:
            raise ValueError("a path needs at least one run (a straight or a bend)")
        jumps = [a.curvature != b.curvature for a, b in zip(self.runs, self.runs[1:], strict=False)]
        if any(jumps) and not (math.isfinite(self.transition) and self.transition > 0.0):
            raise ValueError(
                f"the transition must be > 0 mm where the curvature changes, got {self.transition:g}"
            )
        for number, run in enumerate(self.runs):
            sides = int(number > 0 and jumps[number - 1]) + int(number < len(jumps) and jumps[number])
            needed = 0.5 * sides * self.transition
            if needed > run.length * (1.0 + 1e-12):
                what = "straight" if isinstance(run, Straight) else "bend"
                raise ValueError(
                    f"run {number + 1} ({what}) is {run.length:.4g} mm long but the transitions of "
                    f"{self.transition:.4g} mm at its {'end' if sides == 1 else 'two ends'} take "
                    f"{needed:.4g} mm of it; use a transition of at most "
                    f"{2.0 * run.length / sides:.4g} mm or a longer run"
                )

    @cached_property
    def joints(self) -> tuple[float, ...]:
        """Nominal joints of the runs [mm], ends included."""
        total, places = 0.0, [0.0]
        for run in self.runs:
            total += run.length
            places.append(total)
        return tuple(places)

    @cached_property
    def curve(self) -> PlaneCurve:
        """The path as a curve by its length."""
        edges, pieces = [0.0], []
        tau = self.transition
        for run, after, joint in zip(self.runs, (*self.runs[1:], None), self.joints[1:], strict=True):
            jump = 0.0 if after is None else after.curvature - run.curvature
            end = joint if jump == 0.0 else joint - 0.5 * tau
            # Transitions that fill a run exactly leave no constant piece between them.
            if end > edges[-1] + 1e-12 * self.joints[-1]:
                pieces.append([0.0, 0.0, 0.0, 0.0, 0.0, run.curvature])
                edges.append(end)
            if jump != 0.0:
                pieces.append(
                    [6 * jump / tau**5, -15 * jump / tau**4, 10 * jump / tau**3, 0.0, 0.0, run.curvature]
                )
                edges.append(joint + 0.5 * tau)
        edges[-1] = self.joints[-1]
        return from_curvature(np.array(edges), np.array(pieces).T)

    @property
    def bends(self) -> tuple[BendMark, ...]:
        """The nominal bends (from joint to joint), in order from the root."""
        marks: list[BendMark] = []
        for run, start, end in zip(self.runs, self.joints[:-1], self.joints[1:], strict=True):
            if isinstance(run, BendRun):
                marks.append(BendMark(len(marks) + 1, start, end, run.angle, run.radius))
        return tuple(marks)


@dataclass(frozen=True)
class Through(_OnCurve):
    """A smooth path through points ((x, y), ...) [mm], at least three, from the root outward.

    The curve is moved and turned so that its first point is the origin and its first tangent is +x. The
    curve is the interpolating spline of gentlest change of curvature (`curve.through`), by arc length; left
    turns are toward the axle. Raises ValueError as `curve.through` does.
    """

    points: Points

    kind: ClassVar[str] = "through"

    def __post_init__(self) -> None:
        self.curve  # noqa: B018  (an impossible curve is refused when the path is made, not when it is used)

    @cached_property
    def curve(self) -> PlaneCurve:
        """The path as a curve by its length."""
        return through(self.points)

    @cached_property
    def bends(self) -> tuple[BendMark, ...]:
        """Stretches where |curvature| exceeds `BEND_SHARE` of its largest value, split where it changes sign.

        The radius is that of the tightest place of the stretch, the angle the turn over the stretch.
        """
        s = np.linspace(0.0, self.length, _PROBES)
        kappa = self.curvature(s)
        limit = BEND_SHARE * float(np.max(np.abs(kappa)))
        marks: list[BendMark] = []
        for sign in (1.0, -1.0):
            inside = np.concatenate([[False], sign * kappa > limit, [False]])
            for first, after in np.flatnonzero(np.diff(inside)).reshape(-1, 2):
                start, end = (self._crossing(s, kappa, place, sign * limit) for place in (first, after))
                angle = float(self.heading(end) - self.heading(start))
                if abs(angle) >= LEAST_BEND:
                    radius = 1.0 / float(np.max(np.abs(kappa[first:after])))
                    marks.append(BendMark(0, start, end, angle, radius))
        marks.sort(key=lambda mark: mark.start)
        return tuple(
            BendMark(number, mark.start, mark.end, mark.angle, mark.radius)
            for number, mark in enumerate(marks, 1)
        )

    @staticmethod
    def _crossing(s: Array, kappa: Array, after: int, limit: float) -> float:
        """Where the sampled curvature passes the limit between samples after - 1 and after (linear)."""
        if after == 0 or after == len(s):
            return float(s[0] if after == 0 else s[-1])
        before = after - 1
        share = (limit - kappa[before]) / (kappa[after] - kappa[before])
        return float(s[before] + share * (s[after] - s[before]))


@dataclass(frozen=True)
class UpTo:
    """The first `length` [mm] of a path: what a test on a part of the strip sees. No kind a file can name."""

    path: Path
    length: float

    kind: ClassVar[str] = "up-to"

    def __post_init__(self) -> None:
        if not 0.0 < self.length <= self.path.length * (1.0 + 1e-12):
            raise ValueError(
                f"a part of a path must be > 0 and at most its {self.path.length:g} mm long, got "
                f"{self.length:g}"
            )

    @property
    def bends(self) -> tuple[BendMark, ...]:
        """The bends that begin within the part, the last one cut where it ends."""
        marks = []
        for mark in self.path.bends:
            if mark.start >= self.length:
                continue
            cut = mark.end > self.length
            angle = float(self.heading(self.length) - self.heading(mark.start)) if cut else mark.angle
            marks.append(BendMark(mark.index, mark.start, min(mark.end, self.length), angle, mark.radius))
        return tuple(marks)

    def position(self, s: ArrayLike) -> Array:
        """Position (..., 2) [mm] at s (...)."""
        return self.path.position(s)

    def heading(self, s: ArrayLike) -> Array:
        """Angle of the tangent to +x [rad] at s (...)."""
        return self.path.heading(s)

    def curvature(self, s: ArrayLike) -> Array:
        """Curvature d heading / ds [1/mm] at s (...)."""
        return self.path.curvature(s)

    def curvature_s(self, s: ArrayLike) -> Array:
        """Slope d curvature / ds [1/mm^2] at s (...)."""
        return self.path.curvature_s(s)
