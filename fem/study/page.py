"""A sweep as one page that opens offline: the picture, every design in a table that sorts, the reasons."""

from __future__ import annotations

import base64
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import matplotlib as mpl

from fem.case.study_tables import QUANTITIES, Vary
from fem.core.errors import InputError
from fem.report.page import css, environment, put, web_text
from fem.report.wording import CAUTIONS
from fem.results.columns import unit_of
from fem.results.provenance import stamp
from fem.results.readings import number
from fem.study.parameters import parameter
from fem.study.plots import HATCHING, sweep_figure
from fem.study.sweep import Sweep
from fem.study.table import ASKED, Row, unknown
from fem.view.plot import STYLE

DASH = "\N{EN DASH}"
TOLD = (
    ASKED, "retract_torque_peak_Nmm", "deploy_torque_peak_Nmm", "strain_share_working",
    "stiffness_out_N_per_mm", "shape_error_mm", "tip_sag_mm", "safe_travel_mm", "jam_travel_mm",
)  # fmt: skip
"""Numbers that a page has room for; the table as comma-separated values has all."""


@dataclass(frozen=True)
class Cell:
    """A cell of a table: its text, and the number to sort by, None where it sorts by its words."""

    text: str
    value: float | None = None


def write_sweep_page(made: Sweep, file: Path | str) -> Path:
    """Write the page of a sweep, whole or not at all; return its file. Raises InputError where the disk
    refuses.
    """
    return put(Path(file), sweep_page(made))


def sweep_page(made: Sweep) -> str:
    """The text of the page."""
    table = made.table
    names = [name for name in TOLD if name in table.quantities]
    return environment().get_template("study.html").render(
        heading=f"{made.case.name} over {_listed([asked.key for asked in made.ranges])}",
        css=css("report.css"), lines=_lines(made), picture=_picture(made),
        caption=f"What is asked of the motor over {_listed([asked.key for asked in made.ranges])}",
        reasons=[f"{times} of {len(table)}: {reason}" for reason, times in unknown(table.rows)],
        columns=[*(_head(name, parameter(made.case, name).unit) for name in table.names), "verdict",
                 *(_head(QUANTITIES[name], unit_of(name)) for name in names)],
        table=[_row(row, table.names, names) for row in table], provenance=_provenance(made),
        cautions=CAUTIONS, script=web_text("sort.js"),
    )  # fmt: skip


def _lines(made: Sweep) -> list[str]:
    """What was asked and what came of it, in sentences."""
    table = made.table
    out, sound = sum(bool(row.went) for row in table), sum(row.sound for row in table)
    lines = [
        made.case.title,
        f"{out} of {len(table)} designs go in and out, {sound} of them within the limit of their material.",
        f"Runs push on to {table.beyond:g} times the motor's torque; what does not come out within that "
        "counts as asking for just so much, and says so by a sign.",
    ]
    best = made.best
    if best is not None:
        values = ", ".join(f"{name} {_text(value)}" for name, value in best.values.items())
        lines.append(f"Least is asked of the motor, {best.asked:.2f} of what it has, by {values}.")
    return lines


def _picture(made: Sweep) -> str:
    """The figure as text; "" where nothing can be drawn."""
    try:
        with mpl.rc_context(STYLE | HATCHING):
            figure, content = sweep_figure(made), io.BytesIO()
            figure.savefig(content, dpi=150, format="png")
    except InputError:
        return ""
    return base64.b64encode(content.getvalue()).decode("ascii")


def _row(row: Row, names: Sequence[str], quantities: Sequence[str]) -> list[Cell]:
    cells = [_cell(row.values.get(name)) for name in names]
    cells.append(Cell(row.verdict))
    for name in quantities:
        value = row.quantities.get(name, math.nan)
        sign = (
            "\N{GREATER-THAN OR EQUAL TO} "
            if row.at_least and name in {ASKED, "deploy_torque_peak_Nmm"}
            else ""
        )
        cells.append(
            Cell(
                sign + number(value) if math.isfinite(value) else DASH,
                value if math.isfinite(value) else None,
            )
        )
    return cells


def _cell(value: Any) -> Cell:
    plain = isinstance(value, int | float) and not isinstance(value, bool)
    return Cell(_text(value), float(value) if plain else None)


def _text(value: Any) -> str:
    return (
        number(float(value)) if isinstance(value, int | float) and not isinstance(value, bool) else str(value)
    )


def _head(words: str, unit: str) -> str:
    return f"{words} [{unit}]" if unit else words


def _provenance(made: Sweep) -> list[tuple[str, str]]:
    ranges = [(f"range of {asked.key}", _range(asked)) for asked in made.ranges]
    origin: Mapping[str, str] = stamp(made.case, made.model)
    return [*ranges, *((name.replace("_", " "), value) for name, value in origin.items())]


def _range(asked: Vary) -> str:
    if asked.choices:
        return ", ".join(map(str, asked.choices))
    return f"{asked.low:g} to {asked.high:g}" + (f" in steps of {asked.step:g}" if asked.step else "")


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
