"""One case of a batch: run again only when something has changed, never by two at once or half written."""

from __future__ import annotations

import errno
import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import made_results
import numpy as np
import pytest
from batch_jobs import BEND, Seen, a_job, same_numbers
from small_cases import CYCLE, motor

from fem.batch import job as attempting
from fem.batch.job import Busy, Watch, attempt, locked, up_to_date
from fem.batch.workers import run_here
from fem.case.definition import read_case
from fem.core.checkpoint import Checkpoint
from fem.core.errors import EXIT_OUT_OF_TIME, InputError
from fem.results import provenance as origin
from fem.results.outcome import Status
from fem.results.result import read, write

ROOT = Path(__file__).resolve().parents[3]
QUIET = Watch(lambda share, text: None, lambda: False)

pytestmark = pytest.mark.usefixtures("workplace")


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


def test_a_result_that_was_copied_from_another_case_is_none_of_this_one(workplace: Path) -> None:
    attempt(a_job("a"), QUIET)
    shutil.copytree("runs/a", "runs/b")
    done = attempt(a_job("b"), QUIET)
    assert (done.summary["case"], done.summary["skipped"]) == ("b", False)


def test_what_takes_the_place_of_another_case_of_the_same_name_says_so(workplace: Path) -> None:
    before = attempt(a_job("a"), QUIET).messages
    told = json.loads(Path("runs/a/result.json").read_text())["provenance"]
    assert told["case_file"] == "a.toml"
    Path("other").mkdir()
    other = Path("a.toml").rename("other/a.toml")
    job = replace(a_job("a"), case=read_case(other), fresh=True)
    (message,) = set(attempt(job, QUIET).messages) - set(before)
    assert message.startswith("a: ") and "take the place of those of a.toml" in message


def test_a_result_of_a_newer_program_is_not_replaced_unasked() -> None:
    attempt(a_job("a"), QUIET)
    file = Path("runs/a/result.json")
    file.write_text(json.dumps(json.loads(file.read_text()) | {"schema": 9}))
    refused = attempt(a_job("a"), QUIET)
    assert refused.code == 2
    assert "schema 9" in refused.faults[0].message
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


# ---- time that runs out ------------------------------------------------------------------------------------


class Late(Checkpoint):
    """A checkpoint whose time runs out at the n-th offer."""

    left = 0

    def offer(self, state: Callable[[], object]) -> None:
        Late.left -= 1
        if Late.left < 0:
            self.deadline = -1.0
        super().offer(state)


@pytest.mark.parametrize(
    ("push", "offers"),
    [(CYCLE, 10), (CYCLE, 60), (CYCLE, 110), (BEND, 20)],
    ids=["placing", "in", "out", "bench"],
)
def test_time_that_runs_out_leaves_what_is_known_and_the_next_run_goes_on(
    push: str, offers: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    job = a_job("a", push)
    assert attempt(replace(job, folder=Path("runs/whole")), QUIET).code == 0
    whole = read(Path("runs/whole"))
    with monkeypatch.context() as late:
        late.setattr(attempting, "Checkpoint", Late)
        late.setattr(Late, "left", offers)
        done = attempt(job, QUIET)
    assert done.code == EXIT_OUT_OF_TIME
    assert done.summary["status"] == Status.OUT_OF_TIME
    known = read(job.folder)
    rows = len(known.path.get("step", ()))
    assert rows == 0 if offers == 10 else 0 < rows < len(whole.path["step"])
    for name, column in known.path.items():
        if name != "audit_error":  # a share of the largest energy so far
            assert np.array_equal(column, whole.path[name][:rows], equal_nan=True), name
    assert up_to_date(job) is None
    assert job.checkpoint.exists()
    assert attempt(job, QUIET).code == 0
    assert same_numbers(job.folder, Path("runs/whole"))
    assert not job.checkpoint.exists()


def test_an_overload_before_the_time_ran_out_is_a_verdict(monkeypatch: pytest.MonkeyPatch) -> None:
    job = a_job("a", CYCLE, friction=0.4, extra=motor(14.0))
    whole = replace(job, folder=Path("runs/whole"))
    assert attempt(whole, QUIET).summary["status"] == Status.JAMMED
    over = next(i for i, x in enumerate(read(whole.folder).path["torque_Nmm"]) if x > 14.0)
    monkeypatch.setattr(attempting, "Checkpoint", Late)
    for offers in (over + 45, 320):  # pushing on, and in search of the safe travel
        monkeypatch.setattr(Late, "left", offers)
        done = attempt(replace(job, fresh=True), QUIET)
        assert (done.code, done.summary["status"]) == (0, Status.JAMMED)
        assert any("time ran out" in message for message in done.messages)
        assert up_to_date(job) is None, "there is more to find"


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
    assert os.strerror(errno.ENOSPC) in done.faults[0].message
    assert str(job.folder) in done.faults[0].message
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
    assert finished.stdout.startswith("2 a: runs: "), finished.stdout + finished.stderr
    assert os.strerror(errno.EACCES) in finished.stdout
    assert list(workplace.iterdir()) == []


def test_a_file_in_the_way_is_said() -> None:
    Path("runs").mkdir()
    Path("runs/a").write_text("mine")
    done = attempt(a_job("a"), QUIET)
    assert done.code == 2
    assert "runs/a" in done.faults[0].message
    assert Path("runs/a").read_text() == "mine"


def test_a_lock_needs_a_place() -> None:
    Path("runs").write_text("mine")
    with pytest.raises(InputError, match="runs"), locked(a_job("a")):
        pass
