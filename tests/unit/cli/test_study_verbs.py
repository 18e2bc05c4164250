"""The verbs of studies on the command line: tables, files, documents, exit codes, bad input."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import Result as Outcome
from small_cases import CYCLE, motor, small_text
from stand_in_runs import StandIn, border_of_friction, made_result, put_in_place
from typer.testing import CliRunner

from fem.case.definition import Case, read_case
from fem.cli.verbs import app
from fem.results.outcome import NoResult, Status
from fem.results.result import Result


def call(*arguments: str) -> Outcome:
    return CliRunner().invoke(app, list(arguments), env={"COLUMNS": "200"})


@pytest.fixture
def runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> StandIn:
    """An empty working folder, and runs by a formula."""
    monkeypatch.chdir(tmp_path)
    return put_in_place(monkeypatch)


def write(torque: float = 20.0, extra: str = "", **changes: object) -> str:
    text = small_text(CYCLE, extra=motor(torque) + extra, **({"friction": 0.1} | changes))
    Path("small.toml").write_text(text)
    return "small.toml"


# ---- sweep -------------------------------------------------------------------------------------------------


def test_a_sweep_prints_a_row_for_each_design(runs: StandIn) -> None:
    told = call("sweep", write(), "--vary", "friction=0.0:0.2:3", "--csv", "out/table.csv")
    assert told.exit_code == 0, told.output
    for words in ("0.1 deployed", "0.2 jammed: coil locks in the casing", "0.8244", "asks for least"):
        assert words in told.stdout
    assert "friction 0" in told.stdout.splitlines()[-2] and "3 of them computed now" in told.stdout
    rows = list(csv.DictReader(Path("out/table.csv").read_text().splitlines()))
    assert [row["friction"] for row in rows] == ["0.0", "0.1", "0.2"]
    assert "wrote out/table.csv" in told.stderr


def test_a_sweep_that_is_asked_again_computes_nothing(runs: StandIn) -> None:
    call("sweep", write(), "--vary", "friction=0.0:0.2:3")
    told = call("sweep", write(), "--vary", "friction=0.0:0.2:5")
    assert told.exit_code == 0 and "5 designs, 2 of them computed now" in told.stdout
    assert len(runs.made) == 5


def test_a_sweep_as_a_document(runs: StandIn) -> None:
    told = call("sweep", write(), "--vary", "friction=0.0:0.2:3", "--stiffness", "--json")
    document = json.loads(told.stdout)
    assert (document["schema"], document["case"], document["keys"]) == (1, "small", ["friction"])
    assert [run["status"] for run in document["runs"]] == [Status.DEPLOYED, Status.DEPLOYED, Status.JAMMED]
    assert document["runs"][0]["quantities"]["stiffness_out_N_per_mm"]["unit"] == "N/mm"


def test_a_sweep_is_drawn_and_told_on_a_page(runs: StandIn) -> None:
    told = call("sweep", write(), "--vary", "friction=0.0:0.2:3", "--vary", "casing=6.5:7.5:2",
                "--plot", "out/map.png", "--html", "out/map.html")  # fmt: skip
    assert told.exit_code == 0, told.output
    assert Path("out/map.png").read_bytes().startswith(b"\x89PNG")
    assert "small over friction and casing" in Path("out/map.html").read_text()
    assert "wrote out/map.png" in told.stderr and "wrote out/map.html" in told.stderr


def test_a_picture_of_no_known_kind_is_refused_before_anything_is_run(runs: StandIn) -> None:
    told = call("sweep", write(), "--vary", "friction=0.0:0.2:3", "--plot", "map.bmp")
    assert told.exit_code == 2 and "ends in .png" in told.stderr and not runs.made


def test_points_of_a_sweep_may_be_spread_evenly(runs: StandIn) -> None:
    told = call("sweep", write(), "--vary", "friction=0.0:0.2", "--vary", "casing=6.5:7.5", "--samples", "4")
    assert told.exit_code == 0 and len(runs.made) == 4


def test_what_cannot_be_computed_is_a_row_and_its_reason_is_told_once(runs: StandIn) -> None:
    def trouble(case: Case) -> Result | None:
        if case.friction.strip < 0.15:
            return None
        return replace(made_result(case, Status.NOT_CONVERGED, {}), sentence="Not converged: it got stuck.")

    runs.trouble = trouble
    told = call("sweep", write(), "--vary", "friction=0.0:0.3:4", "--vary", "casing=3:7:2")
    assert told.exit_code == 0
    assert told.stdout.count("it got stuck") == 1 and "2 of 8 without a verdict: not converged" in told.stdout
    assert "4 of 8 without a verdict: bad input: " in told.stdout
    none = call("sweep", write(), "--vary", "friction=0.2:0.3:2")
    assert none.exit_code == 3 and "none of these goes in and out" in none.stdout
    assert call("sweep", write(), "--vary", "casing=2:3:2").exit_code == 2


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "nothing to vary"),
        (["--vary", "casing.radios=6:7:3"], 'casing.radios: unknown key, perhaps "radius"'),
        (["--vary", "friction=0.3:0.2:3"], "the range is empty"),
        (["--vary", "friction"], "names no range"),
        (["--vary", "friction=0.2:0.3:3", "--limit", "0"], "--limit 0: must be > 0"),
        (["--vary", "friction=0.2:0.3:3", "--beyond", "7"], "--beyond 7: must be above 1"),
    ],
)
def test_bad_input_of_a_sweep_is_one_clear_message(arguments: list[str], words: str, runs: StandIn) -> None:
    told = call("sweep", write(), *arguments)
    assert told.exit_code == 2 and words in told.stderr and not told.stdout
    assert len(told.stderr.strip().splitlines()) == 1 and not runs.made


def test_a_fault_of_the_case_is_told_with_its_line(runs: StandIn) -> None:
    told = call("sweep", write(extra="[goal]\nweight = { at_most = 1.0 }\n"), "--vary", "casing=6:7:3")
    assert told.exit_code == 2 and "goal.weight" in told.stderr and "small.toml:" in told.stderr
    assert call("sweep", "nothing.toml", "--vary", "casing=6:7:3").exit_code == 2


def test_an_interrupt_ends_with_130_and_the_rest_goes_on_later(
    runs: StandIn, monkeypatch: pytest.MonkeyPatch
) -> None:
    stopping: list[bool] = []
    monkeypatch.setattr(
        "fem.batch.progress.ProgressDisplay.stopping", property(lambda display: bool(stopping))
    )

    def trouble(case: Case) -> Result | None:
        stopping.extend([True] if case.friction.strip > 0.05 else [])
        return None

    runs.trouble = trouble
    told = call("sweep", write(), "--vary", "friction=0.0:0.2:3")
    assert told.exit_code == 130 and told.stdout.count(NoResult.STOPPED) == 1
    stopping.clear()
    runs.trouble = lambda case: None
    assert call("sweep", write(), "--vary", "friction=0.0:0.2:3").exit_code == 0 and len(runs.made) == 3


# ---- limit -------------------------------------------------------------------------------------------------


def test_a_limit_is_told_with_the_two_runs_it_lies_between(runs: StandIn) -> None:
    told = call("limit", write(), "friction")
    assert told.exit_code == 0, told.output
    assert "friction  up to 0.139; you have 0.1, 39 % in hand" in told.stdout
    line = next(line for line in told.stdout.splitlines() if ": deployed; " in line)
    inside, outside = (float(part.split(":")[0]) for part in line.split("; "))
    assert inside < border_of_friction(20.0) < outside <= 1.02 * inside * (1 + 1e-4)
    assert len(runs.made) <= 10


def test_limits_without_a_key_are_those_that_matter_most_the_tightest_first(runs: StandIn) -> None:
    told = call("limit", write())
    lines = [line.split()[0] for line in told.stdout.splitlines() if " in hand" in line]
    assert lines[0] == "thickness" and set(lines) == {"thickness", "motor", "casing", "friction"}
    assert "left out: small: has no bend" in told.stdout


def test_a_limit_as_a_document(runs: StandIn) -> None:
    document = json.loads(call("limit", write(), "friction", "--json").stdout)
    assert (document["schema"], document["case"], document["key"], document["value"]) == (
        1, "small", "friction", 0.1,
    )  # fmt: skip
    (found,) = document["limits"]
    assert found["value"] == pytest.approx(border_of_friction(20.0), rel=0.0101)
    assert (found["status_inside"], found["status_outside"]) == (Status.DEPLOYED, Status.JAMMED)
    assert document["runs"] == len(runs.made)
    several = json.loads(call("limit", write(), "friction", "casing", "--json").stdout)
    assert {one["key"] for one in several["keys"]} == {"friction", "casing"}
    assert several["runs"] == sum(one["runs"] for one in several["keys"])


def test_a_limit_of_the_goal_and_within_a_range(runs: StandIn) -> None:
    case = write(40.0, "[goal]\ndeploy_margin = { at_least = 0.5 }\n")
    told = call("limit", case, "friction", "--goal", "--range", "0.05:0.3")
    assert "where the goal is missed" in told.stdout and "friction  up to 0.13" in told.stdout
    runs.law = lambda case: 1.0
    free = call("limit", write(41.0), "friction")
    assert free.exit_code == 0 and "it holds all the way from" in free.stdout


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["frction"], "perhaps"),
        (["casing.radios"], 'unknown key, perhaps "radius"'),
        (["strip.winding"], "has no number"),
        (["friction", "--goal"], "has no bounds to look for"),
        (["friction", "--range", "0.3:0.2"], "is empty"),
        (["friction", "--range", "a"], "is no range"),
        (["--range", "0.1:0.2"], "belongs to one key"),
        (["friction", "--limit", "-1"], "must be > 0"),
    ],
)
def test_bad_input_of_a_limit_is_one_clear_message(arguments: list[str], words: str, runs: StandIn) -> None:
    told = call("limit", write(), *arguments)
    assert told.exit_code == 2 and words in told.stderr and not told.stdout
    assert len(told.stderr.strip().splitlines()) == 1 and not runs.made


def test_help_of_the_verbs_loads_nothing_heavy() -> None:
    told = call("sweep", "--help")
    assert told.exit_code == 0 and "--vary" in told.stdout
    assert "--range" in call("limit", "--help").stdout


# ---- remedies ----------------------------------------------------------------------------------------------


def test_remedies_are_numbered_the_best_first_and_named(runs: StandIn) -> None:
    told = call("remedies", write(15.0), "--write", "better.toml")
    assert told.exit_code == 0, told.output
    lines = told.stdout.splitlines()
    assert any("as it is" in line and "jammed: coil locks in the casing" in line for line in lines)
    first = next(line for line in lines if line.lstrip().startswith("1 "))
    assert "thickness 0.8 -> 0.68" in first and Status.DEPLOYED in first
    assert "best single: thickness 0.8 -> 0.68: deployed, asks for 0.68 of the motor, 61 %" in told.stdout
    assert "best pair: " in told.stdout
    assert read_case("better.toml").strip.thickness == 0.68 and "wrote better.toml" in told.stderr


def test_a_remedy_of_a_number_can_be_written(runs: StandIn) -> None:
    case = write(15.0)
    told = call("remedies", case, "--write", "second.toml", "--take", "2")
    assert told.exit_code == 0 and read_case("second.toml").digest != read_case(case).digest
    taken = call("remedies", case, "--write", "other.toml", "--take", "99")
    assert taken.exit_code == 2 and "--take 99: there are" in taken.stderr and not Path("other.toml").exists()
    again = call("remedies", case, "--write", "second.toml")
    assert again.exit_code == 2 and "exists already" in again.stderr


def test_remedies_as_a_document(runs: StandIn) -> None:
    document = json.loads(call("remedies", write(15.0), "--safe-travel", "--json").stdout)
    assert document["schema"] == 1 and document["best"].startswith("thickness")
    jammed = [one for one in (document["present"], *document["remedies"]) if one["status"] == Status.JAMMED]
    assert jammed and all(one["quantities"]["safe_travel_mm"]["value"] == 20.0 for one in jammed)


def test_a_case_that_cannot_be_run_has_no_remedies(runs: StandIn) -> None:
    runs.trouble = lambda case: made_result(case, Status.NOT_CONVERGED, {}, sentence="It got stuck.")
    told = call("remedies", write())
    assert told.exit_code == 2 and "It got stuck." in told.stderr
