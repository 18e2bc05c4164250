"""Cross-sections: circular segments, a catenary, and agreement of angle and place.

Catenary of parameter c: by arc length q from its lowest point, tan phi = q / c, height sqrt(c^2 + q^2) - c,
lateral place c asinh(q / c) (Whewell equation; any geometry handbook).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from fem.core.term import Array
from fem.design.section import SECTIONS, Arc, Flat, FreeCurve, Section

SKEW = FreeCurve(
    tuple((z, 0.04 * z**2 + 0.004 * z**3 + 0.1 * math.sin(z)) for z in np.linspace(-6.2, 6.2, 9))
)
HAT = FreeCurve(((-7.0, 2.0), (-5.0, 1.9), (-3.0, 0.8), (0.0, 0.0), (3.0, 0.8), (5.0, 1.9), (7.0, 2.0)))
EXAMPLES: dict[str, tuple[Section, ...]] = {
    "flat": (Flat(),),
    "arc": (Arc(9.0), Arc(2.1)),
    "curve": (SKEW, HAT),
}
ALL = [shape for shapes in EXAMPLES.values() for shape in shapes]
Q = np.linspace(-6.0, 6.0, 25)


def catenary(c: float, count: int, reach: float = 7.0) -> FreeCurve:
    q = np.linspace(-reach, reach, count)
    return FreeCurve(tuple(zip(c * np.arcsinh(q / c), np.hypot(c, q) - c, strict=True)))


def test_every_kind_has_an_example() -> None:
    assert {cls.kind for cls in SECTIONS} == set(EXAMPLES)
    assert set(SECTIONS) <= {type(shape) for shape in ALL}


@pytest.mark.parametrize("shape", ALL)
def test_angle_derivatives(shape: Section) -> None:
    e = 1e-3
    q = Q + 0.01
    for k in (0, 1):
        value = lambda x, k=k: shape.angle(x)[k]  # noqa: E731
        found = (8.0 * (value(q + e) - value(q - e)) - value(q + 2 * e) + value(q - 2 * e)) / (12.0 * e)
        assert found == pytest.approx(shape.angle(q)[k + 1], abs=1e-9)
    assert shape.angle(0.0)[0] == pytest.approx(0.0, abs=1e-14)


@pytest.mark.parametrize("shape", ALL)
@pytest.mark.parametrize("depth", [1.0, 0.3, -0.8, 0.0])
def test_place_is_the_integral_of_the_angle(shape: Section, depth: float) -> None:
    q = np.array([-5.9, -2.3, -0.004, 0.0, 0.7, 6.0])
    place = shape.place(q, depth)
    knots = getattr(
        shape, "panels", np.zeros(0)
    )  # quad itself loses digits unless told where a spline has its knots
    for found, part in ((place.height, np.sin), (place.lateral, np.cos)):
        for got, end in zip(found, q, strict=True):
            inside = knots[(knots > min(0.0, end)) & (knots < max(0.0, end))]
            wanted = quad(
                lambda x, f=part: float(f(depth * shape.angle(x)[0])),
                0.0,
                end,
                points=inside,
                epsabs=1e-13,
                limit=400,
            )
            assert got == pytest.approx(wanted[0], abs=2e-12)


@pytest.mark.parametrize("shape", ALL)
def test_place_derivatives_by_depth(shape: Section) -> None:
    depth = np.array([-1.0, 0.05, 0.7])[:, None]
    e = 1e-3

    def slope(name: str) -> Array:
        at = [np.asarray(getattr(shape.place(Q, depth + k * e), name)) for k in (-2, -1, 1, 2)]
        return (8.0 * (at[2] - at[1]) - at[3] + at[0]) / (12.0 * e)

    place = shape.place(Q, depth)
    assert place.height.shape == (3, 25)
    # Fourth-order differences at a step of .001: error about e^4 (6 mm x 3 rad^5) / 30, below 1e-10.
    assert slope("height") == pytest.approx(place.height_a, abs=1e-9)
    assert slope("lateral") == pytest.approx(place.lateral_a, abs=1e-9)
    assert slope("height_a") == pytest.approx(place.height_aa, abs=1e-9)
    assert slope("lateral_a") == pytest.approx(place.lateral_aa, abs=1e-9)


@pytest.mark.parametrize("shape", ALL)
def test_place_broadcasts(shape: Section) -> None:
    depth = np.linspace(0.2, 1.0, 4)[:, None]
    across = depth * Q
    grid = shape.place(across, depth).height
    assert grid[2, 7] == pytest.approx(float(shape.place(across[2, 7], depth[2, 0]).height), abs=1e-13)
    assert shape.place(Q, depth).lateral[3] == pytest.approx(shape.place(Q, 1.0).lateral, abs=1e-13)
    assert shape.place(1.0, 0.5).height.shape == ()


def test_arc_is_a_circular_segment() -> None:
    """r = (c^2 + 4 h^2) / (8 h), c = 2 r sin(l / 2r): segments, Machinery's Handbook, from memory."""
    arc, width = Arc(9.0), 12.0
    edge = arc.place(0.5 * width)
    chord, rise = 2.0 * float(edge.lateral), float(edge.height)
    assert (chord**2 + 4.0 * rise**2) / (8.0 * rise) == pytest.approx(9.0, rel=1e-12)
    assert chord == pytest.approx(18.0 * math.sin(width / 18.0), rel=1e-12)
    assert arc.depth(width) == pytest.approx(rise, rel=1e-12)
    place = arc.place(Q)
    assert np.hypot(place.lateral, 9.0 - place.height) == pytest.approx(9.0, rel=1e-13)


def test_nearly_flat_arc_keeps_its_digits() -> None:
    """Second derivatives of (1 - cos u)/u, sin u / u: -u/4 + u^3/36, -1/3 + u^2/10 (their series)."""
    q, u_a = 6.0, 6.0 / 9.0
    for depth in (1e-6, 1e-4, 1e-2):
        u = depth * u_a
        place = Arc(9.0).place(q, depth)
        assert place.height_aa == pytest.approx(q * u_a**2 * (-u / 4.0 + u**3 / 36.0), rel=1e-7)
        assert place.lateral_aa == pytest.approx(q * u_a**2 * (-1.0 / 3.0 + u**2 / 10.0), rel=1e-9)


def test_arc_from_depth() -> None:
    for radius in (400.0, 9.0, 3.0):
        arc = Arc.from_depth(Arc(radius).depth(12.0), 12.0)
        assert arc.radius == pytest.approx(radius, rel=1e-9)
    # A semicircle rises by its radius.
    assert Arc.from_depth(5.0, 5.0 * math.pi).radius == pytest.approx(5.0, rel=1e-12)
    # The largest rise of an arc of given length, by brute force.
    half = np.linspace(0.1, 3.0, 100001)
    largest = float(np.max(6.0 * (1.0 - np.cos(half)) / half))
    assert Arc.from_depth(largest - 1e-9, 12.0).depth(12.0) == pytest.approx(largest, abs=2e-9)
    with pytest.raises(ValueError, match=r"at most 4\.348"):
        Arc.from_depth(largest + 1e-6, 12.0)


def test_free_curve_of_a_catenary() -> None:
    def errors(count: int) -> tuple[float, float, float]:
        q = np.linspace(-4.0, 4.0, 33)
        shape = catenary(5.0, count)
        angle, angle_q, _ = shape.angle(q)
        place = shape.place(q)
        return (
            float(np.abs(angle - np.arctan(q / 5.0)).max()),
            float(np.abs(angle_q - 5.0 / (25.0 + q**2)).max()),
            float(np.abs(place.height - (np.hypot(5.0, q) - 5.0)).max()),
        )

    coarse, fine = errors(15), errors(57)
    assert max(fine) < 1e-6
    assert all(b < a / 4.0**3 for a, b in zip(coarse, fine, strict=True))


def test_free_curve_is_turned_level_and_read_in_rising_order() -> None:
    level = SKEW.angle(Q)
    points = np.array(SKEW.points)
    tilt = np.array([[math.cos(0.2), math.sin(0.2)], [-math.sin(0.2), math.cos(0.2)]])
    for other in (points[::-1], points @ tilt + [1.0, 2.0]):
        found = FreeCurve(tuple(map(tuple, other))).angle(Q)
        for got, wanted in zip(found, level, strict=True):
            assert got == pytest.approx(wanted, abs=1e-9)


def test_positive_curvature_lifts_the_edges() -> None:
    for shape in (Arc(9.0), HAT, catenary(5.0, 15)):
        assert np.all(shape.place(np.array([-5.0, 5.0])).height > 0.5)
        assert np.all(shape.place(np.array([-5.0, 5.0]), -1.0).height < -0.5)


def test_symmetry() -> None:
    assert Flat().symmetric
    assert Arc(9.0).symmetric
    assert HAT.symmetric
    assert not SKEW.symmetric
    for shape in (Flat(), Arc(9.0), HAT):
        place = shape.place(Q)
        assert place.height == pytest.approx(place.height[::-1], abs=1e-9)
        assert place.lateral == pytest.approx(-place.lateral[::-1], abs=1e-9)


def test_developed_width() -> None:
    assert catenary(5.0, 57).developed_width == pytest.approx(14.0, rel=1e-6)
    assert Flat().developed_width == Arc(9.0).developed_width == math.inf


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Arc(0.0), r"radius .*> 0 mm.* 0"),
        (lambda: Arc(math.nan), r"radius .*> 0 mm.* nan"),
        (lambda: Arc.from_depth(0.0, 12.0), r"depth .*12 mm .*> 0"),
        (lambda: Arc.from_depth(1.0, -12.0), r"width .*> 0 mm.* -12"),
        (lambda: FreeCurve(((0.0, 0.0), (1.0, 0.0))), "three points"),
    ],
)
def test_impossible_sections(make: object, message: str) -> None:
    assert callable(make)
    with pytest.raises(ValueError, match=message):
        make()
