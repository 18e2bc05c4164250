"""What the verbs that search do with their options: read the case, run, tell, write, end with a code."""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console
from rich.table import Table as Grid

from fem.batch.case_files import case_file
from fem.batch.progress import ProgressDisplay
from fem.case.definition import Case, read_case
from fem.cli.output import console, library_output_to_stderr, stop, tell
from fem.cli.study_text import print_cost, print_reasons, value_text
from fem.cli.studying import GOES_ON, Asked, low_high, studied
from fem.cli.terminal import number_text, said
from fem.core.errors import EXIT_DONE, EXIT_NOT_CONVERGED, EXIT_STOPPED, InputError
from fem.report.json_documents import json_text
from fem.study.found_design import changed_values, columns, compared, document, sentences, write_case
from fem.study.goal_terms import terms_of
from fem.study.measure import options_for
from fem.study.new_case import refuse_name
from fem.study.optimise import Plan, optimised, with_shell
from fem.study.search_result import Optimised
from fem.study.sensitivity import Sensitivity, sensitivity_of, words_of
from fem.study.study import Study
from fem.study.sweep import ranges_of
from fem.view.palette import FAILED, HEADING

AT_ONCE = 2
"""Designs that are proposed at once, however few run side by side: what is found does not hang on that."""


BAR = 24
"""Letters of the longest bar."""


@dataclass(frozen=True)
class Found:
    """What `optimise` is told beside what all studies are."""

    vary: tuple[str, ...]
    runs: int
    minutes: float
    friction: str
    seed: int
    shell: bool
    out: Path | None
    html: Path | None

    def plan(self, at_a_time: int) -> Plan:
        """The same for the search. Raises InputError for what cannot be."""
        if not self.minutes > 0.0:
            raise InputError(f"--minutes {self.minutes:g}: must be > 0; write a longer time, or leave it out")
        return Plan(
            self.runs, 60.0 * self.minutes, self.seed, friction_range(self.friction), max(AT_ONCE, at_a_time)
        )


def friction_range(text: str) -> tuple[float, float] | None:
    """`0.05:0.3` as two numbers, "" as none; raises InputError."""
    if not text:
        return None
    found = low_high("--friction", text)
    if not 0.0 <= found[0] < found[1]:
        raise InputError(f"--friction {text}: the range is empty; write LOW:HIGH, as 0.05:0.3")
    return found


def optimise_verb(asked: Asked, found: Found) -> int:
    """What `optimise` does; returns the exit code."""
    try:
        case = read_case(case_file(asked.case))
        file = _new_file(case, found.out)
        made, stopped = _searched(case, asked, found)
        written = _write(made, file, found.html) if not stopped else []
    except InputError as problem:
        stop(str(problem))
    except KeyboardInterrupt:
        tell(GOES_ON)
        return EXIT_STOPPED
    if asked.as_json:
        sys.stdout.write(json_text(document(made, written[0] if written else None)))
    else:
        print_optimised(console(False), made)
    for one in written:
        tell(f"wrote {one}")
    if stopped:
        tell(GOES_ON)
        return EXIT_STOPPED
    return EXIT_NOT_CONVERGED if made.best is None else EXIT_DONE


def _searched(case: Case, asked: Asked, found: Found) -> tuple[Optimised, bool]:
    terms, ranges = terms_of(case), [one for one, _ in ranges_of(case, found.vary)]
    plan, options = found.plan(asked.at_a_time), options_for(case, asked.options)
    display = ProgressDisplay(console(True), 0)
    with library_output_to_stderr(), display:
        with Study(case, "rod", options, display) as study:
            made = optimised(study, terms, ranges, plan)
            stopped = study.stopping
        if found.shell and made.met and not stopped:
            with Study(case, "shell", options, display) as study:
                made = with_shell(made, study, plan)
                stopped = study.stopping
    return made, stopped


def _new_file(case: Case, out: Path | None) -> Path:
    """Where the new case is to lie; looked at before the search, which takes minutes. Raises InputError."""
    file = out or Path(case.source).with_name(f"{case.name}-optimised.toml")
    refuse_name(file)
    if file.exists():
        raise InputError(f"{file} exists already; name another with --out, or remove it")
    return file


def _write(made: Optimised, file: Path, html: Path | None) -> list[Path]:
    """The new case and its page."""
    from fem.study.found_page import write_found_page

    written = [write_case(made, file)] if made.best is not None and changed_values(made) else []
    if html is not None:
        written.append(write_found_page(made, html))
    return written


def sensitivity_verb(asked: Asked, keys: Sequence[str], step: float) -> int:
    """What `sensitivity` does; returns the exit code."""
    if not (math.isnan(step) or 0.0 < step <= 0.5):
        stop(f"--step {step:g}: must be above 0 and at most 0.5; 0.05 is 5 %")
    _, made, stopped = studied(asked, lambda study: sensitivity_of(study, keys, step))
    if stopped:
        tell(GOES_ON)
        return EXIT_STOPPED
    if asked.as_json:
        sys.stdout.write(json_text(made.document()))
    else:
        print_sensitivity(console(False), made)
    return EXIT_DONE


def print_sensitivity(console: Console, made: Sensitivity) -> None:
    """Ranked bars of each quantity, its scatter, and what cannot be told."""
    for quantity, found in made.found.items():
        grid = Grid(title=f"{words_of(quantity)}: per cent for one per cent", title_justify="left",
                    title_style=HEADING, box=None, padding=(0, 2, 0, 0), show_header=False)  # fmt: skip
        for justify in ("left", "right", "right", "left", "left"):
            grid.add_column(justify=justify)
        longest = max((abs(one.value) for one in found), default=0.0)
        told = [one for one in found if one.told]
        for one in told:
            grid.add_row(
                said(one.key), f"{one.value:+.2f}", f"\N{PLUS-MINUS SIGN} {one.band:.2f}",
                said(bar(one.value, longest)), said(one.note),
            )  # fmt: skip
        if told:
            console.print(grid)
        lost = [f"{one.key} ({one.value:+.2f} of {one.band:.2f})" for one in found if not one.told]
        if lost:
            text = f"{words_of(quantity)}: not to be told from nothing: {', '.join(lost)}"
            console.print(said(text), soft_wrap=True)
    scatter = ", ".join(f"{words_of(name)} {100.0 * by:.2g} %" for name, by in made.scatter.items())
    console.print(
        said(f"moved by {100.0 * made.step:.2g} % either way; scatter of runs: {scatter}"), soft_wrap=True
    )
    for key, reason in made.left_out:
        console.print(said(f"left out: {key}: {reason}"), soft_wrap=True)
    print_reasons(console, made.rows)
    print_cost(console, made.rows)


def bar(value: float, longest: float) -> str:
    """A bar of a share of BAR letters, to the right for what raises, with < before what lowers."""
    length = max(1, round(BAR * abs(value) / longest)) if longest > 0.0 else 0
    return ("<" if value < 0.0 else "") + "\N{FULL BLOCK}" * length


def print_optimised(console: Console, made: Optimised) -> None:
    """Old beside new, how the goal is kept, and what stops it."""
    changes = changed_values(made)
    if changes:
        grid = _grid(f"what changes in {made.terms.case.name}", ("key", "old", "new", ""))
        for key, old, new, unit in changes:
            grid.add_row(said(key), value_text(old), value_text(new), unit)
        console.print(grid)
    runs = columns(made)
    grid = _grid("what comes of it", ("", *(name for name, _ in runs), "", "asked"))
    grid.add_row("status", *(said(trial.row.verdict) for _, trial in runs), "", "")
    for line in compared(made):
        values = (number_text(value) for value in line.values)
        asked = said(line.asked, FAILED if line.kept is False else "")
        grid.add_row(line.name, *values, line.unit, asked)
    console.print(grid)
    for sentence in sentences(made):
        console.print(said(sentence), soft_wrap=True)
    rows = [row for trial in (*made.trials, *made.finer) for row in trial.rows]
    print_reasons(console, rows)
    print_cost(console, rows)


def _grid(title: str, heads: tuple[str, ...]) -> Grid:
    grid = Grid(title=title, title_justify="left", title_style=HEADING, box=None, padding=(0, 2, 0, 0))
    for place, head in enumerate(heads):
        grid.add_column(head, justify="left" if place in {0, len(heads) - 1} else "right")
    return grid
