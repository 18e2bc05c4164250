"""What the command line prints for people: faults, derived numbers, verdicts.

Tables are for a terminal of any width; everything a program should read goes out as JSON instead.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Protocol

from rich.console import Console
from rich.table import Table

from fem.errors import Fault


class Number(Protocol):
    """A value with unit and note."""

    @property
    def value(self) -> float: ...
    @property
    def unit(self) -> str: ...
    @property
    def note(self) -> str: ...


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
        console.print(str(fault), soft_wrap=True, markup=False, highlight=False)


def print_numbers(console: Console, title: str, numbers: Mapping[str, Number]) -> None:
    """A table of named numbers; those without a value are named below with their reason."""
    console.print()
    table = Table(
        title=title, title_justify="left", title_style="bold", box=None, pad_edge=False, show_header=False
    )
    table.add_column("what", no_wrap=True)
    table.add_column("value", justify="right", no_wrap=True)
    table.add_column("note", style="dim", overflow="fold")
    missing: dict[str, list[str]] = {}
    for name, number in numbers.items():
        if math.isnan(number.value):
            missing.setdefault(number.note, []).append(words(name))
        else:
            table.add_row(words(name), number_text(number.value, number.unit), number.note)
    console.print(table)
    for reason, names in missing.items():
        console.print(f"no value: {', '.join(names)} ({reason})", style="dim", markup=False, highlight=False)


_UNIT_ENDINGS = ("_N_per_mm", "_rad_per_s", "_Nmm2", "_Nmm", "_rad", "_mm", "_deg", "_g", "_s", "_N")


def words(name: str) -> str:
    """`coil_outer_radius_mm` -> `coil outer radius`: the unit stands beside the value."""
    for ending in _UNIT_ENDINGS:
        if name.endswith(ending):
            name = name.removesuffix(ending)
            break
    return name.replace("_", " ")


def print_bends(console: Console, bends: Iterable[Mapping[str, float]]) -> None:
    """One row per pre-formed bend."""
    rows = list(bends)
    if not rows:
        return
    console.print()
    title = "bends, from the root; strain in per cent of the limit"
    table = Table(title=title, title_justify="left", title_style="bold", box=None, pad_edge=False)
    for column in ("bend", "from", "to", "angle", "radius", "pressed flat", "wound up", "holding torque"):
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
        console.print(
            textwrap.fill(remark, max(40, console.width - 1), initial_indent="* ", subsequent_indent="  "),
            markup=False,
            highlight=False,
        )


def print_verdicts(console: Console, summaries: Sequence[Mapping[str, Any]]) -> None:
    """The verdict table: one row per case, then what to do about each."""
    table = Table(title="verdict", title_justify="left", header_style="bold", show_lines=False)
    for column in ("case", "status", "where", "wind in", "push out", "motor has", "seconds"):
        table.add_column(column, justify="left" if column in ("case", "status") else "right")
    for summary in summaries:
        jam = summary.get("jam")
        where = f"{jam['station_mm']:.1f} mm from root at travel {jam['travel_mm']:.1f} mm" if jam else "-"
        numbers = summary.get("quantities", {})
        table.add_row(
            summary["case"],
            summary["status"] + (f": {jam['mode']}" if jam else ""),
            where,
            _first(numbers, "retract_torque_peak_Nmm", "retract_peak_torque_Nmm", "torque_peak_retract_Nmm"),
            _first(numbers, "deploy_torque_peak_Nmm", "deploy_peak_torque_Nmm", "torque_peak_deploy_Nmm"),
            _first(numbers, "motor_stall_torque_Nmm", "motor_stall_torque_at_axle_Nmm"),
            f"{summary.get('seconds', math.nan):.1f}",
        )
    console.print(table)
    for summary in summaries:
        console.print(f"{summary['case']}: {summary['sentence']}", markup=False, highlight=False)


def _first(numbers: Mapping[str, Any], *names: str) -> str:
    for name in names:
        if name in numbers and numbers[name]["value"] is not None:
            return number_text(float(numbers[name]["value"]), numbers[name]["unit"])
    return "-"


def print_checks(console: Console, checks: Sequence[Mapping[str, Any]]) -> None:
    """The table of published checks."""
    table = Table(title="published checks", title_justify="left")
    for column in ("check", "model", "published", "computed", "error", "allowed", "", "source"):
        table.add_column(
            column, justify="right" if column in ("published", "computed", "error", "allowed") else "left"
        )
    for check in checks:
        table.add_row(
            check["name"],
            check["model"],
            *(_plain(check[key]) for key in ("published", "computed", "error", "tolerance")),
            "ok" if check["ok"] else "DIFFERS",
            check["source"],
        )
    console.print(table)


def _plain(value: Any) -> str:
    return f"{value:.5g}" if isinstance(value, int | float) and not isinstance(value, bool) else str(value)
