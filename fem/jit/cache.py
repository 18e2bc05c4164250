"""Where compiled loops are kept between runs, so that what is kept is never older than its source.

numba looks at the file of the outer loop alone. Pieces that it takes in from other modules, and the options
of `fem.jit.decorators`, are compiled into it too: the loop of yesterday would be served after a piece was
changed today. So each module's loops lie in a folder of their own, named by a digest of the module and of all
it imports of this package, directly or not: another source, another folder.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import os
import platform
import shutil
import time
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from fem.core.sources import PACKAGE, all_modules, digest, imports, source
from fem.core.user_folder import caches

DECORATORS = "jit.decorators"
DIGITS = 16
"""Of a digest, in the name of a folder."""
KEPT = 3600.0
"""Seconds that a folder of an older source stays after the last loop was put there: a process that began with
that source may still be at work.
"""


@functools.cache
def folder(module: str) -> Path | None:
    """Folder for the loops of a module of this package, made if need be; None where nothing can be kept."""
    top = root()
    if top is None:
        return None
    made = top / f"{module}-{digest(module)[:DIGITS]}"
    try:
        made.mkdir()
    except FileExistsError:
        return made
    except OSError:
        return None
    sweep(top, module, made)
    return made


@functools.cache
def marks() -> Path | None:
    """Folder that tells what has been compiled of the loops as they stand, by this Python and this numba."""
    top = root()
    if top is None:
        return None
    try:
        numba = version("numba")
    except PackageNotFoundError:
        return None
    made = top / f"ready-{digest(*holders())[:DIGITS]}-{platform.python_version()}-{numba}"
    try:
        made.mkdir(exist_ok=True)
    except OSError:
        return None
    return made


@functools.cache
def root() -> Path | None:
    """The first place that can be written: what the user names in NUMBA_CACHE_DIR, the package's own
    __pycache__, the user's folder for such things.
    """
    own = os.environ.get("NUMBA_CACHE_DIR")
    name = f"pushpast-{hashlib.sha256(os.fsencode(PACKAGE)).hexdigest()[:12]}"  # several may share a place
    places = [Path(own) / name] if own else []
    with contextlib.suppress(RuntimeError):  # a user without a home
        places += [PACKAGE / "__pycache__" / "loops", caches() / name]
    for place in places:
        with contextlib.suppress(OSError):
            place.mkdir(parents=True, exist_ok=True)
            if os.access(place, os.W_OK):
                return place
    return None


def holders() -> list[str]:
    """Modules of this package that hold compiled loops."""
    named = DECORATORS.rpartition(".")[2].encode()
    texts = ((name, source(name)) for name in all_modules())
    return [name for name, text in texts if named in text and DECORATORS in imports(text.decode())]


def sweep(top: Path, module: str, present: Path) -> None:
    """Remove folders of older sources of a module that nobody has written to for a while."""
    for old in top.glob(f"{module}-*"):
        with contextlib.suppress(OSError):
            last = max(place.stat().st_mtime for place in (old, *old.iterdir()))
            if old != present and time.time() - last > KEPT:
                shutil.rmtree(old, ignore_errors=True)
