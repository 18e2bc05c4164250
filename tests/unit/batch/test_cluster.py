"""The same batch on a cluster: a real scheduler and workers in processes of their own, on this machine."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from batch_jobs import Seen, a_job, same_numbers

from fem.batch.workers import run_here
from fem.core.errors import InputError
from fem.results.outcome import NoResult, Status

distributed = pytest.importorskip("distributed", reason="pushpast[cluster] is not installed")

from fem.batch.cluster import run_on_cluster  # noqa: E402 (only with the extra)

ROOT = Path(__file__).resolve().parents[3]
CYCLE = 'kind = "retract-then-deploy"\nleft_out = 14.0'
SCHEDULER = (
    "import asyncio, sys\nfrom distributed import Scheduler\n"
    "async def main():\n"
    "    async with Scheduler(host='127.0.0.1', port=0, dashboard=False) as made:\n"
    "        print(made.address, flush=True)\n        await made.finished()\n"
    "asyncio.run(main())\n"
)
WORKER = (
    "import asyncio, sys\nfrom distributed import Worker\n"
    "async def main():\n"
    "    async with Worker(sys.argv[1], nthreads=1, dashboard=False) as made:\n"
    "        print(made.address, flush=True)\n        await made.finished()\n"
    "asyncio.run(main())\n"
)


@contextlib.contextmanager
def process(code: str, *arguments: str, **environment: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """A process and the first line it prints."""
    path = os.pathsep.join([str(ROOT), *sys.path])
    started = subprocess.Popen(
        [sys.executable, "-c", code, *arguments],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        env={**os.environ, "PYTHONPATH": path, **environment},
    )  # fmt: skip
    assert started.stdout is not None
    try:
        yield started, started.stdout.readline().strip()
    finally:
        started.kill()
        started.wait()
        started.stdout.close()


@pytest.fixture
def cluster(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[str, dict[str, int]]]:
    """Address of a scheduler with two workers, and the process of each worker by its address."""
    monkeypatch.chdir(tmp_path)
    with contextlib.ExitStack() as stack:
        _, address = stack.enter_context(process(SCHEDULER))
        workers = [stack.enter_context(process(WORKER, address)) for _ in range(2)]
        yield address, {at: started.pid for started, at in workers}


@pytest.mark.slow
def test_a_cluster_gives_the_same_numbers_and_survives_a_killed_worker(
    cluster: tuple[str, dict[str, int]],
) -> None:
    address, workers = cluster
    calm = a_job("calm", CYCLE, friction=0.1)
    run_here([calm], Seen())
    killed: list[str] = []
    on: dict[str, str] = {}

    class Killing(Seen):
        def advanced(self, name: str, share: float, text: str) -> None:
            if text.startswith("on "):
                on[name] = text.removeprefix("on ")
            elif name == "a" and share > 0.0 and not killed:
                killed.append(on["a"])
                os.kill(workers[on["a"]], signal.SIGKILL)

    seen = Killing()
    run_on_cluster([a_job(name, CYCLE, friction=0.1) for name in "abc"], address, seen)
    assert killed, "the test did what it says"
    assert {name: seen.status(name) for name in seen.results} == dict.fromkeys("abc", Status.DEPLOYED)
    assert len([note for note in seen.notes if note.startswith("a:")]) == 1
    for name in "abc":
        assert same_numbers(calm.folder, Path("runs") / name)
    again = Seen()
    run_on_cluster([a_job(name, CYCLE, friction=0.1) for name in "abc"], address, again)
    assert all(done.summary["skipped"] for done in again.results.values())


@pytest.mark.slow
def test_a_case_that_loses_two_workers_is_given_up(cluster: tuple[str, dict[str, int]]) -> None:
    address, workers = cluster

    class Killing(Seen):
        def advanced(self, name: str, share: float, text: str) -> None:  # noqa: ARG002 (part of the protocol)
            if text.startswith("on ") and name == "a":
                time.sleep(0.3)
                os.kill(workers[text.removeprefix("on ")], signal.SIGKILL)

    seen = Killing()
    with process(WORKER, address) as (third, at):
        workers[at] = third.pid
        run_on_cluster([a_job("a", CYCLE, friction=0.1)], address, seen)
    assert seen.status("a") == NoResult.BROKEN_OFF
    assert seen.results["a"].code == 3
    assert not Path("runs/a").exists()


@pytest.mark.slow
def test_a_stop_leaves_the_cluster_free(cluster: tuple[str, dict[str, int]]) -> None:
    address, _ = cluster

    class Stop(Seen):
        def advanced(self, name: str, share: float, text: str) -> None:  # noqa: ARG002 (part of the protocol)
            self.stopping = True

    run_on_cluster([a_job("a", CYCLE)], address, Stop())
    with distributed.Client(address, set_as_default=False) as client:
        deadline = time.monotonic() + 20
        while any(client.processing().values()) and time.monotonic() < deadline:
            time.sleep(0.1)
        assert not any(client.processing().values())


def test_a_scheduler_that_is_not_there_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("fem.batch.cluster.CONNECT_TIMEOUT", "0.5s")
    with pytest.raises(InputError, match=r"tcp://127\.0\.0\.1:1"):
        run_on_cluster([a_job("a")], "tcp://127.0.0.1:1", Seen())


@pytest.mark.parametrize("address", ["nonsense", "tcp://here", "127.0.0.1:8786", ""])
def test_what_is_no_address_is_said(address: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(InputError, match="tcp://HOST:PORT"):
        run_on_cluster([a_job("a")], address, Seen())


def test_a_cluster_without_workers_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with process(SCHEDULER) as (_, address), pytest.raises(InputError, match=f"{address} .*workers"):
        run_on_cluster([a_job("a")], address, Seen())
