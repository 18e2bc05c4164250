import math
from collections.abc import Callable
from pathlib import Path

import pytest
from small_cases import small_case
from stand_in_runs import StandIn, push_of

from fem.case.definition import Case
from fem.core.errors import InputError
from fem.results.outcome import Status
from fem.study.sensitivity import (
    Elasticity,
    Sensitivity,
    elasticity,
    numbers_of,
    scatter_of,
    sensitivity_of,
    step_for,
)
from fem.study.study import Options, Study
from fem.study.table import Row

PUSH = "deploy_torque_peak_Nmm"


def found(case: Case, keys: tuple[str, ...] = (), **options: float) -> Sensitivity:
    with Study(case, options=Options(stiffness=True)) as study:
        return sensitivity_of(study, keys, **options)


def by_key(made: Sensitivity, quantity: str) -> dict[str, Elasticity]:
    return {one.key: one for one in made.found[quantity]}


def row(value: float, status: str = Status.DEPLOYED) -> Row:
    return Row({}, {}, status, quantities={PUSH: value})


def test_powers_and_exponentials_have_the_elasticities_of_the_formula(
    runs: StandIn, case_of: Callable[..., Case]
):
    # T = 10 (t / .8)^3 exp(5 mu) casing / 7 at mu = .1
    made = found(case_of())
    push = by_key(made, PUSH)
    assert push["strip.layers[1].thickness"].value == pytest.approx(3.0)
    assert push["casing.radius"].value == pytest.approx(1.0)
    assert push["friction.strip"].value == pytest.approx(0.5, rel=0.01)
    assert not push["axle.radius"].told and push["axle.radius"].value == 0.0
    assert [one.key for one in made.found[PUSH][:2]] == ["strip.layers[1].thickness", "casing.radius"]
    assert made.found["stiffness_out_N_per_mm"][0].value == pytest.approx(3.0)
    assert made.step == 0.05 and made.scatter[PUSH] < 1e-12


def test_scatter_is_measured_and_widens_step_and_band(
    runs: StandIn, case_of: Callable[..., Case], monkeypatch: pytest.MonkeyPatch
):
    def rough(case: Case) -> float:
        return push_of(case) * (1.0 + 0.01 * math.sin(1e3 * case.settings.turn + 7.0 * case.settings.element))

    monkeypatch.setattr(runs, "law", rough)
    made = found(case_of(), ("casing.radius", "axle.radius"))
    assert 0.003 < made.scatter[PUSH] < 0.015
    assert made.step == pytest.approx(step_for(made.scatter)) and made.step > 0.05
    push = by_key(made, PUSH)
    assert push["casing.radius"].told and abs(push["casing.radius"].value - 1.0) <= push["casing.radius"].band
    assert not push["axle.radius"].told


def test_half_and_twice_the_step_agree_within_their_bands(runs: StandIn, case_of: Callable[..., Case]):
    keys = ("strip.layers[1].thickness", "friction.strip", "casing.radius")
    made = [by_key(found(case_of(), keys, step=step), PUSH) for step in (0.025, 0.05, 0.1)]
    for key in keys:
        for other in (made[0], made[2]):
            assert abs(other[key].value - made[1][key].value) <= made[1][key].band + other[key].band + 1e-9


def test_every_number_of_the_design_is_found(tmp_path: Path):
    keys = numbers_of(small_case(tmp_path, runs="{ straight = 30.0 }, { bend = 30.0, radius = 20.0 }"))
    for key in (
        "strip.width", "strip.path.runs[1].straight", "strip.path.runs[2].radius", "strip.section.radius",
        "strip.layers[1].thickness", "axle.radius", "casing.radius", "slot.gap", "friction.wraps",
        "materials.soft.young", "materials.soft.poisson", "push.left_out",
    ):  # fmt: skip
        assert key in keys
    assert not [key for key in keys if key.startswith(("solver", "title")) or key.endswith("density")]


def test_one_side_and_a_change_of_verdict_are_told():
    one = elasticity("a.b", PUSH, (row(math.nan), row(2.0), row(2.2)), 0.01, 0.1)
    assert one is not None and one.value == pytest.approx(math.log(1.1) / 0.1)
    assert one.band == pytest.approx(2.0 * math.sqrt(2.0) * 0.01 / 0.1) and one.note == "one side only"
    two = elasticity("a.b", PUSH, (row(1.0), row(1.1), row(1.5, Status.JAMMED)), 0.0, 0.1)
    assert two is not None and two.note == "deployed below, jammed above"
    assert two.band == pytest.approx(0.5 * abs(math.log(1.5 / 1.1) - math.log(1.1)) / 0.1)
    assert elasticity("a.b", PUSH, (row(1.0), row(math.nan), row(1.0)), 0.0, 0.1) is None


def test_scatter_needs_three_runs():
    assert scatter_of([row(1.0), row(1.1)]) == {}
    assert scatter_of([row(1.0), row(1.1), row(1.21)])[PUSH] == pytest.approx(math.log(1.1))


def test_what_only_asks_for_more_is_not_taken_for_a_number(runs: StandIn, case_of: Callable[..., Case]):
    made = found(case_of(4.0), ("friction.strip",))  # asks for 16.5 of 4
    assert PUSH not in made.found
    assert made.found["strain_share_working"][0].key == "friction.strip"


def test_refused_and_unknown_numbers(runs: StandIn, case_of: Callable[..., Case]):
    made = found(case_of(friction=0.0), ("friction.strip", "casing.radius"))
    assert made.left_out == (("friction.strip", "is 0, of which no share can be taken"),)
    with pytest.raises(InputError, match="is no number"):
        found(case_of(), ("strip.section.kind",))
    with pytest.raises(InputError, match="unknown key"):
        found(case_of(), ("casing.raduis",))


def test_the_document(runs: StandIn, case_of: Callable[..., Case]):
    told = found(case_of(), ("casing.radius",)).document()
    assert told["quantities"][PUSH][0]["elasticity"] == pytest.approx(1.0)
    assert told["quantities"][PUSH][0]["told"] is True and told["schema"] == 1
