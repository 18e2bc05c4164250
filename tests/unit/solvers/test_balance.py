"""Newton's method on the balance: moves that are cut, corrections by old factors, fewer tangents."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
from small_cases import small_case

from fem.core.term import Array, Blocks, Evaluation
from fem.rod.axle_clamp import RodAxleClamp
from fem.rod.model import RodModel, build_rod_model
from fem.simulation.assembly import assemble
from fem.simulation.stepper import Stepper
from fem.simulation.steps import StepSize
from fem.solvers import balance
from fem.solvers.balance import LOST, SETTLED, Damped, Halved, Toward
from fem.solvers.broyden import learned
from fem.solvers.moving_system import Frame, MotionSettings, length_of_move
from fem.solvers.newton_loop import OUT_OF_ITERATIONS, Reached, iterate

SIZE = 40


class Diagonal:
    """Factors of a diagonal tangent."""

    def __init__(self, tangent: float | Array) -> None:
        self.tangent = tangent

    def solve(self, right: Array) -> Array:
        return np.asarray(right / self.tangent)


class Factory:
    """Stands for a matrix: hands out factors of the sum of its diagonal blocks."""

    def factor_general(self, blocks: list[Blocks]) -> Diagonal:
        return Diagonal(np.sum([block.values[:, 0, 0] for block in blocks], axis=0))


@dataclass
class Springs:
    """Independent unknowns with a force each; counts its evaluations."""

    force: object
    slope: object
    calls: int = 0
    settings: MotionSettings = field(default_factory=MotionSettings)
    places: object = None
    matrix: object = None
    holds: int = 0

    def __post_init__(self) -> None:
        self.places, self.matrix = np.ones(SIZE, dtype=bool), Factory()

    def balance(self, u: Array, order: int, frame: object, last: Array | None = None) -> Evaluation:  # noqa: ARG002
        self.calls += 1
        values = np.asarray(self.slope(u))[:, None, None]
        blocks = (Blocks(np.arange(SIZE)[:, None], values),) if order > 1 else ()
        return Evaluation(0.0, self.force(u), blocks)

    def inertia_blocks(self, dt: float) -> Blocks:  # noqa: ARG002
        return Blocks(np.arange(SIZE)[:, None], np.zeros((SIZE, 1, 1)))

    def safe_fraction(self, u: Array, move: Array) -> float:  # noqa: ARG002
        return 1.0

    def hold_fully(self, u: Array) -> None:  # noqa: ARG002
        self.holds += 1


FRAME = Frame(np.zeros(SIZE), np.zeros(SIZE), 1.0)
PATIENCE = 5


def test_a_move_that_overshoots_is_cut_until_what_remains_is_shorter() -> None:
    # Newton's method for arctan(x) = 0 diverges from |x| > 1.39: 5 -> -30.7
    system = Springs(np.arctan, lambda u: 1.0 / (1.0 + u**2))
    parts, u, seen = Damped(system, FRAME, PATIENCE), np.full(SIZE, 5.0), []
    while np.abs(u).max() > 1e-12:
        factor = Diagonal(1.0 / (1.0 + u**2))
        move = factor.solve(-np.arctan(u))
        u, part, rest = parts._shortened(u, Toward(factor, move, 1.0))
        assert 0.0 < part <= 1.0
        assert np.linalg.norm(rest) < np.linalg.norm(move)
        seen.append(part)
    assert seen[0] < 0.5
    assert seen[-1] == 1.0
    assert len(seen) < 12


@pytest.mark.parametrize(("acceptance", "far"), [(Damped, 5.0), (Halved, 2.0)])
def test_the_loop_ends_where_plain_newton_would_diverge(
    acceptance: type[Damped] | type[Halved], far: float
) -> None:
    system = Springs(np.arctan, lambda u: 1.0 / (1.0 + u**2))
    reached, count = iterate(acceptance(system, FRAME, PATIENCE), np.full(SIZE, far), 40)
    assert reached.status == SETTLED
    assert np.abs(reached.state).max() < system.settings.settled
    assert count < 20
    assert system.holds == 1, "everything is renewed where it ends"


def test_a_move_that_leads_nowhere_is_given_up() -> None:
    system = Springs(lambda u: 5.0 + 0 * u, lambda u: 1.0 + 0 * u)
    start = np.zeros(SIZE)
    reached = Damped(system, FRAME, PATIENCE).accept(start, Toward(Diagonal(1.0), np.ones(SIZE), 1.0))
    assert reached.status == LOST
    assert np.array_equal(reached.state, start)


def test_old_factors_serve_as_long_as_they_shorten_and_say_when_it_is_settled() -> None:
    goal = np.linspace(0.0, 1.0, SIZE)
    slope = np.random.default_rng(1).uniform(0.8, 1.25, SIZE)
    system = Springs(lambda u: slope * (u - goal), lambda u: slope + 0 * u)
    parts, start = Damped(system, FRAME, PATIENCE), np.zeros(SIZE)

    def corrected(factor: Diagonal) -> tuple[Array, bool]:
        move = factor.solve(-system.balance(start, 1, FRAME).gradient)
        toward = Toward(factor, move, 1.0)
        rest = parts.left(start + move, factor)
        system.calls = 0
        return parts._corrected(start + move, toward, rest)

    u, done = corrected(Diagonal(1.0))
    assert done
    assert np.abs(u - goal).max() < system.settings.settled
    # a fixed slope of 1 would shorten by a quarter at worst: 5 or 6 corrections
    assert system.calls < np.log(system.settings.settled) / np.log(0.25)
    assert not corrected(Diagonal(0.3))[1], "overshoots by twice the way"


def wound(folder: Path) -> tuple[RodModel, Stepper, int]:
    """A small strip wound in, with how many tangents were factorised."""
    model = build_rod_model(small_case(folder, friction=0.2))
    factors: list[int] = []
    factorise = model.motion.matrix.factor_general
    model.motion.matrix.factor_general = lambda blocks: factors.append(1) or factorise(blocks)
    stepper = assemble(model, RodAxleClamp(model))
    assert isinstance(stepper, Stepper)
    assert stepper.advance(1.5, StepSize(0.05, 0.05, 1e-6), lambda now: False)
    return model, stepper, len(factors)


def test_old_factors_lead_to_the_same_states_with_fewer_tangents(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    model, few, factors = wound(tmp_path)
    monkeypatch.setattr(balance, "CHORD", 0.0)  # none by old factors
    _, many, often = wound(tmp_path)
    assert few.accepted == many.accepted  # the same steps
    motion = model.motion
    moved = np.abs(few.u - many.u)[motion.places].max()
    assert moved < 20 * motion.settings.settled  # of some 30 steps, each settled to that
    assert few.force == pytest.approx(many.force, rel=0.01)
    assert factors < 0.9 * often
    assert length_of_move(motion, few.u - many.u) > 0.0


def test_corrections_learn_the_tangent_as_broyden_does() -> None:
    """Applied to a linear system of n unknowns with a wrong inverse, Broyden's method ends after 2 n steps at
    most (Gay 1979, SIAM J. Numer. Anal. 16:623; from memory).
    """
    rng = np.random.default_rng(5)
    n = 4
    tangent = np.eye(n) + 0.3 * rng.normal(size=(n, n))
    answer, places = rng.normal(size=n), np.ones(n, dtype=bool)
    u = np.zeros(n)
    taken = [tangent @ (answer - u)]  # the old factors: those of the identity
    u = u + taken[0]
    for _ in range(2 * n - 1):
        rest = tangent @ (answer - u)
        if np.linalg.norm(rest) < 1e-12:
            break
        rest, along = learned(taken, rest, places)
        taken.append(rest / (1.0 - along))
        u = u + taken[-1]
    assert u == pytest.approx(answer, abs=1e-8)
    repeated = answer - np.linalg.matrix_power(np.eye(n) - tangent, 2 * n) @ answer
    assert np.abs(repeated - answer).max() > 1e-4  # without learning


class Root:
    """Newton's method for the square root of 2, with an iteration that costs more than it counts."""

    def direction(self, x: float, count: int) -> float | Reached[float]:
        if x < 0.0:
            return Reached(x, "below nothing")
        return -(x * x - 2.0) / (2.0 * x) if count < 50 else Reached(x, "never")

    def accept(self, x: float, step: float) -> Reached[float]:
        return Reached(x + step, "found" if abs(step) < 1e-9 else "", extra=1)


def test_the_loop_counts_and_says_how_it_ended() -> None:
    reached, count = iterate(Root(), 1.0, 40)
    assert reached.status == "found" and reached.state == pytest.approx(np.sqrt(2.0))
    assert count == 2 * 5
    assert iterate(Root(), 1.0, 3)[0].status == OUT_OF_ITERATIONS
    assert iterate(Root(), -1.0, 3) == (Reached(-1.0, "below nothing"), 1)
