"""Law of the penalty: smooth, its parts derivatives of one another, steep where a strip is pressed hard."""

import numpy as np
import pytest

from fem.contact.kernels.laws import DEEP, penalty
from fem.contact.settings import pressure

STIFFNESS, ONSET = 80.0, 0.05


def told(depth):
    """Energy, force and stiffness at depths (n,)."""
    return np.array([penalty.py_func(-one, STIFFNESS, ONSET) for one in depth]).T


def test_pressure_rises_smoothly_from_zero():
    depth = np.linspace(0.0, DEEP * ONSET, 2001)
    values = pressure(-depth, STIFFNESS, ONSET)
    assert values[0] == 0.0
    assert pressure(np.array([0.3]), STIFFNESS, ONSET)[0] == 0.0
    slope = np.diff(values) / depth[1]
    assert np.abs(np.diff(slope)).max() < 1.1 * STIFFNESS / ONSET * depth[1]
    assert slope[-1] == pytest.approx(STIFFNESS)


def test_force_and_stiffness_are_derivatives_of_the_energy():
    depth, step = np.linspace(-0.5, 5.0, 111)[1:-1] * ONSET + 1e-4 * ONSET, 1e-6 * ONSET
    energy, force, stiffness = told(depth)
    above, below = told(depth + step), told(depth - step)
    assert (above[0] - below[0]) / (2 * step) == pytest.approx(force, rel=1e-6, abs=1e-8)
    assert (above[1] - below[1]) / (2 * step) == pytest.approx(stiffness, rel=1e-5, abs=1e-6)
    assert np.all(energy[depth > 0] > 0)


def test_pressure_is_the_force_of_the_penalty():
    depth = np.linspace(-0.5, 5.0, 200) * ONSET
    assert pressure(-depth, STIFFNESS, ONSET) == pytest.approx(told(depth)[1])


def test_twenty_times_the_force_sinks_in_less_than_twice_as_deep():
    depth = np.linspace(0.0, 4.0, 4001) * ONSET
    force = told(depth)[1]
    usual = STIFFNESS * (1.5 - 0.5) * ONSET
    assert np.interp(usual, force, depth) < 1.5 * ONSET
    assert np.interp(20.0 * usual, force, depth) < 3.0 * ONSET
