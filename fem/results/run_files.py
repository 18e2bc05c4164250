"""The files beside `result.json` in the folder of a result: path, states, case; whatever they hold, read with
care.

A folder may come from somebody else. What is damaged is one clear message; what is merely unknown (of a later
program, or of another one) is left out and told.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from fem.core.errors import InputError
from fem.core.regular_file import Unreadable, read_regular
from fem.core.term import Array
from fem.results.snapshot import Snapshot
from fem.results.vtkhdf import OtherFormat, unknown, unpack

PATH_FILE, FIELD_FILE, CASE_FILE = "path.csv", "fields.vtkhdf", "case.toml"
MOST_BYTES = 300_000_000
"""Runs leave some millions."""
MOST_TOLD = 5
"""Unknown things that are told by name."""
RERUN = "the result is damaged: run the case again"


def bytes_of(file: Path) -> bytes:
    """All of a file; raises InputError, naming it and the remedy."""
    try:
        return read_regular(file, MOST_BYTES).content
    except Unreadable as problem:
        why = str(problem).removeprefix("cannot be read (").removesuffix(")")
        raise InputError(f"{file}: cannot be read ({why}); {RERUN}") from problem


def path_table(path: Mapping[str, Array]) -> bytes:
    """The columns of a path as `path.csv`: a header line, then a row per step."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(path)
    rows = zip(*(values.tolist() for values in path.values()), strict=True)
    # repr keeps every digit: reading gives back the identical numbers
    writer.writerows(["" if math.isnan(value) else repr(value) for value in row] for row in rows)
    return text.getvalue().encode()


def read_path(file: Path, names: list[str], count: int) -> dict[str, Array]:
    """Columns of a path that has these names and so many rows. Raises InputError for any other."""
    try:
        header, *body = list(csv.reader(io.StringIO(bytes_of(file).decode(), newline=""))) or [[]]
        values = [[float(cell) if cell else math.nan for cell in row] for row in body]
    except (ValueError, csv.Error) as error:
        raise InputError(f"{file}: cannot be read ({error}); {RERUN}") from error
    if header != names or len(values) != count or any(len(row) != len(names) for row in values):
        raise InputError(
            f"{file}: result.json tells of {count} whole rows of {len(names)} columns, this file "
            f"has {sum(len(row) == len(names) for row in values)} of {len(header)}; {RERUN}"
        )
    table = np.array(values, dtype=np.float64).reshape(len(values), len(names))
    return {name: table[:, number] for number, name in enumerate(names)}


def read_states(file: Path) -> tuple[tuple[Snapshot, ...], Array, tuple[str, ...]]:
    """States and intended path that a run kept, and a warning of what this program does not know of the file.
    Raises InputError, naming the file and the remedy.
    """
    content = bytes_of(file)
    try:
        snapshots, path = unpack(content)
        names = unknown(content)
    except OtherFormat as other:
        raise InputError(f"{file}: {other}") from other
    except Exception as error:  # there is no list of what a damaged file makes HDF5 raise
        raise InputError(f"{file}: cannot be read ({error}); {RERUN}") from error
    told = ", ".join(names[:MOST_TOLD]) + (", ..." if len(names) > MOST_TOLD else "")
    text = f"{file.name} holds what this pushpast does not know and leaves out: {told}"
    return snapshots, path, (text,) if names else ()
