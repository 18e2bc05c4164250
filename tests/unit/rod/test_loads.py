"""Loads and grips of the rod: work, resultants, derivatives."""

import numpy as np
import pytest
from rod_strips import at_rest, bent_strip, derivative_errors, rough, small_rod, straight_strip, turned

from fem.rod.loads import EndMoment, Grip, point_load, weight


@pytest.fixture(scope="module")
def rod():
    return small_rod(bent_strip(), 16)


@pytest.fixture(scope="module")
def bent(rod):
    return at_rest(rod) + rough(rod, 0.2, 1)


def test_gradients_and_tangents_by_finite_differences(rod, bent):
    loads = [
        point_load(rod, 33.3, np.array([1.0, -2.0])),
        weight(rod, np.array([0.0, -9810.0])),
        EndMoment(rod, 3.0),
        EndMoment(rod, -2.0, 5),
        Grip(rod, 4, 0.3, 50.0),
    ]
    for load in loads:
        first, second = derivative_errors(load, bent, rough(rod, 1.0, 2))
        assert first < 1e-7
        assert second < 1e-6


def test_a_point_load_does_work_at_its_station(rod, bent):
    force = np.array([1.0, -2.0])
    for station, place in ((0.0, [bent[rod.index(0, 0)], bent[rod.index(0, 1)]]), (rod.nodes[5], None)):
        at = place or [bent[rod.index(5, 0)], bent[rod.index(5, 1)]]
        assert point_load(rod, station, force).evaluate(bent, 0).energy == pytest.approx(
            -force @ np.array(at)
        )
    with pytest.raises(ValueError, match=r"must lie on the strip, 0 to .* got -1"):
        point_load(rod, -1.0, force)


def test_weight_is_mass_times_gravity(rod):
    strip = straight_strip(50.0)
    straight = small_rod(strip, 5)
    load = weight(straight, np.array([0.0, -9810.0]))
    lifted = np.zeros((len(straight.nodes), straight.fields, 2))
    lifted[:, 1, 0] = 1.0
    mass = 1.2e-9 * 1.0 * 12.0 * 50.0  # density thickness width length
    assert load.evaluate(lifted.ravel(), 0).energy == pytest.approx(9810.0 * mass)


def test_moment_works_on_the_turning_over_several_turns(rod):
    load = EndMoment(rod, 2.0)
    rest = at_rest(rod)
    v = rest.reshape(len(rod.nodes), rod.fields, 2).copy()
    angle = np.linspace(0.0, 14.0, len(rod.nodes))
    v[:, 0, 1], v[:, 1, 1] = np.cos(angle), np.sin(angle)
    assert load.evaluate(v.ravel(), 0).energy == pytest.approx(-2.0 * 14.0)
    assert load.evaluate(turned(rod, v.ravel(), 1.3), 0).energy == pytest.approx(-2.0 * 14.0)


def test_grip_resists_turning_but_not_stretching(rod):
    grip = Grip(rod, 0, 0.0, 100.0)
    u = at_rest(rod).copy()
    u[rod.index(0, 0, 1)] = 1.7
    assert grip.evaluate(u, 0).energy == 0.0
    u[rod.index(0, 0, 1)], u[rod.index(0, 1, 1)] = np.cos(0.1), np.sin(0.1)
    assert grip.evaluate(u, 0).energy == pytest.approx(50.0 * np.sin(0.1) ** 2)
