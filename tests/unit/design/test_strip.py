"""The rest surface against finite differences, and against surfaces whose curvature is known.

Torus with tube radius r about a circle of radius a: Gauss curvature cos u / (r (a + r cos u)), u measured
from the outer equator (do Carmo 1976, section 3-3, example 1, from memory). A cylinder has none.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from fem.core.term import Array
from fem.design.layup import Layer
from fem.design.material import Material
from fem.design.path import BendRun, Runs, Straight, Through
from fem.design.section import Arc, Flat, FreeCurve, Section
from fem.design.strip import Station, Strip, Surface

SOFT = Material.isotropic("soft", 80.0, 0.45, 1.2e-9, 0.1)
STIFF = Material.isotropic("stiff", 2300.0, 0.36, 1.3e-9, 0.02)
BOOM = Runs(
    (
        Straight(22.0),
        BendRun(math.radians(70.0), 14.0),
        Straight(15.0),
        BendRun(math.radians(-50.0), 16.0),
        Straight(20.0),
    ),
    5.0,
)
LEAF = Through(tuple((60.0 * math.sin(u), 35.0 - 35.0 * math.cos(u)) for u in np.linspace(0.0, 1.5, 13)))
SKEW = FreeCurve(
    tuple((z, 0.04 * z**2 + 0.004 * z**3 + 0.1 * math.sin(z)) for z in np.linspace(-6.2, 6.2, 9))
)
STATIONS = (
    Station(4.0, 12.0, 0.0),
    Station(26.0, 12.0, 1.0),
    Station(50.0, 11.0, 1.1),
    Station(85.0, 5.0, 0.6),
)
SECTIONS = {"flat": Flat(), "arc": Arc(9.0), "free curve": SKEW}


def strip(section: Section, sense: int = 1, **changes: object) -> Strip:
    made = Strip(BOOM, section, 12.0, sense, (Layer(SOFT, 1.0),), STATIONS)
    return replace(made, **changes)  # type: ignore[arg-type]


def gauss_curvature(at: Surface) -> Array:
    """Determinants of the second over the first fundamental form (do Carmo 1976, section 3-3, eq. 4)."""

    def dot(u: Array, v: Array) -> Array:
        return np.sum(u * v, axis=-1)

    second = dot(at.X_ss, at.normal) * dot(at.X_qq, at.normal) - dot(at.X_sq, at.normal) ** 2
    first = dot(at.X_s, at.X_s) * dot(at.X_q, at.X_q) - dot(at.X_s, at.X_q) ** 2
    return np.asarray(second / first)


@pytest.mark.parametrize("kind", SECTIONS)
@pytest.mark.parametrize("sense", [1, -1])
@pytest.mark.parametrize("path", [BOOM, LEAF], ids=["bends", "free"])
def test_surface_derivatives(kind: str, sense: int, path: Runs | Through) -> None:
    """Fourth-order central differences over straights, transitions, bends of both senses, varying depth."""
    made = strip(SECTIONS[kind], sense, path=path)
    s = (np.linspace(0.005, 0.995, 131) * made.length)[:, None]
    q = np.linspace(-5.9, 5.9, 14)
    e = 2e-4

    def difference(name: str, ds: float, dq: float) -> Array:
        at = [getattr(made.surface(s + k * ds, q + k * dq), name) for k in (-2, -1, 1, 2)]
        return np.asarray((8.0 * (at[2] - at[1]) - at[3] + at[0]) / (12.0 * e))

    found = made.surface(s, q)
    for wanted, name, ds, dq in (
        ("X_s", "X", e, 0.0),
        ("X_q", "X", 0.0, e),
        ("X_ss", "X_s", e, 0.0),
        ("X_sq", "X_s", 0.0, e),
        ("X_sq", "X_q", e, 0.0),
        ("X_qq", "X_q", 0.0, e),
    ):
        exact = getattr(found, wanted)
        assert exact.shape == (131, 14, 3)
        assert difference(name, ds, dq) == pytest.approx(exact, abs=2e-9), wanted
    assert np.abs(found.X_ss).max() > 0.01


def test_conventions() -> None:
    """Root at the origin heading +x, normal +y, width z; equal sense lifts the edges to +y."""
    for sense in (1, -1):
        made = strip(Arc(9.0), sense, stations=())
        root = made.surface(0.0, np.array([-6.0, 0.0, 6.0]))
        assert root.X[1] == pytest.approx([0.0, 0.0, 0.0])
        assert root.X_s[1] == pytest.approx([1.0, 0.0, 0.0])
        assert root.X_q[1] == pytest.approx([0.0, 0.0, 1.0])
        assert root.normal[1] == pytest.approx([0.0, 1.0, 0.0])
        rise = 9.0 * (1.0 - math.cos(6.0 / 9.0))
        assert root.X[[0, 2], 1] == pytest.approx(sense * rise)
        assert root.X[[0, 2], 2] == pytest.approx([-9.0 * math.sin(6.0 / 9.0), 9.0 * math.sin(6.0 / 9.0)])
        # Curvature across, b_qq = X_qq . n, has the sign of the sense; along, that of the bend.
        assert np.sum(root.X_qq * root.normal, axis=-1) == pytest.approx(sense / 9.0)
        for mark in made.path.bends:
            at = made.surface(0.5 * (mark.start + mark.end), 0.0)
            assert at.X_ss @ at.normal == pytest.approx(math.copysign(1.0 / mark.radius, mark.angle))


def test_mid_line_is_the_path_and_q_is_length() -> None:
    made = strip(SKEW)
    s = np.linspace(0.0, made.length, 41)
    middle = made.surface(s, 0.0)
    assert middle.X[:, :2] == pytest.approx(BOOM.position(s), abs=1e-13)
    assert np.linalg.norm(middle.X_s, axis=-1) == pytest.approx(1.0)
    assert np.linalg.norm(made.surface(s[:, None], np.linspace(-6, 6, 9)).X_q, axis=-1) == pytest.approx(1.0)


@pytest.mark.parametrize("sense", [1, -1])
@pytest.mark.parametrize("turn", [1.0, -1.0])
def test_bend_of_an_arc_section_is_a_torus(sense: int, turn: float) -> None:
    r, bend = 9.0, 14.0
    made = strip(Arc(r), sense, path=Runs((BendRun(turn * 1.2, bend),), 0.0), stations=())
    q = np.linspace(-6.0, 6.0, 9)
    found = gauss_curvature(made.surface(np.array([[1.0], [9.0]]), q))
    if sense * turn > 0:  # centres on the same side: outer half of a torus of radius bend - r
        wanted = np.cos(q / r) / (r * (bend - r + r * np.cos(q / r)))
        assert np.all(wanted > 0.0)
    else:  # inner half (u = pi - q / r) of a torus of radius bend + r
        wanted = -np.cos(q / r) / (r * (bend + r - r * np.cos(q / r)))
        assert np.all(wanted < 0.0)
    assert found == pytest.approx(np.broadcast_to(wanted, (2, 9)), rel=1e-10)


def test_straight_arc_strip_is_a_cylinder() -> None:
    made = strip(Arc(9.0), path=Runs((Straight(50.0),), 0.0), stations=())
    at = made.surface(np.linspace(0.0, 50.0, 5)[:, None], np.linspace(-6.0, 6.0, 7))
    assert np.hypot(at.X[..., 1] - 9.0, at.X[..., 2]) == pytest.approx(9.0)
    assert gauss_curvature(at) == pytest.approx(0.0, abs=1e-14)


def test_stations() -> None:
    made = strip(Arc(9.0))
    places = np.array([0.0, 4.0, 26.0, 50.0, 85.0, made.length])
    assert made.width_at(places) == pytest.approx([12.0, 12.0, 12.0, 11.0, 5.0, 5.0])
    assert made.depth_at(places)[0] == pytest.approx([0.0, 0.0, 1.0, 1.1, 0.6, 0.6])
    # The smoothstep is half-way half-way, with slope 15/8 of the chord, and flat to second order at stations.
    assert made.width_at(67.5) == pytest.approx(8.0)
    assert made.taper(67.5)[1] == pytest.approx(-15.0 / 8.0 * 6.0 / 35.0)
    assert made.taper(places)[1] == pytest.approx(np.zeros(6))
    assert made.taper(places)[2] == pytest.approx(np.zeros(6))
    s, e = np.linspace(1.0, made.length - 1.0, 50), 1e-3
    for table in (made.taper, made.depth_at, made.developed_edge):
        for k in (0, 1):
            found = (table(s + e)[k] - table(s - e)[k]) / (2.0 * e)
            assert found == pytest.approx(table(s)[k + 1], abs=1e-6)
    assert made.developed_edge(s)[0] == pytest.approx(0.5 * made.width_at(s))
    plain = strip(Arc(9.0), stations=())
    assert plain.width_at(s) == pytest.approx(12.0)
    assert plain.depth_at(s)[0] == pytest.approx(1.0)


def test_section_angle_and_place() -> None:
    made = strip(SKEW, -1)
    s, q = np.array([[15.0], [30.0], [70.0]]), np.linspace(-5.0, 5.0, 11)
    phi, phi_s, phi_q, phi_ss, phi_sq, phi_qq = made.section_angle(s, q)
    assert phi == pytest.approx(-made.depth_at(s)[0] * SKEW.angle(q)[0])
    e = 1e-3
    for found, k, ds, dq in (
        (phi_s, 0, e, 0),
        (phi_q, 0, 0, e),
        (phi_ss, 1, e, 0),
        (phi_sq, 1, 0, e),
        (phi_qq, 2, 0, e),
    ):
        wanted = (made.section_angle(s + ds, q + dq)[k] - made.section_angle(s - ds, q - dq)[k]) / (2.0 * e)
        assert found == pytest.approx(wanted, abs=2e-6)
    height, lateral = made.section_place(s, q)
    at = made.surface(s, q)
    normal = np.stack([-np.sin(BOOM.heading(s)), np.cos(BOOM.heading(s))], axis=-1)
    assert np.sum((at.X[..., :2] - BOOM.position(s)) * normal, axis=-1) == pytest.approx(height, abs=1e-12)
    assert at.X[..., 2] == pytest.approx(lateral)


def test_flat_root() -> None:
    """Depth 0 up to 4 mm: the strip is flat where the axle clamps it."""
    at = strip(Arc(9.0)).surface(np.array([[0.0], [2.0]]), np.array([-6.0, 6.0]))
    assert at.X[..., 1] == pytest.approx(0.0, abs=1e-14)
    assert np.abs(at.X[..., 2]) == pytest.approx(6.0)


def test_rest_arrays() -> None:
    layers = (Layer(SOFT, 0.6), Layer(STIFF, 0.4, across=(-2.0, 2.0), along=(10.0, 60.0)))
    made = strip(Arc(9.0), layers=layers)
    s, q = np.linspace(0.0, made.length, 7), np.linspace(-2.4, 2.4, 5)
    rest = made.rest_arrays(s, q)
    angle = made.section_angle(s[:, None], q)
    for name, wanted in zip(("phi", "phi_s", "phi_q", "phi_ss"), angle[:4], strict=True):
        assert getattr(rest, name).shape == (7, 5)
        assert getattr(rest, name) == pytest.approx(wanted)
    assert rest.curvature == pytest.approx(BOOM.curvature(s))
    assert rest.curvature_s == pytest.approx(BOOM.curvature_s(s))
    assert rest.width == pytest.approx(made.width_at(s))
    assert rest.thickness == pytest.approx(1.0)
    assert rest.abd == pytest.approx(made.laminate(s[:, None], q))
    assert rest.abd.shape == (7, 5, 6, 6)
    assert rest.mass == pytest.approx(made.mass_per_area(s[:, None], q))
    assert rest.mass.max() > rest.mass.min() > 0.0
    moving = made.rest_arrays(s, made.width_at(s)[:, None] * np.linspace(-0.5, 0.5, 5))
    assert moving.phi.shape == (7, 5)
    assert moving.phi[-1] == pytest.approx(made.section_angle(made.length, np.linspace(-2.5, 2.5, 5))[0])


def test_natural_curvature_is_that_of_the_surface() -> None:
    uniform = Strip(BOOM, Arc(9.0), 12.0, -1, (Layer(SOFT, 1.0),))
    s, q = np.linspace(1.0, uniform.length - 1.0, 23)[:, None], np.linspace(-6.0, 6.0, 7)
    at = uniform.surface(s, q)
    along = np.sum(at.X_ss * at.normal, axis=-1) / np.sum(at.X_s**2, axis=-1)
    across = np.sum(at.X_qq * at.normal, axis=-1)
    found = uniform.natural_curvature(s, q)
    assert found == pytest.approx(np.stack([along, across], axis=-1), abs=1e-12)
    assert np.ptp(found[..., 0]) > 0.02
    assert found[..., 1] == pytest.approx(-1.0 / 9.0)
    assert np.abs(np.sum(at.X_sq * at.normal, axis=-1)).max() < 1e-12, "lines of curvature"


def test_stiffness_is_that_of_layers_curved_by_nature() -> None:
    made = strip(Arc(9.0))
    bend = 0.5 * (made.path.bends[0].start + made.path.bends[0].end)
    found, flat = made.laminate(bend, 0.0), made.layup.laminate(bend, 0.0)
    assert found == pytest.approx(made.layup.laminate(bend, 0.0, made.natural_curvature(bend, 0.0)))
    assert np.abs(found - flat).max() > 1e-3 * np.abs(flat).max()
    even = strip(Flat(), stations=())
    assert np.array_equal(even.laminate(1.0, 2.0), even.layup.laminate(1.0, 2.0)), "a straight flat strip"


def test_zone_edges() -> None:
    made = strip(
        Arc(9.0), layers=(Layer(SOFT, 0.6), Layer(STIFF, 0.4, across=(-2.0, 3.0), along=(10.0, 300.0)))
    )
    assert made.zone_edges_q() == pytest.approx([-6.0, -2.0, 3.0, 6.0])
    assert made.zone_edges_s() == pytest.approx([0.0, 10.0, made.length])
    assert made.stack_at(5.0, 0.0).materials == (SOFT, None)
    assert made.thickness == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"width": 0.0}, r"width .*> 0 mm.* 0"),
        ({"width": 14.0, "section": SKEW}, r"14 mm .* 13.* mm"),
        ({"sense": 0}, r"sense .*\+1 .*-1 .* 0"),
        ({"layers": ()}, "layer"),
        ({"layers": (Layer(SOFT, 1.0, along=(0.0, 50.0)),)}, "s 50 to "),
        (
            {"stations": (Station(5.0, 12.0), Station(5.0, 10.0))},
            r"stations .* 5 then 5 mm",
        ),
        (
            {"stations": (Station(5.0, 13.0),)},
            r"station 5 mm .* 12 mm.* 13",
        ),
        ({"stations": (Station(5.0, 12.0, -0.1),)}, r"station 5 mm .*>= 0.* -0\.1"),
        (
            {"path": Runs((Straight(20.0), BendRun(1.0, 4.0)), 2.0), "section": Arc(3.0), "stations": ()},
            r"4\.248 mm .*radius 4 mm",
        ),
    ],
)
def test_impossible_strips(changes: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        strip(**({"section": Arc(9.0)} | changes))  # type: ignore[arg-type]


def test_width_may_exceed_the_points_by_a_hair() -> None:
    """Measured points never add up exactly: one per cent more, with the curvature of the profile's end."""
    wide = 1.008 * SKEW.developed_width
    made = strip(SKEW, width=wide, stations=())
    end, edge = 0.5 * SKEW.developed_width, 0.5 * wide
    phi, phi_q = made.section_angle(20.0, np.array([end, edge]))[0::2][:2]
    assert phi_q[1] == pytest.approx(phi_q[0])
    assert phi[1] - phi[0] == pytest.approx(phi_q[0] * (edge - end))


def test_a_narrow_bend_away_from_the_edges_is_possible() -> None:
    assert (
        strip(Arc(3.0), -1, path=Runs((Straight(20.0), BendRun(1.0, 4.0)), 2.0), stations=()).length == 24.0
    )
