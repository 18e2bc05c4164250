"""The accepted file: what is kept, how it is written and read, and its history."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from made_results import deployed, jammed
from small_cases import small_case

import fem.results.baseline
from fem.case.definition import Case
from fem.core.errors import InputError
from fem.results.baseline import (
    HISTORY,
    MOST_ROWS,
    Baseline,
    acceptance_lines,
    accepted,
    jam_row,
    read,
    reference_file,
    reference_files,
    write,
)
from fem.results.outcome import Status
from fem.results.provenance import provenance
from fem.results.result import Quantity, Result


@pytest.fixture
def case(tmp_path: Path) -> Case:
    return small_case(tmp_path)


def run_of(case: Case, result: Result | None = None, **more: object) -> Result:
    return replace(result or deployed(), case_name=case.name, provenance=provenance(case, "rod"), **more)  # type: ignore[arg-type]


def moved_to(result: Result, value: float) -> Result:
    name = "deploy_torque_peak"
    return replace(result, quantities=dict(result.quantities) | {name: Quantity(value, "N mm")})


def test_what_is_written_is_what_is_read(case: Case, tmp_path: Path) -> None:
    made = accepted(case, run_of(case, jammed()), "  first\n numbers ", None)
    file = write(made, tmp_path / "reference")
    assert file == tmp_path / "reference" / "small.rod.json"
    back = read(file)
    assert text_of(back) == text_of(made)
    assert back.history[0].why == "first numbers"
    assert list(reference_files(tmp_path / "reference")) == [("small", "rod", file)]


def text_of(baseline: Baseline) -> str:
    """All of it as text, in which nan equals nan."""
    return json.dumps(baseline.model_dump(), sort_keys=True)


def test_it_is_small_and_keeps_the_curve(case: Case, tmp_path: Path) -> None:
    result = run_of(case, jammed())
    travel, torque = (float(result.column(name)[280]) for name in ("travel_mm", "torque_Nmm"))
    assert result.jam is not None
    result = replace(result, jam=replace(result.jam, travel_mm=travel, torque_Nmm=torque))
    made = accepted(case, result, "first", None)
    assert {len(column) for column in made.path.values()} <= set(range(50, MOST_ROWS + 1))
    assert max(made.thinned_within.values()) < 0.005
    assert write(made, tmp_path).stat().st_size < 40_000
    row = jam_row(made.path, made.jam)
    assert row is not None
    assert made.path["travel_mm"][row] == pytest.approx(travel, rel=1e-5)


def test_bookkeeping_and_empty_columns_stay_out(case: Case) -> None:
    path = accepted(case, run_of(case), "first", None).path
    assert {
        "phase",
        "axle_angle_rad",
        "travel_mm",
        "torque_Nmm",
        "push_N",
        "loss_friction_Nmm",
    } <= path.keys()
    assert not {"step", "time_s", "audit_error", "tip_x_mm"} & path.keys()


def test_every_line_of_the_file_says_one_thing(case: Case, tmp_path: Path) -> None:
    lines = write(accepted(case, run_of(case), "first", None), tmp_path).read_text().splitlines()
    assert sum('"deploy_torque_peak"' in line and '"value"' in line for line in lines) == 1
    assert sum(line.strip().startswith('"torque_Nmm": [') for line in lines) == 1
    assert len(lines) < 120


def test_the_history_has_what_moved_old_and_new_newest_first(case: Case, tmp_path: Path) -> None:
    first = accepted(case, run_of(case), "first", None, "2026-03-01")
    write(first, tmp_path)
    thicker = small_case(tmp_path, thickness=1.0)
    second = accepted(
        thicker,
        moved_to(run_of(thicker), 52.0),
        "thicker strip",
        read(reference_file(tmp_path, "small", "rod")),
        "2026-03-02",
    )
    newest, oldest = read(write(second, tmp_path)).history
    assert (oldest.why, oldest.moved, oldest.keys) == ("first", (), ())
    assert (newest.date, newest.why) == ("2026-03-02", "thicker strip")
    assert acceptance_lines(newest) == [
        "2026-03-02 deployed: thicker strip",
        "  strip.layers[1].thickness: 0.8 -> 1",
        "  deploy_torque_peak: 43.9 -> 52 N mm (+18.5 %)",
    ]


def test_the_history_is_bounded(case: Case) -> None:
    made = None
    for day in range(HISTORY + 5):
        made = accepted(case, moved_to(run_of(case), 40.0 + day), f"why {day}", made)
    assert made is not None
    assert [line.why for line in made.history] == [f"why {day}" for day in range(HISTORY + 4, 4, -1)]


def test_a_number_that_came_and_one_that_went_are_in_the_history(case: Case, tmp_path: Path) -> None:
    result = run_of(case)
    numbers = dict(result.quantities)
    numbers["brand_new"] = numbers.pop("retract_torque_peak")
    second = accepted(case, replace(result, quantities=numbers), "why", accepted(case, result, "first", None))
    lines = acceptance_lines(read(write(second, tmp_path)).history[0])
    assert "  retract_torque_peak: 19.4 -> - N mm" in lines
    assert "  brand_new: - -> 19.4 N mm" in lines


@pytest.mark.parametrize("why", ["", "  \n "])
def test_a_reason_must_be_given(case: Case, why: str) -> None:
    with pytest.raises(InputError, match=r"--why is empty; say why"):
        accepted(case, run_of(case), why, None)


def test_what_did_not_converge_is_refused(case: Case) -> None:
    with pytest.raises(InputError, match=r"small: the rod run did not converge.*halve solver.turn"):
        accepted(case, run_of(case, status=Status.NOT_CONVERGED), "why", None)


def test_a_run_of_another_version_of_the_case_is_refused(case: Case, tmp_path: Path) -> None:
    result = run_of(case)
    with pytest.raises(InputError, match="another version of the case; run it again"):
        accepted(small_case(tmp_path, thickness=1.0), result, "why", None)


def test_an_interrupted_accept_leaves_the_old_file(
    case: Case, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = write(accepted(case, run_of(case), "first", None), tmp_path / "reference")
    before = file.read_bytes()

    class PowerCut(BaseException):
        pass

    def stopped(number: int) -> None:
        raise PowerCut

    monkeypatch.setattr(fem.results.baseline.os, "fsync", stopped)
    with pytest.raises(PowerCut):
        write(accepted(case, moved_to(run_of(case), 52.0), "second", read(file)), tmp_path / "reference")
    assert file.read_bytes() == before
    assert [one.name for one in file.parent.iterdir()] == [file.name]


def test_the_new_file_comes_whole_by_renaming(
    case: Case, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = write(accepted(case, run_of(case), "first", None), tmp_path)
    before = file.read_bytes()

    def refused(self: Path, target: Path) -> Path:
        assert target == file and json.loads(self.read_text())["history"][0]["why"] == "second"
        raise OSError(1, "not permitted")

    monkeypatch.setattr(Path, "replace", refused)
    with pytest.raises(InputError, match="an earlier one is untouched"):
        write(accepted(case, moved_to(run_of(case), 52.0), "second", read(file)), tmp_path)
    assert file.read_bytes() == before


def test_a_half_written_file_of_a_killed_process_is_not_taken_for_a_reference(
    case: Case, tmp_path: Path
) -> None:
    file = write(accepted(case, run_of(case), "first", None), tmp_path)
    (tmp_path / ".small.rod.0123.partial").write_text(file.read_text()[:1000])
    assert [one[2] for one in reference_files(tmp_path)] == [file]


def test_a_disk_that_refuses_is_told(case: Case, tmp_path: Path) -> None:
    (tmp_path / "reference").write_text("a file where the folder should be")
    with pytest.raises(InputError, match=r"small.rod.json: cannot write the reference .* untouched"):
        write(accepted(case, run_of(case), "first", None), tmp_path / "reference")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (('"schema": 1', '"schema": 2'), r"has schema 2, written by a newer pushpast; .*: update pushpast"),
        (('"schema": 1', '"schema": "1"'), r"schema must be a whole number from 1, got '1'; bring it back"),
        (('"schema": 1,', '"schema": 1'), r"cannot be read .*; bring it back from version control"),
        (('"status": "deployed"', '"status": 3'), r"status: Input should be a valid string; bring it back"),
        (('"travel_mm": [0.0, ', '"travel_mm": ['), r"columns of the path differ in length; bring it back"),
        (('"case": "small"', '"case": "other"'), r"holds the reference of other, rod model; give the file"),
        (('"lip": 0.5', '"lip": 0.6'), r"content.* is not what was accepted; bring it back"),
        (
            ('"thinned_within": {', '"thinned_within": {"push": 9.0, '),
            r"must be shares from 0 to 0.02; bring",
        ),
        (('"title": ', '"odd": ' + "[" * 100_000 + ', "title": '), r"nested too deeply\); bring it back"),
        (('"schema": 1', '"schema": 1' + "9" * 5000), r"cannot be read .*; bring it back"),
    ],
)
def test_a_damaged_or_future_file_is_told_with_its_remedy(
    case: Case, tmp_path: Path, change: tuple[str, str], message: str
) -> None:
    file = write(accepted(case, run_of(case), "first", None), tmp_path)
    text = file.read_text()
    assert change[0] in text
    file.write_text(text.replace(*change, 1))
    with pytest.raises(InputError, match=message) as raised:
        read(file)
    assert str(raised.value).startswith(f"{file}: ")


def test_a_run_without_rows_is_kept_too(case: Case, tmp_path: Path) -> None:
    empty = replace(run_of(case), path={})
    back = read(write(accepted(case, empty, "stops at once", None), tmp_path))
    assert back.path == {} and back.thinned_within == {}


def test_a_path_without_a_curve_is_thinned_evenly(case: Case) -> None:
    rows = np.arange(1000.0)
    made = accepted(case, replace(run_of(case), path={"phase": rows * 0 + 3, "odd": rows}), "why", None)
    assert len(made.path["odd"]) == MOST_ROWS
    assert (made.path["odd"][0], made.path["odd"][-1]) == (0.0, 999.0)


def test_a_file_cut_off_anywhere_is_never_read_as_whole(case: Case, tmp_path: Path) -> None:
    file = write(accepted(case, run_of(case), "first", None), tmp_path)
    content = file.read_bytes().rstrip()
    for length in [*range(0, len(content), 997), len(content) - 1]:
        file.write_bytes(content[:length])
        with pytest.raises(InputError, match=r"small.rod.json: the reference cannot be read"):
            read(file)


@pytest.mark.parametrize("name", sorted(Baseline.model_fields))
def test_a_file_without_one_of_its_keys_is_refused(case: Case, tmp_path: Path, name: str) -> None:
    file = write(accepted(case, run_of(case), "first", None), tmp_path)
    content = json.loads(file.read_text())
    del content[name]
    file.write_text(json.dumps(content))
    with pytest.raises(InputError, match=rf"{name}: Field required; bring it back"):
        read(file)
