from collections.abc import Callable

import pytest
from stand_in_runs import StandIn

from fem.case.definition import Case
from fem.case.variation import changed
from fem.study.optimise import Plan, optimise
from fem.study.trial import Trial

GOAL = "[goal]\ndeploy_margin = { at_least = 0.3 }\n"
VARY = {"strip.layers[1].thickness": (0.5, 0.95), "friction": (0.05, 0.25)}


def test_a_search_returns_a_table_and_the_best_case(runs: StandIn, case_of: Callable[..., Case]):
    case = case_of(extra=GOAL)
    made = optimise(case, VARY, Plan(10))
    columns = made.table.columns()
    assert len(columns["status"]) == made.runs and "friction" in columns
    assert made.best is not None
    best = made.best_case()
    assert best is not None and best.digest == changed(case, made.changes).digest
    assert best.friction.strip == made.best.values["friction"]
    assert best.strip.thickness == pytest.approx(made.best.values["strip.layers[1].thickness"])


def test_nothing_found_changes_nothing(runs: StandIn, case_of: Callable[..., Case]):
    made = optimise(case_of(extra=GOAL), VARY, Plan(2))
    empty = type(made)(made.terms, made.ranges, made.present, (), None)
    assert empty.changes == {} and empty.best_case() is None and not empty.met
    assert empty.relaxed() == () and empty.at_ends == () and empty.front == ()


def test_a_design_that_its_finer_run_takes_back_does_not_meet_the_goal(
    runs: StandIn, case_of: Callable[..., Case]
):
    made = optimise(case_of(extra=GOAL), VARY, Plan(10))
    assert made.met and made.best is not None
    worse = Trial(made.best.values, made.best.rows, made.best.costs, (0.1,) * len(made.best.missed))
    again = type(made)(made.terms, made.ranges, made.present, made.trials, made.best, (worse,))
    assert not again.met and again.finer_of_best is worse
