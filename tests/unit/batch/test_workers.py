"""Cases side by side in processes that may be killed: numbers and bookkeeping are those of a quiet batch."""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from batch_jobs import BEND, Seen, a_job, same_numbers
from small_cases import CYCLE

from fem.batch.workers import Pool, run_here, run_workers
from fem.results.outcome import NoResult, Status

pytestmark = pytest.mark.usefixtures("workplace")


def kill_workers() -> None:
    for child in multiprocessing.active_children():
        os.kill(child.pid, signal.SIGKILL)


def test_workers_give_the_same_numbers(undisturbed: Callable[..., Path]) -> None:
    calm = undisturbed(BEND)
    seen = Seen()
    run_workers([a_job("a"), a_job("b"), a_job("c")], 2, seen)
    assert {name: seen.status(name) for name in seen.results} == dict.fromkeys("abc", Status.HELD)
    for name in "abc":
        assert same_numbers(calm, Path("runs") / name)


def test_a_worker_that_is_killed_costs_nothing(undisturbed: Callable[..., Path]) -> None:
    calm = undisturbed(CYCLE, friction=0.1)
    killed: list[float] = []

    def kill_once(seen: Seen, name: str, share: float) -> None:
        if share > 0.3 and not killed:
            killed.append(share)
            kill_workers()

    seen = Seen(kill_once)
    run_workers([a_job("a", CYCLE, friction=0.1), a_job("b")], 1, seen)
    assert killed
    (note,) = seen.notes
    assert note.startswith("a: ")
    assert [seen.status(name) for name in "ab"] == [Status.DEPLOYED, Status.HELD]
    assert same_numbers(calm, Path("runs/a"))


def test_a_case_whose_worker_is_killed_twice_is_given_up() -> None:
    seen = Seen(lambda seen, name, share: kill_workers() if name == "a" and share > 0.0 else None)
    run_workers([a_job("a", CYCLE), a_job("b")], 1, seen)
    assert seen.status("a") == NoResult.BROKEN_OFF
    assert seen.results["a"].code == 3
    assert seen.status("b") == Status.HELD
    assert not Path("runs/a").exists()


@pytest.mark.parametrize("at_a_time", [1, 2])
def test_a_batch_that_was_stopped_goes_on_where_it_stood(
    undisturbed: Callable[..., Path], at_a_time: int
) -> None:
    calm = undisturbed(CYCLE, friction=0.1)
    begun: list[float] = []

    def stop(seen: Seen, name: str, share: float) -> None:
        begun.append(share)
        if name == "a" and share > 0.5:
            seen.stopping = True

    jobs = [a_job("a", CYCLE, friction=0.1), a_job("b", CYCLE, friction=0.1), a_job("c", CYCLE)]
    carry_out = run_here if at_a_time == 1 else lambda jobs, seen: run_workers(jobs, at_a_time, seen)
    seen = Seen(stop)
    carry_out(jobs, seen)
    assert {each.summary["status"] for each in seen.results.values()} == {NoResult.STOPPED}
    assert len(list(Path("runs/.work").glob("*.checkpoint"))) == at_a_time
    shares: list[float] = []
    again = Seen(lambda seen, name, share: shares.append(share) if name == "a" and share else None)
    carry_out(jobs[:2], again)
    assert shares[0] > 0.45, "it does not begin anew"
    for name in "ab":
        assert same_numbers(calm, Path("runs") / name)


def test_a_case_that_does_not_end_within_its_time_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    """One that hears nothing: its process stands still."""
    monkeypatch.setattr("fem.batch.workers.GRACE", 0.5)

    def stand_still(seen: Seen, name: str, share: float) -> None:
        if name == "a" and share > 0.0:
            for child in multiprocessing.active_children():
                os.kill(child.pid, signal.SIGSTOP)

    seen = Seen(stand_still)
    run_workers([replace(a_job("a", CYCLE), limit=2.0), a_job("b")], 1, seen)
    assert seen.status("a") == NoResult.BROKEN_OFF and seen.results["a"].code == 4
    assert "did not end within its time of 2 s" in seen.results["a"].summary["sentence"]
    assert seen.status("b") == Status.HELD


def test_processes_outlive_a_batch() -> None:
    with Pool(2) as pool:
        seen = Seen()
        pool.run([a_job("a"), a_job("b")], seen)
        first = {child.pid for child in multiprocessing.active_children()}
        pool.run([a_job("c"), a_job("d")], seen)
        assert {child.pid for child in multiprocessing.active_children()} == first and len(first) == 2
    assert {seen.status(name) for name in "abcd"} == {Status.HELD}
    assert not {child.pid for child in multiprocessing.active_children()} & first
