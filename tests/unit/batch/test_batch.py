"""Many cases: which are meant, that one never costs another, that nothing is computed twice or lost."""

from __future__ import annotations

import json
import multiprocessing
import os
import re
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import made_results
import pytest
from batch_jobs import BEND, Seen, a_job, same_numbers
from small_cases import CYCLE, small_text

from fem.batch import job as attempting
from fem.batch.batch import case_files, read_cases
from fem.batch.job import Busy, Watch, attempt, locked
from fem.batch.workers import run_here, run_workers
from fem.core.errors import Fault, InputError
from fem.results import provenance as origin
from fem.results.outcome import NoResult, Status
from fem.results.result import read, write

ROOT = Path(__file__).resolve().parents[3]
QUIET = Watch(lambda share, text: None, lambda: False)


@pytest.fixture(autouse=True)
def workplace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


# ---- which cases -------------------------------------------------------------------------------------------


def test_files_folders_patterns_and_names_stand_for_cases() -> None:
    for name in ("cases/boom-a", "cases/deep/boom-b", "elsewhere/lamp"):
        Path(name).parent.mkdir(parents=True, exist_ok=True)
        Path(f"{name}.toml").write_text("")
    a, b, lamp = Path("cases/boom-a.toml"), Path("cases/deep/boom-b.toml"), Path("elsewhere/lamp.toml")
    assert case_files("cases") == [a, b]
    assert case_files("boom-b") == [b]
    assert case_files("boom-*") == [a, b]
    assert case_files("*/boom-a*") == [a]
    assert case_files("else*") == [lamp]
    assert case_files("elsewhere/lamp.toml") == [lamp]
    assert case_files("nothing") == [Path("cases/nothing.toml")]


def test_what_stands_for_no_case_is_said() -> None:
    Path("empty").mkdir()
    for argument, said in (
        ("empty", r"holds no case files \(\*.toml\)"),
        ("boom-*", "fits this pattern"),
        ("nowhere/", "^nowhere/: there is no such folder"),
    ):
        found = case_files(argument)
        assert isinstance(found, Fault)
        assert re.search(said, str(found))


def test_a_file_named_twice_is_one_case_but_a_name_twice_is_a_fault() -> None:
    for folder in ("cases", "cases/other"):
        Path(folder).mkdir(exist_ok=True)
        Path(folder, "a.toml").write_text(small_text(BEND))
    assert [name for name, case, _ in read_cases(["cases/a.toml", "./cases/a.toml"]) if case] == ["a"]
    entries = read_cases(["cases"])
    assert [case is None for _, case, _ in entries] == [False, True]
    assert "a case called a is already in this list (cases/a.toml); rename" in str(entries[1][2][0])


# ---- up to date --------------------------------------------------------------------------------------------


def test_a_case_is_run_again_only_when_something_has_changed(monkeypatch: pytest.MonkeyPatch) -> None:
    first = attempt(a_job("a"), QUIET)
    assert first.summary["skipped"] is False
    stored = Path("runs/a/result.json").read_bytes()
    again = attempt(a_job("a"), QUIET)
    assert again.summary == first.summary | {"skipped": True}
    assert Path("runs/a/result.json").read_bytes() == stored
    assert attempt(a_job("a", fresh=True), QUIET).summary["skipped"] is False
    assert attempt(a_job("a", thickness=0.81), QUIET).summary["skipped"] is False
    assert attempt(a_job("a"), QUIET).summary["skipped"] is False
    assert attempt(replace(a_job("a"), model="shell"), QUIET).summary["model"] == "shell"
    assert attempt(a_job("a"), QUIET).summary["skipped"] is False
    monkeypatch.setattr(attempting, "stamp", lambda *_: origin.stamp(*_) | {"code_digest": "other"})
    assert attempt(a_job("a"), QUIET).summary["skipped"] is False
    monkeypatch.undo()


@pytest.mark.parametrize("name", ["result.json", "path.csv", "fields.vtkhdf", "case.toml"])
def test_a_result_that_is_not_whole_is_run_again(name: str, workplace: Path) -> None:
    os.chdir(workplace)
    attempt(a_job("a"), QUIET)
    Path("runs/a", name).unlink()
    assert attempt(a_job("a"), QUIET).summary["skipped"] is False


def test_a_result_of_a_newer_program_is_not_replaced_unasked() -> None:
    attempt(a_job("a"), QUIET)
    file = Path("runs/a/result.json")
    file.write_text(json.dumps(json.loads(file.read_text()) | {"schema": 9}))
    refused = attempt(a_job("a"), QUIET)
    assert refused.code == 2
    assert "has schema 9, written by a newer pushpast" in str(refused.faults[0])
    assert json.loads(file.read_text())["schema"] == 9
    assert attempt(a_job("a", fresh=True), QUIET).code == 0


# ---- locks -------------------------------------------------------------------------------------------------


def test_a_case_another_run_is_at_is_left_to_it() -> None:
    with locked(a_job("a")):
        with pytest.raises(Busy):
            attempt(a_job("a"), QUIET)
        assert not Path("runs/a").exists()


def test_who_waits_finds_the_result_of_the_other() -> None:
    seen = Seen()
    holder = locked(a_job("a"))
    holder.__enter__()
    before = made_results.deployed()

    def let_go(watch: Seen, name: str, share: float) -> None:
        if name == "a":
            job = a_job("a")
            origin_told = {"provenance": origin.stamp(job.case, "rod"), "case_text": job.case.text}
            write(replace(before, case_name="a", **origin_told), job.folder)
            holder.__exit__(None, None, None)
            watch.act = lambda *_: None

    seen.act = let_go
    run_here([a_job("a"), a_job("b")], seen)
    assert list(seen.results) == ["b", "a"], "the others go first"
    assert seen.results["a"].summary["skipped"] is True
    assert seen.status("b") == Status.HELD


def test_the_lock_of_a_dead_process_holds_nobody_up() -> None:
    job = a_job("a")
    code = (
        f"import os\nfrom filelock import FileLock\nos.makedirs({str(job.lock.parent)!r}, exist_ok=True)\n"
        f"FileLock({str(job.lock)!r}).acquire()\nprint('held', flush=True)\nos.kill(os.getpid(), 9)\n"
    )
    finished = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert finished.stdout == "held\n"
    assert attempt(job, QUIET).code == 0


def test_what_a_killed_run_left_behind_is_swept_up() -> None:
    torn = Path("runs/.a.0123456789ab.partial")
    torn.mkdir(parents=True)
    (torn / "result.json").write_text("{}")
    assert attempt(a_job("a"), QUIET).code == 0
    assert sorted(path.name for path in Path("runs").iterdir()) == [".work", "a"]
    assert list(Path("runs/.work").glob("*checkpoint*")) == []


# ---- workers -----------------------------------------------------------------------------------------------


def kill_workers() -> None:
    for child in multiprocessing.active_children():
        os.kill(child.pid, signal.SIGKILL)


@pytest.fixture
def undisturbed(workplace: Path) -> Callable[[str], Path]:
    def made(push: str, **changes: object) -> Path:
        job = a_job("calm", push, **changes)
        run_here([job], Seen())
        return job.folder

    return made


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
    assert seen.notes == ["a: its process was killed; it is run once more"]
    assert [seen.status(name) for name in "ab"] == [Status.DEPLOYED, Status.HELD]
    assert same_numbers(calm, Path("runs/a"))


def test_a_case_whose_worker_is_killed_twice_is_given_up() -> None:
    seen = Seen(lambda seen, name, share: kill_workers() if name == "a" and share > 0.0 else None)
    run_workers([a_job("a", CYCLE), a_job("b")], 1, seen)
    assert seen.status("a") == NoResult.BROKEN_OFF
    assert "killed, and again" in seen.results["a"].summary["sentence"]
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


# ---- places that cannot be written -------------------------------------------------------------------------


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    place = tmp_path / "disk"
    place.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=700k", "tmpfs", str(place)], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip(f"cannot mount a small file system: {mounted.stderr.decode().strip()}")
    yield place
    subprocess.run(["umount", "-l", str(place)], check=True)


def test_a_full_disk_is_said_and_costs_nothing(small_disk: Path) -> None:
    job = replace(a_job("a"), folder=small_disk / "runs" / "a")
    assert attempt(job, QUIET).code == 0
    stored = read(job.folder)
    room = os.statvfs(small_disk).f_bavail * os.statvfs(small_disk).f_frsize
    (small_disk / "filler").write_bytes(bytes(room - 8192))
    done = attempt(replace(job, fresh=True), QUIET)
    assert done.code == 2
    assert "No space left on device" in str(done.faults[0])
    assert "an earlier one is untouched" in str(done.faults[0])
    assert read(job.folder).path["step"].size == stored.path["step"].size
    assert [path.name for path in (small_disk / "runs").iterdir() if "partial" in path.name] == []
    (small_disk / "filler").unlink()
    assert attempt(replace(job, fresh=True), QUIET).code == 0


def test_a_folder_without_permission_is_said_before_anything_is_run(workplace: Path) -> None:
    """As an ordinary user: the superuser may write anywhere."""
    code = (
        f"import sys\nsys.path[:0] = [{str(ROOT)!r}]\n"
        "import os, filelock, traceback\nfrom pathlib import Path\nfrom types import SimpleNamespace\n"
        "from fem.batch.job import Job, attempt, Watch\n"
        "case = SimpleNamespace(name='a', digest='0')\n"
        "if os.getuid() == 0:\n    os.seteuid(65534)\n"
        "done = attempt(Job(case, 'rod', Path('runs/a')), Watch(None, None))\n"
        "print(done.code, *done.faults, done.summary['sentence'])\n"
    )
    with tempfile.TemporaryDirectory(dir="/tmp") as place:
        runs = Path(place, "runs")
        runs.mkdir()
        runs.chmod(0o555)
        Path(place).chmod(0o755)
        finished = subprocess.run(
            [sys.executable, "-c", code], cwd=place, capture_output=True, text=True, check=False
        )
        runs.chmod(0o755)
    said = "2 a: runs: no results can be written there (Permission denied): make the folder writable"
    assert finished.stdout.startswith(said), finished.stdout + finished.stderr
    assert list(workplace.iterdir()) == []


def test_a_file_in_the_way_is_said() -> None:
    Path("runs").mkdir()
    Path("runs/a").write_text("mine")
    done = attempt(a_job("a"), QUIET)
    assert done.code == 2
    assert "runs/a is a file" in str(done.faults[0])
    assert Path("runs/a").read_text() == "mine"


def test_a_lock_needs_a_place() -> None:
    Path("runs").write_text("mine")
    with pytest.raises(InputError, match="no results can be written there"), locked(a_job("a")):
        pass
