"""Walls that a shell touches: derivatives, objectivity of the slip, areas and forces."""

from __future__ import annotations

import numpy as np
import pytest
from rod_strips import SOFT, bent_strip, derivative_errors, product, renewed_error

from fem.contact.settings import CLEAR, ContactSettings
from fem.core.term import FrictionMode
from fem.design.layup import Layer
from fem.design.obstacle import Bar, Cylinder, Plane, Pod, axle_walls
from fem.design.path import Runs, Straight
from fem.design.section import Flat
from fem.design.strip import Strip
from fem.shell.kernels.faces import face_first, face_second
from fem.shell.strip_shell import StripMesh, strip_shell
from fem.shell.surface_points import surface_points
from fem.shell.wall_contact import ShellWallContact

POD = Pod(7.0, 1.5, -4.0, 9.0, 0.5)
SETTINGS = ContactSettings(stiffness=50.0, onset=0.05, slip=0.03, friction=0.3)


@pytest.fixture(scope="module")
def curved(tmp_path_factory):
    return strip_shell(
        bent_strip(), StripMesh(along=6.0, across=4, half=True, cache=tmp_path_factory.mktemp("m"))
    )


@pytest.fixture(scope="module")
def flat(tmp_path_factory):
    strip = Strip(Runs((Straight(30.0),), 0.0), Flat(), 8.0, 1, (Layer(SOFT, 1.0),))
    return strip_shell(strip, StripMesh(along=5.0, across=2, cache=tmp_path_factory.mktemp("m")))


def walls_of(model, walls, settings=SETTINGS, spacing=1.0):
    return ShellWallContact(
        surface_points(model, spacing), model.shell.size, model.strip.thickness, walls, settings
    )


def pressed(model, size, seed=0):
    """The rest shape against axle and pod, roughened."""
    x = model.shell.rest.reshape(-1, 4, 3).copy()
    x[:, 0, 1] -= 4.35
    rough = np.random.default_rng(seed).normal(size=x.shape) * model.shell.weights.reshape(-1, 4, 3)
    return (x + size * rough / max(1.0, np.abs(model.shell.weights).max())).ravel()


@pytest.mark.parametrize("size", [0.02, 0.3])
def test_energy_gradient_and_tangent_agree(curved, size):
    u = pressed(curved, size)
    term = walls_of(
        curved, axle_walls(4.0, 0.0) + POD.walls(0.0) + Bar(20.0, -4.6, 40.0, -2.0, 0.5).walls(0.0)
    )
    term.start(u)
    term.follow_axle(0.02)
    moved = pressed(curved, size, 0) + 0.02 * np.random.default_rng(5).normal(size=u.size)
    term.hold(moved)
    assert (term.held[..., 0].sum(axis=(0, 1)) > 0).sum() >= 4
    way = np.random.default_rng(1).normal(size=u.size)
    first, second = derivative_errors(term, moved, way, 1e-6)
    assert first < 1e-6
    assert second < 2e-5


def test_coupled_tangent_is_that_of_the_renewed_balance(curved):
    u = pressed(curved, 0.02)
    term = walls_of(curved, axle_walls(4.0, 0.0) + POD.walls(0.0))
    term.start(u)
    term.follow_axle(0.01)
    moved = u + 0.005 * np.random.default_rng(5).normal(size=u.size)
    way, h = np.random.default_rng(1).normal(size=u.size), 1e-6
    assert renewed_error(term, moved, way, h) < 2e-5


@pytest.mark.parametrize("friction", [FrictionMode.HELD, FrictionMode.FOLLOWING])
def test_points_that_touch_where_they_are_held_are_those_found_anew(curved, friction):
    u = pressed(curved, 0.3)
    term = walls_of(curved, axle_walls(4.0, 0.0) + POD.walls(0.0))
    term.start(u)
    before = term.held[..., 0].copy()
    moved = u + 0.005 * np.random.default_rng(5).normal(size=u.size)
    change = term.hold(moved)
    force = term.forces(moved)
    assert term.held[..., 0] == pytest.approx(force)
    assert change == pytest.approx(np.abs(force - before).sum() / force.sum())
    assert set(term.touching[1]) == set(np.flatnonzero(force.sum(axis=2)))
    known = term.evaluate(moved, 2, friction)
    term.touching = (u, term.touching[1])  # as after a look somewhere else
    anew = term.evaluate(moved, 2, friction)
    assert known.energy == anew.energy
    assert np.array_equal(known.gradient, anew.gradient)
    way = np.random.default_rng(1).normal(size=u.size)
    assert product(known, way) == pytest.approx(product(anew, way), rel=1e-12, abs=1e-12)
    term.move_walls(Plane(0.0, -500.0, np.pi / 2).walls(0.0) * len(term.walls))
    assert term.evaluate(moved, 1, friction).energy < known.energy


def test_variations_of_the_face():
    rng = np.random.default_rng(3)
    local, way, s, c, h = rng.normal(size=9), rng.normal(size=9), rng.normal(size=3), 0.4, 1e-5

    def geometry(at):
        a = at[3:].reshape(2, 3)
        n = np.cross(a[0], a[1])
        n /= np.linalg.norm(n)
        return n, np.linalg.inv(a @ a.T) @ a

    def row(at):
        out = np.zeros(9)
        face_first(s, c, *geometry(at), out)
        return out

    value = [s @ (at[:3] + c * geometry(at)[0]) for at in (local + h * way, local - h * way)]
    assert row(local) @ way == pytest.approx((value[0] - value[1]) / (2 * h), rel=1e-7)
    second = np.zeros((9, 9))
    face_second(s, c, *geometry(local), second)
    assert np.allclose(second, second.T)
    assert np.allclose(second @ way, (row(local + h * way) - row(local - h * way)) / (2 * h), atol=1e-6)


def test_points_carry_the_whole_area_and_the_edge(flat, curved):
    points = surface_points(flat, 0.5)
    assert points.area.sum() == pytest.approx(30.0 * 8.0)
    assert points.lines[[0, -1]] == pytest.approx([-4.0, 4.0])
    half = surface_points(curved, 1.0)
    s = np.linspace(0.0, curved.strip.length, 4001)
    assert half.area.sum() == pytest.approx(np.trapezoid(curved.strip.width_at(s), s), rel=1e-3)
    fine = surface_points(flat, 0.5, 0.3)
    assert np.diff(fine.lines).max() <= 0.3 + 1e-12
    assert fine.area.sum() == pytest.approx(240.0)
    # two elements of 4 mm across: an edge stands for a sixth of one, four times over
    assert points.bearing.sum() == pytest.approx(30.0 * (8.0 + 2 * 3 * 4.0 / 6))
    assert half.bearing[:, 0] == pytest.approx(half.area[:, 0])


def test_points_at_both_ends_take_their_area_from_their_neighbours(flat):
    inner, points = surface_points(flat, 1.0), surface_points(flat, 1.0, ends=True)
    assert points.stations[[0, -1]] == pytest.approx([0.0, flat.strip.length])
    assert points.stations[1:-1] == pytest.approx(inner.stations)
    assert points.lengths.sum() == pytest.approx(flat.strip.length)
    assert points.lengths[:3] == pytest.approx(inner.lengths[0] * np.array([0.25, 0.75, 1.0]))
    assert points.bearing[0] == pytest.approx(points.bearing[2])


def test_pressing_on_a_plane_gives_penalty_times_area(flat):
    depth, stiffness, onset = 0.055, SETTINGS.stiffness, SETTINGS.onset
    plane = Plane(0.0, -0.5 + depth, np.pi / 2).walls(0.0)
    term = walls_of(flat, plane)
    u = flat.shell.rest.ravel()
    term.start(u)
    bearing = term.points.bearing.sum()
    assert term.forces(u).sum() == pytest.approx(bearing * stiffness * (depth - 0.5 * onset))
    push = term.evaluate(u, 1).gradient.reshape(-1, 4, 3)[:, 0].sum(axis=0)
    assert push == pytest.approx([0.0, -term.forces(u).sum(), 0.0], abs=1e-9)


def test_sliding_obeys_coulomb_in_any_direction(flat):
    term = walls_of(flat, Plane(0.0, -0.3, np.pi / 2).walls(0.0))
    u = flat.shell.rest.ravel()
    term.start(u)
    moved = u.reshape(-1, 4, 3).copy()
    moved[:, 0] += [0.3, 0.0, 0.4]
    pull = term.evaluate(moved.ravel(), 1).gradient.reshape(-1, 4, 3)[:, 0].sum(axis=0)
    limit = SETTINGS.friction * term.forces(u).sum()
    assert pull[[0, 2]] == pytest.approx([0.6 * limit, 0.8 * limit])
    work = term.accept(moved.ravel())
    assert work == pytest.approx(
        0.5 * limit * 0.5
    )  # mean of no force before and the limit after, over the way
    assert np.linalg.norm(term.slip, axis=-1).max() == pytest.approx(SETTINGS.slip)


def test_turning_with_the_axle_is_no_slip(curved):
    u = pressed(curved, 0.0)
    term = walls_of(curved, axle_walls(4.2, 0.0))
    term.start(u)
    term.follow_axle(0.3)
    c, s = np.cos(0.3), np.sin(0.3)
    turned = (u.reshape(-1, 3) @ np.array([[c, s, 0], [-s, c, 0], [0, 0, 1.0]]).T).ravel()
    term.hold(turned)
    slide, force = term.friction(turned)
    assert term.held[..., 0].sum() > 0
    assert np.abs(slide).max() < 1e-12
    assert np.abs(force).max() < 1e-9


def test_no_move_carries_a_point_through_a_wall(flat):
    term = walls_of(flat, Bar(-1.0, -1.5, 31.0, -1.5, 0.5).walls(0.0))
    u = flat.shell.rest.ravel()
    move = np.zeros_like(u).reshape(-1, 4, 3)
    move[:, 0, 1] = -5.0
    part = term.safe_fraction(u, move.ravel())
    assert 0.0 < part * 5.0 < 0.5 + 1.0
    assert term.safe_fraction(u, 0.01 * move.ravel()) == 1.0


def test_points_count_finely_near_a_sharp_rounding_alone(flat):
    fine = surface_points(flat, 0.5, split=5)
    walls = (*Cylinder(10.0, -2.0, 1.2).walls(0.0), *Cylinder(25.0, 20.0, 9.0).walls(0.0))
    term = ShellWallContact(fine, flat.shell.size, flat.strip.thickness, walls, SETTINGS)
    term.start(flat.shell.rest.ravel())
    share, lines = term.points.area / fine.area, fine.lines
    clear = np.hypot(fine.stations - 10.0, 2.0) - 1.2 - 0.5 * flat.strip.thickness
    near = np.repeat(clear.reshape(-1, 5)[:, 2] < CLEAR, 5)  # as the middle of five goes, so go all
    far = np.abs(fine.stations - 10.0) > 8.0
    assert near.any()
    assert share[near] == pytest.approx(1.0)
    assert sorted(set(np.round(share[far].ravel(), 12))) == [0.0, 5.0]
    assert np.any((share > 1.0 + 1e-9) & (share < 5.0 - 1e-9))
    # every group keeps its area and what it bears with, whatever the weights between
    for values, all_of_it in ((term.points.area, fine.area), (term.points.bearing, fine.bearing)):
        groups = values.reshape(-1, 5, len(lines)).sum(axis=1)
        assert groups == pytest.approx(all_of_it.reshape(-1, 5, len(lines)).sum(axis=1))
    # what does not count touches nothing, but the mid-line runs through all stations
    off = ~term.points.counted
    assert np.isinf(term.gaps(flat.shell.rest.ravel())[off]).all()
    assert np.isfinite(term.gaps(flat.shell.rest.ravel())[~off]).all()
    assert term.mid_line(flat.shell.rest.ravel())[:, 0] == pytest.approx(fine.stations)


def test_split_points_make_the_force_of_a_lip_even(flat):
    """A strip drawn over a small post at constant depth: how much its normal force varies on the way."""

    def ripple(split):
        points = surface_points(flat, 0.5, split=split)
        post = Cylinder(15.0, -1.0, 0.5).walls(0.0)
        term = ShellWallContact(points, flat.shell.size, flat.strip.thickness, post, SETTINGS)
        sizes = []
        for way in np.linspace(0.0, 0.5, 21):
            u = flat.shell.rest.reshape(-1, 4, 3).copy()
            u[:, 0, :2] -= [way, 0.02]
            term.start(u.ravel())
            sizes.append(term.forces(u.ravel()).sum())
        return (max(sizes) - min(sizes)) / np.mean(sizes)

    assert ripple(1) > 0.1
    assert ripple(9) < 0.01


@pytest.mark.parametrize("friction", [FrictionMode.HELD, FrictionMode.FOLLOWING])
def test_derivatives_hold_with_points_in_all_shares(curved, friction):
    u = pressed(curved, 0.02)
    points = surface_points(curved, 1.0, split=5)
    walls = POD.walls(0.0) + Plane(0.0, -4.6, np.pi / 2).walls(0.0)
    term = ShellWallContact(points, curved.shell.size, curved.strip.thickness, walls, SETTINGS)
    term.start(u)
    share = term.points.area / points.area
    pressing = term.forces(u).sum(axis=2) > 0
    for low, high in ((0.99, 1.01), (1.01, 4.99), (4.99, 5.01)):
        assert np.any(pressing & (share > low) & (share < high)), (low, high)
    term.follow_axle(0.01)
    moved = u + 0.005 * np.random.default_rng(5).normal(size=u.size)
    way, h = np.random.default_rng(1).normal(size=u.size), 1e-6
    term.hold(moved)
    if friction is FrictionMode.HELD:
        first, second = derivative_errors(term, moved, way, h)
        assert first < 1e-6
        assert second < 2e-5
        return
    assert renewed_error(term, moved, way, h) < 0.02


def test_a_point_that_begins_to_count_has_slipped_nothing(flat):
    """Steps along a post: only the way of the present step is slip, not what was before a point counted."""
    points = surface_points(flat, 0.5, split=5)
    post = Cylinder(10.0, -1.48, 1.0).walls(0.0)
    term = ShellWallContact(points, flat.shell.size, flat.strip.thickness, post, SETTINGS)
    u = flat.shell.rest.reshape(-1, 4, 3).copy()
    term.start(u.ravel())
    began = term.points.counted.copy()
    for _ in range(6):
        u[:, 0, 0] -= 0.4
        term.hold(u.ravel())
        slide, _ = term.friction(u.ravel())
        assert np.abs(slide).max() < 0.4 + 1e-9
        work = term.accept(u.ravel())
    assert np.any(term.points.counted & ~began)
    assert work == pytest.approx(0.4 * SETTINGS.friction * term.forces(u.ravel()).sum(), rel=0.02)


def test_what_friction_remembers_is_all_of_it(flat):
    points = surface_points(flat, 0.5, split=5)
    walls = Cylinder(10.0, -1.48, 1.0).walls(0.0) + Plane(0.0, -0.49, np.pi / 2).walls(0.0)

    def fresh():
        return ShellWallContact(points, flat.shell.size, flat.strip.thickness, walls, SETTINGS)

    def further(term, u, steps):
        works = []
        for _ in range(steps):
            u = u.copy()
            u.reshape(-1, 4, 3)[:, 0, 0] -= 0.3
            term.hold(u)
            works.append(term.accept(u))
        return u, works

    term, other = fresh(), fresh()
    term.start(flat.shell.rest.ravel())
    u, _ = further(term, flat.shell.rest.ravel(), 4)
    other.restore(term.save(), u)
    assert np.abs(term.slip).max() > 0
    assert np.array_equal(other.before, term.before)
    assert further(other, u, 3)[1] == further(term, u, 3)[1]
    assert np.array_equal(other.slip, term.slip)
