"""The root of the rod clamped flat to the axle: where it sits, the torque that turns it."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from small_cases import small_case

from fem.rod.model import build_rod_model


def test_the_root_sits_flat_on_the_axle_and_turns_with_it(tmp_path: Path) -> None:
    model = build_rod_model(small_case(tmp_path))
    grip = model.clamp()
    rod = model.rod
    for turn in (0.0, 1.1):
        u = grip.place(model.start, turn).reshape(len(rod.nodes), rod.fields, 2)
        assert np.hypot(u[0, 0, 0], u[0, 1, 0]) == pytest.approx(4.4)
        # heading at a right angle to the radius, turned clockwise
        assert u[0, 0, 0] * u[0, 0, 1] + u[0, 1, 0] * u[0, 1, 1] == pytest.approx(0.0, abs=1e-12)
        assert math.atan2(u[0, 1, 1], u[0, 0, 1]) == pytest.approx(-turn)
    state = model.state(u.ravel())
    assert np.abs(state.height[0]).max() < 1e-3


def test_torque_is_the_derivative_of_the_gradient_along_the_turn(tmp_path: Path) -> None:
    model = build_rod_model(small_case(tmp_path), surrounded=False)
    grip, h = model.clamp(), 1e-6
    gradient = np.random.default_rng(5).normal(size=model.rod.size)
    ahead, behind = grip.place(model.start, 0.7 + h), grip.place(model.start, 0.7 - h)
    expected = float(gradient @ (ahead - behind)) / (2 * h)
    assert grip.force(model.start, gradient, 0.7) == pytest.approx(expected, rel=1e-6)
