"""The root of the shell clamped flat to the axle: its section, the torque that turns it."""

from __future__ import annotations

import numpy as np
import pytest
from small_cases import small_case

from fem.shell.axle_clamp import root_section
from fem.shell.model import build_shell_model
from fem.shell.motion import Whole


@pytest.fixture(scope="module")
def model(tmp_path_factory):
    return build_shell_model(small_case(tmp_path_factory.mktemp("case")))


def test_the_root_opens_from_the_rest_section_to_flat(model):
    grid = model.body.shell.grid
    rest = model.body.shell.rest.reshape(grid.stations.size, -1, 4, 3)[0]
    assert root_section(model, 0.0) == pytest.approx(rest, abs=1e-5)
    flat = root_section(model, 1.0)
    assert flat[:, 0] == pytest.approx(np.outer(grid.across, [0.0, 0.0, 1.0]), abs=1e-12)
    assert flat[:, 1] == pytest.approx(np.tile([1.0, 0.0, 0.0], (len(flat), 1)))
    half = root_section(model, 0.5)
    assert np.linalg.norm(half[:, 2], axis=1) == pytest.approx(1.0)


def test_torque_is_the_work_of_turning_the_root(model):
    grip = model.clamp()
    u = model.start + 0.02 * np.random.default_rng(0).normal(size=model.start.size)
    term, h = Whole(model.body.shell, model.body.copies), 1e-6

    def energy(control):
        return term.evaluate(grip.place(u, control), 0).energy

    at = grip.place(u, 0.7)
    torque = grip.force(at, term.evaluate(at, 1).gradient, 0.7)
    assert torque == pytest.approx((energy(0.7 + h) - energy(0.7 - h)) / (2 * h), rel=1e-5)
