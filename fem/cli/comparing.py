"""What the verbs `accept` and `compare` do with their options: run what is missing, compare, draw, print."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from fem.batch.batch import RUNS, BatchOptions, run_batch
from fem.core.errors import EXIT_STOPPED, Fault, InputError
from fem.results.regression import (
    FAST,
    Compared,
    Entry,
    Wanted,
    Workplace,
    accept_cases,
    accept_code,
    compare_cases,
    exit_code,
    orphans,
)

if TYPE_CHECKING:
    from rich.console import Console


@dataclass(frozen=True)
class Options:
    """Options of `compare`; all_cases: no case was named, so that a reference without a case is a fault."""

    model: str
    all_cases: bool
    fast: bool
    markdown: Path | None
    plot: Path | None
    as_json: bool


def workplace(
    references: Path, at_a_time: int, console: Console, apart: Callable[[], AbstractContextManager[None]]
) -> Workplace:
    """Where runs and references are, and how missing runs are made: as a batch, with messages on `console`.

    apart: within it, what libraries print does not reach stdout.
    """
    from fem.batch.progress import ProgressDisplay
    from fem.cli.terminal import print_failures

    def run_missing(wanted: Sequence[Wanted]) -> None:
        for model in dict.fromkeys(model for _, model in wanted):
            cases = [case for case, asked in wanted if asked == model]
            with apart():
                display = ProgressDisplay(console, len(cases))
                done, code = run_batch(
                    [(case.name, case, ()) for case in cases], BatchOptions(model, at_a_time), display
                )
                print_failures(console, [(each.summary["case"], each.faults) for each in done])
            if code == EXIT_STOPPED:
                raise SystemExit(EXIT_STOPPED)

    return Workplace(RUNS, references, run_missing)


def accept_verb(
    entries: Sequence[Entry], model: str, why: str, place: Workplace, console: Callable[[bool], Console]
) -> int:
    """Accept, tell, and return the exit code. Raises InputError for an empty reason."""
    from fem.cli.comparison_text import print_accepted

    made = accept_cases(entries, model, why, place)
    print_accepted(console(False), console(True), made)
    return accept_code(made)


def compare_verb(
    entries: Sequence[Entry], options: Options, place: Workplace, console: Callable[[bool], Console]
) -> int:
    """Compare, tell, and return the exit code.

    Raises InputError where there is nothing to compare, or where a file cannot be written.
    """
    from fem.cli.terminal import print_faults, said

    outcomes = compare_cases(entries, options.model, place, options.fast)
    if options.all_cases:
        outcomes += _without_case([name for name, _, _ in entries], place)
    if not outcomes:
        if options.fast:
            text = f"no reference of a run that took at most {FAST:.0f} s; accept some cases first"
        else:
            text = "no case below cases/; write one with pushpast new"
        raise InputError(f"nothing to compare: there is {text}")
    for file in _drawn(outcomes, options.plot):
        console(True).print(said(f"wrote {file}"))
    if options.markdown is not None:
        _write(options.markdown, outcomes)
    print_faults(console(True), [fault for one in outcomes for fault in one.faults])
    if options.as_json:
        from fem.report.json_documents import cases_document, compared, json_text

        document = cases_document([compared(one) for one in outcomes])
        sys.stdout.write(json_text(document))
    else:
        from fem.cli.comparison_text import print_comparisons

        print_comparisons(console(False), outcomes)
    return exit_code(outcomes)


def _without_case(names: Sequence[str], place: Workplace) -> list[Compared]:
    """References that no case belongs to any more: a case must not leave the comparison unnoticed."""
    text = "belongs to no case below cases/; bring the case back, or remove this file"
    return [
        Compared(case, model, faults=(Fault(str(file), "", text),))
        for case, model, file in orphans(names, place.references)
    ]


def _drawn(outcomes: Sequence[Compared], folder: Path | None) -> list[Path]:
    if folder is None:
        return []
    from fem.cli.comparison_plot import comparison_plot

    files = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for one in outcomes:
            if one.comparison is not None and one.baseline is not None and one.result is not None:
                file = folder / f"{one.case}.{one.model}.png"
                files.append(comparison_plot(one.baseline, one.result, one.comparison, file))
    except OSError as problem:
        raise InputError(f"{folder}: pictures cannot be written ({problem.strerror or problem})") from problem
    return files


def _write(file: Path, outcomes: Sequence[Compared]) -> None:
    from fem.cli.comparison_text import markdown

    try:
        file.write_text(markdown(outcomes), encoding="utf-8")
    except OSError as problem:
        raise InputError(f"{file} cannot be written ({problem.strerror or problem})") from problem
