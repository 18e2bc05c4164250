"""What a module stands on: the sources of this package that it imports, directly or not.

Two questions need it. A compiled loop is stale once anything compiled into it has changed (`fem.jit.cache`),
and a stored result is stale once anything that a run imports has (`fem.results.provenance`). Modules are
named from below the package, with dots: `rod.kernels.energy`. The text of a package's own `__init__` counts
where something other than a module is imported from the package.
"""

from __future__ import annotations

import functools
import hashlib
import re
from pathlib import Path

PACKAGE = Path(__file__).parents[1]
_MODULE = re.compile(r"^[ \t]*import fem\.([\w.]+)", re.MULTILINE)
_NAMES = re.compile(r"^[ \t]*from fem((?:\.\w+)*) import (?:\(([^)]*)\)|(.+))", re.MULTILINE)


def digest(*modules: str) -> str:
    """Hash of the sources of modules and of all they import of this package."""
    total = hashlib.sha256()
    for name in sorted(closure(frozenset(modules))):
        total.update(name.encode() + b"\0" + source(name) + b"\0")
    return total.hexdigest()


def closure(modules: frozenset[str]) -> frozenset[str]:
    """The modules and all they import of this package, directly or not."""
    found, ahead = set(modules), set(modules)
    while ahead:
        ahead = {name for module in ahead for name in imports(source(module).decode())} - found
        found |= ahead
    return frozenset(found)


def imports(text: str) -> set[str]:
    """Modules of this package that a source text imports; `x.__init__` where package `x` itself gives it."""
    names = {name for name in _MODULE.findall(text) if file_of(name).is_file()}
    for dotted, listed, single in _NAMES.findall(text):
        parent = dotted[1:]
        if parent and file_of(parent).is_file():
            names.add(parent)
            continue
        for name in _words(listed or single):
            below = f"{parent}.{name}" if parent else name
            names.add(below if file_of(below).is_file() else f"{parent}.__init__" if parent else "__init__")
    return {name for name in names if file_of(name).is_file()}


def _words(listed: str) -> list[str]:
    """Names in the list of an import, without what they are renamed to."""
    bare = " ".join(line.split("#")[0] for line in listed.splitlines())
    return [word.split()[0] for word in bare.split(",") if word.strip()]


def all_modules() -> list[str]:
    """Every module of this package."""
    files = (file.relative_to(PACKAGE).with_suffix("") for file in PACKAGE.rglob("*.py"))
    return sorted(".".join(file.parts) for file in files)


def file_of(module: str) -> Path:
    """Where the source of a module would be."""
    return PACKAGE.joinpath(*module.split(".")).with_suffix(".py")


@functools.cache
def source(module: str) -> bytes:
    """The source of a module as it was when first asked for."""
    return file_of(module).read_bytes()
