"""Which case files the arguments of a command stand for: files, folders, patterns, names.

Links to folders are not followed below a folder: links may lead in circles.
"""

from __future__ import annotations

import glob
import os
from collections.abc import Iterator
from pathlib import Path

from fem.core.errors import Fault
from fem.core.regular_file import is_folder

CASES = Path("cases")
LONGEST_PART = 250
"""Letters of the name of a file or folder; file systems take 255 bytes."""


def case_files(argument: str) -> list[Path] | Fault:
    """Case files that an argument stands for: a file, all of a folder, a pattern, or a name below cases/."""
    path = Path(argument)
    if not argument:
        return Fault(argument, "", "an argument is empty; name a case, a file or a folder")
    if max(map(len, path.parts), default=0) > LONGEST_PART:
        return Fault(f"{argument[:40]}...", "", f"is no name of a file: {len(argument)} letters are too many")
    if is_folder(path):
        found = sorted(files_below(path))
        text = "holds no case files (*.toml); name another folder, or write a case with pushpast new"
        return found or Fault(argument, "", text)
    if argument.endswith(("/", os.sep)):
        return Fault(argument, "", "there is no such folder; see what cases/ holds")
    if not os.path.lexists(path) and glob.has_magic(argument):
        patterns = (argument, str(CASES / "**" / argument))
        found = next(filter(None, (_matching(pattern) for pattern in patterns)), [])
        return found or Fault(argument, "", "no case file (*.toml) fits this pattern; see what cases/ holds")
    return [case_file(argument)]


def case_file(argument: str) -> Path:
    """A path as given, or the case of that name below cases/."""
    path = Path(argument)
    if os.path.lexists(path) or path.suffix == ".toml":
        return path
    wanted = f"{argument}.toml"
    found = sorted(file for file in files_below(CASES) if file.name == wanted)
    return found[0] if found else CASES / wanted


def files_below(folder: Path) -> Iterator[Path]:
    """Everything below a folder whose name ends in .toml, but for folders."""
    ahead = [os.fspath(folder)]
    while ahead:
        try:
            inside = list(os.scandir(ahead.pop()))
        except OSError:  # it went away, or may not be looked into
            continue
        for entry in inside:
            if entry.is_dir(follow_symlinks=False):
                ahead.append(entry.path)
            elif entry.name.endswith(".toml") and not is_folder(Path(entry.path)):
                yield Path(entry.path)


def _matching(pattern: str) -> list[Path]:
    """Case files that fit a pattern, with or without its ending, and those of folders that do."""
    parts = Path(pattern).parts
    fixed = next(number for number, part in enumerate(parts) if glob.has_magic(part))
    above, below = Path(*parts[:fixed]), "/".join(parts[fixed:])
    try:
        hits = {hit for end in ("", ".toml") for hit in above.glob(below + end)}
    except (OSError, ValueError, RecursionError):  # no pattern after all, or folders without end
        return []
    inside = {file for hit in hits if is_folder(hit) for file in files_below(hit)}
    return sorted(inside | {hit for hit in hits if hit.suffix == ".toml" and not is_folder(hit)})
