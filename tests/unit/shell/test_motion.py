"""How the shell's motion goes on, how far along a move it goes, and what its steps leave unbalanced."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from small_cases import small_case

from fem.shell.model import build_shell_model
from fem.shell.motion import CorotatingLines, LinesAsFields
from fem.simulation.assembly import assemble
from fem.simulation.steps import StepSize
from fem.solvers.moving_system import Frame, size_of_move


@pytest.fixture(scope="module")
def model(tmp_path_factory):
    case = small_case(tmp_path_factory.mktemp("case"), friction=0.2)
    fine = replace(case.settings, element=1.5, element_fine=1.5)
    return build_shell_model(replace(case, settings=fine))


def turned(vectors, angle):
    c, s = np.cos(angle), np.sin(angle)
    return vectors @ np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])


def test_a_strip_that_turns_about_the_axle_goes_on_turning(model):
    rng = np.random.default_rng(0)
    ahead = model.motion.predictor.elsewhere
    assert isinstance(ahead, CorotatingLines)
    u = model.start + 0.1 * rng.normal(size=model.start.size)
    before = turned(u.reshape(-1, 3), -0.3).ravel()
    for ratio in (0.5, 1.0, 1.7):
        assert ahead(u, before, ratio) == pytest.approx(
            turned(u.reshape(-1, 3), 0.3 * ratio).ravel(), abs=1e-9
        )


def test_a_strip_that_slides_along_a_circle_while_its_section_opens_evenly_goes_on(model):
    radius, grid = 5.0, model.body.shell.grid

    def at(time):
        """Lines bent up by a height h(q) = q^2 time / 50, each on the circle at s + 2 time."""
        q = grid.across
        height, slope = 0.02 * time * q**2, 0.04 * time * q
        line = np.zeros((q.size, 4, 3))
        line[:, 0, 1], line[:, 0, 2] = height - radius, q
        line[:, 1, 0] = 1.0 - height / radius
        line[:, 2, 1], line[:, 2, 2] = slope, 1.0
        line[:, 3, 0] = -slope / radius
        angles = (grid.stations + 2.0 * time) / radius
        return np.stack([turned(line, angle) for angle in angles]).ravel()

    assert model.motion.predictor(at(0.4), at(0.3), 2.0) == pytest.approx(at(0.6), abs=1e-12)


def test_accepted_steps_are_in_balance(model):
    """Another full correction with fresh factors would be shorter than what counts as settled, or not much
    longer where contact points open in the last correction (the one after that is a hundredth of it).
    """
    stepper = assemble(model, model.clamp())
    motion, worst = stepper.motion, []
    step = motion.step

    def watched(u_old, v_old, dt, start, shares):
        outcome = step(u_old, v_old, dt, start, shares)
        if outcome.accepted:
            frame = Frame(u_old, v_old, dt, outcome.share)
            here = motion.balance(outcome.u, 2, frame, 0.0 * outcome.u)
            factor = motion.matrix.factor_general([*here.blocks, motion.inertia_blocks(frame)])
            worst.append(size_of_move(motion, factor.solve(-here.gradient)))
        return outcome

    motion.step = watched
    assert stepper.advance(6.0, StepSize(0.1, 0.1, 1e-4), lambda now: False)
    assert (model.wraps.partner >= 0).any()
    assert len(worst) > 50
    assert np.quantile(worst, 0.9) < 0.3 * motion.settings.settled
    assert np.quantile(worst, 0.95) < motion.settings.settled
    assert max(worst) < 2.0 * motion.settings.settled


def test_lines_of_a_shell_are_functions_along_it_and_back():
    """Value and slope along of each place, and of its slope across."""
    lines, u = LinesAsFields(3), np.arange(5.0 * 3 * 12)
    fields, nodal = lines(u), u.reshape(5, 3, 4, 3)
    assert fields.shape == (5, 18, 2)
    assert np.array_equal(lines.unknowns(fields), u)
    assert np.array_equal(fields[:, 6], nodal[:, 1, :2, 0])
    assert np.array_equal(fields[:, 6 + 3], nodal[:, 1, 2:, 0])


@pytest.mark.parametrize("lines", [slice(None), slice(-4, None)], ids=["all of it", "its end"])
def test_a_strip_that_turns_far_within_a_step_snaps(model, lines):
    """In the plane of its path farther than out of it: there it is stiff."""
    start = model.start.reshape(len(model.body.shell.grid.stations), -1, 3)

    def after(turn):
        """The state with some lines of nodes turned about z or, where `turn` names y, about that."""
        axis, angle = turn
        u = start.copy()
        parts = u[lines][..., [2, 0, 1]] if axis == "y" else u[lines]
        moved = turned(parts, angle)
        u[lines] = moved[..., [1, 2, 0]] if axis == "y" else moved
        return u.ravel()

    calm = [("z", 0.0), ("z", 0.49), ("z", -0.49), ("y", 0.09), ("y", -0.09)]
    rash = [("z", 0.51), ("z", -0.51), ("z", 3.0), ("y", 0.11), ("y", -0.11)]
    assert [model.snap_test(model.start, after(turn)) for turn in calm] == [False] * len(calm)
    assert [model.snap_test(model.start, after(turn)) for turn in rash] == [True] * len(rash)
