"""Walls: distance, normal and curvature of the gap, and the shapes obstacles are made of."""

import numba
import numpy as np
import pytest

from fem.contact.kernels.distance import least_gap, wall_gap
from fem.design.obstacle import (
    ARC,
    LINE,
    OBSTACLES,
    POINT,
    SEGMENT,
    Bar,
    Cylinder,
    Guide,
    Plane,
    Pod,
    Wall,
    axle_walls,
    wall_table,
)

WALLS = {
    "point": Wall("w", POINT, 1.0, -2.0, 0.7),
    "segment": Wall("w", SEGMENT, -1.0, 0.5, 0.4, x2=3.0, y2=2.0),
    "arc": Wall("w", ARC, 0.5, 0.5, 0.3, core=4.0, start=0.4, sweep=4.5),
    "line": Wall("w", LINE, 1.0, 1.0, 0.0, x2=0.6, y2=0.8),
}
PLACES = [(6.0, 5.0), (2.0, -1.0), (-3.0, 2.5), (0.7, 0.9), (3.9, 2.6), (-1.9, -0.4), (4.6, -0.5), (1.0, 1.3)]


@numba.njit
def gap_of_row(row, x, y):
    return wall_gap(row, x, y)  # is built into its caller: can be called from a compiled loop only


def gap(wall, x, y):
    return gap_of_row(wall_table((wall,))[0], x, y)


@pytest.mark.parametrize("name", WALLS)
def test_normal_and_curvature_are_derivatives_of_the_gap(name):
    wall, h = WALLS[name], 1e-4
    for x, y in PLACES:
        value, nx, ny, curvature = gap(wall, x, y)
        by_x, by_y = (
            (gap(wall, x + h, y)[0] - gap(wall, x - h, y)[0]),
            (gap(wall, x, y + h)[0] - gap(wall, x, y - h)[0]),
        )
        assert (by_x / (2 * h), by_y / (2 * h)) == pytest.approx((nx, ny), abs=1e-6)
        assert np.hypot(nx, ny) == pytest.approx(1.0)
        tx, ty = -ny, nx
        second = gap(wall, x + h * tx, y + h * ty)[0] - 2 * value + gap(wall, x - h * tx, y - h * ty)[0]
        assert second / h**2 == pytest.approx(curvature, abs=1e-4)


@pytest.mark.parametrize("name", WALLS)
def test_gap_has_no_jumps(name):
    turn = np.linspace(0.0, 2 * np.pi, 4001)
    for radius in (1.7, 3.9, 6.0):
        x, y = 0.5 + radius * np.cos(turn), 0.5 + radius * np.sin(turn)
        values = np.array([gap(WALLS[name], a, b)[0] for a, b in zip(x, y, strict=True)])
        # a distance never changes faster than the way
        assert np.abs(np.diff(values)).max() <= radius * turn[1] * (1 + 1e-9)


def test_known_distances():
    assert gap(WALLS["point"], 4.0, -2.0)[0] == pytest.approx(2.3)
    assert gap(WALLS["line"], 1.0 + 0.6 * 2.0, 1.0 + 0.8 * 2.0)[0] == pytest.approx(2.0)
    assert gap(WALLS["arc"], 0.5 - 2.0, 0.5)[0] == pytest.approx(4.0 - 2.0 - 0.3)
    assert gap(WALLS["arc"], 0.5 - 5.0, 0.5)[0] == pytest.approx(5.0 - 4.0 - 0.3)
    start = 0.5 + 4.0 * np.cos(0.4), 0.5 + 4.0 * np.sin(0.4)
    outside = start[0] + 0.9 * np.sin(0.4), start[1] - 0.9 * np.cos(0.4)  # beyond the arc's start
    assert gap(WALLS["arc"], *outside)[0] == pytest.approx(0.9 - 0.3)
    assert gap(WALLS["segment"], -1.0 - 3.0, 0.5)[0] == pytest.approx(3.0 - 0.4)


def test_slot_of_the_pod_is_as_wide_as_its_gap_and_the_casing_round():
    pod = Pod(8.0, 1.5, -3.5, 11.0, 0.5)
    casing, upper, lower = pod.walls(0.0)
    for x in (8.6, 10.0):
        top, bottom = gap(upper, x, -3.5), gap(lower, x, -3.5)
        assert top[0] == pytest.approx(0.75)
        assert bottom[0] == pytest.approx(0.75)
        assert top[2] == pytest.approx(-1.0)
        assert bottom[2] == pytest.approx(1.0)
    assert gap(casing, -5.0, 0.0)[0] == pytest.approx(3.0)
    assert gap(casing, 0.0, 6.0)[0] == pytest.approx(2.0)
    assert max(wall.x2 + wall.radius for wall in (upper, lower)) == pytest.approx(11.0)
    # opening moves every wall back
    for wide, narrow in zip(pod.walls(0.4)[1:], (upper, lower), strict=True):
        assert gap(wide, 10.0, -3.5)[0] == pytest.approx(gap(narrow, 10.0, -3.5)[0] + 0.4)


@pytest.mark.parametrize(("height", "mouth"), [(-3.5, 11.0), (0.0, 11.0), (-6.9, 10.0), (-3.5, 8.2)])
def test_lips_run_on_from_casing_and_channel_without_a_corner(height: float, mouth: float) -> None:
    pod = Pod(8.0, 1.5, height, mouth, 0.5)
    casing, upper, lower = pod.walls(0.0)
    for bar, angle in ((upper, casing.start), (lower, casing.start + casing.sweep)):
        end = casing.core * np.cos(angle), casing.core * np.sin(angle)
        # the casing's round end and the bar's are one and the same lip: same centre, same radius
        assert end == pytest.approx((bar.x, bar.y), abs=1e-9)
        assert casing.radius == bar.radius == 0.5
        # one lip radius from that centre, on either side, is the surface of both
        for way in np.linspace(0.0, 2 * np.pi, 9):
            place = end[0] + 0.5 * np.cos(way), end[1] + 0.5 * np.sin(way)
            assert min(gap(casing, *place)[0], gap(bar, *place)[0]) <= 1e-9
        # where the lip meets casing and channel, both have one normal
        inner = 8.0 * np.cos(angle), 8.0 * np.sin(angle)
        assert gap(casing, *inner)[:3] == pytest.approx((0.0, -np.cos(angle), -np.sin(angle)), abs=1e-9)


@pytest.mark.parametrize("angle", [0.0, 0.8, -0.8])
def test_guide_keeps_its_gap_along_its_centre_line(angle):
    guide = Guide(2.0, 1.0, 0.3, 12.0, angle, 1.4, 0.5)
    upper, lower = guide.walls(0.0)
    for s in np.linspace(0.5, 11.5, 7):
        steps = np.linspace(0.0, s, 2001)
        heading = 0.3 + angle * 0.5 * (steps[1:] + steps[:-1]) / 12.0
        x, y = 2.0 + np.sum(np.cos(heading)) * steps[1], 1.0 + np.sum(np.sin(heading)) * steps[1]
        here = 0.3 + angle * s / 12.0
        for wall, side in ((upper, 1.0), (lower, -1.0)):
            value, nx, ny, _ = gap(wall, x, y)
            assert value == pytest.approx(0.7, abs=1e-5)
            # the axle's side is on the left of the way
            assert (nx, ny) == pytest.approx((side * np.sin(here), -side * np.cos(here)), abs=1e-4)


def test_axle_alone_turns_with_the_axle():
    assert axle_walls(3.0, 0.5)[0].radius == 2.5
    assert wall_table(axle_walls(3.0, 0.0))[0, 9] == 1.0
    assert not wall_table(Pod(8.0, 1.5, -3.5, 11.0, 0.5).walls(0.0))[:, 9].any()


BESIDE = {
    Plane(1.0, 2.0, 0.5): (4.0, 5.0),
    Cylinder(1.0, 2.0, 3.0): (9.0, 2.0),
    Bar(0.0, 0.0, 5.0, 1.0, 0.8): (2.0, 3.0),
    Guide(0.0, 0.0, 0.2, 9.0, 0.5, 1.2, 0.4): (4.0, 0.9),
}
"""One obstacle of each kind -> a place outside all its walls."""


def test_every_kind_of_obstacle_has_its_place():
    assert {type(obstacle) for obstacle in BESIDE} == set(OBSTACLES)


@pytest.mark.parametrize(("obstacle", "place"), BESIDE.items())
def test_opening_backs_every_wall_off(obstacle, place):
    for near, far in zip(obstacle.walls(0.0), obstacle.walls(0.3), strict=True):
        assert gap(far, *place)[0] == pytest.approx(gap(near, *place)[0] + 0.3)


@pytest.mark.parametrize("name", WALLS)
def test_drawings_are_plain_numbers_of_a_known_kind(name):
    drawing = WALLS[name].drawing()
    assert drawing["kind"] in {"disc", "bar", "arc", "plane"}
    assert all(isinstance(value, str | float | bool) for value in drawing.values())


def test_a_point_on_the_core_has_a_normal():
    value, nx, ny, curvature = gap(WALLS["point"], 1.0, -2.0)
    assert value == pytest.approx(-0.7)
    assert np.hypot(nx, ny) == pytest.approx(1.0)
    assert np.isfinite(curvature)


@numba.njit
def _bound(table, w, x, y):
    return least_gap(table, w, x, y)  # can be called from a compiled loop only


def test_the_cheap_bound_never_exceeds_the_gap():
    walls = (
        Wall("disc", POINT, 1.0, -2.0, 0.7),
        Wall("bar", SEGMENT, -3.0, 1.0, 0.4, x2=2.0, y2=4.0),
        Wall("arc", ARC, 0.5, 0.0, 0.3, core=6.0, start=2.0, sweep=4.5),
        Wall("plane", LINE, 0.0, -7.0, 0.0, x2=0.6, y2=0.8),
    )
    table, rng = wall_table(walls), np.random.default_rng(3)
    for x, y in rng.uniform(-12.0, 12.0, (300, 2)):
        for w, row in enumerate(table):
            gap = gap_of_row(row, x, y)[0]
            bound = _bound(table, w, x, y)
            assert bound <= gap + 1e-12
            assert bound == pytest.approx(gap, abs=1e-12) or w in (1, 2)


@pytest.mark.parametrize("sweep", [0.3, 1.5, np.pi, 4.0, 6.2, 2 * np.pi])
def test_an_arc_reaches_over_its_sweep(sweep):
    """Against the angle itself: beside the arc the distance is to its nearer end."""
    for start in (-2.5, 0.0, 1.0, 3.0):
        wall = Wall("w", ARC, 0.3, -0.2, 0.1, core=2.0, start=start, sweep=sweep)
        ends = [(0.3 + 2 * np.cos(a), -0.2 + 2 * np.sin(a)) for a in (start, start + sweep)]
        for turn in np.linspace(0.01, 2 * np.pi - 0.011, 60):
            for rho in (1.2, 3.1):
                x, y = 0.3 + rho * np.cos(start + turn), -0.2 + rho * np.sin(start + turn)
                away = abs(rho - 2.0) if turn <= sweep else min(np.hypot(x - a, y - b) for a, b in ends)
                assert gap(wall, x, y)[0] == pytest.approx(away - 0.1)
