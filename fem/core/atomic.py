"""Files and folders put in place whole or not at all."""

from __future__ import annotations

import contextlib
import os
import re
import secrets
import shutil
from collections.abc import Iterator, Mapping
from pathlib import Path

MODELS = ("rod", "shell")


def run_folder(runs: Path, case: str, model: str) -> Path:
    """Where a case's results with a model lie: `CASE` for the rod, `CASE+shell` for the shell."""
    return runs / (case if model == MODELS[0] else f"{case}+{model}")


def named_run(runs: Path, name: str) -> Path:
    """Folder of the finished run that a name means; a case that only the shell has run means that one."""
    folders = [run_folder(runs, name, model) for model in MODELS]
    return next((folder for folder in folders if folder.is_dir()), folders[0])


@contextlib.contextmanager
def whole_file(target: Path) -> Iterator[Path]:
    """A file beside `target` to write, which takes its place at the end; on an error it goes instead.

    It ends like `target`: many writers tell the kind of file by that. Raises OSError if it cannot be put in
    place.
    """
    unfinished = target.with_name(f".{target.stem}.{secrets.token_hex(6)}{target.suffix}")
    try:
        yield unfinished
        unfinished.replace(target)
    finally:
        unfinished.unlink(missing_ok=True)


def new_file(file: Path, text: str) -> None:
    """Write a file that is not there yet, with the folders above it, whole or not at all.

    Raises FileExistsError where there is one, OSError where it cannot be written; either leaves nothing.
    """
    missing = [folder for folder in file.parents if not folder.exists()]
    made = False
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        with open(file, "x", encoding="utf-8") as opened:
            made = True
            opened.write(text)
    except BaseException:
        if made:
            file.unlink(missing_ok=True)
        for folder in missing:  # the innermost first
            with contextlib.suppress(OSError):
                folder.rmdir()
        raise


def put_folder(target: Path, contents: Mapping[str, bytes]) -> None:
    """Make `target` the folder of these files; raises OSError and leaves what was there untouched.

    Everything is written and synced to disk in a sibling folder first, then put in place by renaming; an
    earlier folder goes only once the new one is whole.
    """
    staging = target.parent / f".{target.name}.{secrets.token_hex(6)}.partial"
    target.parent.mkdir(parents=True, exist_ok=True)
    staging.mkdir()
    try:
        for name, content in contents.items():
            with open(staging / name, "wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
        _put_in_place(staging, target)
    finally:
        shutil.rmtree(staging, ignore_errors=True)


def _put_in_place(staging: Path, target: Path) -> None:
    """Swap a whole folder in; if the machine dies between the renames, `set_aside` finds the earlier one."""
    aside = staging.with_suffix(".previous")
    had_one = target.exists()
    if had_one and not target.is_dir():
        raise NotADirectoryError(f"{target} is a file")
    if had_one:
        target.rename(aside)
    try:
        staging.rename(target)
    except OSError:
        if had_one:
            aside.rename(target)
        raise
    if os.name == "posix":  # elsewhere a folder cannot be opened to sync the renames
        handle = os.open(target.parent, os.O_RDONLY)
        os.fsync(handle)
        os.close(handle)
    for old in _left(target, "previous"):
        _remove(old)


def set_aside(target: Path) -> Path | None:
    """The earlier folder that a machine which died between two renames left beside `target`, or None."""
    return max(_left(target, "previous"), key=lambda old: old.stat().st_mtime, default=None)


def sweep(target: Path) -> None:
    """Remove half-written folders that killed processes left beside `target`; nobody may be writing there."""
    for left in _left(target, "partial"):
        _remove(left)


def _left(target: Path, ending: str) -> list[Path]:
    """Folders that were put aside for `target`, and for no other: `.boom.*` may be those of `boom.2`."""
    name = re.compile(rf"\.{re.escape(target.name)}\.[0-9a-f]+\.{ending}")
    if not target.parent.is_dir():
        return []
    return [found for found in target.parent.iterdir() if name.fullmatch(found.name)]


def _remove(folder: Path) -> None:
    """Remove a folder with what is in it; of a link only the link."""
    if folder.is_symlink():
        folder.unlink(missing_ok=True)
    else:
        shutil.rmtree(folder, ignore_errors=True)
