"""Text of a case file to plain tables, with the place every key was written.

A case may extend another: tables are merged key by key, everything else (numbers, texts, lists) is replaced
whole by the extending file. A table that names a different `kind` starts afresh, and so do keys that exclude
one another (`runs` and `through`), because their companions belong to what they replace. Every key keeps the
file and line it came from, so that a fault in a base is reported where it can be mended.
"""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from fem.case.key_lines import key_lines
from fem.case.keys import Key, key_text
from fem.core.errors import CaseError, Fault

EXCLUSIVE: tuple[tuple[Key, tuple[frozenset[str], ...]], ...] = (
    (("strip", "path"), (frozenset({"runs", "transition"}), frozenset({"through"}))),
    (("strip", "section"), (frozenset({"radius"}), frozenset({"depth"}))),
)
"""Groups of keys of one table of which a case uses one; giving one drops the others of a base."""

ALONE = "# A whole case in one file, with what it extends; written by pushpast. mm, N, MPa, s, degrees."


@dataclass(frozen=True)
class KeyPlace:
    """File as the user would type it, and line from 1."""

    file: str
    line: int


@dataclass(frozen=True)
class Document:
    """Merged tables of a case with the place of every key."""

    file: str
    tables: Mapping[str, Any]
    places: Mapping[Key, KeyPlace]

    def fault(self, key: Key, message: str) -> Fault:
        """Fault at `key`, placed at the key itself or at the nearest table around it that was written."""
        for depth in range(len(key), 0, -1):
            place = self.places.get(key[:depth])
            if place is not None:
                return Fault(place.file, key_text(key), message, place.line)
        return Fault(self.file, key_text(key), message)


def read_document(path: Path) -> Document:
    """Read a case file and everything it extends; raises CaseError (syntax, no file, a circle)."""
    return _read(path, ())


def document_from(tables: Mapping[str, Any], name: str) -> Document:
    """The same from tables that are in no file; what they extend is named from the working folder.

    Tuples and arrays count as lists; a key whose value is None as left out. Faults name `name` as their file.
    """
    return _extended(Document(name, _plain(tables), {}), Path(), ())


def _plain(value: Any) -> Any:
    """The same content in the types that a TOML file gives."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items() if item is not None}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return value.tolist() if isinstance(value, np.ndarray | np.generic) else value


def written(document: Document) -> str:
    """The merged tables as the text of one case file that stands alone."""
    import tomli_w

    return f"{ALONE}\n{tomli_w.dumps(document.tables)}"


def _read(path: Path, above: tuple[Path, ...]) -> Document:
    file = shown(path)
    tables = _parse(path, file)
    places = {key: KeyPlace(file, line) for key, line in key_lines(path.read_text("utf-8-sig")).items()}
    return _extended(Document(file, tables, places), path.parent, (*above, path.resolve()))


def _extended(here: Document, folder: Path, chain: tuple[Path, ...]) -> Document:
    """A document over what it extends; chain: the files from the first one to this, to find a circle."""
    tables = dict(here.tables)
    base = tables.pop("extends", None)
    if base is None:
        return here
    if not isinstance(base, str) or not base.strip():
        raise CaseError(
            (
                here.fault(
                    ("extends",),
                    f'must be the name of a case file in quotes, got {base!r}; write extends = "base.toml"',
                ),
            )
        )
    base_path = folder / base
    if base_path.resolve() in chain:
        circle = " -> ".join(p.name for p in (*chain, base_path.resolve()))
        raise CaseError(
            (
                here.fault(
                    ("extends",),
                    f"the files extend each other in a circle ({circle}); remove one of the lines",
                ),
            )
        )
    if not base_path.is_file():
        raise CaseError(
            (
                here.fault(
                    ("extends",),
                    f"there is no file {shown(base_path)}; the name is taken from the folder of this file",
                ),
            )
        )
    return _merged(_read(base_path, chain), Document(here.file, tables, here.places))


def _parse(path: Path, file: str) -> dict[str, Any]:
    if path.is_dir():
        raise CaseError((Fault(file, "", "is a folder; name a case file (NAME.toml) in it"),))
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8-sig").replace("\r\n", "\n"))
    except FileNotFoundError:
        raise CaseError((Fault(file, "", f"there is no such file{_nearby(path)}"),)) from None
    except OSError as problem:
        raise CaseError((Fault(file, "", f"cannot be read ({problem.strerror})"),)) from None
    except UnicodeDecodeError as problem:
        line = path.read_bytes()[: problem.start].count(b"\n") + 1
        raise CaseError((Fault(file, "", "is not UTF-8 text; save it as UTF-8", line),)) from None
    except tomllib.TOMLDecodeError as problem:
        raise CaseError((_syntax_fault(file, str(problem), path),)) from None


def _syntax_fault(file: str, problem: str, path: Path) -> Fault:
    found = re.search(r"\(at line (\d+), column (\d+)\)|\(at end of document\)", problem)
    reason = problem[: found.start()].strip() if found else problem
    if found and found.group(1):
        number = int(found.group(1))
        lines = path.read_text("utf-8-sig").splitlines()
        written = lines[number - 1].strip() if number <= len(lines) else ""
        where = f", column {found.group(2)}: {written!r}" if written else ""
    else:
        number, where = path.read_text("utf-8-sig").count("\n") + 1, " at the end of the file"
    return Fault(
        file,
        "",
        f"is not valid TOML: {reason}{where}; a text needs quotes, a number a decimal point, a key stands "
        "once",
        number,
    )


def _nearby(path: Path) -> str:
    """Hint at case files of a similar name beside the missing one."""
    from difflib import get_close_matches

    if not path.parent.is_dir():
        return f"; the folder {shown(path.parent)} does not exist either"
    names = sorted(p.name for p in path.parent.glob("*.toml"))
    close = get_close_matches(path.name if path.suffix else f"{path.name}.toml", names, n=1)
    if close:
        return f"; did you mean {shown(path.parent / close[0])}?"
    return f"; the folder has {', '.join(names)}" if names else ""


def shown(path: Path) -> str:
    """The path as a user would type it: relative when below the working folder."""
    relative = os.path.relpath(path)
    return Path(path).as_posix() if relative.startswith("..") else Path(relative).as_posix()


# ---- merging -----------------------------------------------------------------------------------------------


def _merged(base: Document, change: Document) -> Document:
    tables = dict(base.tables)
    places = dict(base.places)
    _merge_into(tables, places, change.tables, change.places, ())
    return Document(change.file, tables, places)


def merged_tables(base: Mapping[str, Any], change: Mapping[str, Any]) -> dict[str, Any]:
    """Tables of a case with others over them, as an extending file lays its own over those of its base."""
    tables = dict(base)
    _merge_into(tables, {}, change, {}, ())
    return tables


def _merge_into(
    tables: dict[str, Any],
    places: dict[Key, KeyPlace],
    change: Mapping[str, Any],
    new_places: Mapping[Key, KeyPlace],
    at: Key,
) -> None:
    for name in _displaced(tables, change, at):
        del tables[name]
        _forget(places, (*at, name))
    for name, value in change.items():
        key = (*at, name)
        if isinstance(value, dict) and isinstance(tables.get(name), dict):
            if key in new_places:
                places[key] = new_places[key]
            tables[name] = dict(tables[name])
            _merge_into(tables[name], places, value, new_places, key)
        else:
            tables[name] = value
            _forget(places, key)
            places.update({k: p for k, p in new_places.items() if k[: len(key)] == key})


def _displaced(tables: Mapping[str, Any], change: Mapping[str, Any], at: Key) -> list[str]:
    """Keys of a base's table that the extending table makes meaningless."""
    if "kind" in change and "kind" in tables and change["kind"] != tables["kind"]:
        return list(tables)
    drop: set[str] = set()
    for where, groups in EXCLUSIVE:
        if at == where:
            for group in groups:
                if group & change.keys():
                    drop |= frozenset().union(*groups) - group
    return [name for name in tables if name in drop]


def _forget(places: dict[Key, KeyPlace], key: Key) -> None:
    for old in [k for k in places if k[: len(key)] == key]:
        del places[old]


# ---- lines of keys -----------------------------------------------------------------------------------------
