import json
from collections.abc import Callable
from pathlib import Path

import pytest
from stand_in_runs import StandIn

from fem.case.definition import Case, read_case
from fem.case.study_tables import Vary
from fem.case.variation import changed
from fem.core.errors import InputError
from fem.study.found_design import changed_values, columns, compared, document, sentences, write_case
from fem.study.goal_terms import terms_of
from fem.study.optimise import Plan, optimised
from fem.study.search_result import Optimised
from fem.study.study import Options, Study

GOAL = "[goal]\ndeploy_margin = { at_least = 0.3 }\n"
OUT_OF_REACH = GOAL + "stiffness_out_N_per_mm = { at_least = 0.02 }\n"
RANGES = (Vary("strip.layers[1].thickness", 0.5, 0.95), Vary("friction", 0.05, 0.25))


def found(case: Case, runs: int = 12) -> Optimised:
    with Study(case, options=Options(stiffness=True)) as study:
        return optimised(study, terms_of(case), RANGES, Plan(runs))


def test_old_stands_beside_new(runs: StandIn, case_of: Callable[..., Case]):
    made = found(case_of(extra=GOAL))
    assert [name for name, _ in columns(made)] == ["as it is", "new", "new, finer"]
    lines = {line.name: line for line in compared(made)}
    margin = lines["deploy_margin"]
    assert margin.values[0] == pytest.approx(1.0 - 0.5 * 2.718281828**0.5)  # T = 10 exp(5 x .1) of 20
    assert margin.values[1] >= 0.3 and margin.kept and margin.asked == "at least 0.3"
    assert lines["retract_torque_peak_Nmm"].kept is None and lines["retract_torque_peak_Nmm"].unit == "N mm"
    assert {key for key, *_ in changed_values(made)} <= {asked.key for asked in RANGES}


def test_a_goal_that_is_met_says_so(runs: StandIn, case_of: Callable[..., Case]):
    made = found(case_of(extra=GOAL))
    assert next(sentences(made)) == f"The goal is met, found in {made.runs} runs."
    told = document(made, Path("new.toml"))
    assert told["met"] is True and told["file"] == "new.toml" and told["runs"] == made.runs
    assert told["best"]["quantities"]["deploy_margin"]["value"] >= 0.3
    assert told["stops"] == {}
    json.dumps(told, allow_nan=False)


def test_a_goal_out_of_reach_names_what_stops_it(runs: StandIn, case_of: Callable[..., Case]):
    made = found(case_of(extra=OUT_OF_REACH), 16)
    text = " ".join(sentences(made))
    assert "The goal is not met in 16 runs. The nearest design misses" in text
    assert "What stops it is stiffness_out_N_per_mm at least 0.02" in text
    told = document(made, None)
    assert told["met"] is False and told["file"] is None
    assert told["stops"]["stiffness_out_N_per_mm at least 0.02"]["value"] < 0.02


def test_the_new_case_extends_the_old_one_and_says_why(
    runs: StandIn, case_of: Callable[..., Case], tmp_path: Path
):
    case = case_of(extra=GOAL)
    made = found(case)
    file = write_case(made, tmp_path / "found.toml")
    text = file.read_text()
    assert 'extends = "small.toml"' in text
    assert "# Found by a search of" in text and "The goal is met" in text
    for key, old, new, _ in changed_values(made):
        if key.startswith("strip"):
            assert f"# {key}: {old:g} -> {new:.6g}"[:30] in text
    assert "# deploy_margin: 0.1756 -> " in text
    assert made.best is not None
    assert read_case(file).digest == changed(case, made.best.row.changes).digest
    with pytest.raises(InputError, match="exists already"):
        write_case(made, file)
