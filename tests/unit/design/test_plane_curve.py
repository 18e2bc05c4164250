"""Plane curves: through points of curves with known arc length and curvature, and consistent with themselves.

Clothoid: x = C(t), y = S(t) has length t and curvature pi t (Fresnel integrals, DLMF 7.2.7-7.2.8, evaluated
with scipy.special). Ellipse perimeter: 4 a E(1 - b^2/a^2) (DLMF 19.9.9), with scipy.special.ellipe.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.interpolate import PPoly, make_interp_spline
from scipy.special import ellipe, fresnel

from fem.design.plane_curve import PlaneCurve, from_curvature, through

BOOM = [
    (0.0, 0.0),
    (15.0, 0.0),
    (25.0, 1.0),
    (33.0, 5.0),
    (38.0, 12.0),
    (41.0, 30.0),
    (44.0, 42.0),
    (50.0, 55.0),
]


def clothoid_errors(count: int) -> tuple[float, float, float, float]:
    """Errors on a clothoid of 72 mm: curvature and its slope in the middle, length, first tangent."""
    scale, t = 30.0, np.linspace(-1.2, 1.2, count)
    curve = through(scale * np.stack(fresnel(t)[::-1], axis=-1))
    s = np.linspace(-0.6, 0.6, 101) * scale
    curvature = curve.curvature(s + 0.5 * curve.length) - np.pi * s / scale**2
    slope = curve.curvature_s(s + 0.5 * curve.length) - np.pi / scale**2
    # By symmetry the heading in the middle is the turn since the start, -pi t^2 / 2 from t = -1.2 to 0.
    turn = float(curve.heading(0.5 * curve.length)) + 0.5 * np.pi * 1.2**2
    return (
        float(np.abs(curvature).max()),
        float(np.abs(slope).max()),
        abs(curve.length - 2.4 * scale),
        abs(turn),
    )


def test_clothoid_converges() -> None:
    """Four times the points. A quintic spline has order 6, less one per derivative of the position; but its
    natural ends (third derivative zero, here wrong) leave the first tangent only order 2."""
    coarse, fine = clothoid_errors(25), clothoid_errors(97)
    for before, after, order in zip(coarse, fine, (4, 3, 4, 2), strict=True):
        assert np.log(before / after) / np.log(4.0) > order - 0.2
    assert fine[0] < 1e-7
    assert fine[2] < 1e-5


def test_ellipse_length_and_vertex_curvature() -> None:
    a, b = 40.0, 15.0
    u = np.linspace(0.0, np.pi, 161)
    curve = through(np.stack([a * np.cos(u), b * np.sin(u)], axis=-1))
    assert curve.length == pytest.approx(2.0 * a * ellipe(1.0 - (b / a) ** 2), rel=1e-6)
    # Vertex curvatures of an ellipse are a/b^2 and b/a^2 (any geometry handbook).
    assert curve.curvature(0.5 * curve.length) == pytest.approx(b / a**2, rel=1e-6)


@pytest.mark.parametrize("count", [3, 4, 5, 8])
def test_passes_through_points_by_length(count: int) -> None:
    points = np.array(BOOM[:count])
    curve = through(points)
    tangent = curve.position(1e-6) / 1e-6
    assert tangent == pytest.approx([1.0, 0.0], abs=1e-6)
    # Moving and turning the curve leaves the distances between its points as they were.
    places = curve.position(curve.knots)
    assert len(places) == count
    wanted = np.linalg.norm(points[:, None] - points[None], axis=-1)
    assert np.linalg.norm(places[:, None] - places[None], axis=-1) == pytest.approx(
        wanted, abs=1e-9 * curve.length
    )
    fine = curve.position(np.linspace(0.0, curve.length, 20001))
    assert np.hypot(*np.diff(fine, axis=0).T).sum() == pytest.approx(curve.length, rel=1e-8)


def test_length_against_adaptive_quadrature() -> None:
    """The reparametrisation against scipy's spline and quad, for even spacing (the fit keeps its chords)."""
    u = np.linspace(0.0, 2.0, 9)
    points = np.stack([30.0 * np.sin(u), 30.0 * (1.0 - np.cos(u))], axis=-1)
    curve = through(points)
    knots = np.append(0.0, np.cumsum(np.diff(curve.knots)))
    free = [(3, np.zeros(2)), (4, np.zeros(2))]
    spline = make_interp_spline(knots, points, k=5, bc_type=(free, free))
    length = sum(
        quad(lambda x: float(np.hypot(*spline(x, nu=1))), a, b, epsabs=0.0, epsrel=1e-13)[0]
        for a, b in itertools.pairwise(knots)
    )
    assert length == pytest.approx(curve.length, rel=1e-9)


@pytest.mark.parametrize("count", [3, 5, 8])
def test_position_heading_curvature_agree(count: int) -> None:
    curve = through(BOOM[:count])
    s = np.linspace(0.05, 0.95, 37) * curve.length
    e = 1e-3
    for value, slope in ((curve.heading, curve.curvature), (curve.curvature, curve.curvature_s)):
        # Fourth-order central difference: error e^4 f^(5) / 30.
        found = (8.0 * (value(s + e) - value(s - e)) - value(s + 2 * e) + value(s - 2 * e)) / (12.0 * e)
        assert found == pytest.approx(slope(s), abs=1e-9)
    for place in (0.3, 0.77):
        end = place * curve.length
        breaks = [k for k in curve.knots if 0.0 < k < end]
        for axis, part in enumerate((np.cos, np.sin)):
            wanted = quad(
                lambda x, f=part: float(f(curve.heading(x))), 0.0, end, points=breaks, epsrel=1e-13, limit=500
            )
            assert curve.position(end)[axis] == pytest.approx(wanted[0], abs=1e-9 * curve.length)


def test_uneven_spacing_is_as_good_as_even() -> None:
    u = np.sort(np.concatenate([np.linspace(0.0, 1.5, 9), np.linspace(0.6, 0.9, 6)]))
    curve = through(np.stack([30.0 * np.sin(u), 30.0 * (1.0 - np.cos(u))], axis=-1))
    middle = np.linspace(0.25, 0.75, 101) * curve.length
    assert curve.curvature(middle) == pytest.approx(1.0 / 30.0, rel=5e-3)


def test_spans_much_longer_than_their_neighbours_settle() -> None:
    """Too few points to show the shape: the lengths of successive fits run away, and the chords are kept."""
    points = [(0.0, 0.0), (30.0, 0.0), (32.0, 0.5), (34.0, 2.0), (35.5, 4.0), (36.0, 6.0), (36.0, 36.0)]
    chords = np.hypot(*np.diff(np.array(points), axis=0).T).sum()
    assert chords < through(points).length < 1.15 * chords


def test_goes_on_with_its_end_curvature() -> None:
    curve = from_curvature(np.array([0.0, 10.0, 20.0]), np.array([[0.0, 0.01], [0.0, 0.0]]))
    assert curve.curvature([-1.0, 25.0]) == pytest.approx([0.0, 0.1])
    assert curve.curvature_s([-1.0, 25.0]) == pytest.approx([0.0, 0.0])
    assert curve.heading([-1.0, 25.0]) == pytest.approx([0.0, 1.0])
    assert curve.position(-2.0) == pytest.approx([-2.0, 0.0])


def test_shapes() -> None:
    curve = through(BOOM)
    assert isinstance(curve, PlaneCurve)
    for shape in ((), (3,), (2, 3)):
        s = np.full(shape, 4.0)
        assert curve.position(s).shape == (*shape, 2)
        assert curve.heading(s).shape == curve.curvature(s).shape == curve.curvature_s(s).shape == shape


@pytest.mark.parametrize(
    ("points", "message"),
    [
        ([(0.0, 0.0), (1.0, 0.0)], r"three points .*\(2, 2\)"),
        ([(0.0, 0.0), (1.0, 0.0), (1.0, 0.0), (2.0, 1.0)], "2 and 3 "),
        ([(0.0, 0.0), (1.0, float("nan")), (2.0, 0.0)], "finite"),
        ([(0.0, 0.0), (10.0, 0.0), (0.0, 1e-7)], "corner"),
    ],
)
def test_impossible_points(points: list[tuple[float, float]], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        through(points)


@pytest.mark.parametrize("pieces", [1, 2, 5])
@pytest.mark.parametrize("degree", [0, 1, 4])
def test_piecewise_polynomials_are_those_of_scipy(degree: int, pieces: int) -> None:
    random = np.random.default_rng(10 * degree + pieces)
    breaks = np.concatenate([[0.0], np.cumsum(random.uniform(0.3, 9.0, pieces))])
    curvature = PPoly(random.normal(size=(degree + 1, pieces)) * 0.05, breaks)
    curve, heading = from_curvature(breaks, curvature.c), curvature.antiderivative()
    assert np.array_equal(curve.coefficients, heading.c)
    s = np.concatenate([breaks, random.uniform(0.0, breaks[-1], 50)]).reshape(-1, 1)
    assert np.array_equal(curve.heading(s), heading(s))
    assert np.array_equal(curve.curvature(s), heading.derivative(1)(s))
    assert np.array_equal(curve.curvature_s(s), heading.derivative(2)(s))
