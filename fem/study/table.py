"""What a study found: one row per design, as a table that data-frame libraries and spreadsheets read.

`Table.columns()` is a mapping of equally long lists, which a data frame is made of as it stands. Torque that
is asked for is told up to `Wanted.beyond` times what the motor has: a design that does not come out within
that counts as asking for just so much, and `at_least` is set. Rows are then the same, however far the runs
they are read from went on.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from fem.case.study_tables import QUANTITIES
from fem.core.term import Array
from fem.results.columns import unit_of
from fem.results.outcome import OVER_STRAINED, NoResult, Status
from fem.results.result import to_json
from fem.simulation.retract_deploy import ARRIVED, HOPELESS
from fem.study.record import Record, Wanted

ASKED = "asked_over_available"
SCHEMA = 1
WENT = frozenset({Status.DEPLOYED, Status.RETRACTED, *OVER_STRAINED})
"""Statuses of a strip that went all the way."""
STOPPED = frozenset({Status.JAMMED, Status.STALLED, Status.SWALLOWED})
"""Statuses of a strip that did not."""


PRESSED = {
    "stiffness_out_N_per_mm": "stiffness_N_per_mm", "shape_error_mm": "shape_error_mm",
    "tip_sag_mm": "tip_sag_mm",
}  # fmt: skip
"""Numbers that a press on the tip of the deployed strip gives, and how its result calls them."""


@dataclass(frozen=True)
class Row:
    """What came of one design.

    values: what was changed, by name; changes: the same as keys of a case; status: in words, of a run or why
    there is none; sentence: the verdict, or the reason; mode: of a jam; quantities: by name, nan where there
    is none; at_least: it asks for at least what is told; path: of the run, thinned; cpu_seconds: what it took
    when it was computed; computed: whether that was now; digest: of the case.
    """

    values: Mapping[str, Any]
    changes: Mapping[str, Any]
    status: str
    sentence: str = ""
    mode: str = ""
    quantities: Mapping[str, float] = field(default_factory=dict)
    at_least: bool = False
    cpu_seconds: float = 0.0
    computed: bool = False
    digest: str = ""
    path: Mapping[str, tuple[float, ...]] = field(default_factory=dict, repr=False)

    @property
    def went(self) -> bool | None:
        """Whether the strip went in and out; None where that is not known."""
        if self.status in WENT:
            return True
        return False if self.status in STOPPED else None

    @property
    def sound(self) -> bool:
        """Whether it went in and out within the limit of its material."""
        return bool(self.went) and self.status not in OVER_STRAINED

    @property
    def asked(self) -> float:
        """Hardest torque asked for, over what the motor has; nan where it is not known."""
        return self.number(ASKED)

    def number(self, name: str) -> float:
        """A quantity by its name, or the value of a changed key; nan where there is none."""
        value = self.quantities.get(name, self.values.get(name, self.changes.get(name, math.nan)))
        return float(value) if isinstance(value, int | float) else math.nan

    @property
    def numbers(self) -> dict[str, dict[str, Any]]:
        """Value and unit of each quantity, as documents have them."""
        return {name: {"value": value, "unit": unit_of(name)} for name, value in self.quantities.items()}

    @property
    def verdict(self) -> str:
        """Status and mode in one."""
        return f"{self.status}: {self.mode}" if self.mode else self.status


def row_of(record: Record, wanted: Wanted, head: Row) -> Row:
    """The row of a record; head: what was changed and the digest."""
    summary = record.summary
    numbers, at_least = numbers_of(summary, wanted.beyond)
    if not wanted.safe_travel:
        numbers.pop("safe_travel_mm", None)
    elif summary["status"] in WENT and "travel_wound_mm" in numbers:
        numbers["safe_travel_mm"] = numbers["travel_wound_mm"]  # it comes out from as far as it was wound in
    jam = summary["jam"]
    return Row(
        head.values, head.changes, summary["status"], summary["sentence"], jam["mode"] if jam else "",
        numbers, at_least, record.cpu_seconds, head.computed, head.digest, record.path,
    )  # fmt: skip


def numbers_of(summary: Mapping[str, Any], beyond: float) -> tuple[dict[str, float], bool]:
    """Numbers that studies tell, of the summary of a run of winding in and pushing out; and whether it asks
    for at least `beyond` times what there is.
    """
    known = {name: _value(number["value"]) for name, number in summary["quantities"].items()}
    numbers = {name: known[name] for name in QUANTITIES if name in known}
    numbers["strain_share_working"] = known.get("strain_share_peak", math.nan)
    if summary["jam"] is not None:
        numbers["jam_travel_mm"] = _value(summary["jam"]["travel_mm"])
    status, wound = summary["status"], known.get("retract_torque_peak_Nmm", math.nan)
    if status not in WENT | STOPPED:
        return numbers, False
    available = known.get("motor_stall_torque_at_axle_Nmm", HOPELESS * wound)
    asked = max(wound, known.get("deploy_torque_peak_Nmm", wound)) / available
    stopped = status != Status.SWALLOWED and status in STOPPED
    through = not stopped or known.get("travel_left_mm", math.inf) <= ARRIVED
    at_least = not through or asked >= beyond
    numbers[ASKED] = math.nan if status == Status.SWALLOWED else beyond if at_least else asked
    if at_least:
        numbers.pop("deploy_push_peak_N", None)  # it lies where the run happened to end
        for name in ("retract_torque_peak_Nmm", "deploy_torque_peak_Nmm"):
            if name in numbers:
                numbers[name] = min(numbers[name], beyond * available)
        for name, word in (("retract_margin", "retract"), ("deploy_margin", "deploy")):
            if name in numbers:
                numbers[name] = 1.0 - numbers[f"{word}_torque_peak_Nmm"] / available
    if at_least and "deploy_margin" in numbers and not through:
        numbers["deploy_margin"] = 1.0 - beyond
    return numbers, at_least


def stiffness_of(summary: Mapping[str, Any]) -> dict[str, float]:
    """Numbers that studies tell, of the summary of a press on the tip of the strip when it is out."""
    known = {name: _value(number["value"]) for name, number in summary["quantities"].items()}
    return {name: known[source] for name, source in PRESSED.items() if source in known}


def _value(value: float | None) -> float:
    return math.nan if value is None else float(value)


@dataclass(frozen=True)
class Table:
    """Rows of one study. case: its name; names: of what was changed; beyond: up to how many times the
    motor's torque its runs pushed on.
    """

    case: str
    names: tuple[str, ...]
    rows: tuple[Row, ...]
    beyond: float

    def __len__(self) -> int:
        return len(self.rows)

    def __iter__(self) -> Iterator[Row]:
        return iter(self.rows)

    @property
    def quantities(self) -> tuple[str, ...]:
        """Names of the numbers that any row has, in the order of `QUANTITIES`."""
        had = {name for row in self.rows for name, value in row.quantities.items() if not math.isnan(value)}
        return tuple(name for name in QUANTITIES if name in had)

    def column(self, name: str) -> Array:
        """A quantity or a changed number, (rows,); nan where there is none."""
        return np.array([row.number(name) for row in self.rows])

    def columns(self) -> dict[str, list[Any]]:
        """The whole table by column: changed values, status, mode, numbers, what it took, the reason."""
        found: dict[str, list[Any]] = {
            name: [row.values.get(name) for row in self.rows] for name in self.names
        }
        found |= {
            "status": [str(row.status) for row in self.rows],
            "mode": [str(row.mode) for row in self.rows],
        }
        found |= {name: [row.quantities.get(name, math.nan) for row in self.rows] for name in self.quantities}
        return found | {
            "at_least": [row.at_least for row in self.rows],
            "cpu_seconds": [row.cpu_seconds for row in self.rows],
            "sentence": [row.sentence for row in self.rows],
            "digest": [row.digest for row in self.rows],
        }

    def csv(self) -> str:
        """The same as comma-separated values: a header, a line per row; empty: no value."""
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        columns = self.columns()
        writer.writerow(columns)
        writer.writerows(
            ["" if isinstance(value, float) and math.isnan(value) else value for value in line]
            for line in zip(*columns.values(), strict=True)
        )
        return text.getvalue()

    def document(self) -> Any:
        """The document of `sweep --json`."""
        rows = [
            {
                "values": dict(row.values), "status": row.status, "mode": row.mode or None,
                "quantities": row.numbers, "at_least": row.at_least, "sentence": row.sentence,
                "cpu_seconds": row.cpu_seconds,
            }
            for row in self.rows
        ]  # fmt: skip
        return to_json({"schema": SCHEMA, "case": self.case, "keys": list(self.names), "runs": rows})

    def best(self) -> Row | None:
        """The sound row that asks for least of its motor; None where none is sound."""
        return min((row for row in self.rows if row.sound), key=lambda row: row.asked, default=None)


def total_seconds(rows: Iterable[Row]) -> float:
    """Processor time [s] of what was computed now."""
    return sum(row.cpu_seconds for row in rows if row.computed)


def unknown(rows: Sequence[Row]) -> list[tuple[str, int]]:
    """Reasons of rows without a verdict, each once with how often."""
    found: dict[str, int] = {}
    for row in rows:
        if row.went is None and row.status != NoResult.STOPPED:
            text = f"{row.status}: {row.sentence}"
            found[text] = found.get(text, 0) + 1
    return list(found.items())
