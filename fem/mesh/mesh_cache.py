"""Meshes kept between runs in the user's folder for caches, each named by a digest of what it was made from.

To what a mesh is asked to be, the digest adds the code that makes it and the version of the mesh generator,
so nothing older than either is served. A folder that cannot be written costs the next run the same work again
and is no fault. The number of files is bounded: those not used for longest go first.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
import struct
import tempfile
from collections.abc import Callable, Mapping
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from fem.core.sources import digest
from fem.core.user_folder import caches

LARGEST = 400
"""Files in a folder of meshes; one takes 5 to 50 kB."""
SPARE = 40
"""Files that go at once beyond that, so that not every new mesh has to look for the oldest."""


def default_folder() -> Path | None:
    """Where meshes are kept unless told otherwise; None for a user without a home."""
    try:
        return caches() / "pushpast" / "meshes"
    except RuntimeError:
        return None


def kept_file(maker: str, content: Mapping[str, Any], folder: Path | None = None) -> Path | None:
    """The file for what the module `maker` makes from `content` (numbers, texts, lists); None: not kept."""
    place = default_folder() if folder is None else folder
    if place is None:
        return None
    text = json.dumps({**content, "maker": digest(maker), "gmsh": _gmsh_version()}, sort_keys=True)
    return place / f"{hashlib.sha256(text.encode()).hexdigest()[:24]}.msh"


def _gmsh_version() -> str:
    try:
        return version("gmsh")
    except PackageNotFoundError:
        return ""


def read_mesh(file: Path) -> Any:
    """The meshio mesh in a file, or None where there is none or it is torn; marks it as used."""
    if not file.is_file():
        return None
    from meshio import ReadError, gmsh

    silent = io.StringIO()  # meshio prints an empty line, and warnings of a torn file
    try:
        with contextlib.redirect_stdout(silent), contextlib.redirect_stderr(silent):
            mesh = gmsh.read(file)
    except (OSError, ValueError, LookupError, TypeError, MemoryError, struct.error, ReadError):
        return None
    with contextlib.suppress(OSError):
        os.utime(file)
    return mesh


def keep(file: Path | None, write: Callable[[str], None]) -> None:
    """Have `write` fill a file beside `file` and put it in place, so that a torn one is never read."""
    if file is None:
        return
    with contextlib.suppress(OSError):
        file.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(suffix=file.suffix, dir=file.parent)
        os.close(handle)
        try:
            write(name)
            Path(name).replace(file)
        finally:
            Path(name).unlink(missing_ok=True)
        sweep(file.parent)


def sweep(folder: Path, largest: int = LARGEST, spare: int = SPARE) -> None:
    """Remove the meshes not used for longest where there are more than `largest`, and `spare` beyond that."""
    files = list(folder.glob("*.msh"))
    if len(files) <= largest:
        return
    last = {}
    for file in files:
        with contextlib.suppress(OSError):  # another process may just have removed it
            last[file] = file.stat().st_mtime
    for file in sorted(last, key=lambda file: last[file])[: len(files) - largest + spare]:
        with contextlib.suppress(OSError):
            file.unlink()
