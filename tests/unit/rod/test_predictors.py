"""Where a motion of the rod is expected to lead."""

from __future__ import annotations

import numpy as np
import pytest
from rod_strips import coiled, small_rod, straight_strip, turned

from fem.rod.predictors import CorotatingNodes, sliding_through


def test_a_motion_goes_on_in_the_frame_that_turns():
    """A coil that turns as a whole, and a strip that slides along a circle, are met to rounding and to the
    elements' own error.
    """
    rod = small_rod(straight_strip(60.0), 30)
    ahead, wound = CorotatingNodes(rod), coiled(rod, 0.3)
    met = ahead(turned(rod, wound, 0.1), wound, 0.5)
    assert met == pytest.approx(turned(rod, wound, 0.15), abs=1e-12)
    slid = [around(rod, 5.0, way) for way in (0.0, 0.4, 0.6)]
    assert ahead(slid[1], slid[0], 0.5) == pytest.approx(slid[2], abs=1e-12)
    straight = slid[1] + 0.5 * (slid[1] - slid[0])
    assert np.abs(straight - slid[2]).max() > 1e-2
    assert ahead(wound, wound, 3.0) == pytest.approx(wound)


def around(rod, radius, way):
    """The rod on a circle, moved along it."""
    angle = (rod.nodes + way) / radius
    u = np.zeros((len(rod.nodes), rod.fields, 2))
    u[:, 0, 0], u[:, 1, 0] = radius * np.sin(angle), -radius * np.cos(angle)
    u[:, 0, 1], u[:, 1, 1] = np.cos(angle), np.sin(angle)
    return u.ravel()


def test_fields_of_the_rod_are_read_along_it():
    """A straight strip that goes through a slot on its own length: places are met as without a slot, and the
    openings that stand at the slot stay there.
    """
    rod = small_rod(straight_strip(60.0), 30)
    ahead = sliding_through(rod, 20.0)
    states = [through(rod, way) for way in (0.0, 1.0, 2.0)]
    met = ahead(states[1], states[0], 1.0).reshape(len(rod.nodes), rod.fields, 2)
    near = np.abs(rod.nodes - 18.0) < ahead.near - 1.0
    wanted = states[2].reshape(met.shape)
    assert near.sum() >= 3
    assert met[near][:, :, 0] == pytest.approx(wanted[near][:, :, 0], abs=2e-3)  # cubics on elements of 2 mm
    plain = CorotatingNodes(rod)(states[1], states[0], 1.0).reshape(met.shape)
    assert np.abs(plain[near] - wanted[near]).max() > 10 * np.abs(met[near] - wanted[near]).max()


def through(rod, way):
    """The rod straight along x and moved along by `way`, its first opening a bump that stands at x = 20."""
    u = np.zeros((len(rod.nodes), rod.fields, 2))
    x = rod.nodes + way
    u[:, 0, 0], u[:, 0, 1] = x, 1.0
    bump = np.exp(-(((x - 20.0) / 5.0) ** 2))
    u[:, 2, 0], u[:, 2, 1] = bump, -2 * (x - 20.0) / 25.0 * bump
    return u.ravel()
