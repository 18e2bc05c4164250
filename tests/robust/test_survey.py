"""Small random designs come to a verdict, and what is said of the others is true."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from one_design import NUMERICAL, REFUSED, REFUSED_IN_PLACE, outcome_of
from random_designs import PLAIN, SMALL, WIDE, design
from survey import BROKEN, NO_VERDICT, TIME_OUT, run_design, survey, table

from fem.case.definition import read_case
from fem.contact.sides import MOST_DEPTH
from fem.core.errors import CaseError
from fem.results.outcome import Status

LEAST_READ = 0.5


@pytest.mark.parametrize("number", range(10))
def test_a_small_design_comes_to_a_verdict(number: int, tmp_path: Path) -> None:
    file = tmp_path / f"{number}.toml"
    file.write_text(design(number, SMALL))
    row = outcome_of(file, "rod")
    assert row["outcome"] in {REFUSED, *Status} - {Status.NOT_CONVERGED}, row
    if row["outcome"] != REFUSED:
        assert row["gap"] > -MOST_DEPTH
        assert row["closure"] < 0.02  # what a run itself expects of its energy balance


@pytest.mark.parametrize("space", [WIDE, PLAIN, SMALL], ids=["wide", "plain", "small"])
def test_a_number_gives_one_design_and_most_can_be_read(space, tmp_path: Path) -> None:
    file, read, faults = tmp_path / "case.toml", 0, []
    for number in range(40):
        text = design(number, space)
        assert text == design(number, space)
        assert text != design(number + 1, space)
        file.write_text(text)
        try:
            read_case(file)
            read += 1
        except CaseError as problem:
            faults += problem.faults
    # what is drawn is laid out as a case file is: only geometry is refused
    assert all(fault.key and "; " in fault.message for fault in faults), faults
    assert read > LEAST_READ * 40


def test_all_kinds_are_drawn() -> None:
    drawn = "\n".join(design(number, WIDE) for number in range(150))
    wanted = (
        "retract-then-deploy", "retract", "deploy", "bend", "column", "press", "coil", "plane", "cylinder",
        "bar", "guide", "flat", "arc", "curve",
    )  # fmt: skip
    assert all(f'kind = "{kind}"' in drawn for kind in wanted)
    for keys in ("through = ", "across = ", "along = ", "[weight]", "[motor]", 'winding = "opposite"'):
        assert keys in drawn
    plain = "\n".join(design(number, PLAIN) for number in range(150))
    assert "[[obstacles]]" not in plain
    assert "coil" not in plain


def test_a_run_in_its_own_process_tells_what_became_of_it(tmp_path: Path) -> None:
    good, bad, odd = (tmp_path / f"{name}.toml" for name in ("good", "bad", "odd"))
    good.write_text(design(0, SMALL).replace("retract-then-deploy", "retract").replace("safe_travel", "# "))
    bad.write_text(design(0, SMALL).replace("[axle]\n", "[axle]\nradiu = 3.0\n"))
    odd.write_text(design(0, SMALL).replace("[solver]\n", "[solver]\nturn = 0.1\n"))  # takes long
    run, refused = run_design(good, "rod", 60.0), run_design(bad, "rod", 60.0)
    assert run["outcome"] in set(Status) - {Status.NOT_CONVERGED}
    assert 0.0 < run["cpu"] < 60.0
    assert 50.0 < run["memory"] < 600.0
    assert refused["outcome"] == REFUSED
    assert "axle.radiu" in refused["message"]
    late = run_design(odd, "rod", 3.0)  # on a busy machine it may not say a word within one
    assert late["outcome"] == TIME_OUT
    assert "%: " in late["message"], "where it stood"
    assert outcome_of(good, "plank")["outcome"] == REFUSED_IN_PLACE


def test_a_survey_goes_on_where_it_stood(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []

    def stand_in(file: Path, model: str, seconds: float) -> dict[str, object]:
        asked.append(file.stem)
        return {"design": file.stem, "outcome": BROKEN, "message": "a | b", "cpu": 2.0, "memory": 100.0}

    monkeypatch.setattr("survey.run_design", stand_in)
    kept, files = tmp_path / "rows.jsonl", [Path("a.toml"), Path("b.toml")]
    known = {"design": "a", "outcome": str(Status.JAMMED), "message": "", "cpu": 1.0, "memory": 90.0}
    known |= {"drag": [0.001, float("nan")], "closure": 0.01, "gap": -0.1}
    kept.write_text(json.dumps(known) + "\n")
    rows = list(survey(files, "rod", 1.0, kept))
    assert asked == ["b"]
    assert [row["design"] for row in rows] == ["a", "b"]
    assert len(kept.read_text().splitlines()) == 2
    told = table(rows, "two")
    assert f"| {Status.JAMMED} | 1 |" in told
    assert f"| a |  | {Status.JAMMED} | 1.0 | 90 | 0.1 | 1 | -0.1 |" in told
    assert "a \\| b" in told
    assert "longest 2.0 s" in told
    assert {NUMERICAL, TIME_OUT, BROKEN} == set(NO_VERDICT)
