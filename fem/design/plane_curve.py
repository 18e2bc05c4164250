"""A plane curve known by its heading.

Up to a rigid motion a plane curve is its heading theta as a function of its own length s: the tangent is
(cos theta, sin theta), the curvature theta', and the position the integral of the tangent (the fundamental
theorem of plane curves; do Carmo, Differential Geometry of Curves and Surfaces, 1976, section 1-5). Here
the heading is a piecewise polynomial, so that curvature and its slope are its exact derivatives, and the
position follows by Gauss-Legendre quadrature in panels short enough to be exact to rounding. The rest path
of a strip and the free shape of its cross-section are both such curves.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from fem.core.term import Array

if TYPE_CHECKING:  # a third of a second of every command, and a curve through points alone needs it
    from scipy.interpolate import BSpline

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(10)
# Ten points over one radian leave an error below rounding (checked against adaptive quadrature).
_TURN_PER_PANEL = 1.0
_PANELS_PER_SPAN = 2
_HEADING_TOLERANCE = 1e-11  # rad
_MOST_FITS = 5
_PARTS_PER_SPAN = 16
_MOST_PANELS_PER_SPAN = 512


@dataclass(frozen=True, eq=False)
class PlaneCurve:
    """Curve with heading(s) = sum_k coefficients[k, i] (s - breaks[i])^(degree - k) on piece i.

    breaks (p+1,) [mm], increasing from 0; coefficients (degree+1, p), highest power first [rad/mm^k]; knots:
    the breaks where the curve is less smooth than between them (the others only resolve its shape). The curve
    starts at the origin. Outside [0, length] it goes on with the curvature of its end.
    """

    breaks: Array
    coefficients: Array
    knots: Array

    @property
    def length(self) -> float:
        """Length of the curve [mm]."""
        return float(self.breaks[-1])

    @cached_property
    def _slopes(self) -> tuple[Array, Array]:
        """Coefficients of the first two derivatives of the heading."""
        first = _derivative(self.coefficients)
        return first, _derivative(first)

    def _curvature(self, s: Array) -> Array:
        return _values(self._slopes[0], self.breaks, s)

    def heading(self, s: ArrayLike) -> Array:
        """Heading theta [rad], continuous (not wrapped into one turn), at s [mm] of any shape."""
        along = np.asarray(s, dtype=np.float64)
        within = np.clip(along, 0.0, self.length)
        heading = _values(self.coefficients, self.breaks, within)
        return heading + (along - within) * self._curvature(within)

    def curvature(self, s: ArrayLike) -> Array:
        """Curvature theta' [1/mm], positive where the curve turns left."""
        return self._curvature(np.clip(np.asarray(s, dtype=np.float64), 0.0, self.length))

    def curvature_s(self, s: ArrayLike) -> Array:
        """Slope of the curvature theta'' [1/mm^2]."""
        along = np.asarray(s, dtype=np.float64)
        slack = 1e-9 * self.length  # a station at an end stays on the curve whatever its rounding
        inside = (along >= -slack) & (along <= self.length + slack)
        slope = _values(self._slopes[1], self.breaks, np.clip(along, 0.0, self.length))
        return np.where(inside, slope, 0.0)

    @cached_property
    def panels(self) -> Array:
        """Edges (k+1,) of quadrature panels [mm]: the knots, divided so that no panel turns far."""
        starts, sizes = self.knots[:-1], np.diff(self.knots)
        probes = starts[:, None] + sizes[:, None] * np.linspace(0.0, 1.0, 17)
        turns = np.abs(self.curvature(probes)).max(axis=1) * sizes
        counts = np.maximum(_PANELS_PER_SPAN, np.ceil(turns / _TURN_PER_PANEL)).astype(int)
        pieces = [
            start + size * np.arange(n) / n for start, size, n in zip(starts, sizes, counts, strict=True)
        ]
        return np.concatenate([*pieces, self.knots[-1:]])

    @cached_property
    def _panel_places(self) -> Array:
        steps = self._tangent_integral(self.panels[:-1], self.panels[1:])
        return np.concatenate([np.zeros((1, 2)), np.cumsum(steps, axis=0)])

    def _tangent_integral(self, start: Array, end: Array) -> Array:
        half = 0.5 * (end - start)
        theta = self.heading(start[..., None] + half[..., None] * (1.0 + _NODES))
        return np.stack([half * (np.cos(theta) @ _WEIGHTS), half * (np.sin(theta) @ _WEIGHTS)], axis=-1)

    def position(self, s: ArrayLike) -> Array:
        """Position (..., 2) [mm] at s (...): the integral of (cos theta, sin theta) from 0 to s."""
        along = np.asarray(s, dtype=np.float64)
        panel = np.clip(np.searchsorted(self.panels, along, side="right") - 1, 0, len(self.panels) - 2)
        return self._panel_places[panel] + self._tangent_integral(self.panels[panel], along)


def from_curvature(breaks: Array, coefficients: Array) -> PlaneCurve:
    """Curve with the piecewise polynomial curvature given (layout of `PlaneCurve`), heading 0 at s = 0."""
    powers = np.arange(len(coefficients), 0, -1.0)
    heading = np.concatenate([coefficients / powers[:, None], np.zeros((1, coefficients.shape[1]))])
    for i in range(1, coefficients.shape[1]):  # each piece goes on where the one before ends
        heading[-1, i] = _powers(heading[:, i - 1], breaks[i] - breaks[i - 1])
    return PlaneCurve(breaks, heading, breaks)


def _powers(coefficients: Array, x: Array) -> Array:
    """Polynomials, highest power first along the first axis, at x."""
    out, power = coefficients[-1], np.asarray(x)
    for row in coefficients[-2::-1]:
        out, power = out + row * power, power * x
    return np.asarray(out)


def _values(coefficients: Array, breaks: Array, s: Array) -> Array:
    """Piecewise polynomial (k, p) at s within its breaks (p+1,); at a break, the piece that begins there."""
    piece = np.clip(np.searchsorted(breaks, s, side="right") - 1, 0, len(breaks) - 2)
    return _powers(coefficients[:, piece], s - breaks[piece])


def _derivative(coefficients: Array) -> Array:
    """Coefficients of the derivative of a piecewise polynomial."""
    if len(coefficients) == 1:
        return np.zeros_like(coefficients)
    powers = np.arange(len(coefficients) - 1, 0, -1.0)
    return np.asarray(coefficients[:-1] * powers[:, None])


def through(points: ArrayLike) -> PlaneCurve:
    """Smooth curve through points (n, 2) [mm], n >= 3, by its own length, heading 0 at the first point.

    The natural spline of degree 5: of all interpolating curves the one with the least integral of |r'''|^2,
    that is (by length) the gentlest change of curvature; the slope of its curvature is continuous and its
    ends run out near constant curvature (de Boor, A Practical Guide to Splines, 1978, from memory).
    It is then re-expressed by arc length: panels are halved until the quintic Hermite interpolant of heading,
    curvature and curvature slope is within 1e-11 rad of the spline. Curvature (x'y'' - y'x'')/v^3 with
    v = |r'| (do Carmo 1976, section 1-5, exercise 12, from memory).

    Where the curvature still changes at an end, accuracy is lost there (the end tangent is of second order in
    the spacing). Give more points where the curve bends harder, and let their spacing change gradually: a
    span much longer than its neighbours bulges. Raises ValueError if points coincide or the curve has a
    corner that no panel resolves.
    """
    places = np.asarray(points, dtype=np.float64)
    if places.ndim != 2 or places.shape[1] != 2 or len(places) < 3:
        raise ValueError(f"a curve needs at least three points of two coordinates, got shape {places.shape}")
    if not np.all(np.isfinite(places)):
        raise ValueError("the points of a curve must be finite numbers")
    chords = np.hypot(*np.diff(places, axis=0).T)
    if np.any(chords <= 1e-9 * chords.sum()):
        first = int(np.argmin(chords)) + 1
        raise ValueError(f"points {first} and {first + 1} of a curve coincide; remove one of them")
    spline, spans = _fit(places, chords)
    count = 4
    while count <= _MOST_PANELS_PER_SPAN:
        curve, error = _by_length(spline, spans, count)
        if error <= _HEADING_TOLERANCE:
            return curve
        count *= 2
    raise ValueError(
        f"the points make a corner (heading still {error:.1e} rad off with {_MOST_PANELS_PER_SPAN} panels "
        "between points); add points around the sharpest turn or make it rounder"
    )


def _fit(places: Array, chords: Array) -> tuple[BSpline, Array]:
    """Natural quintic spline through the places, and its parameters there.

    Chord lengths are a first guess of the lengths along the curve; they are replaced by the lengths of the
    curve found, which makes widely varying spacing as accurate as an even one, for as long as that settles
    (it does not for points too few to show the shape: then the chords are kept).
    """
    from scipy.interpolate import make_interp_spline

    free = [(3, np.zeros(2)), (4, np.zeros(2))]
    lengths, last, best = chords, np.inf, None
    for _ in range(_MOST_FITS):
        knots = np.concatenate([[0.0], np.cumsum(lengths)])
        spline = make_interp_spline(knots, places, k=5, bc_type=(free, free))
        parts = _divide(knots, _PARTS_PER_SPAN)
        found = _arc(spline, parts[:-1], parts[1:]).reshape(-1, _PARTS_PER_SPAN).sum(axis=1)
        change = float(np.max(np.abs(found - lengths)))
        if best is not None and change > 0.5 * last:
            break
        best, lengths, last = (spline, knots), found, change
    assert best is not None
    return best


def _divide(edges: Array, count: int) -> Array:
    parts = np.diff(edges)[:, None] * np.arange(count) / count
    return np.append((edges[:-1, None] + parts).ravel(), edges[-1])


def _by_length(spline: BSpline, spans: Array, count: int) -> tuple[PlaneCurve, float]:
    """Heading by length on each span in `count` parts, and its largest error at their middles [rad]."""
    edges = _divide(spans, count)
    middles = 0.5 * (edges[:-1] + edges[1:])
    first_half = _arc(spline, edges[:-1], middles)
    sizes = first_half + _arc(spline, middles, edges[1:])
    breaks = np.concatenate([[0.0], np.cumsum(sizes)])
    heading, curvature, slope = _heading_data(spline, edges)
    heading = np.unwrap(heading)
    curve = PlaneCurve(breaks, _hermite(heading - heading[0], curvature, slope, sizes), breaks[::count])
    gap = curve.heading(breaks[:-1] + first_half) - (_heading_data(spline, middles)[0] - heading[0])
    return curve, float(np.max(np.abs(np.angle(np.exp(1j * gap)))))


def _arc(spline: BSpline, start: Array, end: Array) -> Array:
    half = 0.5 * (end - start)
    velocity = spline(start[:, None] + half[:, None] * (1.0 + _NODES), nu=1)
    return np.asarray(half * (np.hypot(velocity[..., 0], velocity[..., 1]) @ _WEIGHTS))


def _heading_data(spline: BSpline, u: Array) -> tuple[Array, Array, Array]:
    """Heading (wrapped), curvature and d curvature / ds of the parametric spline at u."""
    (x1, y1), (x2, y2), (x3, y3) = (spline(u, nu=order).T for order in (1, 2, 3))
    speed = np.hypot(x1, y1)
    cross = x1 * y2 - y1 * x2
    slope = ((x1 * y3 - y1 * x3) - 3.0 * cross * (x1 * x2 + y1 * y2) / speed**2) / speed**4
    return np.arctan2(y1, x1), cross / speed**3, slope


def _hermite(value: Array, first: Array, second: Array, sizes: Array) -> Array:
    """Quintic Hermite coefficients (6, p), highest power first, from values and derivatives at p+1 breaks."""
    c0, c1, c2 = value[:-1], sizes * first[:-1], 0.5 * sizes**2 * second[:-1]
    gap = value[1:] - (c0 + c1 + c2)
    gap_1 = sizes * first[1:] - (c1 + 2.0 * c2)
    gap_2 = sizes**2 * second[1:] - 2.0 * c2
    c3 = 10.0 * gap - 4.0 * gap_1 + 0.5 * gap_2
    c4 = -15.0 * gap + 7.0 * gap_1 - gap_2
    c5 = 6.0 * gap - 3.0 * gap_1 + 0.5 * gap_2
    return np.stack([c5 / sizes**5, c4 / sizes**4, c3 / sizes**3, c2 / sizes**2, c1 / sizes, c0])
