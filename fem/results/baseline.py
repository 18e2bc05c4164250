"""What was accepted as right for one case and model: a small file, kept under version control.

`<case>.<model>.json` holds the verdict with all its numbers, the path thinned to `MOST_ROWS` rows, the case
as written and as understood, what made it, and a history: on which day which number was accepted to move,
and why. It is written whole or not at all.
"""

from __future__ import annotations

import json
import math
import os
import time
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import BaseModel, ConfigDict

from fem.case.changes import KeyChange, key_changes
from fem.case.definition import Case, digest_of
from fem.core.atomic import whole_file
from fem.core.errors import InputError
from fem.core.schema_version import Words, versioned_text
from fem.core.term import Array, Index
from fem.results.columns import column, find_control
from fem.results.curve_distance import departure, thinned
from fem.results.outcome import Status
from fem.results.provenance import LIBRARIES
from fem.results.result import BendPassage, Jam, Number, Quantity, Result, laid_out, to_json
from fem.results.snapshot import PHASES

SCHEMA = 1
MOST_ROWS = 150
MOST_THINNED = 0.02
"""Share of height and width that a thinned curve may be away from the whole one; 0.005 was seen."""
HISTORY = 20
"""Acceptances kept in the file; version control has the older ones."""
ROUNDING = 1e-6
"""Relative difference below which a number has not moved; another processor makes 1e-7."""
DIGITS = 6
MADE_WITH = ("program", "python", *LIBRARIES, "machine")


@dataclass(frozen=True)
class Moved:
    """A number with its value before and now; nan where it was not there."""

    quantity: str
    old: Number
    new: Number
    unit: str

    def __str__(self) -> str:
        share = (self.new - self.old) / abs(self.old) if self.old else math.nan
        by = f" ({100 * share:+.3g} %)" if math.isfinite(share) else ""
        return (
            f"{self.quantity}: {five_digits(self.old)} -> {five_digits(self.new)} {self.unit}".rstrip() + by
        )


@dataclass(frozen=True)
class Acceptance:
    """One line of the history: day (UTC), reason, source that was accepted, status, what moved."""

    date: str
    why: str
    code: str
    status: str
    moved: tuple[Moved, ...]
    keys: tuple[KeyChange, ...]


class Baseline(BaseModel):
    """Layout of the file, schema 1. Keys may be added within a schema; none changes its meaning."""

    model_config = ConfigDict(extra="ignore", strict=True, frozen=True)

    case: str
    model: str
    title: str
    status: str
    sentence: str
    jam: Jam | None
    bends: tuple[BendPassage, ...]
    quantities: dict[str, Quantity]
    closure_error: Number
    seconds: Number
    """Wall-clock time of the accepted run."""
    case_digest: str
    design_digest: str
    code: str
    """Digest of the program's source."""
    made_with: dict[str, str]
    history: tuple[Acceptance, ...]
    """Newest first."""
    path: dict[str, tuple[Number, ...]]
    thinned_within: dict[str, Number]
    """Phase -> how far its thinned curve is from the whole one, as a share of height and width."""
    tables: dict[str, Any]
    content: dict[str, Any]

    def column(self, name: str) -> Array:
        """One column of the path, (rows,)."""
        return np.array(self.path[name])


def five_digits(value: float) -> str:
    """Five digits; a dash where there is none."""
    return "-" if math.isnan(value) else f"{value:.5g}"


# ---- numbers and curves of a run ---------------------------------------------------------------------------


def numbers(run: Result | Baseline) -> dict[str, Quantity]:
    """Every number that is compared: quantities, those of the jam, of each bend, and the energy balance."""
    made = {name: Quantity(quantity.value, quantity.unit) for name, quantity in run.quantities.items()}
    if run.jam is not None:
        made["jam_travel_mm"] = Quantity(run.jam.travel_mm, "mm")
        made["jam_station_mm"] = Quantity(run.jam.station_mm, "mm")
    for bend in run.bends:
        made[f"bend_{bend.bend}_peak_torque_Nmm"] = Quantity(bend.peak_torque_Nmm, "N mm")
        made[f"bend_{bend.bend}_peak_push_N"] = Quantity(bend.peak_push_N, "N")
        made[f"bend_{bend.bend}_station_mm"] = Quantity(bend.station_mm, "mm")
    made["energy_closure_error"] = Quantity(closure_error(run), "")
    return made


def closure_error(run: Result | Baseline) -> float:
    """Largest error of the energy balance over the scale of the work."""
    if isinstance(run, Baseline):
        return run.closure_error
    value = run.energy_audit.get("closure_error")
    return float(value) if isinstance(value, int | float) else math.nan


def curve_columns(path: Mapping[str, Any]) -> tuple[str, str] | None:
    """Names of the columns that make the curve of a path; None if it has none."""
    found = find_control(path)
    return None if found is None else (found[0].name, found[1].name)


def jam_row(path: Mapping[str, Any], jam: Jam | None) -> int | None:
    """Row at which a jam was found; None without one."""
    if jam is None or "travel_mm" not in path or "torque_Nmm" not in path:
        return None
    travel, torque = np.asarray(path["travel_mm"]), np.asarray(path["torque_Nmm"])
    here = np.isclose(travel, jam.travel_mm, rtol=1e-5) & np.isclose(torque, jam.torque_Nmm, rtol=1e-5)
    return int(np.flatnonzero(here)[-1]) if here.any() else None


def phase_rows(path: Mapping[str, Any], jam: Jam | None) -> dict[str, Index]:
    """Rows (k,) of each phase that goes somewhere, up to the jam: beyond it nothing is real any more."""
    pair = curve_columns(path)
    if pair is None or "phase" not in path:
        return {}
    x, y = (np.asarray(path[name], dtype=float) for name in pair)
    phase = np.asarray(path["phase"], dtype=float)
    good = np.isfinite(x) & np.isfinite(y)
    end = jam_row(path, jam)
    if end is not None:
        good[end + 1 :] = False
    found = {name: np.flatnonzero(good & (phase == number)) for number, name in enumerate(PHASES) if number}
    return {name: rows for name, rows in found.items() if len(rows) > 1}


def curve_points(path: Mapping[str, Any], rows: Index, scale: tuple[float, float]) -> Array:
    """Rows of a path as points (k, 2) in the plane of its curve, in the units of `scale`."""
    pair = curve_columns(path)
    assert pair is not None
    return np.stack([np.asarray(path[name])[rows] / unit for name, unit in zip(pair, scale, strict=True)], 1)


def scale_of(path: Mapping[str, Any], rows: Index) -> tuple[float, float]:
    """Width and height of a curve; 1 where it has none."""
    pair = curve_columns(path)
    assert pair is not None
    sizes = [float(np.ptp(np.asarray(path[name])[rows])) for name in pair]
    return sizes[0] or 1.0, sizes[1] or 1.0


# ---- accepting ---------------------------------------------------------------------------------------------


def accepted(
    case: Case, result: Result, why: str, previous: Baseline | None, today: str | None = None
) -> Baseline:
    """What to keep of a result; previous: what it takes the place of, with its history.

    today: the day to write down (UTC, now if not given). Raises InputError for an empty reason, for a run
    that did not converge, and for a result of another case.
    """
    if not why.strip():
        raise InputError('--why is empty; say why the new numbers are right, as in --why "softer lining"')
    if result.status == Status.NOT_CONVERGED:
        raise InputError(
            f"{case.name}: the {result.model} run did not converge, which says nothing about the "
            "design; halve solver.turn or solver.element and run it again"
        )
    if result.provenance.get("case_digest") != case.digest:
        raise InputError(f"{case.name}: the finished run is of another version of the case; run it again")
    rows = _few_rows(result)
    path = {
        name: tuple(_rounded(float(value)) for value in values[rows])
        for name, values in result.path.items()
        if not column(name).bookkeeping and np.isfinite(values).any()
    }
    tables = tomllib.loads(case.text)
    code = str(result.provenance.get("code_digest", ""))
    line = Acceptance(
        today or time.strftime("%Y-%m-%d", time.gmtime()), " ".join(why.split()), code, result.status,
        moved(numbers(previous), numbers(result)) if previous else (),
        key_changes(previous.content, case.content, previous.tables, tables) if previous else (),
    )  # fmt: skip
    return Baseline(
        case=case.name, model=result.model, title=case.title, status=result.status, sentence=result.sentence,
        jam=result.jam, bends=result.bends, quantities=dict(result.quantities),
        closure_error=closure_error(result), seconds=result.seconds, case_digest=case.digest,
        design_digest=case.design_digest, code=code,
        made_with={name: str(result.provenance.get(name, "")) for name in MADE_WITH},
        history=(line, *(previous.history if previous else ()))[:HISTORY], path=path,
        thinned_within=_thinned_within(result, rows), tables=tables, content=dict(case.content),
    )  # fmt: skip


def moved(old: Mapping[str, Quantity], new: Mapping[str, Quantity]) -> tuple[Moved, ...]:
    """Numbers that differ by more than rounding, and those that came or went."""
    made = []
    for name in [*new, *(name for name in old if name not in new)]:
        quantity = new[name] if name in new else old[name]
        before, now = (side[name].value if name in side else math.nan for side in (old, new))
        if not unmoved(before, now):
            made.append(Moved(name, before, now, quantity.unit))
    return tuple(made)


def unmoved(before: float, now: float) -> bool:
    """Whether two values differ by rounding at most; two that are nan do not differ."""
    both = math.isnan(before) and math.isnan(now)
    return both or math.isclose(before, now, rel_tol=ROUNDING, abs_tol=1e-12)


def _few_rows(result: Result) -> Index:
    """Rows of a path that keep its curves: their ends, the jam, and where they bend. What lies beyond the jam
    is kept ten times more coarsely.
    """
    drawn_rows = phase_rows(result.path, result.jam)
    pair = curve_columns(result.path)
    if pair is None or not drawn_rows:
        return np.linspace(0, max(0, result.rows - 1), min(result.rows, MOST_ROWS)).astype(np.int64)
    space, keep = np.zeros((result.rows, 2)), set()
    real = np.zeros(result.rows, dtype=bool)
    for rows in drawn_rows.values():
        space[rows] = curve_points(result.path, rows, scale_of(result.path, rows))
        real[rows] = True
        keep |= {int(rows[0]), int(rows[-1])}
    other = np.flatnonzero(~real & np.isfinite(result.path[pair[0]]) & np.isfinite(result.path[pair[1]]))
    if len(other) > 1:
        space[other] = 0.1 * curve_points(result.path, other, scale_of(result.path, other))
        keep |= {int(other[0]), int(other[-1])}
    return thinned(space, sorted(keep), MOST_ROWS)


def _thinned_within(result: Result, kept: Index) -> dict[str, float]:
    within = {}
    for name, rows in phase_rows(result.path, result.jam).items():
        scale = scale_of(result.path, rows)
        few = np.intersect1d(rows, kept)
        if len(few) > 1:
            away = departure(
                curve_points(result.path, rows, scale), curve_points(result.path, few, scale)
            ).distance
            within[name] = _rounded(away)
    return within


def _rounded(value: float) -> float:
    return float(f"{value:.{DIGITS}g}")


# ---- the file ----------------------------------------------------------------------------------------------


def reference_file(folder: Path, case: str, model: str) -> Path:
    """Where the baseline of a case and model is kept."""
    return folder / f"{case}.{model}.json"


def reference_files(folder: Path) -> Iterator[tuple[str, str, Path]]:
    """Case, model and file of all baselines of a folder, sorted; hidden files are none."""
    for file in sorted(folder.glob("*.json")):
        case, dot, model = file.stem.rpartition(".")
        if dot and not case.startswith("."):
            yield case, model, file


def write(baseline: Baseline, folder: Path) -> Path:
    """Write a baseline, whole or not at all, and return its file. Raises InputError if the disk refuses."""
    target = reference_file(folder, baseline.case, baseline.model)
    content = {"schema": SCHEMA} | to_json(baseline.model_dump())
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with whole_file(target) as unfinished, open(unfinished, "w", encoding="utf-8") as file:
            file.write(_laid_out(content) + "\n")
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise InputError(
            f"{target}: cannot write the reference ({error}); an earlier one is untouched"
        ) from error
    return target


def _laid_out(content: Any, indent: str = "") -> str:
    """JSON in which whatever holds only plain values stands on one line: every number that changes is a line
    of a diff, and a column of the path is one.
    """
    inner = indent + " "
    if isinstance(content, dict) and any(isinstance(item, dict | list) for item in content.values()):
        lines = [f"{inner}{json.dumps(key)}: {_laid_out(item, inner)}" for key, item in content.items()]
        return "{\n" + ",\n".join(lines) + f"\n{indent}}}"
    if isinstance(content, list) and any(isinstance(item, dict | list) for item in content):
        return "[\n" + ",\n".join(inner + _laid_out(item, inner) for item in content) + f"\n{indent}]"
    return json.dumps(content, allow_nan=False, ensure_ascii=False)


_MEND = "bring it back from version control, or remove it and accept the case again"
_WORDS = Words("the reference cannot be read", _MEND, "update pushpast")


def read(file: Path) -> Baseline:
    """Read a baseline. Raises InputError, naming the file and the remedy, for anything not whole."""
    baseline = laid_out(file, Baseline, versioned_text(file, SCHEMA, _WORDS), _MEND)
    if len({len(column) for column in baseline.path.values()}) > 1:
        raise InputError(f"{file}: columns of the path differ in length; {_MEND}")
    if digest_of(baseline.content) != baseline.case_digest:
        raise InputError(f"{file}: what it tells of the case (content) is not what was accepted; {_MEND}")
    if not all(0.0 <= within <= MOST_THINNED for within in baseline.thinned_within.values()):
        raise InputError(f"{file}: thinned_within must be shares from 0 to {MOST_THINNED}; {_MEND}")
    if file.stem != f"{baseline.case}.{baseline.model}":
        raise InputError(
            f"{file}: holds the reference of {baseline.case}, {baseline.model} model; give the file its "
            "name back"
        )
    return baseline


def acceptance_lines(line: Acceptance) -> list[str]:
    """An acceptance as text: day, status and reason, then every key and number that moved."""
    changes = [f"  {change}" for change in (*line.keys, *line.moved)]
    return [f"{line.date} {line.status}: {line.why}", *changes]
