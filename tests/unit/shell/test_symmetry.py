"""Modes of the whole width that half of it cannot show."""

from __future__ import annotations

import numpy as np
import pytest
from small_cases import small_case

from fem.design.obstacle import Plane
from fem.shell import symmetry
from fem.shell.mirror import FLIP, WholeContact, both_sides, whole_unknowns
from fem.shell.model import build_shell_model
from fem.shell.symmetry import (
    EVERY,
    SURE,
    Guard,
    SymmetryLostError,
    mode_shape,
    softest_mode,
    static_tangent,
    touching,
    twisting_now,
    unstable_modes,
)
from fem.simulation.assembly import assemble
from fem.simulation.steps import StepSize


@pytest.fixture(scope="module")
def case(tmp_path_factory):
    return small_case(tmp_path_factory.mktemp("case"), friction=0.2)


@pytest.fixture(scope="module")
def model(case):
    return build_shell_model(case)


@pytest.fixture(scope="module")
def whole(case):
    return build_shell_model(case, whole=True)


def widen(model, whole, u):
    """Carry the friction of a half model at its state u to the whole width; returns the state there."""
    both = whole_unknowns(u, model.body.shell.grid)
    whole.walls.move_walls(model.walls.walls)
    contact = WholeContact(model.body.shell.grid, (model.walls, whole.walls), (model.wraps, whole.wraps))
    histories = contact.histories([term.save() for term in touching(model)])
    for term, history in zip(touching(whole), histories, strict=True):
        term.restore(history, both)
    return both


def begun(model, u):
    """What is recorded of contact where it begins, in a state u."""
    for term in touching(model):
        term.start(u)
    return tuple(term.record() for term in touching(model))


def far_away(model):
    """The same model with nothing in reach."""
    model.walls.move_walls(Plane(0.0, -500.0, np.pi / 2).walls(0.0) * len(model.walls.walls))
    return model


def test_a_strip_shortened_in_itself_buckles_sideways_only_in_the_whole(case):
    model, whole = far_away(build_shell_model(case)), far_away(build_shell_model(case, whole=True))
    assert unstable_modes(model, model.start) == 0
    short = model.start.reshape(-1, 4, 3).copy()
    short[:, 0, 0] *= 0.9
    short[:, 1, 0] *= 0.9
    modes = []
    for state in (model.start, short.ravel()):
        for term in touching(model):
            term.start(state)
        modes.append(twisting_now(model, state))
        both = widen(model, whole, state)
        assert modes[-1] == unstable_modes(whole, both) - unstable_modes(model, state)
    assert modes[0] == 0
    assert modes[1] > 0


def test_antisymmetric_moves_of_the_half_stand_for_those_of_the_whole(case):
    """In a coil with friction, the whole's stiffness against such a move is that of the half."""
    model, whole = build_shell_model(case), build_shell_model(case, whole=True)
    stepper = assemble(model, model.clamp())
    assert stepper.advance(5.8, StepSize(0.1, 0.1, 1e-4), lambda now: False)
    assert (model.wraps.held[..., 0] > 0.0).any()
    assert model.walls.held[..., 0].max() > 0.0
    for term in touching(model):
        term.slip *= 0.9  # off the limit at which rubbing begins: there rounding would tell which it is
    model.wraps.hold(stepper.u, fully=True)  # with all of the present forces, as `widen` does
    matrix, free = static_tangent(model, stepper.u, twisted=True)
    move = np.zeros(stepper.u.size)
    move[free] = np.random.default_rng(0).normal(size=free.size)
    other, free_too = static_tangent(whole, widen(model, whole, stepper.u))
    grid = model.body.shell.grid
    half = move.reshape(grid.stations.size, grid.across.size, 4, 3)
    both = both_sides(half, -FLIP).ravel()
    one = float(move[free] @ matrix.multiply(move[free]))
    assert float(both[free_too] @ other.multiply(both[free_too])) == pytest.approx(one, rel=1e-8)
    assert twisting_now(model, stepper.u) == 0
    assert unstable_modes(whole, widen(model, whole, stepper.u)) == unstable_modes(model, stepper.u)


def test_softest_mode_of_a_free_strip_is_its_lowest_bending(case):
    model = far_away(build_shell_model(case))
    value, mode = softest_mode(model, model.start, begun(model, model.start))
    place = mode.reshape(model.body.shell.grid.stations.size, -1, 4, 3)[:, :, 0]
    size = np.linalg.norm(place, axis=-1)
    assert value > 0.0
    assert size.max() == pytest.approx(1.0)
    assert np.all(np.diff(size[:, 0]) >= -1e-9)  # it grows from the clamped root to the tip
    assert np.abs(place[..., 1]).max() > 0.99  # out of its plane


@pytest.mark.parametrize("width", ["model", "whole"])
def test_shape_of_the_softest_mode_covers_the_whole_width(width, request):
    model = request.getfixturevalue(width)
    mode = mode_shape(model, model.start, begun(model, model.start))
    state = model.state(model.start)
    assert mode.shape == (state.station.size, state.across.size, 3)
    assert np.linalg.norm(mode, axis=-1).max() == pytest.approx(1.0)
    if model.body.half:
        assert mode[:, ::-1] * [1.0, 1.0, -1.0] == pytest.approx(mode)


def test_the_guard_is_sure_only_after_some_looks(monkeypatch):
    found = iter([1, 0, 1, 1, 1])
    monkeypatch.setattr(symmetry, "twisting_now", lambda *_: next(found))
    guard = Guard()
    guard(None, None, 1, 0.1)
    assert guard.looked == 0
    guard(None, None, EVERY, 0.1)
    guard(None, None, EVERY + 1, 0.1)
    assert guard.seen == 0
    assert guard.sure == EVERY + 1
    for step in range(SURE - 1):
        guard(None, None, 2 * EVERY + step, 0.2)
    where = r"wound in by 0\.30 rad the whole width has 1 unstable mode"
    with pytest.raises(SymmetryLostError, match=where) as lost:
        guard(None, None, 2 * EVERY + SURE - 1, 0.3)
    assert lost.value.doubtful == EVERY + SURE - 2
