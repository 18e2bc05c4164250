"""Comparisons in words: what changed and whether it matters, for a terminal and for a pull request.

First one row per case, then a block for each that is not the same. Where the case changed, every number that
moved is an effect and is listed; where it did not, those that moved within their tolerance are only counted.
"""

from __future__ import annotations

import math
import textwrap
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence

from rich.console import Console
from rich.table import Table

from fem.cli.terminal import number_text, said
from fem.core.plain_text import code_in_markdown, in_markdown
from fem.results.baseline import acceptance_lines
from fem.results.columns import unit_of, words_of
from fem.results.compare import (
    CODE,
    DESIGN,
    KINDS,
    MESH,
    NEW,
    SAME,
    STATUS,
    Comparison,
    CurveDifference,
    Difference,
)
from fem.results.outcome import NoResult
from fem.results.regression import Accepted, Compared
from fem.results.snapshot import PHASE_WORDS
from fem.view.palette import CHANGED, FAILED, HEADING

FAILURES = (CODE, STATUS, NoResult.BAD_INPUT)
STYLES = dict.fromkeys(FAILURES, FAILED) | {DESIGN: CHANGED, MESH: CHANGED}
MEANING = {
    CODE: "the case says the same, the program gives other numbers",
    MESH: "only the table solver differs; no failure",
    DESIGN: "the case differs, these are the effects; no failure",
}
MOST_NUMBERS = 24
"""Rows of a block; the rest is counted."""


def print_comparisons(console: Console, outcomes: Sequence[Compared]) -> None:
    """The table of all cases, then a block for each that is not the same, and the count of each kind."""
    table = Table(
        title="against what was accepted", title_justify="left", title_style=HEADING, box=None,
        padding=(0, 2, 0, 0), pad_edge=False,
    )  # fmt: skip
    for column in ("case", "model", "what", "status"):
        table.add_column(column, no_wrap=True)
    table.add_column("most telling", overflow="fold")
    for one in outcomes:
        what = _kind(one)
        shown = said(_shout(what), STYLES.get(what, ""))
        table.add_row(said(one.case), said(one.model), shown, said(_status(one)), said(_first(one)))
    console.print(table)
    for one in outcomes:
        made = one.comparison
        if made is None or made.kind in {SAME, NEW}:
            continue
        console.print()
        _say(console, _heading(made), STYLES[made.kind])
        for line in _keys(made):
            _say(console, f"  {line}")
        _print_numbers(console, _listed(made))
        for line in (*_curves(made), *_rest(made), *made.notes, _next(made)):
            wide = max(40, console.width - 1)
            text = textwrap.fill(line, wide, initial_indent="  ", subsequent_indent="    ")
            console.print(said(text, lines=True))
    console.print()
    _say(console, _count(outcomes))


def _say(console: Console, text: str, style: str = "") -> None:
    console.print(said(text, style))


def _print_numbers(console: Console, numbers: Sequence[Difference]) -> None:
    table = Table(box=None, padding=(0, 2, 0, 0), show_header=False)
    for justify in ("left", "right", "left", "right", "left", "left"):
        table.add_column(justify=justify, no_wrap=True)
    for number in numbers[:MOST_NUMBERS]:
        old, new = _sides(number)
        cells = (f" {words_of(number.quantity)}", old, "->", new, _share(number), _allowed(number))
        table.add_row(*map(said, cells))
    if numbers:
        console.print(table)


def markdown(outcomes: Sequence[Compared]) -> str:
    """The same as `print_comparisons`, for a pull request."""
    lines = [
        "### Against what was accepted", "", _count(outcomes), "",
        "| case | model | what | status | most telling |", "|---|---|---|---|---|",
    ]  # fmt: skip
    for one in outcomes:
        what = _kind(one)
        shown = f"**{_cell(_shout(what))}**" if what in FAILURES else _cell(what)
        status, first = _cell(_status(one)), _cell(_first(one))
        lines.append(f"| {_cell(one.case)} | {_cell(one.model)} | {shown} | {status} | {first} |")
    for one in outcomes:
        made = one.comparison
        lines += [f"\n{_cell(str(fault))}" for fault in one.faults]
        if made is None or made.kind in {SAME, NEW}:
            continue
        lines += ["", f"#### {_cell(_heading(made))}", ""]
        lines += [f"- {code_in_markdown(key.key)}: {_cell(key.old)} → {_cell(key.new)}" for key in made.keys]
        if _listed(made):
            lines += ["", "| number | before | now | change | tolerance |", "|---|---:|---:|---:|---|"]
        for number in _listed(made)[:MOST_NUMBERS]:
            cells = (words_of(number.quantity), *_sides(number), _share(number), _allowed(number))
            lines.append(f"| {' | '.join(_cell(cell) for cell in cells)} |")
        lines.append("")
        lines += [f"{_cell(line)}  " for line in (*_curves(made), *_rest(made), *made.notes)]
    return "\n".join(lines) + "\n"


def _cell(text: str) -> str:
    """Words within Markdown, on one line."""
    return in_markdown(" → ".join(text.split(" -> ")))


def print_accepted(console: Console, messages: Console, made: Sequence[Accepted]) -> None:
    """What each case accepted, as the dated lines that its history now begins with; faults on `messages`."""
    for one in made:
        if one.line is None:
            messages.print(said(one.fault, lines=True), soft_wrap=True)
            continue
        _say(console, f"{one.case} ({one.model}): accepted, {one.file}")
        first, *changes = acceptance_lines(one.line)
        for text in (first, *changes[: 2 * MOST_NUMBERS]):
            _say(console, f"  {text}")
        if len(changes) > 2 * MOST_NUMBERS:
            _say(console, f"    and {len(changes) - 2 * MOST_NUMBERS} more; the file has them all")


# ---- the words ---------------------------------------------------------------------------------------------


def _kind(one: Compared) -> str:
    return NoResult.BAD_INPUT if one.comparison is None else one.comparison.kind


def _shout(kind: str) -> str:
    return kind.upper() if kind == STATUS else kind


def _status(one: Compared) -> str:
    made = one.comparison
    if made is None or made.kind == NEW:
        return "-"
    return made.status[0] if made.status[0] == made.status[1] else " -> ".join(made.status)


def _first(one: Compared) -> str:
    """The one thing to know about a case."""
    made = one.comparison
    if made is None:
        return "not compared, see the messages" if len(one.faults) > 1 else "not compared, see the message"
    if made.kind == NEW:
        return "; ".join(made.notes) or f"nothing accepted yet: {_accept(made)}"
    if made.mode[0] != made.mode[1]:
        return f"jam: {made.mode[0] or 'none'} -> {made.mode[1] or 'none'}"
    if made.telling:
        number = made.telling[0]
        old, new = _sides(number)
        return f"{words_of(number.quantity)} {old} -> {new} {_share(number)}".rstrip()
    far = [curve for curve in made.curves if curve.verdict not in {"same", "within"}]
    if far:
        return _curve(far[0])
    moved = sum(number.verdict == "within" for number in made.numbers)
    return f"{moved} numbers moved, all within their tolerances" if moved else ""


def _heading(made: Comparison) -> str:
    head = f"{made.case} ({made.model}): "
    if made.kind == STATUS:
        cause = {CODE: "the program", MESH: "the table solver", DESIGN: "the design"}[made.cause]
        jam = f" ({made.mode[1]})" if made.mode[1] else ""
        return f"{head}WAS {made.status[0].upper()}, IS {made.status[1].upper()}{jam}; {cause} changed"
    return f"{head}{made.kind}: {MEANING[made.kind]}"


def _listed(made: Comparison) -> list[Difference]:
    """Numbers listed one by one: those beyond tolerance, and every effect of a change that was meant."""
    within = [number for number in made.numbers if number.verdict == "within"]
    return [*made.telling, *(within if made.cause != CODE else [])]


def _keys(made: Comparison) -> Iterator[str]:
    for key in made.keys:
        yield str(key)
    if made.mode[0] != made.mode[1]:
        yield f"jam: {made.mode[0] or 'none'} -> {made.mode[1] or 'none'}"


def _sides(number: Difference) -> tuple[str, str]:
    """Old and new value as text, the unit with the last."""
    if number.verdict == "new":
        return "none", number_text(number.new, number.unit)
    if number.verdict == "vanished":
        return number_text(number.old, number.unit), "gone"
    return number_text(number.old), number_text(number.new, number.unit)


def _share(number: Difference) -> str:
    return "" if math.isnan(number.change) else f"{100.0 * number.change:+.3g} %"


def _allowed(number: Difference) -> str:
    """Whether it matters, and from how much on, in the words in which that was given."""
    if number.verdict in {"new", "vanished"} or math.isnan(number.allowed):
        return number.verdict if number.verdict in {"new", "vanished"} else ""
    word = "within" if number.verdict == "within" else "beyond"
    if number.by_share and number.old:
        return f"{word} {100.0 * number.allowed / abs(number.old):.2g} %"
    return f"{word} {number_text(number.allowed, number.unit)}"


def _curves(made: Comparison) -> Iterator[str]:
    for curve in made.curves:
        if curve.verdict not in {"same", "within"}:
            yield _curve(curve)


def _curve(curve: CurveDifference) -> str:
    phase = PHASE_WORDS.get(curve.phase, curve.phase)
    if curve.verdict in {"new", "vanished"}:
        return f"curve of {phase} {'was not there' if curve.verdict == 'new' else 'is gone'}"
    text = f"curve of {phase}: {100.0 * curve.distance:.3g} % of its height and width away"
    text += f" (allowed {100.0 * curve.allowed:.2g} %)"
    if curve.place is not None:
        way, load = curve.place.names
        (x, y), (x_now, y_now) = curve.place.old, curve.place.new
        unit_x, unit_y = unit_of(way), unit_of(load)
        text += f", farthest where the {words_of(load)} was {number_text(y, unit_y)} at {words_of(way)} "
        text += (
            f"{number_text(x, unit_x)} and is {number_text(y_now, unit_y)} at {number_text(x_now, unit_x)}"
        )
    return text


def _rest(made: Comparison) -> Iterator[str]:
    """How many numbers are not listed."""
    listed = _listed(made)
    left = listed[MOST_NUMBERS:] + [number for number in made.numbers if number not in listed]
    verdicts = Counter(number.verdict for number in left)
    within, same = verdicts.pop("within", 0), verdicts.pop("same", 0)
    parts = [f"{verdicts.total()} more moved (--json has all)"] if verdicts else []
    parts += [f"{within} moved within their tolerances"] if within else []
    parts += [f"{same} did not move"] if same else []
    if parts:
        yield f"of {len(made.numbers)} numbers {', '.join(parts)}"


def _next(made: Comparison) -> str:
    return f"if that is right: {_accept(made)}"


def _accept(made: Comparison) -> str:
    model = "" if made.model == "rod" else f" --model {made.model}"
    return f'pushpast accept {made.case}{model} --why "..."'


def _count(outcomes: Iterable[Compared]) -> str:
    counts = Counter(_kind(one) for one in outcomes)
    said = [f"{counts[kind]} {_shout(kind)}" for kind in (*KINDS, NoResult.BAD_INPUT) if counts[kind]]
    return ", ".join(said) if said else "nothing to compare"
