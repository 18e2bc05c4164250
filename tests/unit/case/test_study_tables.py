"""What a case file asks of studies, and what is told of what cannot be asked."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from small_cases import small_text

from fem.case.changes import rewritten
from fem.case.definition import Case, read_case
from fem.case.study_tables import Aim, Bound, Goal, Vary, vary_fault
from fem.case.variation import changed
from fem.core.errors import CaseError


def case_with(folder: Path, extra: str) -> Case:
    file = folder / "small.toml"
    file.write_text(small_text(extra=extra))
    return read_case(file)


ASKED = """
[[vary]]
key = "casing.radius"
low = 6.5
high = 8.0
step = 0.25
[[vary]]
key = "strip.winding"
choices = ["equal", "opposite"]
[goal]
deploy_margin = { at_least = 0.3 }
strain_share_working = { at_most = 0.9 }
casing.radius = { at_most = 8.0 }
"slot.gap" = { at_most = 2.0 }
minimise = "casing.radius"
"""


def test_ranges_choices_bounds_and_wishes_are_read(tmp_path: Path) -> None:
    case = case_with(tmp_path, ASKED)
    ranged, chosen = case.vary
    assert ranged == Vary("casing.radius", 6.5, 8.0, 0.25)
    assert (chosen.key, chosen.choices) == ("strip.winding", ("equal", "opposite"))
    assert case.goal == Goal(
        (
            Bound("deploy_margin", at_least=0.3),
            Bound("strain_share_working", at_most=0.9),
            Bound("casing.radius", at_most=8.0),
            Bound("slot.gap", at_most=2.0),
        ),
        (Aim("casing.radius", 1),),
    )
    assert case.goal.bounds[0].margin(0.5) == pytest.approx(0.2)
    assert case.goal.bounds[1].margin(1.0) == pytest.approx(-0.1)


def test_a_case_without_them_asks_nothing(tmp_path: Path) -> None:
    case = case_with(tmp_path, "")
    assert case.vary == () and case.goal is None


def test_they_are_no_part_of_what_is_simulated(tmp_path: Path) -> None:
    plain, asking = case_with(tmp_path, ""), case_with(tmp_path, ASKED)
    assert asking.digest == plain.digest and asking.design_digest == plain.design_digest
    assert not rewritten({"strip": 1}, {"strip": 1, "vary": [1], "goal": {"a": 1}})


def test_a_changed_case_asks_the_same(tmp_path: Path) -> None:
    case = case_with(tmp_path, ASKED)
    assert changed(case, {"casing.radius": 7.5}).vary == case.vary
    assert changed(case, {"casing.radius": 7.5}).goal == case.goal


@pytest.mark.parametrize(
    ("extra", "key", "words"),
    [
        ('[[vary]]\nkey = "casing.radius"\nlow = 8.0\nhigh = 7.0', "vary[1].high", "the range is empty"),
        ('[[vary]]\nkey = "casing.radius"\nlow = 8.0\nhigh = 8.0', "vary[1].high", "the range is empty"),
        ('[[vary]]\nkey = "casing.radius"\nlow = 8.0', "vary[1].high", "is missing"),
        ('[[vary]]\nlow = 8.0\nhigh = 9.0', "vary[1].key", "is missing"),
        ('[[vary]]\nkey = " "\nlow = 8.0\nhigh = 9.0', "vary[1].key", "is empty"),
        ('[[vary]]\nkey = "a"\nchoices = [1.0]', "vary[1].choices", "at least 2"),
        ('[[vary]]\nkey = "a"\nchoices = [1.0, 2.0]\nlow = 1.0', "vary[1].choices", "either choices or"),
        ('[[vary]]\nkey = "a"\nlow = 1.0\nhigh = 2.0\nstep = 0.0', "vary[1].step", "must be > 0"),
        ('[[vary]]\nkey = "a"\nlow = 1.0\nhigh = 2.0\nsteps = 0.1', "vary[1].steps", 'perhaps "step"'),
        ("[goal]\ndeploy_margn = { at_least = 0.3 }", "goal.deploy_margn", 'perhaps "deploy_margin"'),
        ("[goal]\ndeploy_margin = { atleast = 0.3 }", "goal.deploy_margin.atleast", 'perhaps "at_least"'),
        ("[goal]\ndeploy_margin = { at_least = true }", "goal.deploy_margin.at_least", "must be a number"),
        ("[goal]\ndeploy_margin = 0.3", "goal.deploy_margin", "must be a bound"),
        ("[goal]\ndeploy_margin = { at_least = 0.3, at_most = 0.1 }", "goal.deploy_margin", "contradicts"),
        ('[goal]\nminimise = "weight"', "goal.minimise", "is no number of a run"),
        ("[goal]\nminimise = 3", "goal.minimise", "must name a number or a key"),
        ('[goal]\nminimise = ["a.b", "c.d"]\nmaximise = "e.f"', "goal", "at most 2"),
    ],
)  # fmt: skip
def test_what_cannot_be_asked_is_told_with_its_line(extra: str, key: str, words: str, tmp_path: Path) -> None:
    with pytest.raises(CaseError) as told:
        case_with(tmp_path, extra)
    (fault,) = told.value.faults
    assert fault.key == key and words in fault.message and fault.line is not None


def test_the_same_key_twice_is_refused(tmp_path: Path) -> None:
    item = '[[vary]]\nkey = "casing.radius"\nlow = 7.0\nhigh = 8.0\n'
    with pytest.raises(CaseError, match=r"vary\[2\].key: .*listed twice"):
        case_with(tmp_path, item + item)


def test_a_range_without_numbers_is_no_range() -> None:
    assert vary_fault(Vary("a", 1.0, 2.0)) is None
    assert vary_fault(Vary("a", 1.0, math.inf)) == (
        "high", "is missing for a; write low and high, or choices",
    )  # fmt: skip
