"""A changed case as a file of its own, which extends the one it comes from and says what was changed."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import tomli_w

from fem.case.changes import text as value_text
from fem.case.definition import Case, read_case
from fem.case.variation import changed, key_of
from fem.core.atomic import new_file
from fem.core.errors import CaseError, InputError
from fem.core.names import plain_name
from fem.study.parameters import value_at

LONGEST = 110
"""Letters of a line of comment."""


def extending(
    case: Case, changes: Mapping[str, Any], file: Path, notes: Sequence[str] = (), title: str = ""
) -> str:
    """Text of a case file that makes of a case the one with these changes (keys as `changed` takes them).

    file: where it is to lie, from which the case it extends is named; notes: sentences that stand on top;
    title: of the new case, "" for one made of that of the old. A case that came from no file, or of which a
    key is taken out, is written whole. Raises CaseError where the changed case cannot be.
    """
    new = changed(case, changes)
    heads = [f"# {line}" for note in notes for line in _wrapped(note)]
    heads += [
        f"# {key}: {value_text(value_at(case, key))} -> {value_text(value)}" for key, value in changes.items()
    ]
    named = title or f"{case.title}, changed"
    source = Path(case.source)
    if not source.is_file() or any(value is None for value in changes.values()):
        tables = tomllib.loads(new.text) | {"title": named}
        return "\n".join(heads) + f"\n\n{tomli_w.dumps(tables)}"
    base = os.path.relpath(str(source), str(file.parent)).replace(os.sep, "/")
    tables = {"extends": base, "title": named} | _differing(new, changes)
    return "\n".join(heads) + f"\n\n{tomli_w.dumps(tables)}"


def write_extending(
    case: Case, changes: Mapping[str, Any], file: Path, notes: Sequence[str] = (), title: str = ""
) -> Path:
    """Write such a file where there is none yet, and read it back: it says what the changed case says.

    Raises InputError, naming the remedy, where it cannot be written or its name is none of a case.
    """
    refuse_name(file)
    wanted = changed(case, changes).digest
    try:
        new_file(file, extending(case, changes, file, notes, title))
    except FileExistsError as problem:
        raise InputError(f"{file} exists already; choose another name or remove it") from problem
    except OSError as problem:
        raise InputError(f"{file} cannot be written ({problem.strerror or problem})") from problem
    try:
        found = read_case(file).digest
    except CaseError as problem:
        raise InputError(f"{file}: cannot be read back ({problem})") from problem
    if found != wanted:
        raise InputError(
            f"{file}: says something else than the changed case; that is a defect, please report it"
        )
    return file


def refuse_name(file: Path) -> None:
    """Raise InputError for a file whose name is none of a case."""
    if file.suffix != ".toml":
        raise InputError(f"{file}: the name of a case file ends in .toml")
    plain_name(file.stem)


def _differing(new: Case, changes: Mapping[str, Any]) -> dict[str, Any]:
    """The tables of the new case that an extending file has to write: of a list all of it."""
    whole = tomllib.loads(new.text)
    tables: dict[str, Any] = {}
    for text in changes:
        key = key_of(text)
        assert key is not None  # `changed` has read it
        depth = next((at for at, part in enumerate(key) if isinstance(part, int)), len(key))
        here: Any = whole
        for part in key[:depth]:
            here = here[part]
        into = tables
        for part in key[: depth - 1]:
            into = into.setdefault(str(part), {})
        into[str(key[depth - 1])] = here
    return tables


def _wrapped(text: str) -> list[str]:
    """Lines of a comment."""
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and len(longer) > LONGEST - 2:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines
