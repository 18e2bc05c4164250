import math
from collections.abc import Callable
from dataclasses import replace

import pytest

from fem.case.definition import Case
from fem.case.study_tables import Aim, Bound
from fem.core.errors import InputError
from fem.results.outcome import Status
from fem.study.goal_terms import LASTS, in_words, largest, missed, scaled, terms_of
from fem.study.table import Row

GOAL = "[goal]\ndeploy_margin = { at_least = 0.3 }\n"


def row(**numbers: float) -> Row:
    return Row({}, {}, Status.DEPLOYED, quantities=numbers)


def test_a_bound_is_missed_by_a_share():
    assert missed(Bound("retract_torque_peak_Nmm", at_most=20.0), 22.0) == pytest.approx(math.log(1.1))
    assert missed(Bound("stiffness_out_N_per_mm", at_least=0.02), 0.01) == pytest.approx(math.log(2.0))
    assert missed(Bound("strain_share_working", 0.2, 0.8), 0.4) == pytest.approx(math.log(0.5))
    assert math.isnan(missed(Bound("strain_share_working", at_most=1.0), math.nan))


def test_a_margin_is_missed_by_what_is_asked_of_the_motor():
    bound = Bound("deploy_margin", at_least=0.3)
    assert missed(bound, 0.3) == pytest.approx(0.0)
    assert missed(bound, -1.0) == pytest.approx(
        math.log(2.0 / 0.7)
    )  # the motor is asked for twice what it has
    assert missed(bound, 0.65) == pytest.approx(math.log(0.35 / 0.7))
    assert scaled("deploy_margin", 0.9) > scaled("deploy_margin", 0.5)


def test_a_bound_at_zero_is_missed_by_the_difference():
    assert missed(Bound("slot.height", at_most=0.0), 2.0) == pytest.approx(2.0)
    assert missed(Bound("slot.height", at_least=-1.0), 2.0) == pytest.approx(-3.0)


def test_coming_out_and_lasting_are_understood_by_themselves(case_of: Callable[..., Case]):
    terms = terms_of(case_of(extra="[goal]\nminimise = 'casing.radius'\n"))
    assert [bound.name for bound in terms.bounds] == ["asked_over_available", "strain_share_working"]
    assert terms.aims == (Aim("casing.radius", 1),)
    named = terms_of(case_of(extra=GOAL + "strain_share_working = { at_most = 1.5 }\n"))
    assert [in_words(bound) for bound in named.bounds] == [
        "asked_over_available at most 1", "deploy_margin at least 0.3", "strain_share_working at most 1.5",
    ]  # fmt: skip
    stricter = terms_of(case_of(extra="[goal]\nasked_over_available = { at_most = 0.7 }\n"))
    assert stricter.bounds == (LASTS, Bound("asked_over_available", at_most=0.7))


def test_what_is_given_up_takes_its_like_with_it(case_of: Callable[..., Case]):
    terms = terms_of(case_of(extra=GOAL + "stiffness_out_N_per_mm = { at_least = 0.01 }\n"))
    names = [bound.name for bound in terms.bounds]
    left = [names[at] for at in terms.others(names.index("deploy_margin"))]
    assert left == ["strain_share_working", "stiffness_out_N_per_mm"]
    assert len(terms.others(names.index("stiffness_out_N_per_mm"))) == 3


def test_costs_and_bounds_of_a_row(case_of: Callable[..., Case]):
    terms = terms_of(case_of(extra=GOAL + "maximise = 'stiffness_out_N_per_mm'\n"))
    good = row(
        asked_over_available=0.6, deploy_margin=0.5, strain_share_working=0.5, stiffness_out_N_per_mm=0.02
    )
    assert terms.costs(good) == pytest.approx((-math.log(0.02),))
    assert terms.missed(good) == pytest.approx((math.log(0.6), math.log(0.5), math.log(0.5 / 0.7)))
    assert math.isnan(terms.costs(row(deploy_margin=0.5))[0])
    wishless = terms_of(case_of(extra=GOAL))
    assert wishless.costs(good) == pytest.approx((math.log(0.5 / 0.7),))
    stalled = replace(good, quantities=dict(good.quantities) | {"asked_over_available": 1.2})
    assert max(wishless.missed(stalled)) > 0.0  # pushing out asks for little, winding in for too much
    assert math.isnan(largest([1.0, math.nan])) and largest([1.0, 2.0]) == 2.0


@pytest.mark.parametrize(
    ("goal", "message"),
    [
        ("", "has no goal"),
        ("[goal]\ndeploy_margin = { at_least = 1.0 }\n", "leaves the strip nothing"),
        ("[goal]\nminimise = 'casing.raduis'\n", "no such key"),
    ],
)
def test_a_goal_that_cannot_be_is_refused(case_of: Callable[..., Case], goal: str, message: str):
    with pytest.raises(InputError, match=message):
        terms_of(case_of(extra=goal))


def test_a_margin_needs_a_motor(case_of: Callable[..., Case]):
    from fem.case.variation import changed

    with pytest.raises(InputError, match="has no motor"):
        terms_of(changed(case_of(extra=GOAL), {"motor": None}))
