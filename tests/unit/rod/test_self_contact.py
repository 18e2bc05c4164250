"""Wraps that touch: pairing, derivatives, equal and opposite forces, no slip under a rigid turn."""

import numpy as np
import pytest
from rod_strips import coiled, derivative_errors, product, rough, small_rod, straight_strip, turned

from fem.contact.settings import ContactSettings
from fem.rod.energy import length_weights, rest_state
from fem.rod.self_contact import RodSelfContact
from fem.rod.wall_contact import contact_points

SETTINGS = ContactSettings(stiffness=80.0, onset=0.05, slip=0.03, friction=0.3)


@pytest.fixture(scope="module")
def rod():
    return small_rod(straight_strip(95.0), 48)


@pytest.fixture(scope="module")
def points(rod):
    return contact_points(rod, 0.5)


def touching(rod, points, friction=0.3, opening=-1 / 9.0):
    """Flat wraps pressed into each other by some hundredths of a millimetre, and the state."""
    settings = ContactSettings(SETTINGS.stiffness, SETTINGS.onset, SETTINGS.slip, friction)
    u = coiled(rod, 0.95, 3.5, opening)
    contact = RodSelfContact(rod, points, settings, 9.0)
    contact.start(u)
    contact.hold(u, fully=True)
    contact.remembered = (contact._kept(), contact.remembered[1])
    assert np.count_nonzero(contact.held[..., 0]) > 100
    return contact, u


def along_coil(rod, u, size):
    """Each node turned about the origin in proportion to its station: wraps slide on each other."""
    v = u.reshape(len(rod.nodes), rod.fields, 2).copy()
    angle = size / 5.0 * rod.nodes / rod.nodes[-1]
    c, s = np.cos(angle)[:, None], np.sin(angle)[:, None]
    x, y = v[:, 0].copy(), v[:, 1].copy()
    v[:, 0], v[:, 1] = c * x - s * y, s * x + c * y
    return v.ravel()


def test_every_station_is_paired_with_the_next_wrap_out(rod, points):
    contact, u = touching(rod, points)
    paired = contact.partner >= 0
    first_turn = points.stations < 50.0
    assert paired[first_turn].all()
    size = rod.nodes[1]
    there = (contact.partner + contact.place)[first_turn] * size
    ahead = there - points.stations[first_turn]
    # one turn further: the way round at the radius there
    radius = 3.5 + 0.95 * points.stations[first_turn] / (10 * np.pi)
    assert ahead == pytest.approx(2 * np.pi * radius + 2 * np.pi * 0.95 * radius / 10, rel=0.1)
    assert contact.held[paired][:, 0, 1:3] == pytest.approx(-_outward(rod, points, u)[paired], abs=0.1)


def test_no_place_of_the_strip_is_nearer_than_the_partner(rod, points):
    """Feet against the nearest of many places of the mid-line, each far enough along it."""
    contact, u = touching(rod, points)
    u = u + rough(rod, 0.05, 4)
    contact.hold(u)
    stations = np.linspace(0.0, rod.strip.length, 4001)
    element, shape = rod.shape_at(stations)
    there = np.einsum("ni,nci->nc", shape[:, 0], u[rod.dofs[element, :8]].reshape(-1, 2, 4))
    element, shape = rod.shape_at(points.stations)
    here = np.einsum("ni,nci->nc", shape[:, 0], u[rod.dofs[element, :8]].reshape(-1, 2, 4))
    away = np.linalg.norm(here[:, None] - there, axis=-1)
    away[stations[None, :] < points.stations[:, None] + 9.5] = np.inf
    paired = np.flatnonzero(contact.partner >= 0)
    assert len(paired) > 80
    size = rod.nodes[1]
    feet = (contact.partner + contact.place)[paired] * size
    assert feet == pytest.approx(stations[np.argmin(away[paired], axis=1)], abs=0.05)


def _outward(rod, points, u):
    element, shape = points.element, points.shape
    place = np.stack(
        [np.einsum("ni,ni->n", shape[:, 0], u[rod.dofs[element, 4 * f : 4 * f + 4]]) for f in (0, 1)], 1
    )
    return place / np.linalg.norm(place, axis=1, keepdims=True)


@pytest.mark.parametrize("slid", [0.001, 0.3], ids=["sticks", "slides"])
def test_held_friction_is_a_potential(rod, points, slid):
    contact, u = touching(rod, points)
    moved = along_coil(rod, u, slid)
    contact.hold(moved)
    here = moved + rough(rod, 1e-3, 1)
    first, second = derivative_errors(contact, here, rough(rod, 1.0, 2), 1e-7)
    assert first < 1e-6
    assert second < 1e-5


def bulging(rod, u):
    """The state with a section that opens and closes along the strip."""
    v = u.reshape(len(rod.nodes), rod.fields, 2).copy()
    v[:, 2, 0] += 0.01 * np.sin(rod.nodes / 4)
    v[:, 2, 1] += 0.0025 * np.cos(rod.nodes / 4)
    return v.ravel()


@pytest.mark.parametrize("friction", [0.0, 0.3])
@pytest.mark.parametrize("shape", [lambda rod, u: u, bulging], ids=["even", "bulging"])
def test_coupled_tangent_of_wraps_is_the_derivative_of_the_balance(rod, points, friction, shape):
    contact, u = touching(rod, points, friction)
    moved = shape(rod, along_coil(rod, u, 0.3))

    def balance(x):
        return contact.balance(x, 1).gradient

    # As sizes, with every unknown a length. Left out: how interface and slip move with the foot point.
    h, weights = 1e-6, length_weights(rod)
    for fields, rough_limit in ((slice(0, 2), 0.05), (slice(2, None), 0.02)):
        v = np.zeros((len(rod.nodes), rod.fields, 2))
        v[:, fields] = rough(rod, 1.0, 3).reshape(v.shape)[:, fields]
        change = (balance(moved + h * v.ravel()) - balance(moved - h * v.ravel())) / (2 * h)
        tangent = product(contact.balance(moved, 2), v.ravel())
        limit = 1e-7 if friction == 0.0 else rough_limit
        assert np.linalg.norm((change - tangent) / weights) < limit * np.linalg.norm(change / weights)


def test_forces_between_wraps_are_equal_and_opposite_and_balance_in_moment(rod, points):
    contact, u = touching(rod, points)
    moved = along_coil(rod, u, 0.3)
    gradient = contact.balance(moved, 1).gradient
    total = np.abs(gradient).sum()
    spin = (turned(rod, moved, 1e-6) - turned(rod, moved, -1e-6)) / 2e-6
    for axis in range(2):
        shift = np.zeros((len(rod.nodes), rod.fields, 2))
        shift[:, axis, 0] = 1.0
        assert abs(gradient @ shift.ravel()) < 1e-9 * total
    assert abs(gradient @ spin) < 1e-5 * total  # offsets lie along each wrap's own normal


def test_turning_the_whole_coil_is_no_slip(rod, points):
    contact, u = touching(rod, points)
    for angle in (0.02, 0.5, -2.0):
        whole = turned(rod, u, angle, (0.4, -0.2))
        contact.hold(whole, fully=True)
        slide, force = contact.friction(whole)
        # exact to first order; the two normals differ by the pitch of the spiral, .03 rad
        assert np.abs(slide).max() < 0.01 * angle**2
        assert np.abs(force).max() <= 0.3 * np.abs(contact.held[..., 0]).max() * 0.01 * angle**2 / 0.03


def test_sliding_wraps_store_their_slip_and_lose_work(rod, points):
    contact, u = touching(rod, points)
    here, work = u, 0.0
    for _ in range(4):
        here = along_coil(rod, here, 0.2)
        work = contact.accept(here)
    assert work > 0.0
    assert np.abs(contact.slip).max() == pytest.approx(0.03)
    resting = [contact.accept(here) for _ in range(3)]
    assert np.abs(resting).max() < 1e-9 * max(work, 1.0)


def test_wraps_far_apart_do_not_touch(rod, points):
    contact = RodSelfContact(rod, points, SETTINGS, 9.0)
    u = coiled(rod, 3.0, 3.5, -1 / 9.0)
    contact.start(u)
    assert contact.gaps(u).min() > 0.5
    assert contact.evaluate(u, 0).energy == 0.0
    assert contact.safe_fraction(u, np.zeros(rod.size)) == 1.0


def test_no_move_may_bring_wraps_through_each_other(rod, points):
    contact = RodSelfContact(rod, points, SETTINGS, 9.0)
    u = coiled(rod, 1.3, 3.5, -1 / 9.0)
    contact.start(u)
    tight = coiled(rod, 0.2, 3.5, -1 / 9.0)
    assert contact.safe_fraction(u, tight - u) < 0.9
    assert contact.safe_fraction(u, 0.05 * (tight - u)) == 1.0


def test_a_press_deeper_than_the_strip_is_still_seen_from_the_side_it_came_from(rod, points):
    contact = RodSelfContact(rod, points, SETTINGS, 9.0)
    u = coiled(rod, 1.3, 3.5, -1 / 9.0)
    contact.start(u)
    contact.accept(u)
    sides, inner = contact.sides.copy(), points.stations < 50.0
    assert contact.gaps(u)[inner].min() > 0.0
    for pitch in (1.0, 0.7, 0.4):
        pressed = coiled(rod, pitch, 3.5, -1 / 9.0)
        contact.hold(pressed, fully=True)
        direction = contact.held[inner, 0, 4] / (contact.gaps(pressed)[inner, 0] + rod.strip.thickness)
        assert direction == pytest.approx(0.5 * sides[inner])
    assert contact.gaps(pressed)[inner].min() < -0.5 * rod.strip.thickness
    # attempts that are not accepted leave no memory
    assert np.array_equal(contact.sides, sides)
    contact.hold(u, fully=True)
    assert contact.held[..., 0].max() == 0.0


def folded(rod, apart, turn, crease=46.0):
    """A flat hairpin: two straight legs that distance apart, turned left (1) or right (-1) at the crease."""
    radius, s = 0.5 * apart, rod.nodes
    bend = np.clip((s - crease + 0.5 * np.pi * radius) / radius, 0.0, np.pi)
    into = np.minimum(s, crease - 0.5 * np.pi * radius)
    back = np.maximum(s - crease - 0.5 * np.pi * radius, 0.0)
    place = np.stack([into + radius * np.sin(bend) - back, turn * radius * (1.0 - np.cos(bend))], 1)
    u = rest_state(rod, place, turn * bend).reshape(len(s), rod.fields, 2)
    u[:, 2, 0] = -1 / 9.0
    return u.ravel()


@pytest.mark.parametrize("turn", [1, -1], ids=["left", "right"])
def test_a_pair_born_in_a_step_keeps_the_side_it_was_born_on(rod, points, turn):
    contact = RodSelfContact(rod, points, SETTINGS, 9.0)
    contact.start(folded(rod, 9.5, turn))
    legs = (points.stations > 8.0) & (points.stations < 30.0)
    assert (contact.partner[legs] < 0).all()
    closed = folded(rod, 1.3, turn)  # closer than a side can be told anew
    contact.hold(closed)
    assert contact.gaps(closed)[legs] == pytest.approx(0.3, abs=0.03)
    contact.accept(closed)
    assert contact.gaps(closed)[legs] == pytest.approx(0.3, abs=0.03)
    assert contact.sides[legs] == pytest.approx(turn)
    assert contact.evaluate(closed, 0).energy < 1e-12


@pytest.mark.parametrize("back", ["renewed", "restored"])
def test_the_side_of_another_pair_says_nothing(rod, points, back):
    contact = RodSelfContact(rod, points, SETTINGS, 9.0)
    contact.start(folded(rod, 1.3, -1))
    contact.accept(folded(rod, 1.3, -1))
    legs = (points.stations > 8.0) & (points.stations < 30.0)
    assert contact.sides[legs] == pytest.approx(-1)
    # feet of a fold elsewhere lie 6 mm further; a restored state may have the same feet
    other = folded(rod, 1.3, 1, 49.0 if back == "renewed" else 46.0)
    if back == "renewed":
        contact.last = other
        contact.hold(other)
    else:
        there = RodSelfContact(rod, points, SETTINGS, 9.0)
        there.start(other)
        contact.restore(there.save(), other)
    assert contact.gaps(other)[legs] == pytest.approx(0.3, abs=0.03)


def test_only_pairs_that_touch_make_blocks(rod, points):
    contact = RodSelfContact(rod, points, SETTINGS, 9.0)
    u = coiled(rod, 1.3, 3.5, -1 / 9.0)
    contact.start(u)
    assert np.count_nonzero(contact.partner >= 0) > 50
    assert contact.evaluate(u, 2).blocks[0].values.shape[0] == 0
    contact, u = touching(rod, points)
    pressed = (contact.held[..., 0] > 0).any(axis=1)
    pairs = {(e, f) for e, f in zip(points.element[pressed], contact.partner[pressed], strict=True)}
    assert contact.evaluate(u, 2).blocks[0].values.shape[0] == len(pairs)
