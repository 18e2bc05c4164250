"""How the shell's motion goes on, how far along a move it goes, and what its steps leave unbalanced."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from small_cases import small_case

from fem.core.term import Evaluation
from fem.shell.model import build_shell_model
from fem.shell.motion import LinesTurningOn
from fem.simulation.assembly import assemble
from fem.simulation.stepper import StepSize


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
    ahead = model.motion.ahead
    assert isinstance(ahead, LinesTurningOn)
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

    assert model.motion.ahead(at(0.4), at(0.3), 2.0) == pytest.approx(at(0.6), abs=1e-12)


class Diagonal:
    """Factors of a diagonal tangent."""

    def __init__(self, tangent):
        self.tangent = tangent

    def solve(self, right):
        return right / self.tangent


def test_a_move_that_overshoots_is_cut_until_what_remains_is_shorter(model, monkeypatch):
    # Newton's method for arctan(x) = 0 diverges from |x| > 1.39: 5 -> -30.7
    motion = model.motion
    monkeypatch.setattr(motion, "_renewed", lambda u, frame, order=2: Evaluation(0.0, np.arctan(u), ()))
    u, seen = np.full(motion.size, 5.0), []
    while np.abs(u).max() > 1e-12:
        factor = Diagonal(1.0 / (1.0 + u**2))
        move = factor.solve(-np.arctan(u))
        u, part, rest = motion._damped(u, 1.0, move, factor, None)
        assert 0.0 < part <= 1.0
        assert np.linalg.norm(rest[motion.places]) < np.linalg.norm(move[motion.places])
        seen.append(part)
    assert seen[0] < 0.5
    assert seen[-1] == 1.0
    assert len(seen) < 12


def test_a_move_that_leads_nowhere_is_given_up(model, monkeypatch):
    motion = model.motion
    monkeypatch.setattr(motion, "_renewed", lambda u, frame, order=2: Evaluation(0.0, 5.0 + 0 * u, ()))
    u = np.zeros(motion.size)
    after, part, _ = motion._damped(u, 1.0, np.ones(motion.size), Diagonal(1.0), None)
    assert part == 0.0
    assert np.array_equal(after, u)


def test_old_factors_serve_as_long_as_they_shorten_and_say_when_it_is_settled(model, monkeypatch):
    motion, goal = model.motion, np.linspace(0.0, 1.0, model.motion.size)
    slope = np.random.default_rng(1).uniform(0.8, 1.25, motion.size)
    calls = []

    def force(u, frame, order=2):
        calls.append(1)
        return Evaluation(0.0, slope * (u - goal), ())

    monkeypatch.setattr(motion, "_renewed", force)
    factor, start = Diagonal(1.0), np.zeros(motion.size)
    move = factor.solve(-force(start, None).gradient)
    rest = factor.solve(-force(start + move, None).gradient)
    calls.clear()
    u, done = motion._corrected(start + move, move, rest, factor, None)
    assert done
    assert np.abs(u - goal)[motion.places].max() < motion.settings.settled
    # a fixed slope of 1 would shorten by a quarter at worst: 5 or 6 corrections
    assert len(calls) < np.log(motion.settings.settled) / np.log(0.25)
    wrong = Diagonal(0.3)  # overshoots by twice the way
    move = wrong.solve(-force(start, None).gradient)
    rest = wrong.solve(-force(start + move, None).gradient)
    assert not motion._corrected(start + move, move, rest, wrong, None)[1]


def test_accepted_steps_are_in_balance(model):
    """Another full correction with fresh factors would be shorter than what counts as settled, or not much
    longer where contact points open in the last correction (the one after that is a hundredth of it).
    """
    trip = assemble(model, model.clamp())
    motion, worst = trip.motion, []
    step = motion.step

    def watched(u_old, v_old, dt, start):
        outcome = step(u_old, v_old, dt, start)
        if outcome.accepted:
            for term in motion.heldterms:
                term.coupled = True
            frame = (u_old, v_old, dt)
            here = motion._tangent(outcome.u, 0.0 * outcome.u, frame)
            factor = motion.matrix.factor_general([*here.blocks, motion._inertia_blocks(dt)])
            worst.append(motion._size(factor.solve(-here.gradient)))
            for term in motion.heldterms:
                term.coupled = False
        return outcome

    motion.step = watched
    assert trip.advance(6.0, StepSize(0.1, 0.1, 1e-4), lambda now: False)
    assert (model.wraps.partner >= 0).any()
    assert len(worst) > 50
    assert np.quantile(worst, 0.9) < 0.3 * motion.settings.settled
    assert np.quantile(worst, 0.95) < motion.settings.settled
    assert max(worst) < 2.0 * motion.settings.settled
