"""Runs of a study: each once, whatever becomes of it a row; kept, found again, side by side, gone on with."""

from __future__ import annotations

import json
import math
import multiprocessing
import os
import signal
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from batch_jobs import Seen
from small_cases import CYCLE, motor, small_case
from stand_in_runs import StandIn, made_result

from fem.batch.job import Done, Job
from fem.batch.workers import Observer
from fem.case.definition import Case
from fem.case.variation import changed
from fem.core.errors import InputError
from fem.report.json_documents import overdue
from fem.results.outcome import NoResult, Status
from fem.results.provenance import stamp
from fem.results.result import Result, write
from fem.simulation.run import run_case
from fem.study.record import Wanted, read_record
from fem.study.study import Options, Study
from fem.study.table import Row

EVERY = [{"friction": friction} for friction in (0.0, 0.1, 0.2)]


def test_a_row_for_each_design_in_order(runs: StandIn, case_of: Callable[..., Case]) -> None:
    with Study(case_of(20.0)) as study:
        rows = study.run([*EVERY, {}])
    assert [row.values for row in rows] == [*EVERY, {}]
    assert [row.status for row in rows] == [Status.DEPLOYED, Status.DEPLOYED, Status.JAMMED, Status.DEPLOYED]
    assert rows[1].asked == pytest.approx(10.0 * math.exp(0.5) / 20.0)
    assert rows[3].digest == rows[1].digest == study.case.digest
    assert rows[1].changes == {"friction.strip": 0.1, "friction.wraps": 0.1}
    assert study.rows == rows and study.computed == 3 == len(runs.made), "the same case is run once"


def test_nothing_is_computed_twice(runs: StandIn, case_of: Callable[..., Case]) -> None:
    with Study(case_of()) as study:
        first = study.run(EVERY)
        assert all(row.computed for row in first)
        found = study.run(EVERY)
        assert found == [replace(row, computed=False) for row in first]
    with Study(case_of()) as again:
        assert again.run(EVERY) == found and again.computed == 0
    assert len(runs.made) == 3
    (Path("results/studies/runs") / f"{first[0].digest[:32]}.json").unlink()
    with Study(case_of()) as third:
        third.run(EVERY)
    assert len(runs.made) == 4, "only what is gone"


def test_an_ordinary_run_that_is_there_is_used(runs: StandIn, case_of: Callable[..., Case]) -> None:
    case = changed(case_of(5.0), {"friction.strip": 0.2, "friction.wraps": 0.2})
    write(replace(StandIn()(case), provenance=stamp(case, "rod")), Path("results/runs/mine"))
    with Study(case_of(5.0)) as study:
        row, other = study.run([{"friction": 0.2}, {"friction": 0.3}])
    assert study.computed == 1 and len(runs.made) == 1
    assert row.status == Status.JAMMED and row.asked == other.asked == 2.0


def test_a_run_of_another_program_is_not(
    runs: StandIn, case_of: Callable[..., Case], monkeypatch: pytest.MonkeyPatch
) -> None:
    with Study(case_of()) as study:
        study.run(EVERY)
    monkeypatch.setattr("fem.study.study.stamp", lambda case, model: {"code_digest": "other"})
    with Study(case_of()) as study:
        study.run(EVERY)
        assert study.computed == 3


def test_more_is_computed_only_if_more_is_wanted(runs: StandIn, case_of: Callable[..., Case]) -> None:
    case, design = case_of(6.0), [{"friction": 0.2}]

    def row(wanted: Wanted) -> Row:
        with Study(case, options=Options(wanted=wanted)) as study:
            (made,) = study.run(design)
        return made

    early = row(Wanted())
    assert early.asked == 2.0 and early.at_least
    farther = row(Wanted(beyond=6.0))
    assert farther.asked == pytest.approx(10.0 * math.exp(1.0) / 6.0) and len(runs.made) == 2
    assert math.isnan(farther.number("safe_travel_mm"))
    assert row(Wanted(safe_travel=True)).number("safe_travel_mm") == 20.0 and len(runs.made) == 3
    kept = read_record(next(Path("results/studies/runs").glob("*.json")))
    assert kept is not None and kept.wanted == Wanted(6.0, safe_travel=True), "what was known stays known"
    assert row(Wanted()).quantities == early.quantities
    assert row(Wanted(beyond=6.0)).quantities == farther.quantities and len(runs.made) == 3


def test_the_tip_is_pressed_if_asked(runs: StandIn, case_of: Callable[..., Case]) -> None:
    with Study(case_of(), options=Options(stiffness=True)) as study:
        thin, thick = study.run([{"thickness": 0.8}, {"thickness": 1.0}])
    ratio = thick.number("stiffness_out_N_per_mm") / thin.number("stiffness_out_N_per_mm")
    assert ratio == pytest.approx(1.25**3) and len(runs.made) == 4


def test_what_cannot_be_is_a_row_with_its_reason(runs: StandIn, case_of: Callable[..., Case]) -> None:
    def trouble(case: Case) -> Result | None:
        if case.friction.strip > 0.25:
            raise ZeroDivisionError("a defect")
        if case.friction.strip > 0.15:
            return made_result(case, Status.NOT_CONVERGED, {}, sentence="Not converged: it got stuck.")
        return None

    runs.trouble = trouble
    designs = [{"casing": 3.0}, {"friction": 0.1}, {"friction": 0.2}, {"friction": 0.3}]
    with Study(case_of()) as study:
        refused, fine, stuck, broken = study.run(designs)
        assert study.run(designs)[3] == broken, "a defect is not met twice"
    assert (refused.status, refused.went) == (NoResult.BAD_INPUT, None)
    assert "casing" in refused.sentence
    assert fine.went and fine.status == Status.DEPLOYED
    assert (stuck.status, stuck.sentence) == (Status.NOT_CONVERGED, "Not converged: it got stuck.")
    assert broken.status == NoResult.BROKEN_OFF and "a defect" in broken.sentence
    assert len(runs.made) == 3


def test_a_name_that_means_nothing_is_bad_input(runs: StandIn, case_of: Callable[..., Case]) -> None:
    with Study(case_of()) as study, pytest.raises(InputError, match='perhaps "radius"'):
        study.run([{"casing.radios": 3.0}])
    assert not runs.made


def test_a_stop_ends_it_and_the_rest_is_told(runs: StandIn, case_of: Callable[..., Case]) -> None:
    seen = Seen()

    def trouble(case: Case) -> Result | None:
        seen.stopping = len(runs.made) == 2
        return None

    runs.trouble = trouble
    with Study(case_of(), observer=seen) as study:
        rows = study.run(EVERY)
    assert [row.status for row in rows] == [Status.DEPLOYED, Status.DEPLOYED, NoResult.STOPPED]
    runs.trouble = lambda case: None
    with Study(case_of()) as again:
        assert [row.status for row in again.run(EVERY)] == [Status.DEPLOYED, Status.DEPLOYED, Status.JAMMED]
    assert len(runs.made) == 3


def test_a_disk_that_refuses_is_a_reason(
    runs: StandIn, case_of: Callable[..., Case], monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(record: object, file: Path) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("fem.study.study.write_record", full)
    with Study(case_of()) as study:
        (row,) = study.run([{}])
    assert row.went is None and "No space left on device" in row.sentence


def test_five_hundred_runs_take_little_room_and_no_time(runs: StandIn, case_of: Callable[..., Case]) -> None:
    designs = [{"friction": 0.0005 * number} for number in range(500)]
    with Study(case_of()) as study:
        rows = study.run(designs)
    assert sum(file.stat().st_size for file in Path("results/studies").rglob("*") if file.is_file()) < 100e6
    files = [Path("results/studies/runs") / f"{row.digest[:32]}.json" for row in rows]
    began = time.process_time()
    assert all(read_record(file) is not None for file in files)
    assert time.process_time() - began < 1.0
    assert len(runs.made) == 500


def test_a_run_that_did_not_end_is_not_waited_for_again(
    runs: StandIn, case_of: Callable[..., Case], monkeypatch: pytest.MonkeyPatch
) -> None:
    class Ends:
        """Stands in for processes, one of which had to be ended."""

        def __init__(self, count: int) -> None:
            self.count = count

        def __exit__(self, *kind: object) -> None:
            """Nothing to end."""

        def run(self, jobs: list[Job], observer: Observer) -> None:
            for job in jobs:
                observer.done(job.name, Done(overdue(job.name, job.model, job.limit), 4))

    monkeypatch.setattr("fem.study.study.Pool", Ends)
    options = Options(apart=True)
    with Study(case_of(), options=options) as study:
        (row,) = study.run([{}])
    assert row.status == NoResult.BROKEN_OFF and row.went is None and "600 s" in row.sentence
    monkeypatch.setattr("fem.study.study.Pool", None)
    with Study(case_of(), options=options) as again:
        (kept,) = again.run([{}])
    assert (kept.status, kept.sentence) == (row.status, row.sentence) and again.computed == 0


# ---- real runs ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def real(tmp_path_factory: pytest.TempPathFactory) -> tuple[Case, list[Row]]:
    """A quick case, and its rows over friction as one process computes them."""
    folder = tmp_path_factory.mktemp("real")
    case = small_case(folder, CYCLE, friction=0.2, extra=motor(7.5))
    with Study(case, options=Options(store=folder / "studies", stiffness=True)) as study:
        return case, study.run([{}, {"friction": 0.4}])


def numbers(rows: list[Row]) -> list[tuple[object, ...]]:
    return [(row.status, row.quantities, row.path) for row in rows]


def test_an_early_verdict_is_that_of_the_whole_run(real: tuple[Case, list[Row]]) -> None:
    case, (_, jammed) = real
    whole = run_case(changed(case, jammed.changes))
    assert jammed.status == whole.status == Status.JAMMED
    for name in ("strain_share_peak", "retract_torque_peak_Nmm"):
        named = {"strain_share_peak": "strain_share_working"}.get(name, name)
        assert jammed.number(named) == whole.quantities[name].value
    assert jammed.number("jam_travel_mm") == whole.jam.travel_mm if whole.jam else False
    last = jammed.path["torque_Nmm"][-1]
    assert max(jammed.path["torque_Nmm"]) < max(whole.path["torque_Nmm"]), "it ends sooner"
    steps = [f"{value:.6g}" for value in whole.path["torque_Nmm"]]
    assert f"{last:.6g}" in steps, "on the same steps"


def test_workers_give_the_same_rows_and_one_that_is_killed_costs_nothing(
    real: tuple[Case, list[Row]], workplace: Path
) -> None:
    case, alone = real
    killed: list[str] = []

    def kill_once(seen: Seen, name: str, share: float) -> None:
        if share > 0.3 and not killed:
            killed.append(name)
            for child in multiprocessing.active_children():
                os.kill(child.pid, signal.SIGKILL)

    seen = Seen(kill_once)
    with Study(case, options=Options(at_a_time=2, stiffness=True), observer=seen) as study:
        rows = study.run([{}, {"friction": 0.4}])
        pids = {child.pid for child in multiprocessing.active_children()}
        study.run([{"friction": 0.0, "casing": 3.0}, {"thickness": 0.7}])
        assert {child.pid for child in multiprocessing.active_children()} == pids, "they live on"
    assert killed and numbers(rows) == numbers(alone)
    assert json.dumps(rows[0].quantities) == json.dumps(alone[0].quantities)
    assert not list((workplace / "results/studies/runs/.work").glob("*.checkpoint"))
