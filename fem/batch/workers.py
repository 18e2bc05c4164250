"""Carrying out jobs on this machine: in this process, or side by side in processes of their own.

A worker is one process with one pipe. It computes one case at a time, tells of its progress, and is asked to
stop over the same pipe; when either end dies the other one notices by the pipe alone. A case whose worker was
killed is run once more (from its checkpoint, if it has one), then given up. BLAS gets one thread per worker:
more would only fight each other.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import sys
import time
from collections import deque
from collections.abc import Iterator, Sequence
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import Any, Protocol

from fem.batch.job import Busy, Done, Job, Watch, attempt
from fem.core.errors import EXIT_NOT_CONVERGED, EXIT_OUT_OF_TIME
from fem.report.json_documents import lost, overdue

THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
TELL_EVERY = 0.1
PATIENCE = 30.0
"""Seconds a worker is given to keep its state when it is asked to stop."""
GRACE = 30.0
"""Seconds beyond its time after which a case that could not be asked to end is ended with its process; half
of its time if that is more."""
STARTS = 2
"""Times a case is begun before its killed worker counts against it."""


class Observer(Protocol):
    """Whoever watches a batch."""

    def advanced(self, name: str, share: float, text: str) -> None:
        """Progress of a case."""
        ...

    def note(self, text: str) -> None:
        """Something worth a line."""
        ...

    def done(self, name: str, done: Done) -> None:
        """A case has ended."""
        ...

    @property
    def stopping(self) -> bool:
        """Whether the user wants the batch to end."""
        ...


def run_here(jobs: Sequence[Job], observer: Observer) -> None:
    """One case after another in this process; those another run is at come last."""
    later: list[Job] = []
    for turn, waiting in ((jobs, False), (later, True)):
        for job in turn:
            if observer.stopping:
                return

            def tell(share: float, text: str, name: str = job.name) -> None:
                observer.advanced(name, share, text)

            try:
                done = attempt(job, Watch(tell, lambda: observer.stopping), waiting)
            except Busy:
                later.append(job)
                continue
            observer.done(job.name, done)


def run_workers(jobs: Sequence[Job], count: int, observer: Observer) -> None:
    """`count` cases at a time, each in a process of its own."""
    with Pool(min(count, len(jobs))) as pool:
        pool.run(jobs, observer)


class Pool:
    """Processes that live as long as the `with` block, for batches that follow one another: what they have
    loaded and compiled stays with them. Each is started when there is first something for it to do.
    """

    def __init__(self, count: int) -> None:
        self.count = count
        self._workers: list[_Worker] = []
        self._open = contextlib.ExitStack()

    def __enter__(self) -> Pool:
        return self

    def __exit__(self, *_: object) -> None:
        self._open.close()
        self._workers = []

    def run(self, jobs: Sequence[Job], observer: Observer) -> None:
        """All jobs, as many at a time as there are processes."""
        queue = deque((job, False, STARTS) for job in jobs)
        with _one_thread_each():
            while len(self._workers) < min(self.count, len(jobs)):
                self._workers.append(self._open.enter_context(_Worker()))
            self._carry_out(queue, observer)

    def _carry_out(self, queue: deque[tuple[Job, bool, int]], observer: Observer) -> None:
        asked = 0.0
        while True:
            if not observer.stopping:
                for worker in self._workers:
                    if queue and worker.job is None:
                        worker.begin(*queue.popleft())
            elif not asked:
                asked = time.monotonic()
                for worker in self._workers:
                    worker.stop()
            busy = [worker for worker in self._workers if worker.job is not None]
            if not busy or (asked and time.monotonic() - asked > PATIENCE):
                return
            ready = wait([worker.pipe for worker in busy], timeout=0.5)
            for worker in busy:
                if worker.pipe in ready:
                    _hear(worker, queue, observer)
                elif worker.overdue:
                    _give_up(worker, observer)


def _give_up(worker: _Worker, observer: Observer) -> None:
    """End the process of a case whose time has long run out."""
    job = worker.job
    assert job is not None
    worker.replace()
    observer.done(job.name, Done(overdue(job.name, job.model, job.limit), EXIT_OUT_OF_TIME))


def _hear(worker: _Worker, queue: deque[tuple[Job, bool, int]], observer: Observer) -> None:
    """Take one message of a worker."""
    job, starts = worker.job, worker.starts
    assert job is not None
    try:
        kind, content = worker.pipe.recv()
    except (EOFError, OSError):
        worker.replace()
        if observer.stopping:
            return
        if starts > 1:
            observer.note(f"{job.name}: its process was killed; it is run once more")
            queue.appendleft((job, False, starts - 1))
        else:
            observer.done(job.name, Done(lost(job.name, job.model), EXIT_NOT_CONVERGED))
        return
    if kind == "progress":
        observer.advanced(job.name, *content)
        return
    worker.job = None
    if kind == "busy":
        queue.append((job, True, starts))
    else:
        observer.done(job.name, content)


@contextlib.contextmanager
def _one_thread_each() -> Iterator[None]:
    before = {name: os.environ.get(name) for name in THREADS}
    os.environ.update(dict.fromkeys(THREADS, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def _context() -> Any:
    """Processes that share nothing with this one; where the system can, libraries are loaded once for all."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["fem.batch.preload"])
    return context


class _Worker:
    """Our end of a worker; job: what it is at."""

    def __init__(self) -> None:
        self.job: Job | None = None
        self.starts = 0
        self.began = 0.0

    def __enter__(self) -> _Worker:
        self._start()
        return self

    def __exit__(self, *_: object) -> None:
        self.pipe.close()  # an idle worker ends at once, a busy one when it next tells of its progress
        self.process.join(1.0)
        if self.process.is_alive():
            self.process.kill()
            self.process.join()

    def _start(self) -> None:
        context = _context()
        self.pipe, theirs = context.Pipe()
        self.process = context.Process(target=serve, args=(theirs, str(Path.cwd())), daemon=True)
        self.process.start()
        theirs.close()

    def replace(self) -> None:
        """Start anew after the process has died."""
        self.pipe.close()
        self.process.kill()
        self.process.join()
        self.job = None
        self._start()

    @property
    def overdue(self) -> bool:
        """Whether the time of its job has long run out."""
        if self.job is None:
            return False
        return time.monotonic() - self.began > self.job.limit + max(GRACE, 0.5 * self.job.limit)

    def begin(self, job: Job, waiting: bool, starts: int) -> None:
        """Hand over a job."""
        self.job, self.starts, self.began = job, starts, time.monotonic()
        with contextlib.suppress(OSError):  # a dead worker is noticed when it is listened to
            self.pipe.send((job, waiting))

    def stop(self) -> None:
        """Ask it to keep its state and end."""
        with contextlib.suppress(OSError):
            self.pipe.send(None)


def serve(pipe: Connection, folder: str) -> None:
    """A worker's life: jobs come in, progress and what came of them go out, until the pipe closes."""
    signal.signal(
        signal.SIGINT, signal.SIG_IGN
    )  # the parent decides what an interrupt from the keyboard means
    os.chdir(folder)
    sys.stdout.flush()
    os.dup2(2, 1)  # what libraries print is no output of the command
    with contextlib.suppress(EOFError, OSError):
        while (message := pipe.recv()) is not None:
            job, waiting = message
            try:
                done = attempt(job, Watch(_Teller(pipe), lambda: _stop_wanted(pipe)), waiting)
            except Busy:
                pipe.send(("busy", None))
            else:
                pipe.send(("done", done))


def _stop_wanted(pipe: Connection) -> bool:
    """A worker at a job is sent nothing but the wish that it stop (which stays in the pipe)."""
    return pipe.poll()


class _Teller:
    """Sends progress, not too often; a worker whose parent is gone ends here."""

    def __init__(self, pipe: Connection) -> None:
        self.pipe, self.next = pipe, 0.0

    def __call__(self, share: float, text: str) -> None:
        now = time.monotonic()
        if now < self.next:
            return
        self.next = now + TELL_EVERY
        try:
            self.pipe.send(("progress", (share, text)))
        except OSError:
            os._exit(1)
