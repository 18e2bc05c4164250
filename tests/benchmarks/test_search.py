"""The search for designs on published problems with constraints: best design after 60 evaluations."""

import numpy as np
import pytest
from search_problems import PROBLEMS, Problem

from fem.study.propose import Axis, Told, propose


def axes_of(problem: Problem) -> list[Axis]:
    steps = problem.step or (0.0,) * len(problem.low)
    spans = np.subtract(problem.high, problem.low)
    return [
        Axis(tuple(np.arange(0.0, span / step + 1e-9) * step / span) if step else ())
        for step, span in zip(steps, spans, strict=True)
    ]


def best_of(problem: Problem, seed: int, count: int = 60) -> float:
    """Least cost among designs that keep all bounds, as a share above the best that is known."""
    axes, low, span = axes_of(problem), np.array(problem.low), np.subtract(problem.high, problem.low)
    told: list[Told] = []
    while len(told) < count:
        for point in propose(axes, told, 2, seed):
            cost, bounds = problem.evaluate(low + span * point)
            told.append(Told(point, (cost,), tuple(bounds)))
    best = min((each.costs[0] for each in told if each.kept), default=np.inf)
    return (best - problem.best) / abs(problem.best)


@pytest.mark.parametrize("problem", PROBLEMS.values(), ids=PROBLEMS.keys())
def test_the_published_optimum_is_what_the_formulas_give(problem: Problem):
    cost, bounds = problem.evaluate(np.array(problem.at))
    assert cost == pytest.approx(problem.best, rel=1e-4)
    assert bounds.max() <= 1e-5


def test_toy_problem_is_solved_in_40_evaluations():
    assert best_of(PROBLEMS["toy"], 1, 40) < 1e-3


# a few per cent are what a designer can use; the vessel in sixteenths has a local best 5.8 % above the best
@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(
    ("name", "share"),
    [("toy", 1e-3), ("g04", 1e-3), ("g06", 0.01), ("beam", 0.01), ("vessel", 0.06), ("reducer", 0.001)],
)
def test_60_evaluations_come_near_the_published_optimum(name: str, share: float, seed: int):
    assert best_of(PROBLEMS[name], seed) < share
