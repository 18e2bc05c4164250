"""Runs of changed versions of one case: found where they are kept, else computed, side by side if asked.

Whatever becomes of a design is a row: a case that is refused, a run that does not converge, whose time runs
out or whose process is killed has its reason, and costs the others nothing. Every run is kept by the digest
of its own case as soon as it ends, so that no study computes what any study, or an ordinary run, has
computed; a study that is killed goes on where it stood when it is asked again, runs under way included.
"""

from __future__ import annotations

import contextlib
import math
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from pathlib import Path
from typing import Any

from fem.batch.job import Done, Job, Watch, exit_code
from fem.batch.precompile import compile_loops
from fem.batch.workers import Observer, Pool, run_here
from fem.case.definition import Case
from fem.case.variation import changed
from fem.core.checkpoint import Checkpoint
from fem.core.errors import CaseError, InputError
from fem.results.outcome import NoResult
from fem.results.provenance import same, stamp
from fem.results.result import read_summary
from fem.study.parameters import Changes, Parameter, parameter
from fem.study.record import EARLY, Record, Wanted, read_record, record_of, record_of_run, write_record
from fem.study.table import Row, Table, row_of, stiffness_of

STORE = Path("results") / "studies"
RUNS = Path("results") / "runs"
KEPT = "runs"
"""Folder below a store with a file per run."""
PRESS = {"push": {"kind": "press", "held": "slot"}}
"""Changes that make of a case a press on its tip when it is out."""
SHOWN = 12
"""Letters of a digest that name a run where its values cannot."""


@dataclass(frozen=True)
class Options:
    """How the runs of a study are made.

    at_a_time: side by side on this machine; wanted: how far each goes; stiffness: whether the tip of the
    strip is pressed when it is out, too (a second, much quicker run); store: folder that keeps all runs of
    all studies; runs: folder of ordinary results; apart: in processes of their own even one at a time, so
    that a run which does not end within its time can be ended.
    """

    at_a_time: int = 1
    wanted: Wanted = EARLY
    stiffness: bool = False
    store: Path = STORE
    runs: Path = RUNS
    apart: bool = False


USUAL = Options()
"""What is usual."""


@dataclass(frozen=True)
class StudyJob(Job):
    """A run of a study; `folder` is the file of its record without its ending. label: what it is called."""

    wanted: Wanted = EARLY
    label: str = ""

    @property
    def name(self) -> str:
        """What it is called while it runs."""
        return self.label

    @property
    def file(self) -> Path:
        """Where its record is kept."""
        return self.folder.with_suffix(".json")

    def record(self) -> Record | None:
        """What is kept of it, if that serves."""
        found = read_record(self.file)
        return (
            found if found is not None and found.serves(stamp(self.case, self.model), self.wanted) else None
        )

    def known(self) -> Done | None:
        """What is told of it if it is kept already."""
        found = self.record()
        return None if found is None else told(found, skipped=True)

    def carried_out(self, watch: Watch) -> Done:
        """Run it and keep what comes of it. Raises InputError where nothing can be written."""
        from fem.simulation.run import run_case

        origin, wanted = stamp(self.case, self.model), self.fuller()
        mark = {"extent": f"{wanted.beyond:g} {wanted.safe_travel}"}
        keeper = Checkpoint(self.checkpoint, origin | mark, watch.stopping, limit=wanted.limit)
        began = time.process_time()
        result = run_case(self.case, self.model, watch, keeper, wanted.extent)
        made = record_of(replace(result, seconds=keeper.seconds), origin, wanted, time.process_time() - began)
        try:
            self.file.parent.mkdir(parents=True, exist_ok=True)
            write_record(made, self.file)
        except OSError as problem:
            why = problem.strerror or problem
            raise InputError(f"{self.file}: cannot be written ({why}); free some space") from problem
        if not made.unfinished:
            keeper.remove()
        return told(made, skipped=False)

    def fuller(self) -> Wanted:
        """What is wanted, and what is kept already of the same run: neither is to take the other's place."""
        old = read_record(self.file)
        if old is None or old.unfinished or not same(old.stamp, stamp(self.case, self.model)):
            return self.wanted
        searched = self.wanted.safe_travel or old.wanted.safe_travel
        return replace(self.wanted, beyond=max(self.wanted.beyond, old.wanted.beyond), safe_travel=searched)


def told(record: Record, skipped: bool) -> Done:
    """What is told of a run that is kept."""
    return Done(dict(record.summary) | {"skipped": skipped}, exit_code(record.summary["status"]))


@dataclass
class Quiet:
    """Watches nothing."""

    stopping: bool = False

    def advanced(self, name: str, share: float, text: str) -> None:
        """Let it pass."""

    def note(self, text: str) -> None:
        """Let it pass."""

    def done(self, name: str, done: Done) -> None:
        """Let it pass."""


@dataclass
class _Ended:
    """Passes on what is told of runs, and keeps how each ended."""

    outer: Observer
    results: dict[str, Done] = field(default_factory=dict)

    @property
    def stopping(self) -> bool:
        return self.outer.stopping

    def advanced(self, name: str, share: float, text: str) -> None:
        self.outer.advanced(name, share, text)

    def note(self, text: str) -> None:
        self.outer.note(text)

    def done(self, name: str, done: Done) -> None:
        self.results[name] = done
        self.outer.done(name, done)


@dataclass
class _Design:
    """A design on its way to its row: what is run for it, and what is kept of each."""

    head: Row
    jobs: list[StudyJob]


class Study:
    """Runs of changed versions of one case; a `with` block keeps the processes that compute them.

    observer: hears of progress and says when to stop. computed: runs computed so far; rows: every row, in
    the order in which they were asked for. Raises InputError for a model that does not exist.
    """

    def __init__(
        self, case: Case, model: str = "rod", options: Options = USUAL, observer: Observer | None = None
    ) -> None:
        self.case, self.model, self.options = case, model, options
        self.observer: Observer = observer if observer is not None else Quiet()
        self.computed = 0
        self.rows: list[Row] = []
        self._parameters: dict[str, Parameter] = {}
        self._known: dict[str, Record] = {}
        self._failed: dict[str, Done] = {}
        self._now: set[str] = set()
        self._pool: Pool | None = None
        self._compiled = False

    def __enter__(self) -> Study:
        return self

    def __exit__(self, *kind: object) -> None:
        if self._pool is not None:
            self._pool.__exit__(*kind)
            self._pool = None

    @property
    def stopping(self) -> bool:
        """Whether the user wants it to end."""
        return self.observer.stopping

    def parameter(self, name: str) -> Parameter:
        """What a name of a value means in this case; raises InputError for one that means nothing."""
        if name not in self._parameters:
            self._parameters[name] = parameter(self.case, name)
        return self._parameters[name]

    def changes(self, values: Mapping[str, Any]) -> Changes:
        """Values by name as keys of the case."""
        made: Changes = {}
        for name, value in values.items():
            made |= self.parameter(name).changes(value)
        return made

    def changed(self, values: Mapping[str, Any]) -> Case:
        """The case with these values; raises CaseError for one that cannot be."""
        return changed(self.case, self.changes(values))

    def run(self, designs: Sequence[Mapping[str, Any]]) -> list[Row]:
        """A row for each design, a mapping of names (`fem.study.parameters`) to values, in their order.

        {} is the case as it is. Designs of the same content are run once. When the user wants to stop, what
        has not been computed has the status `stopped`. Raises InputError for a name that means nothing.
        """
        prepared = [self._prepared(values) for values in designs]
        jobs = {job.file.name: job for design in prepared for job in design.jobs}
        self._now = set()
        self._carry_out([job for name, job in jobs.items() if not self._is_known(name, job)])
        rows = [self._row(design) for design in prepared]
        self.rows += rows
        return rows

    def table(self, names: Sequence[str], rows: Sequence[Row] | None = None) -> Table:
        """Rows (None: all) as a table of what was changed."""
        return Table(
            self.case.name,
            tuple(names),
            tuple(self.rows if rows is None else rows),
            self.options.wanted.beyond,
        )

    # ---- runs ----------------------------------------------------------------------------------------------

    def _prepared(self, values: Mapping[str, Any]) -> _Design:
        changes = self.changes(values)
        head = Row(dict(values), changes, NoResult.BAD_INPUT)
        try:
            case = changed(self.case, changes)
            pressed = [changed(case, PRESS)] if self.options.stiffness else []
        except CaseError as problem:
            reasons = "; ".join(f"{fault.key}: {fault.message}" for fault in problem.faults)
            return _Design(replace(head, sentence=reasons), [])
        label = ", ".join(f"{name} {_short(value)}" for name, value in values.items()) or "as it is"
        jobs = [self._job(case, label), *(self._job(one, f"{label}, pressed") for one in pressed)]
        return _Design(replace(head, digest=case.digest), jobs)

    def _job(self, case: Case, label: str) -> StudyJob:
        ending = "" if self.model == "rod" else f"+{self.model}"
        place = self.options.store / KEPT / f"{case.digest[:32]}{ending}"
        return StudyJob(
            case, self.model, place, pictures=False, wanted=self.options.wanted, label=label,
            limit=self.options.wanted.limit,
        )  # fmt: skip

    def _is_known(self, name: str, job: StudyJob) -> bool:
        """Whether there is nothing to compute."""
        if name in self._known or name in self._failed:
            return True
        found = job.record() or self._ordinary(job)
        if found is not None:
            self._known[name] = found
        return found is not None

    def _ordinary(self, job: StudyJob) -> Record | None:
        """The record of an ordinary run of the same case, which is kept from here on, too."""
        folder = self._ordinary_runs.get(job.case.digest)
        origin = stamp(job.case, job.model)
        found = None if folder is None else record_of_run(folder, job.case, origin)
        if found is None or not found.serves(origin, job.wanted):
            return None
        with contextlib.suppress(OSError):  # it is read again from where it is
            job.file.parent.mkdir(parents=True, exist_ok=True)
            write_record(found, job.file)
        return found

    @cached_property
    def _ordinary_runs(self) -> dict[str, Path]:
        """Folders of ordinary results by the digest of their case."""
        return dict(_digests(self.options.runs, self.model))

    def _carry_out(self, jobs: Sequence[StudyJob]) -> None:
        """Compute what is not known, and look at what came of it."""
        if not jobs or self.stopping:
            return
        labelled = _told_apart(jobs)
        ended = _Ended(self.observer)
        expect: Callable[[int], None] = getattr(self.observer, "expect", lambda count: None)
        expect(len(labelled))
        if not self._compiled:
            tell = partial(ended.advanced, labelled[0].name, 0.0, "compiling")
            compile_loops(self.model, tell, lambda: self.observer.stopping)
            self._compiled = True
        if self.options.apart or (self.options.at_a_time > 1 and len(labelled) > 1):
            self._pool = self._pool or Pool(self.options.at_a_time)
            self._pool.run(labelled, ended)
        else:
            run_here(labelled, ended)
        for job in labelled:
            done = ended.results.get(job.name)
            found = job.record() if done is not None else None
            if found is not None:
                self._known[job.file.name] = found
                if done is not None and not done.summary.get("skipped"):
                    self._now.add(job.file.name)
            elif done is not None and done.summary["status"] != NoResult.STOPPED:
                self._failed[job.file.name] = done
                if done.summary.get("overdue"):
                    self._keep_overdue(job, done)
        self.computed += len(self._now)

    def _keep_overdue(self, job: StudyJob, done: Done) -> None:
        """Remember that a run did not end, so that it is not waited for again."""
        made = Record(stamp(job.case, job.model), job.wanted, done.summary, {}, 0.0, unfinished=True)
        with contextlib.suppress(OSError):
            job.file.parent.mkdir(parents=True, exist_ok=True)
            write_record(made, job.file)

    def _row(self, design: _Design) -> Row:
        """The row of a design after all has been run."""
        if not design.jobs:
            return design.head
        main, *pressed = design.jobs
        record = self._known.get(main.file.name)
        if record is None:
            done = self._failed.get(main.file.name)
            if done is None:
                return replace(
                    design.head, status=NoResult.STOPPED, sentence="stopped before it was computed"
                )
            reasons = "; ".join(fault.message for fault in done.faults) or done.summary["sentence"]
            return replace(design.head, status=done.summary["status"], sentence=reasons)
        now = any(job.file.name in self._now for job in design.jobs)
        row = row_of(record, self.options.wanted, replace(design.head, computed=now))
        for job in pressed:
            found = self._known.get(job.file.name)
            if found is not None:
                numbers = {**row.quantities, **stiffness_of(found.summary)}
                row = replace(row, quantities=numbers, cpu_seconds=row.cpu_seconds + found.cpu_seconds)
        return row


def _told_apart(jobs: Sequence[StudyJob]) -> list[StudyJob]:
    """The same jobs, with labels that differ."""
    seen: set[str] = set()
    made = []
    for job in jobs:
        label = job.label
        if label in seen:
            label = f"{label} ({job.case.digest[:SHOWN]})"
        seen.add(label)
        made.append(replace(job, label=label))
    return made


def _digests(runs: Path, model: str) -> Iterator[tuple[str, Path]]:
    """Digest and folder of every ordinary result of a model."""
    for folder in sorted(runs.iterdir()) if runs.is_dir() else ():
        if folder.name.startswith(".") or not folder.is_dir():
            continue
        try:
            summary = read_summary(folder)
        except InputError:
            continue
        if summary is not None and summary["model"] == model:
            yield str(summary["provenance"].get("case_digest")), folder


def _short(value: Any) -> str:
    """A value in a label."""
    if isinstance(value, float) and math.isfinite(value):
        return f"{value:.6g}"
    if isinstance(value, list | tuple | dict):
        return f"({len(value)} items)"
    return str(value)[:40]
