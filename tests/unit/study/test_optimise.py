import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from stand_in_runs import StandIn, made_result, push_of

from fem.case.definition import Case
from fem.case.study_tables import Vary
from fem.core.errors import InputError
from fem.results.outcome import NoResult, Status
from fem.study.goal_terms import terms_of
from fem.study.optimise import Plan, axes_of, optimised, stepped, with_shell
from fem.study.samples import point_values
from fem.study.search_result import Optimised
from fem.study.study import Options, Study

GOAL = "[goal]\ndeploy_margin = { at_least = 0.3 }\n"
THICKER = GOAL + "maximise = 'stiffness_out_N_per_mm'\n"
RANGES = (Vary("strip.layers[1].thickness", 0.5, 0.95), Vary("friction", 0.05, 0.25))


def found(case: Case, ranges: tuple[Vary, ...] = RANGES, **plan: object) -> Optimised:
    with Study(case, options=Options(stiffness=True)) as study:
        return optimised(study, terms_of(case), ranges, replace(Plan(runs=16), **plan))


def test_ranges_as_axes():
    steps, names, numbers, free = axes_of(
        [
            Vary("a.b", 1.0, 2.0, 0.25),
            Vary("c", choices=("x", "y")),
            Vary("d", choices=(1, 2, 3)),
            Vary("e", 0.0, 1.0),
        ]
    )
    assert steps.levels == pytest.approx((0.0, 0.25, 0.5, 0.75, 1.0)) and not steps.unordered
    assert names.unordered and len(names.levels) == 2
    assert not numbers.unordered and len(numbers.levels) == 3
    assert free.levels == ()
    for index, share in enumerate(names.levels):
        assert point_values([Vary("c", choices=("x", "y"))], [share]) == {"c": "xy"[index]}


def test_a_range_without_steps_is_searched_in_fine_round_ones():
    assert stepped(Vary("a.b", 0.05, 0.25)).step == pytest.approx(0.0002)
    assert stepped(Vary("a.b", 7.0, 16.0)).step == pytest.approx(0.005)
    own, choice = Vary("a.b", 7.0, 16.0, 0.5), Vary("a.b", choices=(1, 2))
    assert stepped(own) is own and stepped(choice) is choice


def test_the_stiffest_strip_that_leaves_the_margin(runs: StandIn, case_of: Callable[..., Case]):
    # by the formula T = 10 (t / .8)^3 exp(5 mu) of a motor of 20: least friction, and t where T = 14
    best = 0.8 * (1.4 * math.exp(-5.0 * 0.05)) ** (1.0 / 3.0)
    for seed in (1, 4):
        made = found(case_of(extra=THICKER), seed=seed)
        assert made.met and made.best is not None
        assert made.best.values["strip.layers[1].thickness"] == pytest.approx(best, rel=0.01)
        assert made.best.values["friction"] == pytest.approx(0.05, abs=0.003)
        assert made.runs == 16
        assert ("friction", "lower") in made.at_ends


def test_without_a_wish_it_ends_when_the_goal_is_met(runs: StandIn, case_of: Callable[..., Case]):
    made = found(case_of(extra=GOAL))
    assert made.met and made.runs < 16 and made.ended == "the goal is met"
    assert made.best is not None and made.best.row.quantities["deploy_margin"] > 0.3
    assert made.finer_of_best is not None and made.finer_of_best.met
    finer = [case for case in runs.made if case.settings.element < 2.0]
    assert finer and finer[0].settings.turn == pytest.approx(0.5 * case_of().settings.turn)


def test_what_cannot_be_met_names_the_bound_that_stops_it(runs: StandIn, case_of: Callable[..., Case]):
    goal = GOAL + "stiffness_out_N_per_mm = { at_least = 0.009 }\n"  # t = .965
    made = found(case_of(extra=goal), runs=24)
    assert not made.met and made.best is not None
    # the nearest misses both by equal shares: 10 (t / .8)^3 e^.25 / 14 = .009 / (.01 t^3), and so t = .935
    share = math.sqrt(10.0 / 14.0 * math.exp(0.25) / 0.8**3 * 0.9)
    assert made.best.worst == pytest.approx(math.log(share), abs=0.02)
    relaxed = {made.terms.bounds[place].name: trial for place, trial in made.relaxed()}
    assert "stiffness_out_N_per_mm" in relaxed
    # with the margin kept, the stiffest strip is .01 (.8)^3 1.4 exp(-.25)
    most = 0.01 * 0.8**3 * 1.4 * math.exp(-0.25)
    assert relaxed["stiffness_out_N_per_mm"].row.number("stiffness_out_N_per_mm") == pytest.approx(
        most, rel=0.1
    )


def test_the_same_again_without_a_run(runs: StandIn, case_of: Callable[..., Case]):
    case = case_of(extra=THICKER)
    first = found(case)
    count = len(runs.made)
    again = found(case)
    assert len(runs.made) == count
    assert [trial.values for trial in again.trials] == [trial.values for trial in first.trials]
    assert again.best is not None and first.best is not None and again.best.values == first.best.values


def test_a_search_cut_short_goes_on_to_the_same_end(runs: StandIn, case_of: Callable[..., Case]):
    class Impatient:
        def __init__(self, after: int) -> None:
            self.left = after

        @property
        def stopping(self) -> bool:
            return self.left < 0

        def note(self, *_: object) -> None: ...
        def advanced(self, *_: object) -> None: ...
        def done(self, *_: object) -> None:
            self.left -= 1

    case = case_of(extra=THICKER)
    for after in (3, 5, 4, 7, 8):
        with Study(case, options=Options(stiffness=True), observer=Impatient(after)) as study:
            assert optimised(study, terms_of(case), RANGES, Plan(runs=16)).ended == NoResult.STOPPED
    resumed = found(case)
    made = [case.digest for case in runs.made]
    assert len(made) == len(set(made))  # nothing was computed twice
    runs.made.clear()
    with Study(case, options=Options(stiffness=True, store=Path("another store"))) as study:
        whole = optimised(study, terms_of(case), RANGES, Plan(runs=16))
    assert [trial.values for trial in whole.trials] == [trial.values for trial in resumed.trials]


def test_robust_means_the_worst_friction(runs: StandIn, case_of: Callable[..., Case]):
    ranges = (RANGES[0],)
    made = found(case_of(extra=THICKER), ranges=ranges, friction=(0.1, 0.2), runs=24)
    assert made.best is not None and made.met
    best = 0.8 * (1.4 * math.exp(-5.0 * 0.2)) ** (1.0 / 3.0)
    assert made.best.values["strip.layers[1].thickness"] == pytest.approx(best, rel=0.01)
    assert made.best.row.values["friction"] == 0.2
    assert made.runs <= 24 and all(len(trial.rows) == 2 for trial in made.trials[1:])
    with pytest.raises(InputError, match="may change, too"):
        found(case_of(extra=THICKER), friction=(0.1, 0.2))


def test_a_bound_that_finer_runs_take_back_is_tightened(
    runs: StandIn, case_of: Callable[..., Case], monkeypatch: pytest.MonkeyPatch
):
    # finer elements ask for 20 % more
    monkeypatch.setattr(
        runs, "law", lambda case: push_of(case) * (1.2 if case.settings.element < 2.0 else 1.0)
    )
    made = found(case_of(extra=THICKER))
    assert made.met and made.finer_of_best is not None
    assert made.finer_of_best.row.quantities["deploy_margin"] >= 0.3
    assert len(made.finer) > 1  # the first did not hold


def test_runs_that_fail_and_designs_that_cannot_be_cost_no_more_than_themselves(
    runs: StandIn, case_of: Callable[..., Case], monkeypatch: pytest.MonkeyPatch
):
    def trouble(case: Case):
        return made_result(case, Status.NOT_CONVERGED, {}) if case.friction.strip > 0.2 else None

    monkeypatch.setattr(runs, "trouble", trouble)
    # a casing of 4 mm lies within the axle
    ranges = (*RANGES, Vary("casing.radius", 3.0, 9.0))
    made = found(case_of(extra=THICKER), ranges=ranges)
    assert made.best is not None and made.met
    assert made.refused > 0
    assert all(trial.values["casing.radius"] > 4.0 for trial in made.trials)
    assert all(trial.failed == (trial.values["friction"] > 0.2) for trial in made.trials)


def test_bounds_on_keys_need_no_run(runs: StandIn, case_of: Callable[..., Case]):
    goal = THICKER + "'casing.radius' = { at_most = 6.5 }\n"
    made = found(case_of(extra=goal), ranges=(*RANGES, Vary("casing.radius", 5.5, 9.0)))
    assert made.met
    assert all(trial.values["casing.radius"] <= 6.5 for trial in made.trials if trial is not made.trials[0])


def test_two_wishes_give_a_front(runs: StandIn, case_of: Callable[..., Case]):
    goal = "[goal]\nmaximise = 'stiffness_out_N_per_mm'\nminimise = 'deploy_torque_peak_Nmm'\n"
    made = found(case_of(extra=goal), runs=24)
    front = made.front
    assert len(front) >= 4
    costs = np.array([trial.costs for trial in front])
    assert (np.diff(costs[:, 0]) > 0).all() and (np.diff(costs[:, 1]) < 0).all()
    # the front is that of least friction
    assert np.median([trial.values["friction"] for trial in front]) < 0.07


def test_the_shell_has_the_last_word(runs: StandIn, case_of: Callable[..., Case]):
    case = case_of(extra=GOAL)
    made = found(case)
    with Study(case, "shell", Options(stiffness=True)) as shell:
        assert with_shell(made, shell, Plan()).met
        runs.law = lambda case: 3.0 * push_of(case)
        with Study(case, "shell", Options(stiffness=True, store=shell.options.store / "elsewhere")) as other:
            assert not with_shell(made, other, Plan()).met


def test_nothing_to_vary_is_refused(runs: StandIn, case_of: Callable[..., Case]):
    with pytest.raises(InputError, match="nothing to vary"):
        found(case_of(extra=GOAL), ranges=())
    with pytest.raises(InputError, match="unknown key"):
        found(case_of(extra=GOAL), ranges=(Vary("casing.raduis", 1.0, 2.0),))
