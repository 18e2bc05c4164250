"""Strips between rigid walls and plates against the beam and the elastica; source and reason are in the
registry.
"""

import numpy as np
import pytest

from fem.verification import walls as reference_walls
from fem.verification.clamped import CLAMPED_CHECKS, wall_force
from fem.verification.pressed import EDGE, PLATE, PRESSED_CHECKS, RADIUS, REST_RISE, elastica
from fem.verification.published import run_check
from fem.verification.walls import WALL_CHECKS


@pytest.mark.parametrize("check", WALL_CHECKS + CLAMPED_CHECKS + PRESSED_CHECKS, ids=lambda c: c.name)
def test_published_value(check):
    found = run_check(check)
    assert found.ok, (
        f"{check.source}: {found.published:g}, computed {found.computed:g}, error {found.error:.2e}"
    )


def test_the_beam_between_walls_has_the_shape_it_is_derived_from():
    # the closed forms against the beam's own shape, integrated numerically: shortening and rise
    half = 0.5 * reference_walls.LENGTH
    for load in (1.0, 2.0, 3.3, 4.0):
        kl = 0.5 * np.pi * np.sqrt(load)
        k, x = kl / half, np.linspace(0.0, half, 20001)
        rise = reference_walls.RISE / (np.sin(kl) - kl * np.cos(kl))
        slope = rise * k * (np.cos(k * x) - np.cos(kl))
        assert np.trapezoid(slope, x) == pytest.approx(reference_walls.RISE)
        assert reference_walls.beam_load(float(np.trapezoid(slope**2, x))) == pytest.approx(load, rel=1e-6)


def test_the_clamped_beam_between_walls_has_the_load_of_the_hinged_one_of_half_length_and_rise():
    # its own shape from clamp to contact, a + b x + c cos kx + d sin kx with the four conditions there,
    # integrated numerically; no use is made of the inflection half way, about which it is symmetric
    half, rise = 0.5 * reference_walls.LENGTH, reference_walls.RISE
    x = np.linspace(0.0, half, 20001)
    for load in (1.0, 1.7, 2.9, 4.0):
        k = 2.0 * np.pi * np.sqrt(load) / reference_walls.LENGTH
        c, s = np.cos(k * half), np.sin(k * half)
        conditions = [[1, 0, 1, 0], [0, 1, 0, k], [1, half, c, s], [0, 1, -k * s, k * c]]
        shape = np.linalg.solve(conditions, [0.0, 0.0, rise, 0.0])
        slope = shape[1] - shape[2] * k * np.sin(k * x) + shape[3] * k * np.cos(k * x)
        assert reference_walls.beam_load(float(np.trapezoid(slope**2, x))) == pytest.approx(load, rel=1e-6)
        at_clamp, at_contact = -(k**2) * shape[2], -(k**2) * (shape[2] * c + shape[3] * s)
        assert at_contact == pytest.approx(-at_clamp, abs=1e-12)
        # the curvature of first contact is that of (1 - cos); it is gone at four times Euler's load
        if load == 1.0:
            assert at_clamp == pytest.approx(0.5 * rise * k**2)
        elif load == 4.0:
            assert at_clamp == pytest.approx(0.0, abs=1e-12)


def test_the_ramps_of_the_clamped_beam_along_lines_lead_from_wall_to_wall():
    for load in (4.0, 7.8):
        k = 2.0 * np.pi * np.sqrt(load) / reference_walls.LENGTH
        x = np.linspace(0.0, 2.0 * np.pi / k, 20001)
        slope = reference_walls.RISE * k / (2.0 * np.pi) * (1.0 - np.cos(k * x))
        assert np.trapezoid(slope, x) == pytest.approx(reference_walls.RISE)
        assert reference_walls.beam_load(float(np.trapezoid(slope**2, x))) == pytest.approx(load, rel=1e-6)
        # balance of a ramp about an end, both without moment: push times rise = wall's force times length
        push = load * 4.0 * reference_walls.EULER
        assert 0.5 * wall_force(load) * x[-1] == pytest.approx(push * reference_walls.RISE, rel=1e-9)


def test_the_elastica_is_a_curved_cantilever_near_rest_and_lies_down_below_a_third():
    # pressed a little: a curved cantilever with the moment F R (sin e - sin a), by Castigliano's theorem
    force, lying = elastica(0.999 * REST_RISE)
    end, angle = EDGE / RADIUS, np.linspace(0.0, EDGE / RADIUS, 2001)
    give = RADIUS**3 / PLATE * np.trapezoid((np.sin(end) - np.sin(angle)) ** 2, angle)
    assert force == pytest.approx(1e-3 * REST_RISE / give, rel=2e-3)
    assert lying == 0.0
    # pressed flat: curvature grows evenly from 0 to 1/R over what is free, l = sqrt(6 R rise)
    rise = 0.03 * REST_RISE
    assert EDGE - elastica(rise)[1] == pytest.approx(np.sqrt(6.0 * RADIUS * rise), rel=0.01)
