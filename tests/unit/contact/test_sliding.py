"""The motion of a strip that slides through a shape that stands in space."""

from __future__ import annotations

import numpy as np
import pytest

from fem.contact.sliding import SlidingThrough

NODES = np.linspace(0.0, 40.0, 81)


def state(way):
    """Two fields (n, 2, 2): place along, and a shape that stands at x = 15."""
    x = NODES + way
    place = np.stack([x, np.ones_like(x)], axis=-1)
    shape = np.stack([np.cos(0.3 * (x - 15.0)), -0.3 * np.sin(0.3 * (x - 15.0))], axis=-1)
    return np.stack([place, shape], axis=1)


def straight_on(u, before, ratio):
    return u + ratio * (u - before)


class AsTheyAre:
    """Unknowns that are functions along the strip already."""

    def __call__(self, u):
        return u

    def unknowns(self, x):
        return x


def predictor(near=4.0, far=8.0):
    return SlidingThrough(straight_on, NODES, AsTheyAre(), 0, 15.0, near, far)


def test_a_standing_shape_is_met_near_the_plane_and_the_motion_elsewhere_beyond():
    before, u, wanted = state(0.0), state(0.4), state(0.8)
    met, plain = predictor()(u, before, 1.0), straight_on(u, before, 1.0)
    away = np.abs(NODES + 0.8 - 15.0)
    assert met[away < 4.0] == pytest.approx(wanted[away < 4.0], abs=5e-5)  # cubics on elements of .5
    assert np.abs(plain - wanted)[away < 4.0].max() > 1e-2
    assert np.array_equal(met[away > 8.1], plain[away > 8.1])


def test_a_strip_that_does_not_cross_the_plane_moves_as_elsewhere():
    before, u = state(-60.0), state(-59.6)
    assert np.array_equal(predictor()(u, before, 1.0), straight_on(u, before, 1.0))


def test_nothing_is_read_beyond_the_ends():
    """The plane near either end, the strip moving away from it: where the shape would be read off the strip,
    the motion elsewhere holds.
    """
    for before, u, end in ((state(14.4), state(14.0), 0), (state(-24.8), state(-24.4), -1)):
        met = predictor()(u, before, 1.0)
        assert np.isfinite(met).all()
        assert np.array_equal(met[end], straight_on(u, before, 1.0)[end])
