"""Dead loads: energy, gradient, sums."""

import numpy as np
import pytest

from fem.core.term import DeadLoad


def test_a_dead_load_has_its_work_as_energy_and_no_tangent() -> None:
    force = np.array([1.0, -2.0])
    got = DeadLoad(force).evaluate(np.array([3.0, 5.0]), 2)
    assert got.energy == pytest.approx(7.0)
    assert np.array_equal(got.gradient, -force)
    assert got.blocks == ()


def test_dead_loads_add_up() -> None:
    both = DeadLoad(np.array([1.0, 0.0])) + DeadLoad(np.array([0.5, 2.0]))
    assert both.evaluate(np.array([1.0, 1.0]), 0).energy == pytest.approx(-3.5)
