"""A batch of cases: which ones are meant, who computes them, what is told at the end."""

from __future__ import annotations

import glob
import math
import os
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from fem.batch.job import Done, Job, not_run, up_to_date
from fem.batch.precompile import compile_loops
from fem.batch.progress import ProgressDisplay
from fem.batch.workers import run_here, run_workers
from fem.case.definition import Case, read_case
from fem.core.atomic import run_folder
from fem.core.errors import EXIT_BAD_INPUT, EXIT_STOPPED, CaseError, Fault, InputError
from fem.design.loading import Winding
from fem.report.json_documents import stopped

CASES, RUNS = Path("cases"), Path("results") / "runs"
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
    some; a name that comes twice is refused the second time.
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
                if file.resolve() != seen[name].resolve():
                    text = f"a case called {name} is already in this list ({seen[name]}); rename one of them"
                    entries.append((name, None, (Fault(str(file), "", text),)))
                continue
            seen[name] = file
            try:
                entries.append((name, read_case(file), ()))
            except CaseError as problem:
                entries.append((name, None, problem.faults))
    return entries


def files_of(arguments: Sequence[str]) -> list[Path]:
    """Case files that arguments stand for, each once; raises InputError for one that stands for none."""
    found: dict[Path, None] = {}
    for argument in arguments:
        files = case_files(argument)
        if isinstance(files, Fault):
            raise InputError(f"{argument}: {files.message}")
        found |= dict.fromkeys(files)
    return list(found)


def case_files(argument: str) -> list[Path] | Fault:
    """Case files that an argument stands for: a file, all of a folder, a pattern, or a name below cases/."""
    path = Path(argument)
    if path.is_dir():
        found = sorted(path.rglob("*.toml"))
        text = "holds no case files (*.toml); name another folder, or write a case with pushpast new"
        return found or Fault(argument, "", text)
    if argument.endswith(("/", os.sep)):
        return Fault(argument, "", "there is no such folder; see what cases/ holds")
    if not path.exists() and glob.has_magic(argument):
        patterns = (argument, str(CASES / "**" / argument))
        found = next(filter(None, (_matching(pattern) for pattern in patterns)), [])
        return found or Fault(argument, "", "no case file (*.toml) fits this pattern; see what cases/ holds")
    return [case_file(argument)]


def _matching(pattern: str) -> list[Path]:
    """Case files that fit a pattern, with or without its ending."""
    hits = {Path(hit) for end in ("", ".toml") for hit in glob.glob(pattern + end, recursive=True)}  # noqa: PTH207
    inside = {file for hit in hits if hit.is_dir() for file in hit.rglob("*.toml")}
    return sorted(inside | {hit for hit in hits if hit.suffix == ".toml" and hit.is_file()})


def case_file(argument: str) -> Path:
    """A path as given, or the case of that name below cases/."""
    path = Path(argument)
    if path.exists() or path.suffix == ".toml":
        return path
    found = sorted(CASES.rglob(f"{path.name}.toml")) if path.name == argument else []
    return found[0] if found else CASES / f"{argument}.toml"
