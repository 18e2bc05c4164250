"""A batch of cases: which ones are meant, who computes them, what is told at the end."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from fem.batch.case_files import case_files
from fem.batch.job import Done, Job, not_run, up_to_date
from fem.batch.precompile import compile_loops
from fem.batch.progress import ProgressDisplay
from fem.batch.workers import run_here, run_workers
from fem.case.definition import Case, read_case
from fem.core.atomic import run_folder
from fem.core.errors import EXIT_BAD_INPUT, EXIT_STOPPED, CaseError, Fault, InputError, defect_fault
from fem.design.loading import Winding
from fem.report.json_documents import stopped

RUNS = Path("results") / "runs"
Entry = tuple[str, "Case | None", tuple[Fault, ...]]
"""Name of a case with the case, or with its faults."""


@dataclass(frozen=True)
class BatchOptions:
    """How a batch is to be run.

    at_a_time: cases side by side on this machine; scheduler: address of a cluster to run on instead; limit
    [min]: of each case.
    """

    model: str = "rod"
    at_a_time: int = 1
    scheduler: str | None = None
    pictures: bool = True
    fresh: bool = False
    limit: float = math.inf


def run_batch(
    entries: Sequence[Entry], options: BatchOptions, display: ProgressDisplay
) -> tuple[list[Done], int]:
    """Run cases that have been read: what came of each entry, in order, and the exit code."""
    made: dict[int, Done] = {}
    jobs: dict[int, Job] = {}
    for number, (name, case, faults) in enumerate(entries):
        if case is None:
            made[number] = not_run(name, options.model, *faults)
        else:
            jobs[number] = Job(
                case,
                options.model,
                run_folder(RUNS, name, options.model),
                options.pictures,
                options.fresh,
                60.0 * options.limit,
            )
    with display:
        _carry_out(list(jobs.values()), options, display)
    for number, job in jobs.items():
        unfinished = Done(stopped(job.name, job.model), EXIT_STOPPED)
        made[number] = display.results.get(job.name, unfinished)
    done = [made[number] for number in range(len(entries))]
    codes = {each.code for each in done}
    return done, EXIT_BAD_INPUT if EXIT_BAD_INPUT in codes else max(codes)


def _carry_out(jobs: Sequence[Job], options: BatchOptions, display: ProgressDisplay) -> None:
    jobs = [job for job in jobs if not _settled(job, display)]
    try:
        if options.scheduler is not None:
            from fem.batch.cluster import run_on_cluster

            run_on_cluster(jobs, options.scheduler, display)
            return
        _compile(jobs, options.model, display)
        if options.at_a_time > 1 and len(jobs) > 1:
            run_workers(jobs, options.at_a_time, display)
        else:
            run_here(jobs, display)
    except KeyboardInterrupt:
        return  # the second one: what is running is given up; what it last kept stays
    except InputError as problem:
        for job in jobs:
            if job.name not in display.results:
                display.results[job.name] = not_run(job.name, job.model, Fault("", "", str(problem)))


def _compile(jobs: Sequence[Job], model: str, display: ProgressDisplay) -> None:
    """Compile what a strip in its surroundings needs, if any case has one; the others need little of it."""
    for job in jobs:
        if isinstance(job.case.push, Winding) or getattr(job.case.push, "held", "") == "slot":
            text = "compiling (the first run on a machine takes a little longer)"
            compile_loops(model, partial(display.advanced, job.name, 0.0, text), lambda: display.stopping)
            return


def _settled(job: Job, display: ProgressDisplay) -> bool:
    """Whether there is nothing to run: the stored result is up to date, or must not be replaced."""
    try:
        known = up_to_date(job)
    except InputError as problem:
        known = not_run(job.name, job.model, Fault(job.name, "", str(problem)))
    if known is not None:
        display.done(job.name, known)
    return known is not None


# ---- which cases -------------------------------------------------------------------------------------------


def read_cases(arguments: Sequence[str]) -> list[Entry]:
    """All cases that files, folders, patterns and names stand for, each with its faults instead where it has
    some; a name that comes twice is refused the second time. Whatever is wrong with one, the others are read.
    """
    seen: dict[str, Path] = {}
    entries: list[Entry] = []
    for argument in arguments:
        files = case_files(argument)
        if isinstance(files, Fault):
            entries.append((argument, None, (files,)))
            continue
        for file in files:
            name = file.stem
            if name in seen:
                if os.path.realpath(file) != os.path.realpath(seen[name]):
                    text = f"a case called {name} is already in this list ({seen[name]}); rename one of them"
                    entries.append((name, None, (Fault(str(file), "", text),)))
                continue
            seen[name] = file
            entries.append(_entry(file))
    return entries


def _entry(file: Path) -> Entry:
    """A case with what its file gave."""
    try:
        return file.stem, read_case(file), ()
    except CaseError as problem:
        return file.stem, None, problem.faults
    except Exception as defect:  # noqa: BLE001 (a defect in reading one file must not cost the others)
        return file.stem, None, (defect_fault(str(file), defect),)
