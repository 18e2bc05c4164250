"""Modes of the whole width that half of it cannot show."""

from __future__ import annotations

import numpy as np
import pytest
from small_cases import small_case

from fem.obstacle import Plane
from fem.shell_model import build_shell_model
from fem.shell_symmetry import mirrored, twisting, unstable_modes


@pytest.fixture(scope="module")
def case(tmp_path_factory):
    return small_case(tmp_path_factory.mktemp("case"))


@pytest.fixture(scope="module")
def model(case):
    return build_shell_model(case)


def test_a_mirrored_state_has_the_same_energy(case, model):
    whole = build_shell_model(case, whole=True)
    rng = np.random.default_rng(0)
    grid = model.body.shell.grid
    u = model.start.reshape(grid.stations.size, -1, 4, 3).copy()
    bump = 0.2 * rng.normal(size=u.shape)
    bump[:, 0, 0:2, 2] = 0.0  # on the plane of symmetry
    bump[:, 0, 2:, :2] = 0.0
    u = (u + bump).ravel()
    assert mirrored(model, model.start) == pytest.approx(whole.start, abs=1e-9)
    both = mirrored(model, u)
    assert whole.body.shell.evaluate(both, 0).energy == pytest.approx(
        2 * model.body.shell.evaluate(u, 0).energy, rel=1e-9
    )


def test_a_strip_shortened_in_itself_buckles_sideways_only_in_the_whole(case, model):
    whole = build_shell_model(case, whole=True)
    for one in (model, whole):
        far = Plane(0.0, -500.0, np.pi / 2).walls(0.0) * len(one.walls.walls)
        one.walls.move_walls(far)
    assert unstable_modes(model, model.start) == 0
    short = model.start.reshape(-1, 4, 3).copy()
    short[:, 0, 0] *= 0.9
    short[:, 1, 0] *= 0.9
    found = twisting(model, whole, [model.start, short.ravel()], [0, 1])
    assert found.row == 1
    assert found.modes > 0
    assert twisting(model, whole, [model.start], [0]).modes == 0
