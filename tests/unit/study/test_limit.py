"""Limits: found to one per cent, from both sides, in few runs; against borders known by formula."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from batch_jobs import Seen
from stand_in_runs import TORQUE, WRAP, StandIn, border_of_friction, made_result, push_of

from fem.case.definition import Case
from fem.core.errors import InputError
from fem.results.outcome import Status
from fem.results.result import Result
from fem.study.limit import USUAL_KEYS, limit, limit_of, limits_of, sentence_of
from fem.study.measure import goal_measure, options_for
from fem.study.study import Options, Study


@pytest.mark.parametrize("at_a_time", [1, 2])
@pytest.mark.parametrize("torque", [17.0, 22.0, 30.0, 12.0])
def test_the_friction_of_a_belt_is_found_to_one_per_cent_in_few_runs(
    torque: float, at_a_time: int, runs: StandIn, case_of: Callable[..., Case]
) -> None:
    """Push on a belt around a drum grows as exp(mu angle) (Euler and Eytelwein; textbook, from memory), so
    that the border is log(T / A) / angle.
    """
    found = limit(case_of(torque), "friction", options=Options(at_a_time=at_a_time))
    (crossing,) = found.crossings
    exact = border_of_friction(torque)
    assert crossing.inside <= exact <= crossing.outside and crossing.upward and crossing.closed
    assert crossing.value == pytest.approx(exact, rel=0.0101)
    assert crossing.outside / crossing.inside <= 1.02 * (1 + 1e-6)
    assert crossing.row_inside.went and crossing.row_outside.went is False
    assert len(runs.made) == found.runs <= 10
    assert found.in_hand == pytest.approx((exact - 0.1) / 0.1, abs=0.02 * exact / 0.1)
    assert found.holds is (exact > 0.1)


def test_other_keys_follow_their_own_laws(runs: StandIn, case_of: Callable[..., Case]) -> None:
    """Thickness acts with its cube, the motor in proportion."""
    with Study(case_of(20.0)) as study:
        thickness, motor = limit_of(study, "thickness"), limit_of(study, "motor.stall_torque")
    push = TORQUE * math.exp(WRAP * 0.1)
    assert thickness.crossings[0].value == pytest.approx(0.8 * (20.0 / push) ** (1 / 3), rel=0.0101)
    (weak,) = motor.crossings
    assert weak.value == pytest.approx(push, rel=0.0101) and not weak.upward
    assert motor.in_hand == pytest.approx(1.0 - push / 20.0, abs=0.01)


def test_all_crossings_are_told(runs: StandIn, case_of: Callable[..., Case]) -> None:
    """Comes out between two casings only."""
    runs.law = lambda case: 20.0 * math.exp(8.0 * abs(math.log(case.casing.radius / 7.2)) - 1.0)
    found = limit(case_of(20.0), "casing")
    assert [crossing.upward for crossing in found.crossings] == [False, True]
    low, high = (crossing.value for crossing in found.crossings)
    assert low == pytest.approx(7.2 * math.exp(-1 / 8), rel=0.0101)
    assert high == pytest.approx(7.2 * math.exp(1 / 8), rel=0.0101)
    assert found.holds and found.nearest is found.crossings[0]


def test_where_the_numbers_jump_the_sides_alone_lead_there(
    runs: StandIn, case_of: Callable[..., Case]
) -> None:
    runs.law = lambda case: 5.0 if case.friction.strip < 0.1234 else 1000.0
    (crossing,) = limit(case_of(20.0), "friction").crossings
    assert crossing.inside < 0.1234 <= crossing.outside and crossing.closed


def test_a_scatter_of_some_per_cent_does_not_matter(runs: StandIn, case_of: Callable[..., Case]) -> None:
    runs.law = lambda case: push_of(case) * (1.0 + 0.05 * math.sin(1e4 * case.friction.strip))
    (crossing,) = limit(case_of(20.0), "friction").crossings
    assert crossing.closed and crossing.row_inside.went and crossing.row_outside.went is False
    assert crossing.value == pytest.approx(border_of_friction(20.0), abs=0.05 / WRAP + 0.003)
    assert len(runs.made) <= 14


def test_a_border_beyond_the_scan_is_looked_for_where_it_must_lie(
    runs: StandIn, case_of: Callable[..., Case]
) -> None:
    torque = TORQUE * math.exp(WRAP * 0.35)  # beyond 0.256, the last of the scan
    (crossing,) = limit(case_of(torque), "friction").crossings
    assert crossing.value == pytest.approx(0.35, rel=0.0101)
    assert min(case.friction.strip for case in runs.made) > 0.03, "not on the other side"


def test_no_border_is_no_crossing(runs: StandIn, case_of: Callable[..., Case]) -> None:
    runs.law = lambda case: 5.0
    found = limit(case_of(20.0), "friction")
    assert found.crossings == () and found.holds and found.in_hand == math.inf
    assert found.low < 0.05 and found.high > 0.25 and len(runs.made) <= 7


def test_values_that_cannot_be_draw_the_scan_in(runs: StandIn, case_of: Callable[..., Case]) -> None:
    found = limit(case_of(16.0), "casing")
    assert 4.0 < found.low < 7.0, "not smaller than the axle"
    assert found.crossings[0].value == pytest.approx(7.0 * 16.0 / push_of(case_of(16.0)), rel=0.0101)


def test_a_value_without_a_verdict_is_gone_around(runs: StandIn, case_of: Callable[..., Case]) -> None:
    def trouble(case: Case) -> Result | None:
        stuck = 0.135 < case.friction.strip < 0.1385  # about the border
        return made_result(case, Status.NOT_CONVERGED, {}, sentence="It got stuck.") if stuck else None

    runs.trouble = trouble
    found = limit(case_of(20.0), "friction")
    (crossing,) = found.crossings
    assert crossing.inside <= 0.135 and crossing.outside >= 0.1385 and not crossing.closed
    assert found.unknown and found.unknown[0][1] == "It got stuck."
    assert len(runs.made) <= 16


def test_a_span_may_be_given(runs: StandIn, case_of: Callable[..., Case]) -> None:
    found = limit(case_of(20.0), "friction", (0.0, 0.5))
    assert found.crossings[0].value == pytest.approx(border_of_friction(20.0), abs=0.01 * 0.5)
    assert (found.low, found.high) == (0.0, 0.5) and found.holds


@pytest.mark.parametrize(
    ("name", "span", "words"),
    [
        ("frction", None, "perhaps .*friction"),
        ("casing.radios", None, "unknown key"),
        ("strip.winding", None, "has no number"),
        ("push.travel", None, "has no number in this case"),
        ("slot.height", None, "say where to look"),
        ("friction", (0.2, 0.1), "is empty"),
        ("casing", (1.0, 2.0), "cannot be anywhere"),
    ],
)
def test_what_has_no_limit_is_told(
    name: str, span: tuple[float, float] | None, words: str, runs: StandIn, case_of: Callable[..., Case]
) -> None:
    with pytest.raises(InputError, match=words):
        limit(case_of(20.0), name, span)
    assert not runs.made


GOAL = "\n[goal]\ndeploy_margin = { at_least = 0.5 }\nstrain_share_working = { at_most = 0.9 }\n"


def test_a_bound_of_the_goal_may_be_the_border(runs: StandIn, case_of: Callable[..., Case]) -> None:
    case = case_of(40.0, GOAL)
    assert limit(case, "friction", goal=True).crossings[0].value == pytest.approx(
        border_of_friction(20.0), rel=0.0101
    )
    runs.made.clear()
    found = limit(case, "thickness", goal=True)
    push = TORQUE * math.exp(WRAP * 0.1)
    assert found.crossings[0].value == pytest.approx(min(0.9, 0.8 * (20.0 / push) ** (1 / 3)), rel=0.0101)


def test_a_goal_says_what_has_to_be_computed(runs: StandIn, case_of: Callable[..., Case]) -> None:
    case = case_of(40.0, "\n[goal]\nstiffness_out_N_per_mm = { at_least = 0.006 }\n")
    assert options_for(case, Options()).stiffness
    found = limit(case, "thickness", goal=True)
    stiff = next(one for one in found.crossings if not one.upward)
    assert stiff.value == pytest.approx(0.6 ** (1 / 3), rel=0.0101)
    travel = case_of(40.0, "\n[goal]\nsafe_travel_mm = { at_least = 10.0 }\n")
    assert options_for(travel, Options()).wanted.safe_travel


def test_a_goal_that_cannot_be_met_is_told(case_of: Callable[..., Case]) -> None:
    with pytest.raises(InputError, match="has no bounds to look for"):
        goal_measure(case_of(40.0))
    with pytest.raises(InputError, match=r"goal\.casing\.radios"):
        goal_measure(case_of(40.0, "\n[goal]\ncasing.radios = { at_most = 9.0 }\n"))


def test_without_names_the_usual_ones_the_tightest_first(runs: StandIn, case_of: Callable[..., Case]) -> None:
    with Study(case_of(20.0)) as study:
        made, left_out = limits_of(study)
    names = [one.name for one in made]
    assert sorted(names) == sorted(set(USUAL_KEYS) - {"bend"})
    hands = [one.in_hand for one in made]
    assert hands == sorted(hands) and names[0] == "thickness"
    (reason,) = left_out
    assert "no bend" in reason
    with Study(case_of(20.0)) as study, pytest.raises(InputError, match="no bend"):
        limits_of(study, ["bend"])


@pytest.mark.parametrize("after", [0, 3, 6])
def test_a_stop_tells_what_is_there(after: int, runs: StandIn, case_of: Callable[..., Case]) -> None:
    seen = Seen(stopping=after == 0)

    def trouble(case: Case) -> Result | None:
        seen.stopping = len(runs.made) >= after
        return None

    runs.trouble = trouble
    with Study(case_of(20.0), observer=seen) as study:
        made, _ = limits_of(study, ["friction", "casing"])
    assert len(runs.made) == after and len(made) == min(1, after)
    for one in made:
        assert all(not crossing.closed for crossing in one.crossings)
        assert sentence_of(one)
    runs.trouble = lambda case: None
    with Study(case_of(20.0)) as again:
        assert limit_of(again, "friction").crossings[0].closed
    assert len(runs.made) <= 10, "what was there is not computed again"
