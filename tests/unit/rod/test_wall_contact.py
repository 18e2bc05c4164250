"""Contact with walls: derivatives with held and with coupled friction, resultants, sticking, no false
drag.
"""

from dataclasses import replace

import numpy as np
import pytest
from numba import njit
from rod_strips import (
    SOFT,
    at_rest,
    coiled,
    derivative_errors,
    product,
    rough,
    small_rod,
    straight_strip,
    turned,
)

from fem.contact.kernels.laws import DEEP, STEEP
from fem.contact.settings import SAFE_DEPTH, ContactSettings, lobatto
from fem.core.term import FrictionMode
from fem.design.layup import Layer
from fem.design.obstacle import Bar, Cylinder, Plane, Pod, axle_walls
from fem.design.section import Arc
from fem.rod.energy import length_weights
from fem.rod.kernels.faces import most_height, new_face, read_angles, read_heights, wall_places
from fem.rod.kernels.wall_readings import wall_slide
from fem.rod.wall_contact import RodWallContact, contact_points

SETTINGS = ContactSettings(stiffness=80.0, onset=0.05, slip=0.03, friction=0.3)


@pytest.fixture(scope="module")
def rod():
    return small_rod(straight_strip(60.0, (Layer(SOFT, 1.0),)), 30)


@pytest.fixture(scope="module")
def points(rod):
    return contact_points(rod, 0.5)


def contact_of(rod, points, name):
    """A contact of each kind of wall in which many points press, and its state."""
    wound, flat = coiled(rod, 0.3, 3.45), at_rest(rod)
    walls, u = {
        "axle": (axle_walls(3.0, 0.0), wound),
        "casing": (Pod(7.2, 1.5, -3.5, 11.0, 0.5).walls(0.0), coiled(rod, 4.0, 3.5, -0.11)),
        "plane": (Plane(0.0, -0.4, 0.5 * np.pi).walls(0.0), flat),
        "bar": (Bar(5.0, -1.05, 50.0, -1.0, 0.6).walls(0.0), flat),
        "cylinder": (Cylinder(20.0, -2.0, 1.7).walls(0.0), flat),
    }[name]
    return RodWallContact(rod, points, walls, SETTINGS), u


NAMES = ["axle", "casing", "plane", "bar", "cylinder"]


def test_lobatto_rule_has_the_ends_and_integrates_quintics():
    place, weight = lobatto(4)
    assert place[[0, -1]] == pytest.approx([0.0, 1.0])
    for power in range(6):
        assert weight @ place**power == pytest.approx(1 / (power + 1))


def test_points_stand_for_the_whole_surface(rod, points):
    assert points.area.sum() == pytest.approx(60.0 * 12.0)
    assert points.lengths.sum() == pytest.approx(60.0)


@pytest.mark.parametrize("spacing", [1.0, 0.25])
def test_points_on_the_ends_press_as_the_same_strip_however_fine_they_are(rod, spacing):
    points = contact_points(rod, spacing, ends=0.7)
    assert points.stations[[0, -1]] == pytest.approx([0.0, 60.0])
    assert points.area.sum() == pytest.approx(60.0 * 12.0)
    inner = points.bearing[1:-1] / points.lengths[1:-1, None]
    assert points.bearing[[0, -1]] == pytest.approx(0.7 * inner[[0, -1]])


def test_faces_move_as_the_normal_of_the_surface_says():
    """Where a curved section is pressed flat, edges lean: their faces slide by what their places and normals,
    differenced along the edge, do.
    """
    rod = small_rod(replace(straight_strip(60.0, (Layer(SOFT, 1.0),)), section=Arc(14.0)), 60)
    points = contact_points(rod, 0.5)
    contact = RodWallContact(rod, points, Plane(0.0, -0.4, 0.5 * np.pi).walls(0.0), SETTINGS)

    def state(shift):
        """Pressed flat over some 10 mm, about a station that has moved on by `shift`, on a bend of 60 mm."""
        u = at_rest(rod).reshape(len(rod.nodes), rod.fields, 2)
        angle = rod.nodes / 60.0
        u[:, 0, 0], u[:, 1, 0] = 60.0 * np.sin(angle), 60.0 * (1.0 - np.cos(angle))
        u[:, 0, 1], u[:, 1, 1] = np.cos(angle), np.sin(angle)
        u[:, 2, 0] = -1.0 / 14.0 / (1.0 + np.exp(-0.4 * (rod.nodes - 30.0 - shift)))
        u[:, 2, 1] = np.gradient(u[:, 2, 0], rod.nodes)
        return u.ravel()

    off = 0.5

    def edge(u):
        lies = wall_places(u, points.kernel_tables(rod))[:, -1]
        place = lies[:, :2] + lies[:, 4:5] * lies[:, 2:4]
        along = np.gradient(place, points.stations, axis=0)
        along /= np.linalg.norm(along, axis=1)[:, None]
        return place + off * np.stack([-along[:, 1], along[:, 0]], axis=1), along

    before, after = state(0.0), state(1.0)
    (was, _), (now, along) = edge(before), edge(after)
    contact.start(before)
    held = np.zeros_like(contact.held)
    held[..., 0], held[:, -1, 0, 1:3], held[..., 3] = 1.0, along, off
    slid = wall_slide(after, points.kernel_tables(rod), contact.table, 0.0, held, contact.before)[:, -1, 0]
    wanted = ((now - was) * along).sum(axis=1)
    upright = ((contact.before[:, -1, 2:4] - wall_places(after, points.kernel_tables(rod))[:, -1, 2:4])
               * along).sum(axis=1)  # fmt: skip
    assert np.abs(wanted).max() > 0.01
    assert np.abs(upright).max() < 1e-12  # the mid-line stays: all of it is the lean of the edge
    inside = slice(4, -4)
    # the edge is 2 % shorter than the mid-line, in whose lengths its slope is counted
    assert slid[inside] == pytest.approx(wanted[inside], abs=0.03 * np.abs(wanted).max())


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("slid", [0.001, 0.2], ids=["sticks", "slides"])
def test_held_friction_is_a_potential(rod, points, name, slid):
    contact, u = contact_of(rod, points, name)
    contact.start(turned(rod, u, slid / 6.0, (slid, 0.0)))
    contact.follow_axle(0.01)
    contact.hold(u)
    assert np.count_nonzero(contact.forces(u)) > 3
    here = u + rough(rod, 1e-3, 1)
    first, second = derivative_errors(contact, here, rough(rod, 1.0, 2), 1e-7)
    assert first < 1e-6
    assert second < 1e-5


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("slid", [0.001, 0.2], ids=["sticks", "slides"])
def test_coupled_tangent_is_the_derivative_of_the_balance_with_everything_renewed(rod, points, name, slid):
    contact, u = contact_of(rod, points, name)
    contact.start(turned(rod, u, slid / 6.0, (slid, 0.0)))

    def balance(x):
        contact.hold(x)
        return contact.evaluate(x, 1, FrictionMode.FOLLOWING).gradient

    v, h = rough(rod, 1.0, 3), 1e-6
    change = (balance(u + h * v) - balance(u - h * v)) / (2 * h)
    contact.hold(u)
    tangent = product(contact.evaluate(u, 2, FrictionMode.FOLLOWING), v)
    # left out: how the offset of the face turns with the strip where wall and strip are not parallel
    weights = length_weights(rod)
    assert np.linalg.norm((change - tangent) / weights) < 0.01 * np.linalg.norm(change / weights)


def test_contact_pushes_with_its_pressure_along_the_normal(rod, points):
    contact, u = contact_of(rod, points, "plane")
    contact.start(u)
    lift = np.zeros((len(rod.nodes), rod.fields, 2))
    lift[:, 1, 0] = 1.0
    force = -float(contact.evaluate(u, 1, FrictionMode.NONE).gradient @ lift.ravel())
    assert force == pytest.approx(contact.forces(u).sum())
    assert force > 0.0
    gaps = contact.gaps(u)
    assert gaps[:, 0, 0] == pytest.approx(0.4 - 0.5)  # the mid-line; the edges stand higher
    assert gaps[:, -1, 0].min() > 0.0


@pytest.mark.parametrize("name", ["plane", "axle"])
def test_short_ways_say_what_the_long_ones_do(rod, points, name):
    contact, u = contact_of(rod, points, name)
    contact.start(u)
    assert contact.least_gap(u) == pytest.approx(contact.gaps(u).min(), rel=1e-12)
    moved = u + rough(rod, 0.004, 11)
    contact.hold(moved)
    one, held = contact.evaluate(moved, 2, FrictionMode.FOLLOWING), contact.held.copy()
    contact.hold(u)
    two = contact.balance(moved, 2)
    assert np.array_equal(contact.held[held[..., 0] > 0], held[held[..., 0] > 0])
    assert np.array_equal(contact.held[..., 0], held[..., 0])
    assert two.energy == one.energy
    assert np.array_equal(two.gradient, one.gradient)
    assert np.array_equal(two.blocks[0].values, one.blocks[0].values)
    # taking a step: work with the mean of the forces at both ends, slip clipped to its limit
    slide, force = contact.friction(moved)
    was_held, was_force = (array.copy() for array in contact.remembered)
    work = 0.5 * float((force * slide).sum() + (was_force * contact._slide(moved, was_held)).sum())
    limit = contact.settings.slip
    slip = np.where(contact.held[..., 0] > 0, np.clip(contact.slip + slide, -limit, limit), 0.0)
    assert np.abs(force).max() > 0.0
    assert contact.accept(moved) == pytest.approx(work, rel=1e-12)
    assert contact.slip == pytest.approx(slip, abs=1e-15)
    assert contact.remembered[1] == pytest.approx(force, rel=1e-12, abs=1e-15)


def test_friction_opposes_sliding_and_stops_at_its_limit(rod, points):
    contact, u = contact_of(rod, points, "plane")
    contact.start(u)
    along = np.zeros((len(rod.nodes), rod.fields, 2))
    along[:, 0, 0] = 1.0
    normal = contact.forces(u).sum()
    for slid, share in ((0.003, 0.1), (0.015, 0.5), (0.03, 1.0), (0.5, 1.0), (-0.5, -1.0)):
        drag = float(contact.evaluate(u + slid * along.ravel(), 1).gradient @ along.ravel())
        assert drag == pytest.approx(share * 0.3 * normal, rel=1e-9)


def test_accepted_sliding_leaves_the_elastic_slip_and_reports_its_work(rod, points):
    contact, u = contact_of(rod, points, "plane")
    contact.start(u)
    along = np.zeros((len(rod.nodes), rod.fields, 2))
    along[:, 0, 0] = 1.0
    normal, here = contact.forces(u).sum(), u
    for step in (0.01, 0.05, 0.05):
        here = here + step * along.ravel()
        work = contact.accept(here)
    assert work == pytest.approx(0.05 * 0.3 * normal)
    assert np.abs(contact.slip).max() == pytest.approx(0.03)
    # nothing moves: what is held stays, step after step
    before = contact.evaluate(here, 1).gradient
    for _ in range(5):
        contact.accept(here)
    assert contact.evaluate(here, 1).gradient == pytest.approx(before)


def test_a_coil_that_turns_with_the_axle_feels_no_friction(rod, points):
    contact, u = contact_of(rod, points, "axle")
    contact.start(u)
    contact.follow_axle(0.2)  # clockwise
    together = turned(rod, u, -0.2)
    contact.hold(together)
    slide, force = contact.friction(together)
    assert contact.forces(together).sum() > 0.1
    assert np.abs(slide).max() < 1e-12
    assert np.abs(force).max() < 1e-10
    # an axle that turns alone drags the strip with it: it needs a moment about radius times friction
    contact.follow_axle(0.02)
    contact.hold(u)
    force, arm = contact.forces(u), 3.0 + contact.gaps(u)
    assert contact.axle_moment(u) == pytest.approx(0.3 * float((force * arm).sum()), rel=1e-3)


def test_no_move_may_jump_a_wall(rod, points):
    contact, u = contact_of(rod, points, "cylinder")
    down = np.zeros((len(rod.nodes), rod.fields, 2))
    down[:, 1, 0] = -10.0
    fraction = contact.safe_fraction(u, down.ravel())
    assert 0.0 < fraction < 0.3
    assert contact.safe_fraction(u, 1e-3 * down.ravel()) == 1.0


def test_walls_can_be_moved_back(rod, points):
    contact, u = contact_of(rod, points, "plane")
    contact.move_walls(Plane(0.0, -0.4, 0.5 * np.pi).walls(0.2))
    assert contact.gaps(u)[:, 0, 0] == pytest.approx(0.1)
    assert contact.evaluate(u, 0).energy == 0.0


def test_walls_out_of_reach_change_nothing(rod, points):
    # every point of the section lies within half a width of the mid-line: what is left out cannot touch
    u = at_rest(rod)
    near = Cylinder(20.0, -2.0, 1.7).walls(0.0)
    far = tuple(Cylinder(20.0, y, 2.0).walls(0.0)[0] for y in (-60.0, 80.0))
    alone, crowd = (RodWallContact(rod, points, walls, SETTINGS) for walls in (near, near + far))
    for contact in (alone, crowd):
        contact.start(u)
    one, all_of_them = alone.evaluate(u, 2), crowd.evaluate(u, 2)
    assert one.energy > 0.0
    assert all_of_them.energy == one.energy
    assert np.array_equal(all_of_them.gradient, one.gradient)
    assert np.array_equal(all_of_them.blocks[0].values, one.blocks[0].values)
    assert crowd.forces(u)[:, :, 1:].max() == 0.0


def test_points_are_split_near_a_sharp_rounding_alone(rod):
    fine = contact_points(rod, 0.5, 5)
    walls = (*Cylinder(20.0, -2.0, 1.7).walls(0.0), *Cylinder(40.0, 20.0, 9.0).walls(0.0))
    contact = RodWallContact(rod, fine, walls, SETTINGS)
    contact.start(at_rest(rod))
    share = contact.points.lengths / fine.lengths
    near, far = np.abs(fine.stations - 20.0) < 2.0, np.abs(fine.stations - 20.0) > 12.0
    assert share[near] == pytest.approx(1.0)
    assert sorted(set(np.round(share[far], 12))) == [0.0, 5.0]
    # every element keeps its whole area, with all weights between whole and split
    assert np.any((share > 1.0 + 1e-9) & (share < 5.0 - 1e-9))
    per_element = np.bincount(fine.element, contact.points.lengths)
    assert contact.points.area.sum() == pytest.approx(60.0 * 12.0, rel=1e-3)
    assert per_element[[0, -1]] == pytest.approx(2.0)


def test_split_points_make_the_force_of_a_lip_even(rod, points):
    """A strip drawn over a small post at constant depth: how much its normal force varies on the way."""

    def ripple(chosen):
        contact = RodWallContact(rod, chosen, Cylinder(20.0, -1.0, 0.5).walls(0.0), SETTINGS)
        sizes = []
        for way in np.linspace(0.0, 0.5, 21):
            u = turned(rod, at_rest(rod), 0.0, (-way, -0.02))
            contact.start(u)
            sizes.append(contact.forces(u).sum())
        return (max(sizes) - min(sizes)) / np.mean(sizes)

    assert ripple(points) > 0.1
    assert ripple(contact_points(rod, 0.5, 9)) < 0.01


@pytest.mark.parametrize("name", NAMES)
def test_held_friction_is_a_potential_with_split_points(rod, name):
    contact, u = contact_of(rod, contact_points(rod, 0.5, 3), name)
    contact.start(turned(rod, u, 0.01, (0.05, 0.0)))
    contact.hold(u)
    assert np.count_nonzero(contact.forces(u)) > 3
    first, second = derivative_errors(contact, u, rough(rod, 1.0, 3))
    assert first < 1e-6
    assert second < 1e-5


def test_only_what_comes_near_a_wall_shortens_a_move(rod, points):
    """Moves along a wall are free however long; moves at it end short of its core, on a straight wall exactly
    at the depth that is allowed.
    """
    contact, u = contact_of(rod, points, "bar")
    contact.start(u)
    assert contact.safe_fraction(u, turned(rod, u, 0.0, (5.0, 0.0)) - u) == 1.0
    down = turned(rod, u, 0.0, (0.0, -8.0)) - u
    inside = SAFE_DEPTH * (0.6 + 0.5)
    assert contact.safe_fraction(u, down) * 8.0 == pytest.approx(inside, rel=0.01)
    axle, wound = contact_of(rod, points, "axle")
    axle.start(wound)
    assert axle.safe_fraction(wound, turned(rod, wound, 0.5) - wound) == 1.0
    # through the whole axle: each point stays outside its core
    across = turned(rod, wound, 0.0, (0.0, 7.0)) - wound
    part = axle.safe_fraction(wound, across)
    assert 0.0 < part < 0.5
    sunk = np.minimum(axle.gaps(wound), 0.0) - axle.gaps(wound + part * across)
    assert sunk.max() == pytest.approx(SAFE_DEPTH * (3.0 + 0.5), rel=0.01)


@njit
def _heights_and_bounds(u, pt, heights, bounds):
    face = new_face(pt)
    for p in range(pt.area.shape[0]):
        dofs, shape = pt.dofs[pt.element[p]], pt.shape[p]
        read_angles(u, dofs, shape, pt, (p, 0.0), face)
        bounds[p] = most_height(pt, p, face)
        read_heights(pt, p, face)
        heights[p, :] = face.height


@pytest.mark.parametrize("open_by", [-0.03, -0.009, 0.0, 0.02, 0.4])
def test_no_height_is_above_its_cheap_bound(rod, points, open_by):
    tables = points.kernel_tables(rod)
    u = at_rest(rod) + rough(rod, 0.004, 5)
    u.reshape(len(rod.nodes), rod.fields, 2)[:, 2, 0] += open_by
    heights, bounds = np.empty(tables.area.shape), np.empty(len(tables.area))
    _heights_and_bounds(u, tables, heights, bounds)
    largest = np.abs(heights).max(axis=1)
    assert (largest <= bounds * (1 + 1e-12)).all()
    if abs(open_by) < 0.03:  # and no farther above than a sine below its angle
        assert (bounds < 1.3 * largest + 0.05).all()


@pytest.mark.parametrize("name", NAMES)
def test_what_is_left_out_at_a_distance_does_not_touch(rod, points, name):
    contact, u = contact_of(rod, points, name)
    contact.start(u)
    wanted = contact.forces(u)
    assert contact.held[..., 0] == pytest.approx(wanted, rel=1e-12, abs=1e-12)
    gaps, stiffness, onset = contact.gaps(u), SETTINGS.stiffness, SETTINGS.onset
    depth = np.maximum(-gaps, 0.0)
    soft, hard = depth**3 / (6 * onset), 0.5 * depth * (depth - onset) + onset**2 / 6
    deep = np.maximum(depth - DEEP * onset, 0.0)
    per_area = stiffness * (np.where(depth < onset, soft, hard) + deep**4 / (12 * (STEEP * onset) ** 2))
    energy = contact.evaluate(u, 0, FrictionMode.NONE).energy
    assert energy == pytest.approx(float((contact.points.bearing[..., None] * per_area).sum()), rel=1e-10)
    assert energy > 0.0
