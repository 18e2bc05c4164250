"""What a finished case hands on: one frozen `Result`, and its folder on disk.

A result holds a cheap row for every accepted step (the path), full states of the strip, some of them named
(snapshots), and the verdict drawn from them. Nothing here computes: a result is read, drawn, compared.

A result folder holds

- `result.json` - the verdict; its layout is the class `ResultDocument`, published as `result.schema.json`.
- `path.csv` - a header line, then one row per accepted step; `fem.results.columns` says what each column is.
  Empty cell = no value.
- `fields.vtkhdf` - every `Snapshot`, as `fem.results.vtkhdf` tells; any VTKHDF reader opens it.
- `case.toml` - the whole case that was run, as one file: `read_case` gives the same digest.
- pictures, drawn later from these and never read back.

A number that is not finite is null in JSON and comes back as nan.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Annotated, Any, TypeVar

import numpy as np
from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationError, WithJsonSchema

from fem.core.atomic import MODELS, put_folder, set_aside
from fem.core.errors import InputError
from fem.core.names import name_fault, plain_name
from fem.core.schema_version import NewerFile, Words, versioned_text
from fem.core.term import Array
from fem.results.run_files import (
    CASE_FILE,
    FIELD_FILE,
    PATH_FILE,
    RERUN,
    bytes_of,
    path_table,
    read_path,
    read_states,
)
from fem.results.snapshot import PHASES, Snapshot, frozen
from fem.results.vtkhdf import pack

Layout = TypeVar("Layout", bound=BaseModel)
SCHEMA = 1
MOST_TOLD = 5
"""Faults of a damaged file that are told."""
RESULT_FILE = "result.json"
FILES = (RESULT_FILE, PATH_FILE, FIELD_FILE, CASE_FILE)

Number = Annotated[
    float,
    BeforeValidator(lambda value: math.nan if value is None else value),
    WithJsonSchema({"type": ["number", "null"]}),
]
"""A number; nan where there is none (null in JSON)."""


@dataclass(frozen=True)
class Quantity:
    """One number worth reporting, with its unit ("" for a pure number)."""

    value: Number
    unit: str
    note: str = ""


AT_ROOT = 0.5  # mm from the clamp within which a place is the root


@dataclass(frozen=True)
class Jam:
    """Where, how and on what evidence the strip stops; stated on a converged, stable state only."""

    mode: str
    """How it jams, in words; the README lists the modes."""
    station_mm: Number
    """Distance from the root, along the strip."""
    travel_mm: Number
    torque_Nmm: Number  # noqa: N815  (the unit is spelled as it is)
    evidence: tuple[str, ...] = ()
    remedies: tuple[str, ...] = ()

    @property
    def place(self) -> str:
        """The station in words: a fold right at the clamp is at the root."""
        return "at the root" if self.station_mm < AT_ROOT else f"{self.station_mm:.1f} mm from the root"


@dataclass(frozen=True)
class BendPassage:
    """What it took to get one pre-formed bend past the slot."""

    bend: int
    """Number of the bend, counted from the root from 1."""
    station_mm: Number
    peak_torque_Nmm: Number  # noqa: N815
    peak_push_N: Number  # noqa: N815
    travel_mm: Number
    """Travel at which that peak was met."""


@dataclass(frozen=True)
class Attempt:
    """One way in which a run was computed, where not the strip but the computation had stopped before."""

    settings: str
    """What was changed, as a case file says it; "" for the settings of the case."""
    from_travel_mm: Number
    """Travel at which an earlier attempt was taken up; nan: from the start."""
    from_phase: str
    """Phase in which it was taken up; "" from the start."""
    travel_mm: Number
    """Travel at its end."""
    trouble: str
    """Why it stopped; "" for the one that came to a verdict on the strip."""


@dataclass(frozen=True, eq=False)
class Result:
    """Everything a finished case has to say. Raises ValueError if path columns differ in length."""

    case_name: str
    title: str
    model: str
    """Which model ran: "rod" or "shell"."""
    status: str
    """How it ended, in words: a `Status`; the README lists them."""
    sentence: str
    """The status as one sentence a maker can act on."""
    quantities: Mapping[str, Quantity]
    jam: Jam | None
    bends: tuple[BendPassage, ...]
    energy_audit: Mapping[str, Any]
    seconds: float
    path: Mapping[str, Array]
    """Name -> (rows,) numbers; see `fem.results.columns`."""
    snapshots: tuple[Snapshot, ...]
    warnings: tuple[str, ...] = ()
    provenance: Mapping[str, Any] = field(default_factory=dict)
    intended_path: Array = field(default_factory=lambda: np.empty((0, 2)))
    """(k, 2) mm, mid-line that the fully deployed strip should follow, in place; empty if it has none."""
    case_text: str = ""
    """The whole case as one case file; "" where it is not known."""
    attempts: tuple[Attempt, ...] = ()
    """How it was computed, where once was not enough; the last without trouble is the one that is told."""

    def __post_init__(self) -> None:
        columns = {name: frozen(values) for name, values in self.path.items()}
        sizes = {name: values.shape for name, values in columns.items()}
        if any(len(shape) != 1 for shape in sizes.values()) or len(set(sizes.values())) > 1:
            raise ValueError(f"path columns must be one-dimensional and equally long, got {sizes}")
        object.__setattr__(self, "path", columns)
        object.__setattr__(self, "intended_path", frozen(np.reshape(self.intended_path, (-1, 2))))

    @property
    def rows(self) -> int:
        """Number of accepted steps."""
        return next((int(values.size) for values in self.path.values()), 0)

    def column(self, name: str) -> Array:
        """One path column, (rows,); all nan if the run did not record it."""
        return self.path[name] if name in self.path else np.full(self.rows, np.nan)

    def row_of(self, shot: Snapshot) -> int:
        """Number of the row of the path that a state belongs to; -1 if the run kept no rows."""
        steps = self.column("step")
        return int(np.argmin(np.abs(steps - shot.step))) if np.isfinite(steps).any() else -1

    def critical(self) -> Snapshot | None:
        """The snapshot to look at first: the one nearest the jam, else the most strained one."""
        if not self.snapshots:
            return None
        if self.jam is None:
            return max(self.snapshots, key=lambda shot: np.nanmax(shot.strain_share, initial=-math.inf))
        travel = self.jam.travel_mm
        named = [shot for shot in self.snapshots if "jam" in shot.label.lower()] or self.snapshots
        # of equally near ones the last: a travel is passed on the way in and again on the way out
        return min(reversed(named), key=lambda shot: abs(shot.travel - travel))

    def summary(self, folder: Path | str | None = None) -> dict[str, Any]:
        """What this case gives to `run --json`: `case` ... `seconds` as in `ResultDocument`, and `folder`."""
        content = {
            "case": self.case_name,
            "model": self.model,
            "status": self.status,
            "sentence": self.sentence,
            "quantities": {name: _plain(quantity) for name, quantity in self.quantities.items()},
            "jam": None if self.jam is None else _plain(self.jam),
            "bends": [_plain(bend) for bend in self.bends],
            "attempts": [_plain(attempt) for attempt in self.attempts],
            "energy_audit": self.energy_audit,
            "seconds": self.seconds,
        } | ({} if folder is None else {"folder": str(folder)})
        return {key: to_json(value) for key, value in content.items()}


@dataclass(frozen=True)
class PathSummary:
    """What `path.csv` holds: its rows, and per column {first, last, least, greatest}."""

    file: str
    rows: int
    columns: dict[str, dict[str, Number]]


class ResultDocument(BaseModel):
    """Layout of `result.json`, schema 1. Keys may be added within a schema; none changes its meaning."""

    model_config = ConfigDict(extra="ignore", strict=True, use_attribute_docstrings=True)

    case: str
    title: str
    model: str
    status: str
    sentence: str
    quantities: dict[str, Quantity]
    """{name: {value, unit, note}}."""
    jam: Jam | None
    """null, or {mode, station_mm, travel_mm, torque_Nmm, evidence: [text], remedies: [text]}."""
    bends: tuple[BendPassage, ...]
    """[{bend, station_mm, peak_torque_Nmm, peak_push_N, travel_mm}]."""
    attempts: tuple[Attempt, ...] = ()
    """[{settings, from_travel_mm, from_phase, travel_mm, trouble}]: empty where once was enough."""
    energy_audit: dict[str, Any]
    seconds: Number
    """Wall-clock time of the run."""
    warnings: tuple[str, ...]
    path: PathSummary
    snapshots: dict[str, Any]
    """{file, moments: [{label, step, phase, travel_mm}]}: what `fields.vtkhdf` holds."""
    provenance: dict[str, Any]
    """Versions, digests, settings: anything JSON can hold."""


def published_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of `result.json`; published as `fem/results/result.schema.json`."""
    made = ResultDocument.model_json_schema()
    made["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    made["title"] = f"result.json of pushpast, schema {SCHEMA}"
    made["properties"] = {"schema": {"const": SCHEMA}} | made["properties"]
    made["required"] = ["schema", *made["required"]]
    return made


def to_json(value: Any) -> Any:
    """The same content in JSON's own types: arrays and tuples as lists, a number that is not finite as None.

    Raises TypeError for anything else, rather than writing a text nobody can read back.
    """
    if isinstance(value, np.ndarray | np.generic):
        value = value.tolist()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, str | int):
        return value
    if isinstance(value, Mapping):
        return {str(key): to_json(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [to_json(item) for item in value]
    raise TypeError(f"cannot put a {type(value).__name__} into JSON: {value!r}")


def write(result: Result, folder: Path | str) -> Path:
    """Write the result folder, whole or not at all, and return it.

    Everything is written and synced to disk in a sibling folder first, then put in place by renaming; an
    earlier result (with its pictures) goes only once the new one is whole. Raises InputError if the disk
    refuses, the name is none of a case, or `folder` holds anything but a result, TypeError for provenance
    that JSON cannot hold.
    """
    contents = {
        PATH_FILE: path_table(result.path), FIELD_FILE: pack(result.snapshots, result.intended_path),
        CASE_FILE: result.case_text.encode(), RESULT_FILE: _json(result),
    }  # fmt: skip
    target = Path(folder)
    plain_name(result.case_name)
    try:
        _refuse_other_folder(target)
        put_folder(target, {name: content for name, content in contents.items() if content})
    except OSError as error:
        raise InputError(f"{target}: cannot write a result ({error}); an earlier one is untouched") from error
    return target


def _refuse_other_folder(target: Path) -> None:
    """Raise InputError for a folder that is no result: it would be lost."""
    inside = list(target.iterdir()) if target.is_dir() else []
    other = next((item for item in inside if item.is_dir() and not item.is_symlink()), None)
    if other is not None or (inside and not any(item.name in FILES for item in inside)):
        what = other or inside[0]
        raise InputError(
            f"{target}: holds {what.name}, which belongs to no result and would be lost; write the result "
            "into a folder of its own"
        )


def read(folder: Path | str, states: bool = True) -> Result:
    """Read a result folder. Raises InputError, naming the file and the remedy, for anything not whole.

    states: False leaves out snapshots and intended path, which are most of it, unread.
    """
    target = Path(folder)
    source = target if target.is_dir() else set_aside(target)
    if source is None or not (source / RESULT_FILE).is_file():
        raise InputError(f"{target}: holds no finished result ({RESULT_FILE} is missing); run the case first")
    document = _read_document(source / RESULT_FILE)
    content = dict(document) | {
        "path": read_path(source / PATH_FILE, list(document.path.columns), document.path.rows)
    }
    content["snapshots"] = ()
    if states:
        content["snapshots"], content["intended_path"], unknown = read_states(source / FIELD_FILE)
        content["warnings"] += unknown
    text = source / CASE_FILE
    content["case_text"] = bytes_of(text).decode() if text.is_file() else ""
    return Result(case_name=content.pop("case"), **content)


def with_states(result: Result) -> Result:
    """The same result; raises InputError where it kept no state of the strip to draw."""
    if not result.snapshots:
        raise InputError(
            f"the run of {result.case_name} ended before its first state was kept; there is nothing to draw"
        )
    return result


def read_summary(folder: Path | str) -> dict[str, Any] | None:
    """The summary of the result in a folder, with its provenance, at the cost of one small
    file; None if there is no whole result. Raises InputError for one of a newer program.
    """
    target = Path(folder)
    if not all((target / name).is_file() for name in FILES):
        return None
    try:
        document = _read_document(target / RESULT_FILE)
    except NewerFile:
        raise
    except InputError:
        return None
    content = dict(document) | {"path": {}, "snapshots": ()}
    made = Result(case_name=content.pop("case"), **content)
    return made.summary(target) | {"provenance": document.provenance}


def _plain(record: Quantity | Jam | BendPassage | Attempt) -> dict[str, Any]:
    return {item.name: getattr(record, item.name) for item in fields(record)}


def _json(result: Result) -> bytes:
    def summary_of(values: Array) -> dict[str, Any]:
        ends = {"first": values[0], "last": values[-1]} if values.size else {}
        finite = values[np.isfinite(values)]
        return ends | ({"least": finite.min(), "greatest": finite.max()} if finite.size else {})

    columns = {name: summary_of(values) for name, values in result.path.items()}
    moments = [
        {"label": shot.label, "step": shot.step, "phase": PHASES[shot.phase], "travel_mm": shot.travel}
        for shot in result.snapshots
    ]
    document = {"schema": SCHEMA, "title": result.title} | result.summary() | {
        "warnings": result.warnings,
        "path": {"file": PATH_FILE, "rows": result.rows, "columns": columns},
        "snapshots": {"file": FIELD_FILE, "moments": moments},
        "provenance": result.provenance,
    }  # fmt: skip
    return (json.dumps(to_json(document), indent=1, allow_nan=False, ensure_ascii=False) + "\n").encode()


_WORDS = Words("cannot be read as JSON", RERUN, "update pushpast, or replace the result with run --fresh")


def _read_document(file: Path) -> ResultDocument:
    document = laid_out(file, ResultDocument, versioned_text(file, SCHEMA, _WORDS), _WORDS.mend)
    wrong = name_fault(document.case)
    if document.model not in MODELS:
        wrong = f"model must be one of {', '.join(MODELS)}, got {document.model!r}"
    if wrong:
        raise InputError(f"{file}: {wrong}; {_WORDS.mend}")
    return document


def laid_out(file: Path, layout: type[Layout], text: str, mend: str) -> Layout:
    """The text of a file in its layout; raises InputError, telling every fault and the remedy."""
    try:
        return layout.model_validate_json(text)
    except ValidationError as error:
        found = [f"{'.'.join(map(str, fault['loc']))}: {fault['msg']}" for fault in error.errors()]
        more = [f"{len(found) - MOST_TOLD} more faults"] if len(found) > MOST_TOLD else []
        faults = "; ".join(found[:MOST_TOLD] + more)
        raise InputError(f"{file}: {faults}; {mend}") from error
