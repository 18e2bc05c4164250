"""The cross-section: the angle of the strip's profile across its width when nothing presses it flat.

A shape is the angle phi0(q) of the profile's tangent to the width axis z, over the developed coordinate q
(distance along the profile from its middle). It is at full depth and on the positive side: positive
curvature phi0' lifts the edges toward the axle; the strip applies its sense and a depth factor a, which
multiplies the angle. Height and lateral place follow from the angle alone,

    h(q; a) = int_0^q sin(a phi0),    x(q; a) = int_0^q cos(a phi0),

so that every shape keeps its developed width when it is pressed flat. Adding a shape is one frozen class
with the methods of `Section`, listed in `SECTIONS`; the first sentence of its docstring is what the starter
of a case tells of it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar, Protocol

import numpy as np
from numpy.polynomial import Polynomial
from numpy.typing import ArrayLike

from fem.core.term import Array
from fem.core.units import Length, Points
from fem.design.plane_curve import PlaneCurve, through

SYMMETRY_TOLERANCE = 1e-3  # rad
# A strip may be wider than its section's points by this share: measured points never add up exactly. The
# profile goes on with the curvature of its end.
WIDTH_SLACK = 0.01
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(10)
_SERIES_BELOW = 0.5
_DEEPEST_HALF_ANGLE = 2.331122370414423  # root of tan(u/2) = u: the arc of given length with the largest rise


@dataclass(frozen=True)
class ProfilePlace:
    """Height h and lateral place x of the profile [mm], with two derivatives by the depth factor a.

    All arrays have the common shape of q and a.
    """

    height: Array
    lateral: Array
    height_a: Array
    lateral_a: Array
    height_aa: Array
    lateral_aa: Array


class Section(Protocol):
    """A cross-section shape. q [mm] is an array of any shape; depth broadcasts with it."""

    kind: ClassVar[str]

    @property
    def symmetric(self) -> bool:
        """Whether phi0(-q) = -phi0(q) within `SYMMETRY_TOLERANCE`."""
        ...

    @property
    def developed_width(self) -> float:
        """Width the shape is defined over [mm]; inf if any."""
        ...

    def angle(self, q: ArrayLike) -> tuple[Array, Array, Array]:
        """phi0 [rad], phi0' [1/mm] and phi0'' [1/mm^2] at q; phi0(0) = 0."""
        ...

    def place(self, q: ArrayLike, depth: ArrayLike = 1.0) -> ProfilePlace:
        """Height and lateral place at q for the signed depth factor a = depth."""
        ...


@dataclass(frozen=True)
class Flat:
    """A flat section."""

    kind: ClassVar[str] = "flat"

    @property
    def symmetric(self) -> bool:
        """True."""
        return True

    @property
    def developed_width(self) -> float:
        """Any width: inf."""
        return math.inf

    def angle(self, q: ArrayLike) -> tuple[Array, Array, Array]:
        """Zero angle and derivatives."""
        zero = np.zeros(np.shape(q))
        return zero, zero.copy(), zero.copy()

    def place(self, q: ArrayLike, depth: ArrayLike = 1.0) -> ProfilePlace:
        """Zero height, lateral place q."""
        across, _ = np.broadcast_arrays(np.asarray(q, dtype=np.float64), depth)
        zero = np.zeros(across.shape)
        return ProfilePlace(zero, across.copy(), zero, zero, zero, zero)


@dataclass(frozen=True)
class Arc:
    """A circular arc of the given radius to the mid-surface [mm]."""

    radius: Length

    kind: ClassVar[str] = "arc"

    def __post_init__(self) -> None:
        if not (math.isfinite(self.radius) and self.radius > 0.0):
            raise ValueError(f"the radius of an arc section must be > 0 mm, got {self.radius:g}")

    @classmethod
    def from_depth(cls, depth: float, width: float) -> Arc:
        """Arc that rises by depth [mm] over the developed width w [mm].

        Solves depth = R (1 - cos(w / 2R)), the rise of a circular segment, for the shallower of its two arcs.
        Raises ValueError if the depth is not in (0, 0.3623 w], what an arc of length w can rise.
        """
        if not (math.isfinite(width) and width > 0.0):
            raise ValueError(f"the width of a section must be > 0 mm, got {width:g}")
        largest = 0.5 * width * (1.0 - math.cos(_DEEPEST_HALF_ANGLE)) / _DEEPEST_HALF_ANGLE
        if not 0.0 < depth <= largest:
            raise ValueError(
                f"the depth of an arc section {width:g} mm wide must be > 0 and at most {largest:.4g} mm "
                f"(no longer arc rises further), got {depth:g}; give a smaller depth, or a radius"
            )
        ratio = 2.0 * depth / width
        low, high = 0.0, _DEEPEST_HALF_ANGLE
        for _ in range(100):  # bisection: monotone on this side of the deepest arc
            middle = 0.5 * (low + high)
            rise = 2.0 * math.sin(0.5 * middle) ** 2 / middle
            low, high = (middle, high) if rise < ratio else (low, middle)
        return cls(0.5 * width / (0.5 * (low + high)))

    @property
    def curvature(self) -> float:
        """1 / radius [1/mm]."""
        return 1.0 / self.radius

    @property
    def symmetric(self) -> bool:
        """True."""
        return True

    @property
    def developed_width(self) -> float:
        """Any width: inf (whoever knows the width refuses more than a full circle)."""
        return math.inf

    def depth(self, width: float) -> float:
        """Rise of the arc from its middle to its edges over a developed width [mm]."""
        return self.radius * (1.0 - math.cos(0.5 * width / self.radius))

    def angle(self, q: ArrayLike) -> tuple[Array, Array, Array]:
        """phi0 = q / R and its derivatives."""
        across = np.asarray(q, dtype=np.float64)
        return across / self.radius, np.full(across.shape, 1.0 / self.radius), np.zeros(across.shape)

    def place(self, q: ArrayLike, depth: ArrayLike = 1.0) -> ProfilePlace:
        """Place h = q f(u), x = q g(u) with u = a q / R, f = (1 - cos u)/u, g = sin u / u."""
        across, a = np.broadcast_arrays(np.asarray(q, dtype=np.float64), np.asarray(depth, dtype=np.float64))
        u_a = across / self.radius
        rise, run = _arc_functions(a * u_a)
        return ProfilePlace(
            across * rise[0],
            across * run[0],
            across * rise[1] * u_a,
            across * run[1] * u_a,
            across * rise[2] * u_a**2,
            across * run[2] * u_a**2,
        )


def _series(odd: bool) -> tuple[Polynomial, Polynomial, Polynomial]:
    """Taylor series of (1 - cos u)/u (odd) or sin u / u (even), terms +-u^k / (k+1)!, twice derived."""
    terms = [(-1.0) ** (k // 2) / math.factorial(k + 1) if k % 2 == odd else 0.0 for k in range(20)]
    series = Polynomial(terms)
    return series, series.deriv(1), series.deriv(2)


_RISE_SERIES, _RUN_SERIES = _series(odd=True), _series(odd=False)


def _arc_functions(u: Array) -> tuple[tuple[Array, Array, Array], tuple[Array, Array, Array]]:
    """Functions (1 - cos u)/u and sin u / u, twice derived; by Taylor series near 0, where digits cancel."""
    small = np.abs(u) < _SERIES_BELOW
    near, far = np.where(small, u, 0.0), np.where(small, 1.0, u)
    f = 2.0 * np.sin(0.5 * far) ** 2 / far
    f_1 = (np.sin(far) - f) / far
    f_2 = (np.cos(far) - 2.0 * f_1) / far
    g = np.sin(far) / far
    g_1 = (np.cos(far) - g) / far
    g_2 = (-np.sin(far) - 2.0 * g_1) / far
    rise = [np.where(small, _RISE_SERIES[k](near), value) for k, value in enumerate((f, f_1, f_2))]
    run = [np.where(small, _RUN_SERIES[k](near), value) for k, value in enumerate((g, g_1, g_2))]
    return (rise[0], rise[1], rise[2]), (run[0], run[1], run[2])


@dataclass(frozen=True)
class FreeCurve:
    """A smooth profile through points ((z, height), ...) [mm] across the width, at least three.

    The interpolating spline of gentlest change of curvature (`curve.through`), by developed length and
    centred: q = 0 is the middle of the developed width. If the profile is tilted there, the tilt is
    subtracted (the profile is turned about its middle so that phi0(0) = 0); otherwise it is kept as given.
    Points given with z falling from first to last are read from the last. The height is toward the axle.
    """

    points: Points

    kind: ClassVar[str] = "curve"

    def __post_init__(self) -> None:
        self._curve  # noqa: B018  (an impossible profile is refused when it is made, not when used)

    @cached_property
    def _curve(self) -> PlaneCurve:
        rising = self.points[-1][0] >= self.points[0][0]
        return through(self.points if rising else self.points[::-1])

    @cached_property
    def _tilt(self) -> float:
        return float(self._curve.heading(0.5 * self._curve.length))

    @property
    def developed_width(self) -> float:
        """Developed length of the profile from its first point to its last [mm]."""
        return self._curve.length

    @cached_property
    def symmetric(self) -> bool:
        """Whether phi0(-q) = -phi0(q) within `SYMMETRY_TOLERANCE` at 201 places."""
        q = np.linspace(0.0, 0.5 * self.developed_width, 201)
        return bool(np.max(np.abs(self.angle(q)[0] + self.angle(-q)[0])) <= SYMMETRY_TOLERANCE)

    @cached_property
    def panels(self) -> Array:
        """Edges of quadrature panels in q [mm], 0 among them."""
        edges = self._curve.panels - 0.5 * self.developed_width
        return np.unique(np.append(edges[np.abs(edges) > 1e-12 * self.developed_width], 0.0))

    def angle(self, q: ArrayLike) -> tuple[Array, Array, Array]:
        """phi0 [rad], phi0' [1/mm], phi0'' [1/mm^2] at q."""
        along = np.asarray(q, dtype=np.float64) + 0.5 * self.developed_width
        curve = self._curve
        return curve.heading(along) - self._tilt, curve.curvature(along), curve.curvature_s(along)

    def place(self, q: ArrayLike, depth: ArrayLike = 1.0) -> ProfilePlace:
        """Height and lateral place by Gauss quadrature between the knots of the profile."""
        return _integrated_place(lambda across: self.angle(across)[0], self.panels, q, depth)


def _integrated_place(
    angle: Callable[[Array], Array], panels: Array, q: ArrayLike, depth: ArrayLike
) -> ProfilePlace:
    """Integrals from 0 to q of sin and cos of a phi0 and of their a-derivatives, panel by panel.

    Whole panels depend on the depth factor alone and are summed once per value of it; the last, broken panel
    is integrated for each point.
    """
    across, a = np.asarray(q, dtype=np.float64), np.asarray(depth, dtype=np.float64)
    shape = np.broadcast_shapes(across.shape, a.shape)
    a = a.reshape((1,) * (len(shape) - a.ndim) + a.shape)
    whole = _panel_integrals(angle, panels[:-1], panels[1:], a[..., None])
    sums = np.concatenate([np.zeros((*whole.shape[:-1], 1)), np.cumsum(whole, axis=-1)], axis=-1)
    sums -= sums[..., [int(np.argmin(np.abs(panels)))]]
    index = np.clip(np.searchsorted(panels, across, side="right") - 1, 0, len(panels) - 2)
    broken = _panel_integrals(angle, panels[index], across, a)
    gather = np.broadcast_to(index, shape)[None, ..., None]
    start = np.take_along_axis(np.broadcast_to(sums, (6, *shape, len(panels))), gather, axis=-1)[..., 0]
    return ProfilePlace(*(start + broken))


def _panel_integrals(angle: Callable[[Array], Array], start: Array, end: Array, a: Array) -> Array:
    """(6, ...) integrals over panels of sin, cos, phi cos, -phi sin, -phi^2 sin, -phi^2 cos of a phi."""
    half = 0.5 * (end - start)
    phi = angle(start[..., None] + half[..., None] * (1.0 + _NODES))
    sine, cosine = np.sin(a[..., None] * phi), np.cos(a[..., None] * phi)
    weighted, squared = _WEIGHTS * phi, _WEIGHTS * phi**2
    sums = [
        sine @ _WEIGHTS,
        cosine @ _WEIGHTS,
        (cosine * weighted).sum(-1),
        -(sine * weighted).sum(-1),
        -(sine * squared).sum(-1),
        -(cosine * squared).sum(-1),
    ]
    return np.asarray(half * np.stack(np.broadcast_arrays(*sums)))


SECTIONS: tuple[type[Section], ...] = (Flat, Arc, FreeCurve)
