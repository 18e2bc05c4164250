"""What the command line prints for people: faults, derived numbers, verdicts.

Tables are for a terminal of any width; everything a program should read goes out as JSON instead. Words of
others (titles, keys, sentences of stored results) are no markup and move no cursor: they go out by `said`.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Protocol

from rich.console import Console
from rich.table import Table
from rich.text import Text

from fem.core.errors import Fault
from fem.core.plain_text import visible
from fem.results.columns import words_of
from fem.results.outcome import GOOD
from fem.results.readings import per_cent
from fem.simulation.failure_guide import explanations
from fem.view.palette import HEADING, QUIET

if TYPE_CHECKING:
    from fem.case.definition import Case
    from fem.case.estimate import Derived


class Number(Protocol):
    """A value with unit and note."""

    @property
    def value(self) -> float: ...
    @property
    def unit(self) -> str: ...
    @property
    def note(self) -> str: ...


def said(text: str, style: str = "", lines: bool = False) -> Text:
    """A text as it stands, for a console or a cell of a table; lines: it has several."""
    return Text(visible(text, lines), style)


def number_text(value: float, unit: str = "") -> str:
    """Four digits and the unit; a dash where there is no number."""
    if math.isnan(value):
        return "-"
    if math.isinf(value):
        return "never" if value > 0 else "-never"
    text = f"{value:.4g}"
    return f"{text} {unit}" if unit and unit != "1" else text


def print_faults(console: Console, faults: Sequence[Fault]) -> None:
    """Each fault on a line of its own, never wrapped, so that editors can jump to file and line."""
    for fault in faults:
        console.print(said(str(fault)), soft_wrap=True)


def print_failures(console: Console, found: Sequence[tuple[str, Sequence[Fault]]]) -> None:
    """The faults of cases, each once, with the names of all cases that have it."""
    where: dict[Fault, list[str]] = {}
    for case, faults in found:
        for fault in faults:
            # a fault that names nothing but its case is the same one in another case
            same = Fault("", "", fault.message) if fault.file == case else fault
            where.setdefault(same, []).append(case)
    for fault, cases in where.items():
        text = str(fault) if fault.file else f"{', '.join(cases)}: {fault.message}"
        shared = f" (in {', '.join(cases)})" if fault.file and len(cases) > 1 else ""
        console.print(said(text + shared), soft_wrap=True)


def print_numbers(console: Console, title: str, numbers: Mapping[str, Number]) -> None:
    """A table of named numbers; those without a value are named below with their reason."""
    console.print()
    table = Table(
        title=title, title_justify="left", title_style=HEADING, box=None, pad_edge=False, show_header=False
    )
    table.add_column("what", no_wrap=True)
    table.add_column("value", justify="right", no_wrap=True)
    table.add_column("note", style=QUIET, overflow="fold")
    missing: dict[str, list[str]] = {}
    for name, number in numbers.items():
        if math.isnan(number.value):
            missing.setdefault(number.note, []).append(words_of(name))
        else:
            table.add_row(
                said(words_of(name)), said(number_text(number.value, number.unit)), said(number.note)
            )
    console.print(table)
    for reason, names in missing.items():
        console.print(said(f"no value: {', '.join(names)} ({reason})", QUIET))


def print_check(console: Console, case: Case, derived: Derived) -> None:
    """All that follows from a sound case without a solve."""
    console.print(said(f"{case.name}: {case.title}", HEADING))
    print_numbers(console, "the case", derived.quantities)
    print_numbers(console, f"its section, {derived.section_station:.4g} mm from the root", derived.section)
    print_bends(console, derived.bends)
    print_remarks(console, derived.remarks)


def print_bends(console: Console, bends: Iterable[Mapping[str, float]]) -> None:
    """One row per pre-formed bend."""
    rows = list(bends)
    if not rows:
        return
    console.print()
    title = "bends, from the root; strain in per cent of the limit"
    table = Table(title=title, title_justify="left", title_style=HEADING, box=None, pad_edge=False)
    for column in ("bend", "from", "to", "angle", "radius", "pressed flat", "wound up", "to hold"):
        table.add_column(column, justify="right")
    for row in rows:
        table.add_row(
            f"{row['bend']:.0f}",
            number_text(row["start_mm"], "mm"),
            number_text(row["end_mm"], "mm"),
            number_text(row["angle_deg"], "deg"),
            number_text(row["radius_mm"], "mm"),
            share_text(row.get("flattened_share", math.nan)),
            share_text(row.get("coiled_share", math.nan)),
            number_text(row.get("coil_torque_Nmm", math.nan), "N mm"),
        )
    console.print(table)


def share_text(share: float) -> str:
    """Share of a strain limit in per cent."""
    return "-" if math.isnan(share) else f"{100.0 * share:.3g} %"


def print_remarks(console: Console, remarks: Iterable[str]) -> None:
    """Sentences, one bullet each."""
    console.print()
    for remark in remarks:
        wide = max(40, console.width - 1)
        text = textwrap.fill(remark, wide, initial_indent="* ", subsequent_indent="  ")
        console.print(said(text, lines=True))


STRAIN = ("strain\n\n%", "strain_share_peak")
"""Per cent of the material's limit, of what counts for the verdict."""
VERDICT_NUMBERS = (
    ("wind\nin\nN mm", "retract_torque_peak_Nmm"),
    ("push\nout\nN mm", "deploy_torque_peak_Nmm"),
    ("motor\n\nN mm", "motor_stall_torque_at_axle_Nmm"),
)
"""Columns of the verdict table that are quantities of a result."""


def print_verdicts(console: Console, summaries: Sequence[Mapping[str, Any]]) -> None:
    """The verdict table: one row per case, then what to do about each and where its results are."""
    table = Table(title="verdict", title_justify="left", title_style=HEADING, box=None, padding=(0, 1, 0, 0))
    table.add_column("case", no_wrap=True)
    table.add_column("status", min_width=13)
    titles = [title for title, _ in (*VERDICT_NUMBERS, STRAIN)]
    for column in ("jam\nat\nmm", "travel\n\nmm", *titles):
        table.add_column(column, justify="right", no_wrap=True)
    table.add_column("took\n\ns", justify="right")
    for summary in summaries:
        jam, numbers = summary["jam"], summary["quantities"]
        table.add_row(
            said(summary["case"]),
            said(summary["status"] + (f": {jam['mode']}" if jam else "")),
            *(number_text(_value(jam[name])) if jam else "-" for name in ("station_mm", "travel_mm")),
            *(number_text(_value(numbers.get(name, {}).get("value"))) for _, name in VERDICT_NUMBERS),
            _strain_text(_value(numbers.get(STRAIN[1], {}).get("value"))),
            "up to date" if summary.get("skipped") else f"{summary['seconds']:.1f}",
        )
    console.print(table)
    console.print()
    told: dict[str, list[str]] = {}
    for summary in summaries:
        told.setdefault(summary["sentence"], []).append(summary["case"])
    by_name = {summary["case"]: summary for summary in summaries}
    for sentence, cases in told.items():
        console.print(said(f"{', '.join(cases)}: {sentence}"))
        for line in _on_the_bench(by_name[cases[0]]):
            console.print(said(line, QUIET))
        for case in cases:
            if by_name[case]["folder"]:
                folder = by_name[case]["folder"]
                console.print(said(f"  results in {folder}", QUIET))


def _on_the_bench(summary: Mapping[str, Any]) -> Iterable[str]:
    """How what went wrong shows on the real strip; nothing where nothing did."""
    jam, share = summary["jam"], summary["quantities"].get("strain_share_peak", {}).get("value")
    for entry in explanations(summary["status"], jam["mode"] if jam else None, _value(share)):
        if entry not in GOOD:
            yield f"  {entry}, on the bench: {entry.bench}"


def _strain_text(share: float) -> str:
    """Strain against its limit in whole per cent: how the column is headed."""
    return "-" if math.isnan(share) else per_cent(share).removesuffix(" %")


def _value(value: float | None) -> float:
    """A number of a JSON document, null read as nan."""
    return math.nan if value is None else float(value)


def print_checks(console: Console, checks: Sequence[Mapping[str, Any]]) -> None:
    """Every published check with its numbers, and below it where the published one stands."""
    for check in checks:
        published, computed, error, allowed = (
            f"{_value(check[key]):.4g}" for key in ("published", "computed", "error", "tolerance")
        )
        verdict = "ok     " if check["ok"] else "DIFFERS"
        numbers = f"computed {computed}, published {published}, error {error} (allowed {allowed})"
        numbers += f", {check['seconds']:.2g} s"
        for text, style in (
            (f"{verdict} {check['model']}: {check['name']}: {numbers}", ""),
            (check["source"], QUIET),
        ):
            lead = "" if style == "" else " " * 8
            lines = textwrap.fill(
                text, max(40, console.width - 1), initial_indent=lead, subsequent_indent=" " * 8
            )
            console.print(said(lines, style, lines=True))
    wrong = sum(not check["ok"] for check in checks)
    console.print(said(f"\n{len(checks) - wrong} of {len(checks)} agree", lines=True))
