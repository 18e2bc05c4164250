"""What is kept of one run of a study: its verdict, its numbers, its path in little; a few kilobytes of JSON.

A run of a study is an ordinary run that ends sooner: it pushes on to `Wanted.beyond` times the motor's torque
and no farther, looks for no safe travel unless asked, and keeps no states. Its steps are those of the
ordinary run to the last digit, so a record made of an ordinary run says the same.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from fem.case.definition import Case
from fem.core.atomic import whole_file
from fem.core.regular_file import Unreadable, read_regular
from fem.core.term import Array
from fem.results.outcome import Status
from fem.results.provenance import UNFINISHED, same
from fem.results.result import Result, to_json
from fem.simulation.run_context import Extent

SCHEMA = 1
MOST_BYTES = 1_000_000
BEYOND = 2.0
"""Times the motor's torque to which a run of a study pushes on. The logarithm of what is asked for over what
there is runs smoothly through the jam up to there, which a search for the border and a fit about it need;
a design that asks for more than twice what there is is far from the border, and how far does not matter.
An ordinary run goes on to five times, which costs as much again.
"""
LIMIT = 600.0
"""Seconds of the clock that a run gets: an early verdict of the rod takes some ten."""
COLUMNS = ("phase", "axle_angle_rad", "travel_mm", "torque_Nmm", "push_N", "strain_share")
"""Columns of the path that are kept."""
ROWS, DIGITS = 160, 6
"""Rows that are kept, the extremes of each stretch among them; significant digits."""


@dataclass(frozen=True)
class Wanted:
    """What a study wants of a run. beyond: times the motor's torque to push on to; safe_travel: whether it
    is looked for; limit [s]: time of the clock for one run.
    """

    beyond: float = BEYOND
    safe_travel: bool = False
    limit: float = LIMIT

    @property
    def extent(self) -> Extent:
        """The same for whoever runs a case."""
        return Extent(self.beyond, self.safe_travel, states=False)


EARLY = Wanted()
"""What a study wants unless told."""


@dataclass(frozen=True)
class Record:
    """One run as it is kept. stamp: case, model, program, libraries; summary: as `run --json` gives it; path:
    some of its columns, thinned; cpu_seconds: processor time it took.
    """

    stamp: Mapping[str, str]
    wanted: Wanted
    summary: Mapping[str, Any]
    path: Mapping[str, tuple[float, ...]] = field(repr=False)
    cpu_seconds: float
    unfinished: bool = False

    def serves(self, stamp: Mapping[str, str], wanted: Wanted) -> bool:
        """Whether a run with that stamp, of which so much is wanted, would say what this one says."""
        if not same(self.stamp, stamp):
            return False
        if self.unfinished and self.wanted.limit < wanted.limit:
            return False
        searched = self.wanted.safe_travel or not wanted.safe_travel or self.summary["jam"] is None
        return searched and self.wanted.beyond >= wanted.beyond


def record_of(result: Result, stamp: Mapping[str, str], wanted: Wanted, cpu_seconds: float) -> Record:
    """What is kept of a finished run."""
    summary = {key: value for key, value in result.summary().items() if key != "energy_audit"}
    unfinished = bool(result.provenance.get(UNFINISHED))
    return Record(dict(stamp), wanted, summary, thinned(result), cpu_seconds, unfinished)


def thinned(result: Result) -> dict[str, tuple[float, ...]]:
    """The kept columns of a path at about ROWS rows: of each short stretch the rows of least and largest
    torque, so that no peak is lost; empty for a bench push.
    """
    torque = result.column("torque_Nmm")
    if not np.isfinite(torque).any():
        return {}
    kept = _telling_rows(np.nan_to_num(torque, nan=-math.inf))
    return {
        name: tuple(float(f"{value:.{DIGITS}g}") for value in result.path[name][kept])
        for name in COLUMNS
        if name in result.path
    }


def _telling_rows(values: Array) -> list[int]:
    rows = np.arange(values.size)
    if values.size <= ROWS:
        return [int(row) for row in rows]
    kept = {0, values.size - 1}
    for stretch in np.array_split(rows, ROWS // 2):
        kept |= {int(stretch[np.argmin(values[stretch])]), int(stretch[np.argmax(values[stretch])])}
    return sorted(kept)


def write_record(record: Record, file: Path) -> None:
    """Write a record, whole or not at all; raises OSError."""
    document = {"schema": SCHEMA} | to_json(
        {
            "stamp": record.stamp, "wanted": asdict(record.wanted), "summary": record.summary,
            "path": record.path, "cpu_seconds": record.cpu_seconds, "unfinished": record.unfinished,
        }
    )  # fmt: skip
    with whole_file(file) as unfinished:
        unfinished.write_text(json.dumps(document, separators=(",", ":"), allow_nan=False), "utf-8")


def read_record(file: Path) -> Record | None:
    """The record in a file; None for one that is not there, damaged, or of another program."""
    try:
        document = json.loads(read_regular(file, MOST_BYTES).content)
        if document["schema"] != SCHEMA:
            return None
        wanted = dict(document["wanted"])
        limit = math.inf if wanted["limit"] is None else float(wanted["limit"])
        beyond = math.inf if wanted["beyond"] is None else float(wanted["beyond"])
        path = {name: tuple(map(_number, values)) for name, values in document["path"].items()}
        summary = document["summary"]
        _ = summary["status"], summary["jam"], summary["quantities"].items(), summary["sentence"]
        return Record(
            document["stamp"], Wanted(beyond, bool(wanted["safe_travel"]), limit), summary, path,
            _number(document["cpu_seconds"]), bool(document["unfinished"]),
        )  # fmt: skip
    except (Unreadable, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None


def _number(value: Any) -> float:
    return math.nan if value is None else float(value)


def record_of_run(folder: Path, case: Case, stamp: Mapping[str, str]) -> Record | None:
    """A record of the ordinary run that lies in a folder, if it is one of this case; None otherwise."""
    from fem.core.errors import InputError
    from fem.results.result import read

    try:
        result = read(folder, states=False)
    except InputError:
        return None
    if not same(result.provenance, stamp) or result.status == Status.OUT_OF_TIME:
        return None
    return record_of(result, stamp, Wanted(math.inf, _searched(case)), 0.0)


def _searched(case: Case) -> bool:
    """Whether an ordinary run of a case looks for the safe travel."""
    return bool(getattr(case.push, "safe_travel", False))
