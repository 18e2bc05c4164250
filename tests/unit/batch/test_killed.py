"""The whole command killed again and again, and two at once: the results are those of a quiet batch."""

from __future__ import annotations

import contextlib
import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from batch_jobs import same_numbers
from small_cases import CYCLE, small_text

from fem.results.outcome import NoResult, Status

ROOT = Path(__file__).resolve().parents[3]
pytestmark = pytest.mark.slow
KILLS, SEED = 50, 7
SHORTEST, LONGEST = 1.0, 4.0
"""Seconds a batch is given before it is killed: long enough to load its libraries most of the time."""

Command = Callable[..., "subprocess.Popen[str]"]


@pytest.fixture
def command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Command:
    """Starts `pushpast run cases` in a process group of its own."""
    monkeypatch.chdir(tmp_path)
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}

    def start(*options: str) -> subprocess.Popen[str]:
        line = [sys.executable, "-m", "fem", "run", "cases", "--no-pictures", "--json", *options]
        return subprocess.Popen(
            line, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
            start_new_session=True,
        )  # fmt: skip

    return start


def write_cases(count: int, element: float, turn: float = 2.5) -> list[str]:
    Path("cases").mkdir()
    names = [f"v{number:02d}" for number in range(count)]
    for number, name in enumerate(names):
        text = small_text(CYCLE, friction=0.1, thickness=0.8 + 0.01 * number)
        text = text.replace("= 2.5", f"= {element}").replace("[solver]\n", f"[solver]\nturn = {turn}\n")
        Path("cases", f"{name}.toml").write_text(text)
    return names


def kept() -> list[Path]:
    """Computations kept as they go."""
    return list(Path("results/runs/.work").glob("*.checkpoint"))


def finish(running: subprocess.Popen[str]) -> dict[str, str]:
    """Status of every case when a batch has ended by itself."""
    out, messages = running.communicate(timeout=600)
    assert running.returncode == 0, messages
    return {case["case"]: case["status"] for case in json.loads(out)["cases"]}


def test_killed_at_fifty_moments_a_batch_ends_as_if_it_never_was(command: Command) -> None:
    names = write_cases(14, 0.5, 0.4)  # each long enough to be kept on its way
    moment = random.Random(SEED)
    kills, left = 0, 0
    while kills < KILLS:
        running = command("-j", "2")
        time.sleep(moment.uniform(SHORTEST, LONGEST))
        while kills % 4 == 3 and not kept() and running.poll() is None:  # these are killed with work to lose
            time.sleep(0.1)
        if running.poll() is not None:
            break
        if kills % 2:
            os.killpg(running.pid, signal.SIGKILL)
        else:
            running.kill()  # its workers must notice by themselves
        running.communicate()
        kills += 1
        left += len(kept())
    assert kills == KILLS, "the batch came to its end too early to be killed so often"
    assert left > 0, "nothing was ever kept: the restarts began anew"
    assert finish(command("-j", "2")) == dict.fromkeys(names, Status.DEPLOYED)
    disturbed = Path("results/runs").rename("disturbed")
    assert sorted(path.name for path in disturbed.iterdir()) == [".work", *names]
    assert list((disturbed / ".work").glob("*.checkpoint*")) == []
    finish(command("-j", "2"))
    for name in names:
        assert same_numbers(disturbed / name, Path("results/runs") / name), name


def test_two_batches_at_once_share_the_work(command: Command) -> None:
    names = write_cases(4, 2.5)
    both = [command("-j", "2"), command("-j", "2")]
    ended = [running.communicate(timeout=600) for running in both]
    assert [running.returncode for running in both] == [0, 0], ended
    told = [json.loads(out)["cases"] for out, _ in ended]
    for cases in told:
        assert {case["case"]: case["status"] for case in cases} == dict.fromkeys(names, Status.DEPLOYED)
    for first, second in zip(*told, strict=True):
        assert first["skipped"] != second["skipped"], "every case is computed once, by one of them"
    together = Path("results/runs").rename("together")
    finish(command())
    for name in names:
        assert same_numbers(together / name, Path("results/runs") / name), name


@pytest.mark.parametrize("at_a_time", ["1", "2"])
def test_an_interrupt_from_the_keyboard_ends_cleanly(command: Command, at_a_time: str) -> None:
    Path("cases").mkdir()
    for name in ("a", "b", "c"):  # long enough to be kept
        Path("cases", f"{name}.toml").write_text((ROOT / "cases" / "boom-soft.toml").read_text())
    running = command("-j", at_a_time)
    deadline = time.monotonic() + 120.0
    while not list(Path("results/runs/.work").glob("*.checkpoint")) and time.monotonic() < deadline:
        time.sleep(0.05)
    os.killpg(running.pid, signal.SIGINT)
    out, messages = running.communicate(timeout=120)
    assert running.returncode == 130, messages
    assert "stopping: what is running is kept" in messages
    assert "Traceback" not in messages
    cases = json.loads(out)["cases"]
    assert NoResult.STOPPED in {case["status"] for case in cases}
    assert len(list(Path("results/runs/.work").glob("*.checkpoint"))) in range(1, 3)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(running.pid, 0)
        time.sleep(3.0)
        os.killpg(running.pid, 0)
        pytest.fail("a process of the batch is still there")
