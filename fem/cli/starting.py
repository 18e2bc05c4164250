"""What the verb `new` does: a commented starter case under a plain name, or nothing."""

from __future__ import annotations

from pathlib import Path

from fem.case.template import starter
from fem.core.atomic import new_file
from fem.core.errors import InputError
from fem.core.names import plain_name


def write_starter(name: str, cases: Path) -> Path:
    """Write the starter of a case below `cases`, or to the .toml file that is named; returns the file.

    Raises InputError, naming the remedy, for a name that is not plain, and where it cannot be written; then
    nothing is left.
    """
    named = name.endswith(".toml")
    file = Path(name) if named else cases / f"{name}.toml"
    for part in (file.stem,) if named else Path(name).parts or (name,):
        plain_name(part)
    try:
        new_file(file, starter(file.stem))
    except FileExistsError as problem:
        raise InputError(f"{file} exists already; choose another name or remove it") from problem
    except OSError as problem:
        raise InputError(f"{file} cannot be written ({problem.strerror})") from problem
    return file
