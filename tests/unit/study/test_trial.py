import math
from collections.abc import Callable

import pytest
from stand_in_runs import StandIn

from fem.case.definition import Case
from fem.results.outcome import Status
from fem.study.goal_terms import terms_of
from fem.study.study import Study
from fem.study.table import Row
from fem.study.trial import finer_settings, run_trials, told_of, trial_of

GOAL = "[goal]\ndeploy_margin = { at_least = 0.3 }\n"


def test_a_run_without_a_verdict_is_no_design(case_of: Callable[..., Case]):
    terms = terms_of(case_of(extra=GOAL))
    trial = trial_of({}, (Row({}, {}, Status.NOT_CONVERGED),), terms)
    assert trial.failed and not trial.met and trial.worst == math.inf


def test_a_design_is_judged_at_its_worst_friction(runs: StandIn, case_of: Callable[..., Case]):
    case = case_of(extra=GOAL)
    terms = terms_of(case)
    with Study(case) as study:
        (mild, both) = (run_trials(study, terms, [{}], friction)[0] for friction in (None, (0.05, 0.2)))
    # T = 10 exp(5 mu) of a motor of 20: .82 of it at .1, 1.36 at .2
    assert mild.missed[2] == pytest.approx(math.log(math.exp(0.5) / 2.0 / 0.7))
    assert both.missed[2] == pytest.approx(math.log(math.exp(1.0) / 2.0 / 0.7))
    assert len(both.rows) == 2 and both.row.values["friction"] == 0.2
    assert not both.met and Status.JAMMED in told_of(both, terms)


def test_finer_settings_are_finer_in_all(case_of: Callable[..., Case]):
    case = case_of()
    found = finer_settings(case)
    assert found["solver.element"] < case.settings.element
    assert found["solver.turn"] == pytest.approx(0.5 * math.degrees(case.settings.turn))
    assert found["solver.contact_spacing"] < case.settings.contact_spacing
