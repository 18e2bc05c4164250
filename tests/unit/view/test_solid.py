"""The drawn bodies have the size of the real ones."""

from __future__ import annotations

import itertools
from dataclasses import replace

import made_results
import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from fem.design.obstacle import ARC, LINE, POINT, SEGMENT, Wall
from fem.view.solid import (
    StripGrid,
    axle_mark,
    dashes,
    spline_matrices,
    strip_solid,
    wall_faces,
    wall_outline,
)


def area(outline: tuple[np.ndarray, np.ndarray]) -> float:
    x, y = np.concatenate([outline[0], outline[1][::-1]]).T
    return abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))) / 2


def test_a_flat_straight_strip_is_a_brick() -> None:
    """Hand-made snapshot: 95 x 12 x 0.8 mm along x; faces half the thickness off the mid-plane."""
    shot = made_results.snapshot("x", 0.0, 0)
    n, m = shot.height.shape
    flat = replace(
        shot,
        position=np.stack([shot.station, np.zeros(n)], axis=1),
        heading=np.zeros(n),
        height=np.zeros((n, m)),
        lateral=np.broadcast_to(shot.across, (n, m)),
        thickness=np.array(0.8),
    )
    solid = strip_solid(flat)
    above, below = solid.faces[:2]
    np.testing.assert_allclose(above[..., 1], 0.4, atol=1e-12)
    np.testing.assert_allclose(below[..., 1], -0.4, atol=1e-12)
    assert [float(np.ptp(above[..., k])) for k in (0, 2)] == pytest.approx([95.0, 12.0])
    assert {face.shape[-1] for face in solid.faces} == {3}
    assert all(face.shape[:2] == share.shape for face, share in zip(solid.faces, solid.shares, strict=True))


@pytest.mark.parametrize("label", ["fully out", "wound in", "second bend in the slot"])
def test_thickness_is_true_and_the_first_face_is_toward_the_axle(label: str) -> None:
    shot = next(shot for shot in made_results.deployed().snapshots if shot.label == label)
    above, below = strip_solid(shot).faces[:2]
    np.testing.assert_allclose(np.linalg.norm(above - below, axis=-1), made_results.THICKNESS, rtol=1e-12)
    middle = (above + below)[:40, 7] / 2  # close to the root, where the strip lies on the axle
    toward = np.sum((above - below)[:40, 7] * -middle, axis=-1)
    assert (toward > 0).all()


def test_a_section_rolled_beyond_a_half_circle_keeps_its_sides() -> None:
    """A tube section of radius 3 mm: the inner face stays inside all the way round."""
    shot = made_results.snapshot("x", 0.0, 0)
    n, m = shot.station.size, 41
    angle = np.broadcast_to(np.linspace(-2.6, 2.6, m), (n, m))
    plain = dict.fromkeys(("strain", "strain_share", "contact", "gap"), np.zeros((n, m)))
    tube = replace(
        shot, position=np.stack([shot.station, np.zeros(n)], axis=1), heading=np.zeros(n),
        across=3.0 * angle[0],
        height=3.0 * (1 - np.cos(angle)), lateral=3.0 * np.sin(angle), thickness=np.array(0.5), **plain,
    )  # fmt: skip
    grid = StripGrid.of(tube.station, m, share=np.linspace(0.0, 1.0, 81))
    above, below = grid.solid(tube).faces[:2]
    for face, radius in ((above, 2.75), (below, 3.25)):
        np.testing.assert_allclose(np.hypot(face[..., 1] - 3.0, face[..., 2]), radius, atol=0.01)


def test_zones_of_another_thickness_are_drawn_so() -> None:
    shot = made_results.snapshot("x", 0.0, 0)
    thickness = np.where(np.abs(shot.across) < 3.0, 1.6, 1.0) * np.ones((shot.station.size, 1))
    above, below = strip_solid(replace(shot, thickness=thickness)).faces[:2]
    drawn = np.linalg.norm(above - below, axis=-1)
    assert drawn[300, 7] == pytest.approx(1.6)
    assert drawn[300, 0] == pytest.approx(1.0)


def test_ticks_stand_at_their_stations() -> None:
    solid = strip_solid(made_results.snapshot("x", 0.0, 0))
    assert solid.tick_step() == 10.0
    assert len(solid.ticks()) == 2 * 9
    above, below = solid.across_at(30.0)
    middle = (above + below)[7] / 2
    path = made_results.intended_path()
    s = np.linspace(0.0, 95.0, len(path))
    expected = [np.interp(30.0, s, path[:, k]) for k in (0, 1)]
    np.testing.assert_allclose(middle[:2], expected, atol=0.25)


@pytest.mark.parametrize(
    ("length", "step"), [(95.0, 10.0), (12.0, 1.0), (13.0, 2.0), (420.0, 50.0), (9.0, 1.0), (0.7, 0.1)]
)
def test_tick_steps_are_round(length: float, step: float) -> None:
    solid = strip_solid(made_results.snapshot("x", 0.0, 0))
    assert replace(solid, station=np.array([0.0, length])).tick_step() == pytest.approx(step)


def test_walls_have_their_dimensions() -> None:
    """Areas of a disc, a bar with round ends and an arc with round ends, by elementary geometry."""
    axle, casing, bar = made_results.walls()[:3]
    assert area(wall_outline(axle, 50.0)) == pytest.approx(np.pi * 2.0**2, rel=4e-3)
    length, cap = bar["x2"] - bar["x"], np.pi * bar["radius"] ** 2
    assert area(wall_outline(bar, 50.0)) == pytest.approx(2 * bar["radius"] * length + cap, rel=4e-3)
    ring = casing["sweep"] * casing["core"] * 2 * casing["radius"]
    assert area(wall_outline(casing, 50.0)) == pytest.approx(ring + cap, rel=4e-3)
    left, right = wall_outline(casing, 50.0)
    reach = np.hypot(*np.concatenate([left, right]).T)
    assert reach.min() == pytest.approx(8.0, abs=1e-6)
    assert reach.max() == pytest.approx(9.2, abs=1e-6)


def test_a_plane_is_drawn_behind_its_face() -> None:
    plane = {"name": "p", "kind": "plane", "x": 1.0, "y": 2.0, "nx": 0.0, "ny": 3.0, "radius": 0.0}
    face, back = wall_outline(plane, 60.0)
    np.testing.assert_allclose(face[:, 1], 2.0)
    np.testing.assert_allclose(back[:, 1], 1.0)
    assert sorted(face[:, 0]) == [-59.0, 61.0]


def test_an_unknown_kind_is_refused() -> None:
    with pytest.raises(ValueError, match="kind 'cone'; known are disc, bar, arc, plane"):
        wall_outline({"kind": "cone", "radius": 1.0, "x": 0, "y": 0}, 1.0)


def test_wall_faces_close_the_body() -> None:
    front, back, rim = wall_faces(wall_outline(made_results.walls()[0], 1.0), (-6.0, 6.0))
    assert set(front[..., 2].ravel()) == {6.0}
    assert set(back[..., 2].ravel()) == {-6.0}
    np.testing.assert_allclose(rim[0], rim[-1])
    np.testing.assert_allclose(np.hypot(*rim[..., :2].T), 2.0, atol=1e-12)


def test_the_mark_on_the_axle_turns_clockwise_with_it() -> None:
    """Out: the root is at the bottom. Wound a quarter turn clockwise: at the left (hand of a clock)."""
    axle = made_results.walls()[0]
    for angle, tip in ((0.0, (0.0, -1.9)), (np.pi / 2, (-1.9, 0.0)), (np.pi, (0.0, 1.9))):
        mark = axle_mark(axle, angle, 5.0)
        np.testing.assert_allclose(mark[1].mean(axis=0), [*tip, 5.0], atol=1e-12)


def test_the_mark_points_at_the_root() -> None:
    shot = made_results.snapshot("x", 30.0, 1)
    tip = axle_mark(made_results.walls()[0], shot.axle_angle, 0.0)[1].mean(axis=0)[:2]
    root = shot.position[0]
    assert np.dot(tip, root) / np.linalg.norm(tip) / np.linalg.norm(root) == pytest.approx(1.0, abs=1e-3)


def test_dashes_lie_on_the_path_and_leave_gaps() -> None:
    path = np.column_stack([np.linspace(0.0, 30.0, 7), np.zeros(7), np.zeros(7)])
    cut = dashes(path)
    assert cut[0][0, 0] == 0.0
    assert all(np.all(dash[:, 1:] == 0.0) for dash in cut)
    assert all(first[-1, 0] < second[0, 0] for first, second in itertools.pairwise(cut))


@pytest.mark.parametrize(
    "wall",
    [
        Wall("post", POINT, 3.0, -2.0, 1.5),
        Wall("bar", SEGMENT, 1.0, 2.0, 0.7, x2=9.0, y2=-4.0),
        Wall("guide", ARC, 1.0, 1.0, 0.5, core=6.0, start=2.0, sweep=1.4),
        Wall("casing", ARC, 0.0, 0.0, 0.5, core=8.5, start=-0.2, sweep=5.9),
    ],
)
def test_walls_of_a_run_are_drawn_where_the_strip_would_touch_them(wall: Wall) -> None:
    """Every drawn point is `radius` away from the core, measured by brute force on a sampled core."""
    part = np.linspace(0.0, 1.0, 4001)
    if wall.kind == ARC:
        turn = wall.start + wall.sweep * part
        core = np.stack([wall.x + wall.core * np.cos(turn), wall.y + wall.core * np.sin(turn)], axis=1)
    else:
        end = np.array([wall.x2, wall.y2]) if wall.kind == SEGMENT else np.array([wall.x, wall.y])
        core = np.array([wall.x, wall.y]) * (1 - part[:, None]) + end * part[:, None]
    drawn = np.concatenate(wall_outline(wall.drawing(), 20.0))
    away = np.linalg.norm(drawn[:, None] - core[None], axis=-1).min(axis=1)
    spacing = float(np.linalg.norm(core[1] - core[0]))
    # halfway between two samples the distance is this much too long
    np.testing.assert_allclose(away, wall.radius, atol=1e-9 + spacing**2 / (8 * wall.radius) * 1.1)


def test_the_plane_of_a_run_is_drawn_at_its_face() -> None:
    plane = Wall("plane", LINE, 4.0, 1.0, 0.0, x2=np.cos(2.0), y2=np.sin(2.0))
    face, back = wall_outline(plane.drawing(), 60.0)
    normal = np.array([np.cos(2.0), np.sin(2.0)])
    np.testing.assert_allclose((face - [4.0, 1.0]) @ normal, 0.0, atol=1e-12)
    assert ((back - [4.0, 1.0]) @ normal < 0.0).all()


@pytest.mark.parametrize("knots", [2, 3, 4, 49])
def test_splines_are_those_of_a_reference_library(knots: int) -> None:
    """SciPy's CubicSpline ("not-a-knot"), values and slopes, also a little beyond the ends."""
    rng = np.random.default_rng(5)
    x = np.sort(rng.uniform(0.0, 95.0, knots))
    y, places = rng.normal(size=(knots, 3)), np.linspace(x[0] - 0.5, x[-1] + 0.5, 201)
    spline = CubicSpline(x, y)
    value, slope = spline_matrices(x, places)
    np.testing.assert_allclose(value @ y, spline(places), rtol=1e-8, atol=1e-8 * np.abs(spline(places)).max())
    np.testing.assert_allclose(slope @ y, spline(places, 1), atol=1e-8 * np.abs(spline(places, 1)).max())


def test_normals_point_outward_and_stand_square() -> None:
    shot = made_results.deployed().snapshots[1]
    solid = strip_solid(shot)
    centre = solid.middle.mean(axis=0)
    for face, normal in zip(solid.faces, solid.normals, strict=True):
        assert face.shape == normal.shape
        np.testing.assert_allclose(np.linalg.norm(normal, axis=-1), 1.0, rtol=1e-12)
    above, below = solid.faces[:2]
    assert (np.sum((above - below) * solid.normals[0], axis=-1) > 0).all()
    for edge, way in zip(solid.faces[2:4], solid.normals[2:4], strict=True):
        assert (np.sum((edge - centre)[..., 2] * way[..., 2], axis=-1) > 0).all()
    root, tip = solid.normals[4].mean(axis=(0, 1)), solid.normals[5].mean(axis=(0, 1))
    assert root @ (solid.middle[0] - solid.middle[1]) > 0
    assert tip @ (solid.middle[-1] - solid.middle[-2]) > 0
