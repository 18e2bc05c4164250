"""What the verbs of studies do with their options: read the case, run, tell, write, end with a code."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from fem.batch.case_files import case_file
from fem.batch.progress import ProgressDisplay
from fem.case.definition import Case, read_case
from fem.cli.output import console, library_output_to_stderr, stop, tell
from fem.cli.study_text import print_limits, print_remedies, print_sweep
from fem.core.errors import (
    EXIT_BAD_INPUT,
    EXIT_DONE,
    EXIT_NOT_CONVERGED,
    EXIT_STOPPED,
    InputError,
)
from fem.report.json_documents import json_text
from fem.report.page import put
from fem.results.outcome import NoResult
from fem.study.limit import Limit, limit_of, limits_document, limits_of
from fem.study.measure import COMES_OUT, goal_measure, options_for
from fem.study.record import Wanted
from fem.study.remedies import Remedies, remedies_of
from fem.study.study import Options, Study
from fem.study.sweep import Sweep, ranges_of, swept
from fem.study.table import Row

T = TypeVar("T")
USUAL_LIMIT = {"rod": 10.0, "shell": 120.0}
"""Minutes of the clock for each run of a model."""
GOES_ON = "stopped; what was computed is kept: the same command goes on from there"
"""What is told where the user has stopped a study."""
PICTURES = (".png", ".svg", ".pdf")
"""Endings of files that a picture can be drawn into."""


@dataclass(frozen=True)
class Asked:
    """What all verbs of studies are told: the case and how it is to be run; limit [min] of each run, None: as
    long as is usual; as_json: whether a document is wanted in place of words.
    """

    case: str
    model: str = "rod"
    at_a_time: int = 1
    limit: float | None = None
    beyond: float = 2.0
    safe_travel: bool = False
    stiffness: bool = False
    as_json: bool = False

    @property
    def options(self) -> Options:
        """The same for the study. Raises InputError for what cannot be."""
        limit = USUAL_LIMIT[self.model] if self.limit is None else self.limit
        if not limit > 0.0:
            raise InputError(f"--limit {limit:g}: must be > 0 minutes; write a longer time, or leave it out")
        if not 1.0 < self.beyond <= 5.0:
            raise InputError(
                f"--beyond {self.beyond:g}: must be above 1, and at most 5 times the motor's torque, to "
                "which an ordinary run pushes on"
            )
        wanted = Wanted(self.beyond, self.safe_travel, 60.0 * limit)
        return Options(self.at_a_time, wanted, self.stiffness, apart=True)


def studied(asked: Asked, work: Callable[[Study], T], goal: bool = False) -> tuple[Case, T, bool]:
    """Do the work of a verb on a study of the case: the case, what came of it, whether it was stopped. goal:
    whether the numbers that its goal names are wanted.
    """
    try:
        case = read_case(case_file(asked.case))
        options = options_for(case, asked.options) if goal else asked.options
        display = ProgressDisplay(console(True), 0)
        with library_output_to_stderr(), display, Study(case, asked.model, options, display) as study:
            return case, work(study), study.stopping
    except InputError as problem:
        stop(str(problem))
    except KeyboardInterrupt:
        tell(GOES_ON)
        sys.exit(EXIT_STOPPED)


def _code(rows: Sequence[Row], stopped: bool) -> int:
    """Exit code of a study: of a stop, of one without any verdict, else done (a jam is a result)."""
    if stopped:
        return EXIT_STOPPED
    if not rows or any(row.went is not None for row in rows):
        return EXIT_DONE
    refused = all(row.status == NoResult.BAD_INPUT for row in rows)
    return EXIT_BAD_INPUT if refused else EXIT_NOT_CONVERGED


@dataclass(frozen=True)
class Files:
    """What a sweep is to write, None: not."""

    csv: Path | None = None
    plot: Path | None = None
    html: Path | None = None

    def check(self) -> None:
        """Raise InputError for a picture of no known kind, before anything is run."""
        if self.plot is not None and self.plot.suffix.lower() not in PICTURES:
            raise InputError(f"--plot {self.plot}: write a name that ends in {', '.join(PICTURES)}")

    def write(self, made: Sweep) -> list[Path]:
        """Write them; returns the files. Raises InputError where one cannot be written or drawn."""
        written = []
        for file, writer in ((self.csv, _put_csv), (self.plot, _put_plot), (self.html, _put_page)):
            if file is not None:
                try:
                    file.parent.mkdir(parents=True, exist_ok=True)
                    written.append(writer(made, file))
                except OSError as problem:
                    raise InputError(f"{file} cannot be written ({problem.strerror or problem})") from problem
        return written


def _put_csv(made: Sweep, file: Path) -> Path:
    return put(file, made.table.csv())


def _put_plot(made: Sweep, file: Path) -> Path:
    from fem.study.plots import sweep_plot

    return sweep_plot(made, file)


def _put_page(made: Sweep, file: Path) -> Path:
    from fem.study.page import write_sweep_page

    return write_sweep_page(made, file)


def sweep_verb(asked: Asked, vary: Sequence[str], samples: tuple[int, int], files: Files) -> int:
    """What `sweep` does; returns the exit code."""

    def work(study: Study) -> Sweep:
        files.check()
        return swept(study, ranges_of(study.case, vary), *samples)

    _, made, stopped = studied(asked, work)
    if asked.as_json:
        sys.stdout.write(json_text(made.table.document()))
    else:
        print_sweep(console(False), made.table)
    try:
        with library_output_to_stderr():
            for file in files.write(made):
                tell(f"wrote {file}")
    except InputError as problem:
        stop(str(problem))
    return _code(made.table.rows, stopped)


def limit_verb(asked: Asked, keys: Sequence[str], span: str, goal: bool) -> int:
    """What `limit` does; returns the exit code."""

    def work(study: Study) -> tuple[list[Limit], list[str]]:
        measure = goal_measure(study.case) if goal else COMES_OUT
        if not span:
            return limits_of(study, keys, measure)
        if len(keys) != 1:
            raise InputError(f"--range {span}: belongs to one key; name it")
        return [limit_of(study, keys[0], low_high("--range", span), measure)], []

    _, (made, left_out), stopped = studied(asked, work, goal)
    if asked.as_json:
        sys.stdout.write(json_text(limits_document(made, single=len(keys) == 1)))
    else:
        print_limits(console(False), made, left_out)
    return _code([row for one in made for row in one.rows], stopped)


def low_high(option: str, text: str) -> tuple[float, float]:
    """`0.05:0.3`, given to an option, as two numbers; raises InputError."""
    low, _, high = text.partition(":")
    try:
        return float(low), float(high)
    except ValueError as problem:
        raise InputError(f"{option} {text}: is no range; write LOW:HIGH, as 0.05:0.3") from problem


def remedies_verb(asked: Asked, write: Path | None, take: int) -> int:
    """What `remedies` does; returns the exit code."""
    _, made, stopped = studied(asked, remedies_of)
    if asked.as_json:
        sys.stdout.write(json_text(made.document()))
    else:
        print_remedies(console(False), made)
    if write is not None and not stopped:
        try:
            tell(f"wrote {_written(made, write, take)}; next: pushpast run {write}")
        except InputError as problem:
            stop(str(problem))
    return _code(made.table.rows, stopped)


def _written(made: Remedies, file: Path, take: int) -> Path:
    """The file of the remedy of a number, or of the best. Raises InputError."""
    numbered = (*made.singles, *made.pairs)
    if take > len(numbered):
        raise InputError(f"--take {take}: there are {len(numbered)} remedies; see the first column")
    return made.write(file, numbered[take - 1] if take else None)
