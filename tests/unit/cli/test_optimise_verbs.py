"""`optimise` on the command line: the table, the new case, the page, the document, bad input."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import Result as Outcome
from small_cases import CYCLE, motor, small_text
from stand_in_runs import StandIn, put_in_place
from typer.testing import CliRunner

from fem.case.definition import read_case
from fem.cli.verbs import app

GOAL = "[goal]\ndeploy_margin = { at_least = 0.3 }\n"
VARY = '[[vary]]\nkey = "strip.layers[1].thickness"\nlow = 0.5\nhigh = 0.95\n'


def call(*arguments: str) -> Outcome:
    return CliRunner().invoke(app, list(arguments), env={"COLUMNS": "200"})


@pytest.fixture
def runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> StandIn:
    """An empty working folder, and runs by a formula."""
    monkeypatch.chdir(tmp_path)
    return put_in_place(monkeypatch)


def write(extra: str = GOAL + VARY) -> str:
    Path("small.toml").write_text(small_text(CYCLE, extra=motor(20.0) + extra, friction=0.1))
    return "small.toml"


def test_a_search_ends_with_a_new_case_and_its_page(runs: StandIn) -> None:
    told = call("optimise", write(), "--runs", "12", "--html", "found.html")
    assert told.exit_code == 0, told.output
    for words in ("strip.layers[1].thickness", "as it is", "new, finer", "at least 0.3", "The goal is met"):
        assert words in told.stdout
    assert "wrote small-optimised.toml" in told.stderr and "wrote found.html" in told.stderr
    new = read_case("small-optimised.toml")
    assert new.strip.thickness < 0.76  # 10 (t / .8)^3 exp(.5) of 20 is at most .7
    again = call("optimise", "small.toml", "--runs", "12")
    assert again.exit_code == 2 and "small-optimised.toml exists already" in again.stderr


def test_the_document_names_the_best_and_the_file(runs: StandIn) -> None:
    told = call("optimise", write(), "--runs", "12", "--json", "--out", "better.toml")
    document = json.loads(told.stdout)
    assert document["met"] is True and document["file"] == "better.toml"
    assert document["best"]["values"]["strip.layers[1].thickness"] < 0.76
    assert document["schema"] == 1 and document["runs"] <= 12


def test_a_goal_that_cannot_be_met_is_a_result(runs: StandIn) -> None:
    told = call("optimise", write(), "--vary", "friction=0.2:0.4", "--runs", "12")
    assert told.exit_code == 0, told.output
    assert "The goal is not met in 12 runs" in told.stdout and "What stops it is deploy_margin" in told.stdout
    assert "friction at its lower end" in told.stdout
    assert "nearest to the goal" in Path("small-optimised.toml").read_text()


def test_a_goal_met_at_the_worst_of_two_frictions(runs: StandIn) -> None:
    told = call("optimise", write(), "--friction", "0.05:0.2", "--runs", "20", "--json")
    best = json.loads(told.stdout)["best"]
    # 10 (t / .8)^3 exp(1) of 20 is at most .7
    assert best["values"]["strip.layers[1].thickness"] < 0.8 * (1.4 / 2.718281828) ** (1 / 3)


@pytest.mark.parametrize(
    ("extra", "options", "message"),
    [
        (VARY, (), "has no goal"),
        (GOAL, (), "nothing to vary"),
        (GOAL + VARY.replace("low = 0.5", "low = 1.5"), (), "the range is empty"),
        (GOAL + VARY.replace("thickness", "thicknes"), (), "unknown key"),
        (GOAL.replace("deploy_margin", "deploy_margn") + VARY, (), "is no number of a run"),
        (GOAL.replace("0.3", "0.3, at_most = 0.1") + VARY, (), "contradicts itself"),
        (GOAL + VARY, ("--friction", "0.3:0.1"), "the range is empty"),
        (GOAL + VARY, ("--friction", "some"), "is no range"),
        (GOAL + VARY, ("--minutes", "0"), "must be > 0"),
        (GOAL + VARY, ("--out", "new.txt"), "ends in .toml"),
    ],
)
def test_what_cannot_be_is_one_clear_fault(
    runs: StandIn, extra: str, options: tuple[str, ...], message: str
) -> None:
    told = call("optimise", write(extra), *options)
    assert told.exit_code == 2 and message in told.stderr, told.output
    assert len(told.stderr.strip().splitlines()) == 1
    assert runs.made == []


def test_a_name_that_no_case_can_have_is_refused_before_the_search(runs: StandIn) -> None:
    for name in ("-better.toml", "better.txt"):
        told = call("optimise", write(), f"--out={name}")
        assert told.exit_code == 2 and name.split(".")[0] in told.stderr, told.output
    assert not runs.made


# ---- sensitivity -------------------------------------------------------------------------------------------


def test_what_matters_most_stands_first(runs: StandIn) -> None:
    told = call("sensitivity", write(""))
    assert told.exit_code == 0, told.output
    lines = told.stdout.splitlines()
    at = lines.index(next(line for line in lines if line.startswith("hardest torque pushing out")))
    assert lines[at + 1].split()[:2] == ["strip.layers[1].thickness", "+3.00"]
    assert lines[at + 2].split()[:2] == ["casing.radius", "+1.00"]
    assert "not to be told from nothing: " in told.stdout and "axle.radius (+0.00" in told.stdout
    assert "moved by 5 % either way" in told.stdout


def test_numbers_that_are_asked_for_alone(runs: StandIn) -> None:
    told = call("sensitivity", write(""), "casing.radius", "--json", "--step", "0.1")
    document = json.loads(told.stdout)
    found = document["quantities"]["deploy_torque_peak_Nmm"]
    assert [one["key"] for one in found] == ["casing.radius"]
    assert abs(found[0]["elasticity"] - 1.0) < 1e-9 and document["step"] == 0.1


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("casing.raduis",), "unknown key"),
        (("strip.section.kind",), "is no number"),
        (("casing.radius", "--step", "2"), "must be above 0"),
    ],
)
def test_what_cannot_be_moved_is_one_clear_fault(
    runs: StandIn, arguments: tuple[str, ...], message: str
) -> None:
    told = call("sensitivity", write(""), *arguments)
    assert told.exit_code == 2 and message in told.stderr, told.output
