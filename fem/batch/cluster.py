"""Carrying out jobs on an existing dask.distributed cluster.

A worker there gets a case and gives back its result; results are written here, under this side's lock, so the
cluster needs no disk in common. A worker that is lost takes its case with it: the cluster starts such a case
again by itself, once; a case lost twice is given up. Runs on a cluster are not kept as they go.
"""

from __future__ import annotations

import contextlib
import queue
import re
import secrets
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from fem.batch.job import Busy, Done, Job, Watch, failed, keep, locked, not_run, up_to_date
from fem.batch.workers import STARTS, TELL_EVERY, Observer
from fem.case.definition import Case
from fem.core.checkpoint import Unkept
from fem.core.errors import EXIT_NOT_CONVERGED, Fault, InputError
from fem.report.json_documents import lost
from fem.results.provenance import code_digest
from fem.results.result import Result

if TYPE_CHECKING:
    from distributed import Client, Future

CONNECT_TIMEOUT = "10s"
LONGEST_WAIT = 0.5


def run_on_cluster(jobs: Sequence[Job], address: str, observer: Observer) -> None:
    """All jobs on the cluster of a scheduler; raises InputError if there is none or it cannot run them."""
    with _connected(address) as client:
        batch = _Batch(client, observer)
        with contextlib.ExitStack() as locks:
            for job in jobs:
                batch.begin(job, locks)
            batch.finish()


def _connected(address: str) -> Client:
    try:
        from distributed import Client
    except ImportError as problem:
        raise InputError(
            f"--scheduler needs dask.distributed ({problem}); install pushpast[cluster]"
        ) from problem
    if not re.fullmatch(r"[a-z]+://[^/\s]+:\d+", address):
        raise InputError(f"{address!r} is no address of a scheduler; write tcp://HOST:PORT")
    try:
        client = Client(address, timeout=CONNECT_TIMEOUT, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as problem:
        raise InputError(f"no scheduler answers at {address} ({problem})") from problem
    here, there = code_digest(), client.run(code_digest, on_error="return")
    if not there:
        client.close()
        raise InputError(f"the cluster at {address} has no workers; start some (dask worker {address})")
    others = sorted(worker for worker, digest in there.items() if digest != here)
    if others:
        client.close()
        raise InputError(
            f"these workers of {address} have another version of pushpast, or none: {', '.join(others)}; "
            "install this one there"
        )
    return client


class _Batch:
    """Jobs under way on a cluster. What workers tell comes in on another thread and is put into one line."""

    def __init__(self, client: Client, observer: Observer) -> None:
        self.client, self.observer = client, observer
        self.jobs: dict[str, Job] = {}
        self.futures: dict[str, Future[Result]] = {}
        self.starts: dict[str, int] = {}
        self.heard: queue.SimpleQueue[tuple[str, Any]] = queue.SimpleQueue()
        self.topic = f"pushpast-{secrets.token_hex(6)}"  # a cluster remembers what other batches told
        client.subscribe_topic(self.topic, lambda event: self.heard.put(("event", event[1])))

    def begin(self, job: Job, locks: contextlib.ExitStack) -> None:
        """Hand a case over unless it is up to date or someone is at it."""
        try:
            locks.enter_context(locked(job))
            known = up_to_date(job)
        except Busy:
            told = Fault(job.name, "", "another run is at this case; run it again when that has ended")
            self.observer.done(job.name, not_run(job.name, job.model, told))
            return
        except InputError as problem:
            self.observer.done(job.name, not_run(job.name, job.model, Fault(job.name, "", str(problem))))
            return
        if known is not None:
            self.observer.done(job.name, known)
            return
        self.jobs[job.name], self.starts[job.name] = job, 0
        key = f"{self.topic}-{job.name}"
        future = self.client.submit(compute, job.case, job.model, self.topic, job.limit, pure=False, key=key)
        self.futures[job.name] = future
        future.add_done_callback(lambda made, name=job.name: self.heard.put(("done", name)))

    def finish(self) -> None:
        """Wait for all of them, or until the user wants to stop."""
        while self.futures and not self.observer.stopping:
            try:
                kind, content = self.heard.get(timeout=LONGEST_WAIT)
            except queue.Empty:
                continue
            if kind == "event":
                self._advanced(*content["progress"])
            elif content in self.futures:
                self.observer.done(content, self._outcome(content))
        self.client.cancel(list(self.futures.values()), force=True)

    def _advanced(self, name: str, start: bool, share: float, text: str) -> None:
        if name not in self.futures:
            return
        if start:
            self.starts[name] += 1
            if self.starts[name] > STARTS:
                self._give_up(name)
                return
            if self.starts[name] > 1:
                self.observer.note(f"{name}: its worker was lost; it is run once more")
        self.observer.advanced(name, share, text)

    def _give_up(self, name: str) -> None:
        future, job = self.futures.pop(name), self.jobs[name]
        self.client.cancel([future], force=True)
        self.observer.done(name, Done(lost(name, job.model), EXIT_NOT_CONVERGED))

    def _outcome(self, name: str) -> Done:
        from distributed import KilledWorker

        job, future = self.jobs[name], self.futures.pop(name)
        try:
            result: Result = future.result()
            return keep(job, result)
        except KilledWorker:
            return Done(lost(name, job.model), EXIT_NOT_CONVERGED)
        except InputError as problem:
            return not_run(name, job.model, Fault(name, "", str(problem)))
        except Exception as defect:  # noqa: BLE001 (a defect in one case must not cost the others of a batch)
            return failed(job, defect)


def compute(case: Case, model: str, topic: str, limit: float) -> Result:
    """Run a case on a worker of the cluster, for at most so long [s], and tell of it under a topic."""
    import time

    from distributed import get_worker

    from fem.simulation.run import run_case

    worker = get_worker()
    after = [0.0]

    def tell(share: float, text: str, start: bool = False) -> None:
        if start or time.monotonic() >= after[0]:
            after[0] = time.monotonic() + 5 * TELL_EVERY
            worker.log_event(topic, {"progress": (case.name, start, share, text)})

    tell(0.0, f"on {worker.address}", start=True)
    keeper = Unkept(time.perf_counter() + limit)
    return run_case(case, model=model, progress=Watch(tell, lambda: False), keeper=keeper)
