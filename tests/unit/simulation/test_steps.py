"""How far a control goes in a step, and in what time."""

import itertools

import numpy as np
import pytest

from fem.simulation.steps import StepSize


def test_the_control_gathers_speed_evenly() -> None:
    size = StepSize(0.1, 0.1, 1e-3, time=2.0, gather=0.5)
    places = np.linspace(0.0, 0.5, 101)
    times = np.cumsum([0.0] + [size.seconds(a, b) for a, b in itertools.pairwise(places)])
    # x = a t^2 / 2 until the speed is 1 / time
    assert 0.5 * 0.5 * times**2 * 0.5 == pytest.approx(places)
    assert size.seconds(0.5, 0.75) == pytest.approx(0.5)
    assert size.seconds(0.3, 0.7) == pytest.approx(size.seconds(0.3, 0.5) + size.seconds(0.5, 0.7))
    assert StepSize(0.1, 0.1, 1e-3, time=2.0).seconds(0.0, 0.2) == pytest.approx(0.4)
