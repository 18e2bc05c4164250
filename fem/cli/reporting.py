"""What the verb `report` does with its arguments: finds the runs they mean, has the documents written."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from fem.batch.case_files import case_files
from fem.core.atomic import named_run
from fem.core.errors import Fault, InputError
from fem.core.names import run_name
from fem.report.gallery import Documents, write_documents


def write_of(
    arguments: Sequence[str], files: Documents, runs: Path, references: Path
) -> tuple[list[Path], list[str]]:
    """Write documents of the runs that arguments mean; returns the files, and why runs are left out.

    Raises InputError where there is nothing to write, or a file cannot be written.
    """
    found: dict[Path, Path] = {}
    faults: list[str] = []
    for argument in arguments:
        listed = case_files(argument)
        if isinstance(listed, Fault):
            faults.append(f"{argument}: {listed.message}")
            continue
        for file in listed:
            try:
                found.setdefault(named_run(runs, run_name(file.name)), file)
            except InputError as problem:
                faults.append(f"{file}: {problem}")
    try:
        return write_documents(list(found.items()), files, references, faults)
    except OSError as problem:
        where = problem.filename or "a file"
        raise InputError(f"{where} cannot be written ({problem.strerror or problem})") from problem
