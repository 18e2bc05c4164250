"""One case of a batch, from its lock to its result folder: what every worker does, wherever it runs.

The folder of results has a hidden neighbour `.work` with two files per case: `NAME.lock`, held by whoever
works on that case (the system lets go of it when the process dies), and `NAME.checkpoint`, the state of a run
under way. A case whose stored result carries the same stamp (case, model, code, libraries) is not run again.
"""

from __future__ import annotations

import contextlib
import math
import time
import traceback
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from fem.case.definition import Case
from fem.core.atomic import sweep
from fem.core.checkpoint import Checkpoint, Stopped
from fem.core.errors import (
    EXIT_BAD_INPUT,
    EXIT_DONE,
    EXIT_NOT_CONVERGED,
    EXIT_OUT_OF_TIME,
    EXIT_STOPPED,
    CaseError,
    Fault,
    InputError,
)
from fem.report.json_documents import broken_off, refused, stopped
from fem.results.outcome import Status
from fem.results.provenance import UNFINISHED, same, stamp
from fem.results.result import Result, read_summary, write

Progress = Callable[[float, str], None]
WORK = ".work"
POLL = 0.2
"""Seconds between two looks at a lock that another process holds."""


@dataclass(frozen=True)
class Job:
    """A case to run: with which model, into which folder, with pictures or not, even if it is up to date, for
    at most how long [s].
    """

    case: Case
    model: str
    folder: Path
    pictures: bool = True
    fresh: bool = False
    limit: float = math.inf

    @property
    def name(self) -> str:
        """The case's name."""
        return self.case.name

    @property
    def lock(self) -> Path:
        """File that is locked while someone works on the case."""
        return self.folder.parent / WORK / f"{self.folder.name}.lock"

    @property
    def checkpoint(self) -> Path:
        """File that holds a run under way."""
        return self.folder.parent / WORK / f"{self.folder.name}.checkpoint"

    def known(self) -> Done | None:
        """What is told of the case if it need not be run; raises InputError where that cannot be said."""
        return up_to_date(self)

    def carried_out(self, watch: Watch) -> Done:
        """Run the case and keep what comes of it; its lock is held."""
        return _run(self, watch)


@dataclass(frozen=True)
class Done:
    """What came of a case: its part of the document, exit code, messages, faults, a defect's traceback."""

    summary: dict[str, Any]
    code: int
    messages: tuple[str, ...] = ()
    faults: tuple[Fault, ...] = ()
    defect: str = ""


class Busy(Exception):  # noqa: N818  (someone else is at it)
    """Another process works on this case."""


class Watch:
    """How a worker tells of its progress and learns that it should stop.

    A run that keeps its state is stopped at its next offer; one that does not, at the second call after.
    """

    def __init__(self, tell: Progress, stopping: Callable[[], bool]) -> None:
        self._tell, self.stopping, self._noticed = tell, stopping, False

    def __call__(self, share: float, text: str) -> None:
        """Tell of progress; raises Stopped."""
        self._tell(share, text)
        if self._noticed:
            raise Stopped
        self._noticed = self.stopping()


def attempt(job: Job, watch: Watch, wait: bool = False) -> Done:
    """Run a case unless its result is up to date. Raises Busy if another process is at it and `wait` is not
    set. Whatever happens to the case is told in what is returned.
    """
    try:
        with locked(job, watch if wait else None):
            return job.known() or job.carried_out(watch)
    except Stopped:
        return Done(stopped(job.name, job.model), EXIT_STOPPED)
    except CaseError as problem:
        return not_run(job.name, job.model, *problem.faults)
    except InputError as problem:
        return not_run(job.name, job.model, Fault(job.name, "", str(problem)))
    except Busy:
        raise
    except Exception as defect:  # noqa: BLE001 (a defect in one case must not cost the others of a batch)
        return failed(job, defect)


def failed(job: Job, defect: BaseException) -> Done:
    """What is told of a case on which the program itself failed."""
    told = "".join(traceback.format_exception(defect))
    return Done(broken_off(job.name, job.model, defect), EXIT_NOT_CONVERGED, defect=told)


def not_run(name: str, model: str, *faults: Fault) -> Done:
    """What is told of a case that cannot be run."""
    return Done(refused(name, model, faults), EXIT_BAD_INPUT, faults=faults)


def up_to_date(job: Job) -> Done | None:
    """The stored result if a run would give it again; raises InputError for one of a newer program."""
    if job.fresh:
        return None
    summary = read_summary(job.folder)
    if (
        summary is None
        or summary["case"] != job.name
        or not same(summary.pop("provenance"), stamp(job.case, job.model))
    ):
        return None
    return Done(summary | {"skipped": True}, exit_code(summary["status"]))


def exit_code(status: str) -> int:
    """Exit code of a case that has a result."""
    codes: dict[str, int] = {
        Status.NOT_CONVERGED: EXIT_NOT_CONVERGED, Status.OUT_OF_TIME: EXIT_OUT_OF_TIME
    }  # fmt: skip
    return codes.get(status, EXIT_DONE)


def keep(job: Job, result: Result, notes: tuple[str, ...] = ()) -> Done:
    """Write a result with its pictures; a picture that cannot be drawn is a message, not a failure."""
    folder = write(result, job.folder)
    messages = [*notes, *result.warnings]
    if job.pictures:
        from fem.report.pictures import draw_all

        messages += draw_all(result, folder)
    told = tuple(f"{job.name}: {message}" for message in messages)
    return Done(result.summary(folder) | {"skipped": False}, exit_code(result.status), told)


def _run(job: Job, watch: Watch) -> Done:
    from fem.simulation.run import run_case

    sweep(job.folder)
    origin = stamp(job.case, job.model)
    keeper = Checkpoint(job.checkpoint, origin, watch.stopping, limit=job.limit)
    if job.fresh:
        keeper.remove()
    result = run_case(job.case, model=job.model, progress=watch, keeper=keeper)
    trouble = [f"the run could not be kept as it went ({keeper.trouble})"] if keeper.trouble else []
    notes = (*keeper.notes, *trouble, *_replaced(job))
    done = keep(job, replace(result, seconds=keeper.seconds), notes)
    if not result.provenance.get(UNFINISHED):
        keeper.remove()
    return done


def _replaced(job: Job) -> tuple[str, ...]:
    """That the results of another case of the same name go, if they do."""
    try:
        earlier = read_summary(job.folder)
    except InputError:  # of a newer program: `fresh` was asked for
        return ()
    source = earlier["provenance"].get("case_file") if earlier is not None else None
    if source in (None, job.case.source):
        return ()
    return (f"its results take the place of those of {source}, a case of the same name",)


@contextlib.contextmanager
def locked(job: Job, watch: Watch | None = None) -> Iterator[None]:
    """Hold the lock of a case. Where another process has it, wait as long as `watch` lets, or raise Busy if
    there is none; raises InputError where nothing can be written.
    """
    from filelock import FileLock, Timeout

    lock = FileLock(job.lock)
    try:
        job.lock.parent.mkdir(parents=True, exist_ok=True)
        while not lock.is_locked:
            try:
                lock.acquire(timeout=0)
            except Timeout:
                if watch is None:
                    raise Busy from None
                watch(0.0, "waiting: another run is at this case")
                time.sleep(POLL)
    except OSError as problem:
        raise InputError(
            f"{job.folder.parent}: no results can be written there ({problem.strerror or problem}): make the "
            "folder writable, or free some space"
        ) from problem
    try:
        yield
    finally:
        lock.release()
