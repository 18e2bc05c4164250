import re
from collections.abc import Callable
from pathlib import Path

from stand_in_runs import StandIn

from fem.case.definition import Case
from fem.case.study_tables import Vary
from fem.study.found_page import found_page, write_found_page
from fem.study.goal_terms import terms_of
from fem.study.optimise import Plan, optimised
from fem.study.study import Study

GOAL = "[goal]\ndeploy_margin = { at_least = 0.3 }\n"


def test_old_and_new_stand_side_by_side(runs: StandIn, case_of: Callable[..., Case], tmp_path: Path):
    case = case_of(extra=GOAL)
    with Study(case) as study:
        made = optimised(study, terms_of(case), [Vary("strip.layers[1].thickness", 0.5, 0.95)], Plan(10))
    text = found_page(made)
    assert "goal met" in text and "strip.layers[1].thickness" in text
    # torque, section, surroundings, developed strip: each of old and new
    assert len(re.findall(r"<svg", text)) == 8
    assert text.count("<figcaption>as it is</figcaption>") == text.count("<figcaption>new</figcaption>") == 4
    assert "http" not in re.sub(r'xmlns="[^"]*"', "", text)
    assert write_found_page(made, tmp_path / "found.html").read_text() == text
    # a key with a mark in it would come out escaped
    assert "<script" not in text
