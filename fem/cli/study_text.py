"""What studies say on a terminal: tables of their rows, and what follows from them in sentences."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from rich.console import Console
from rich.table import Table as Grid

from fem.cli.terminal import number_text, said
from fem.results.readings import per_cent
from fem.study.limit import Limit, sentence_of
from fem.study.remedies import Remedies, Tried
from fem.study.table import ASKED, Row, Table, total_seconds, unknown
from fem.view.palette import FAILED, HEADING, QUIET

COLUMNS = (
    ("asked\nof\nmotor", ASKED),
    ("wind\nin\nN mm", "retract_torque_peak_Nmm"),
    ("push\nout\nN mm", "deploy_torque_peak_Nmm"),
    ("strain\n\n%", "strain_share_working"),
    ("stiff\nout\nN/mm", "stiffness_out_N_per_mm"),
    ("safe\ntravel\nmm", "safe_travel_mm"),
)
"""Heads and names of the numbers of a row that a terminal has room for."""


def value_text(value: Any) -> str:
    """A value of a case in a table."""
    if value is None:
        return "-"
    return number_text(value) if isinstance(value, float) else str(value)


def row_numbers(row: Row, names: Sequence[str]) -> list[str]:
    """Numbers of a row as text; "> " before what is asked for at least."""
    found = []
    for name in names:
        value = row.quantities.get(name, math.nan)
        strain = name == "strain_share_working" and not math.isnan(value)
        text = per_cent(value).removesuffix(" %") if strain else number_text(value)
        asked_more = row.at_least and name in {ASKED, "deploy_torque_peak_Nmm"} and text != "-"
        found.append(f"> {text}" if asked_more else text)
    return found


def row_grid(title: str, heads: Sequence[str], rows: Sequence[Row]) -> tuple[Grid, list[str]]:
    """An empty table for rows, with the columns they have numbers for; and the names of these."""
    names = [name for _, name in COLUMNS if any(not math.isnan(row.number(name)) for row in rows)]
    grid = Grid(title=title, title_justify="left", title_style=HEADING, box=None, padding=(0, 1, 0, 0))
    for head in heads:
        grid.add_column(
            head, justify="right" if head != heads[-1] or len(heads) == 1 else "left", overflow="fold"
        )
    grid.add_column("status", min_width=13)
    for head, name in COLUMNS:
        if name in names:
            grid.add_column(head, justify="right", no_wrap=True)
    return grid, names


def print_sweep(console: Console, table: Table) -> None:
    """Every row of a sweep, the reasons of those without a verdict, and the best."""
    grid, names = row_grid(f"sweep of {table.case}", table.names, table.rows)
    for row in table.rows:
        values = [said(value_text(row.values.get(name))) for name in table.names]
        grid.add_row(*values, _verdict(row), *(said(text) for text in row_numbers(row, names)))
    console.print(grid)
    print_reasons(console, table.rows)
    best = table.best()
    if best is not None:
        design = ", ".join(f"{name} {value_text(best.values.get(name))}" for name in table.names)
        console.print(said(f"asks for least of its motor, within its strain limit: {design}"))
    else:
        console.print(said("none of these goes in and out within its strain limit"))
    print_cost(console, table.rows)


def print_cost(console: Console, rows: Sequence[Row]) -> None:
    """How many runs there are, how many of them were computed now, and what that took."""
    computed = sum(row.computed for row in rows)
    took = f" in {total_seconds(rows):.0f} s of processor time" if computed else ""
    designs = f"{len(rows)} designs" if len(rows) != 1 else "1 design"
    console.print(said(f"{designs}, {computed} of them computed now{took}", QUIET))


def print_limits(console: Console, made: Sequence[Limit], left_out: Sequence[str]) -> None:
    """A line for each key, the tightest first, and the two runs that each border lies between."""
    if made:
        console.print(said(f"limits of {made[0].case}: where {made[0].words}", HEADING))
    wide = max((len(one.name) for one in made), default=0)
    for one in made:
        console.print(said(f"{one.name:<{wide}}  {sentence_of(one)}"), soft_wrap=True)
        for crossing in one.crossings:
            sides = (
                f"{_exact(value)}: {row.verdict}"
                for value, row in (
                    (crossing.inside, crossing.row_inside),
                    (crossing.outside, crossing.row_outside),
                )
            )
            console.print(said(f"{'':<{wide}}  " + "; ".join(sides), QUIET), soft_wrap=True)
        for value, reason in one.unknown:
            console.print(
                said(f"{'':<{wide}}  at {_exact(value)} no verdict: {reason}", FAILED), soft_wrap=True
            )
    for reason in left_out:
        console.print(said(f"left out: {reason}", QUIET), soft_wrap=True)
    print_cost(console, [row for one in made for row in one.rows])


def print_remedies(console: Console, made: Remedies) -> None:
    """What each remedy does, numbered, the best first; the best single one and the best pair in words."""
    tried = (*made.singles, *made.pairs)
    rows = (made.base, *(one.row for one in tried))
    grid, names = row_grid(f"remedies for {made.case.name}", ("no", "what changes"), rows)
    grid.add_row("", "as it is", _verdict(made.base), *(said(text) for text in row_numbers(made.base, names)))
    for number, one in enumerate(tried, 1):
        grid.add_row(
            str(number),
            said(one.text),
            _verdict(one.row),
            *(said(text) for text in row_numbers(one.row, names)),
        )
    console.print(grid)
    print_reasons(console, rows)
    for word, best in (("best single", made.best), ("best pair", made.best_pair)):
        found = "none is better than the design as it is" if best is None else _mends(made.base, best)
        if made.pairs or word == "best single":
            console.print(said(f"{word}: {found}"))
    for left in made.untried:
        console.print(said(f"not tried: {left.words} ({left.why})", QUIET))
    print_cost(console, rows)


def _mends(base: Row, best: Tried) -> str:
    """What a remedy does, in half a sentence."""
    row = best.row
    asked = (
        f"asks for {row.asked:.2f} of the motor" if not math.isnan(row.asked) else "asks for no known torque"
    )
    if row.at_least:
        asked = f"asks for more than {row.asked:.2g} times the motor"
    stiff = row.number("stiffness_out_N_per_mm") / base.number("stiffness_out_N_per_mm")
    kept = f", {100.0 * stiff:.0f} % of the stiffness out" if not math.isnan(stiff) else ""
    return f"{best.text}: {row.verdict}, {asked}{kept}"


def _exact(value: float) -> str:
    """A value that can be written into a case."""
    return f"{value:.6g}"


def print_reasons(console: Console, rows: Sequence[Row]) -> None:
    """Why rows have no verdict, each reason once."""
    for reason, times in unknown(rows):
        console.print(said(f"{times} of {len(rows)} without a verdict: {reason}", FAILED))


def _verdict(row: Row) -> Any:
    return said(row.verdict, "" if row.went is not None else FAILED)
