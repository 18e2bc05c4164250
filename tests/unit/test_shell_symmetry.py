"""Modes of the whole width that half of it cannot show."""

from __future__ import annotations

import numpy as np
import pytest
from small_cases import small_case

from fem.obstacle import Plane
from fem.shell_model import build_shell_model
from fem.shell_symmetry import mirrored, softest_mode, touching, twisting_now, unstable_modes, widen


@pytest.fixture(scope="module")
def case(tmp_path_factory):
    return small_case(tmp_path_factory.mktemp("case"), friction=0.2)


@pytest.fixture(scope="module")
def model(case):
    return build_shell_model(case)


@pytest.fixture(scope="module")
def whole(case):
    return build_shell_model(case, whole=True)


def roughened(model, size):
    """The start with symmetric bumps."""
    grid = model.body.shell.grid
    u = model.start.reshape(grid.stations.size, -1, 4, 3).copy()
    bump = size * np.random.default_rng(0).normal(size=u.shape)
    bump[:, 0, 0:2, 2] = 0.0  # on the plane of symmetry
    bump[:, 0, 2:, :2] = 0.0
    return (u + bump).ravel()


def far_away(model):
    """The same model with nothing in reach."""
    model.walls.move_walls(Plane(0.0, -500.0, np.pi / 2).walls(0.0) * len(model.walls.walls))
    return model


def test_a_mirrored_state_has_the_same_energy(model, whole):
    u = roughened(model, 0.2)
    assert mirrored(model, model.start) == pytest.approx(whole.start, abs=1e-9)
    assert whole.body.shell.evaluate(mirrored(model, u), 0).energy == pytest.approx(
        2 * model.body.shell.evaluate(u, 0).energy, rel=1e-9
    )


def test_the_whole_takes_over_the_friction_of_the_half(model, whole):
    u = roughened(model, 0.02)
    for term in (model.walls, model.wraps):
        term.start(u)
    moved = u + 0.01 * (roughened(model, 0.02) - model.start)
    model.walls.accept(moved)
    model.wraps.accept(moved)
    further = moved + 0.2 * (roughened(model, 0.02) - model.start)
    both = widen(model, whole, moved)
    assert np.abs(model.walls.slip).max() > 0.0
    for u_half, u_whole in ((moved, both), (further, mirrored(model, further))):
        one, other = model.walls.evaluate(u_half, 1), whole.walls.evaluate(u_whole, 1)
        assert other.energy == pytest.approx(one.energy, rel=1e-9)
        pull = [ev.gradient.reshape(-1, 4, 3)[:, 0, :2].sum(axis=0) for ev in (one, other)]
        assert pull[1] == pytest.approx(pull[0], rel=1e-9)


def test_a_strip_shortened_in_itself_buckles_sideways_only_in_the_whole(case):
    model, whole = far_away(build_shell_model(case)), far_away(build_shell_model(case, whole=True))
    assert unstable_modes(model, model.start) == 0
    short = model.start.reshape(-1, 4, 3).copy()
    short[:, 0, 0] *= 0.9
    short[:, 1, 0] *= 0.9
    short = short.ravel()
    modes = []
    for state in (model.start, short):
        for term in touching(model):
            term.start(state)
        modes.append(twisting_now(model, whole, state))
    assert modes[0] == 0
    assert modes[1] > 0
    assert twisting_now(model, whole, short) == modes[1]


def test_softest_mode_of_a_free_strip_is_its_lowest_bending(case):
    model = far_away(build_shell_model(case))
    value, mode = softest_mode(model, model.start)
    place = mode.reshape(model.body.shell.grid.stations.size, -1, 4, 3)[:, :, 0]
    size = np.linalg.norm(place, axis=-1)
    assert value > 0.0
    assert size.max() == pytest.approx(1.0)
    assert np.all(np.diff(size[:, 0]) >= -1e-9)  # it grows from the clamped root to the tip
    assert np.abs(place[..., 1]).max() > 0.99  # out of its plane
