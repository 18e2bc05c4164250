"""Compiling on several cores before a first run: shared parts, helpers that die, fail, or outlive nobody."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest
from filelock import FileLock
from small_cases import CYCLE, small_text

from fem.batch import compile_targets as rehearsal
from fem.batch import precompile as warm

ROOT = Path(__file__).resolve().parents[3]
NEVER = lambda: False  # noqa: E731 - nobody asks to stop
QUIET = lambda: None  # noqa: E731


@pytest.fixture
def done(monkeypatch):
    """Names of the parts that were done, in a rehearsal of three parts that compile nothing."""
    names = []
    parts = {name: lambda name=name: names.append(name) for name in ("one", "two", "three")}
    monkeypatch.setattr(rehearsal, "PARTS", {"rod": parts})
    return names


@pytest.fixture
def place(tmp_path, monkeypatch):
    """A folder of marks in which nothing is marked, on two cores."""
    monkeypatch.setattr(warm, "marks", lambda: tmp_path)
    monkeypatch.setattr(warm, "_cores", lambda: 2)
    monkeypatch.delenv("NUMBA_DISABLE_JIT", raising=False)
    return tmp_path


@pytest.fixture
def started(monkeypatch):
    """Commands of the processes that were to be started; none is."""
    commands = []

    def refuse(command, **_):
        commands.append(command)
        raise OSError("no more processes")

    monkeypatch.setattr(subprocess, "Popen", refuse)
    return commands


def test_without_helpers_everything_is_done_here(place, done, started):
    told = []
    for _ in range(2):  # the second time there is nothing to do
        warm.compile_loops("rod", lambda: told.append(list(done)), NEVER)
        assert done == ["one", "two", "three"] and len(started) == 1 and told == [[]]


def test_one_core_or_no_compiler_or_no_folder_changes_nothing(place, done, started, monkeypatch):
    monkeypatch.setenv("NUMBA_DISABLE_JIT", "1")
    warm.compile_loops("rod", QUIET, NEVER)
    monkeypatch.delenv("NUMBA_DISABLE_JIT")
    monkeypatch.setattr(warm, "_cores", lambda: 1)
    warm.compile_loops("rod", QUIET, NEVER)
    monkeypatch.setattr(warm, "_cores", lambda: 2)
    monkeypatch.setattr(warm, "marks", lambda: None)
    warm.compile_loops("rod", QUIET, NEVER)
    assert done == started == []


def test_a_helper_begins_at_the_other_end(place, done):
    warm._work("rod", place, True, NEVER)
    assert done == ["three", "two", "one"]


def test_what_others_have_done_or_are_at_is_left_to_them(place, done):
    (place / "rod-three").touch()
    with FileLock(place / "rod-two.lock"):
        warm._work("rod", place, True, NEVER)
    assert done == ["one"] and not (place / "rod").exists()


def test_the_first_process_waits_for_the_others(place, done, monkeypatch):
    lock, waits = FileLock(place / "rod-two.lock").acquire(), []

    def wait(_):
        waits.append(tuple(done))
        if len(waits) == 3:
            lock.lock.release()

    monkeypatch.setattr(time, "sleep", wait)
    warm._work("rod", place, False, NEVER)
    assert waits == [("one", "three")] * 3
    assert done == ["one", "three", "two"] and (place / "rod").exists()


def test_but_not_for_ever_and_not_when_it_is_to_stop(place, done, monkeypatch):
    monkeypatch.setattr(time, "sleep", lambda _: None)
    monkeypatch.setattr(warm, "PATIENCE", 0.1)
    with FileLock(place / "rod-two.lock"):
        warm._work("rod", place, False, NEVER)
        assert done == ["one", "three"] and not (place / "rod").exists()
        warm._work("rod", place, False, lambda: True)
    assert done == ["one", "three"]


def test_a_part_that_fails_is_no_failure(place, done, monkeypatch):
    def fail():
        raise OSError("the disk is full")

    monkeypatch.setitem(rehearsal.PARTS["rod"], "two", fail)
    warm._work("rod", place, False, NEVER)
    assert done == ["one"] and not (place / "rod").exists()


def test_helpers_end_with_the_block_even_when_it_is_interrupted(place):
    seen = []

    def interrupted():
        with warm._helpers(2, "rod", place) as running:
            seen.extend((process, process.poll()) for process in running)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert len(seen) == 2
    assert all(then is None and process.poll() is not None for process, then in seen)


@pytest.mark.skipif(os.name != "posix", reason="asks the system for processes by number")
def test_a_helper_does_not_outlive_a_process_that_was_killed(tmp_path):
    script = (
        "import sys, time; from pathlib import Path; from fem.batch import precompile as warm\n"
        f"with warm._helpers(1, 'rod', Path({str(tmp_path)!r})) as running:\n"
        "    print(running[0].pid, flush=True); time.sleep(60)"
    )
    environment = os.environ | {"PYTHONPATH": str(ROOT), "NUMBA_CACHE_DIR": str(tmp_path / "cold")}
    with subprocess.Popen([sys.executable, "-c", script], env=environment, stdout=subprocess.PIPE) as parent:
        helper = int(parent.stdout.readline())
        wait_for(lambda: list(tmp_path.glob("*.lock")), 60.0)  # it is at its first part, for some seconds
        assert alive(helper)
        parent.kill()
    wait_for(lambda: not alive(helper), 10.0)


def alive(number):
    """Whether there is such a process that has not ended (the system may keep a dead one for its parent)."""
    try:
        return Path(f"/proc/{number}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        if Path("/proc/self").exists():
            return False
    try:
        os.kill(number, 0)
    except ProcessLookupError:
        return False
    return True


def wait_for(what, seconds):
    deadline = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < deadline
        time.sleep(0.05)


COUNT = """
import sys
from fem.batch import precompile as warm
from fem.batch.precompile import compile_loops
warm._cores = lambda: 2
compile_loops("rod", lambda: None, lambda: False)
{more}
misses = [
    (key, sum(value.stats.cache_misses.values()))
    for name, module in list(sys.modules.items()) if name.startswith("fem.")
    for key, value in vars(module).items()
    if hasattr(value, "stats") and value.py_func.__module__ == name and value.stats.cache_path
]
print(sum(bool(count) for _, count in misses))
"""
RUN = """
from pathlib import Path
from fem.case.definition import read_case
from fem.simulation.run import run_case
assert run_case(read_case(Path("small.toml"))).status == "deployed"
"""


@pytest.mark.slow
def test_the_run_after_it_compiles_nothing(tmp_path):
    (tmp_path / "small.toml").write_text(small_text(CYCLE, friction=0.1))
    environment = os.environ | {"PYTHONPATH": str(ROOT), "NUMBA_CACHE_DIR": str(tmp_path / "cold")}

    def compiled_here(more):
        return int(
            subprocess.run(
                [sys.executable, "-c", COUNT.format(more=more)], cwd=tmp_path, env=environment,
                capture_output=True, text=True, check=True,
            ).stdout
        )  # fmt: skip

    first = compiled_here("")
    indices = list((tmp_path / "cold").rglob("*.nbi"))
    assert 0 < first < len(indices), "this process compiled some and the helper the others"
    assert compiled_here(RUN) == 0
