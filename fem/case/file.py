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
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np

from fem.case.bounds import MOST_BASES, MOST_BYTES, MOST_FAULTS, table_faults, text_fault
from fem.case.key_lines import key_lines
from fem.case.keys import Key, cut, key_text
from fem.core.errors import CaseError, Fault
from fem.core.regular_file import Contents, Unreadable, is_folder, read_regular

EXCLUSIVE: tuple[tuple[Key, tuple[frozenset[str], ...]], ...] = (
    (("strip", "path"), (frozenset({"runs", "transition"}), frozenset({"through"}))),
    (("strip", "section"), (frozenset({"radius"}), frozenset({"depth"}))),
)
"""Groups of keys of one table of which a case uses one; giving one drops the others of a base."""

MOST_NEIGHBOURS, NEIGHBOURS_TOLD = 1000, 10
"""Files beside a missing one: looked at for a similar name, listed."""
MOST_PATH = 200
"""Letters of a path in a message."""
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
    file = shown(path)
    try:
        found = read_regular(path, MOST_BYTES)
    except Unreadable as problem:
        raise CaseError((Fault(file, "", f"{problem}{_remedy(path, problem)}"),)) from None
    return _read(path, found, ())


def document_from(tables: Mapping[str, Any], name: str) -> Document:
    """The same from tables that are in no file; what they extend is named from the working folder.

    Tuples and arrays count as lists; a key whose value is None as left out. Faults name `name` as their file.
    """
    _refuse_beyond(Document(name, tables, {}))
    here = Document(name, _plain(tables), {})
    _refuse_beyond(here)
    return _extended(here, Path(), ())


def _plain(value: Any) -> Any:
    """The same content in the types that a TOML file gives."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items() if item is not None}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return value.tolist() if isinstance(value, np.ndarray | np.generic) else value


def _refuse_beyond(document: Document) -> None:
    """Raise CaseError where tables go beyond the bounds of a case."""
    found = [
        document.fault(key, message) for key, message in islice(table_faults(document.tables), MOST_FAULTS)
    ]
    if found:
        raise CaseError(tuple(found))


def written(document: Document) -> str:
    """The merged tables as the text of one case file that stands alone."""
    import tomli_w

    return f"{ALONE}\n{tomli_w.dumps(document.tables)}"


Chain = tuple[tuple[str, tuple[int, int]], ...]
"""Files from the first one to the present one: name, and which file it is."""


def _read(path: Path, found: Contents, above: Chain) -> Document:
    file = shown(path)
    text = _decoded(found.content, file)
    beyond = text_fault(text)
    if beyond is not None:
        raise CaseError((Fault(file, "", beyond[1], beyond[0]),))
    tables = _parsed(text, file)
    places = {key: KeyPlace(file, line) for key, line in key_lines(text).items()}
    here = Document(file, tables, places)
    _refuse_beyond(here)
    return _extended(here, path.parent, (*above, (path.name, found.identity)))


def _extended(here: Document, folder: Path, chain: Chain) -> Document:
    """A document over what it extends; chain: the files from the first one to this, to find a circle."""
    tables = dict(here.tables)
    base = tables.pop("extends", None)
    if base is None:
        return here

    def refused(message: str) -> CaseError:
        return CaseError((here.fault(("extends",), message),))

    if not isinstance(base, str) or not base.strip():
        got = cut(repr(base))
        raise refused(f'must be the name of a case file in quotes, got {got}; write extends = "base.toml"')
    if not base.endswith(".toml"):
        raise refused(f"must name a case file, whose name ends in .toml, got {cut(base)!r}")
    path = folder / base
    try:
        contents = read_regular(path, MOST_BYTES)
    except Unreadable as problem:
        if problem.missing:
            text = (
                f"there is no file {cut(shown(path), MOST_PATH)}; the name is taken from the folder of this"
            )
            raise refused(f"{text} file") from None
        raise refused(f"{cut(shown(path), MOST_PATH)} {problem}; name another case file") from None
    if contents.identity in [identity for _, identity in chain]:
        circle = " -> ".join([*(name for name, _ in chain), path.name])
        raise refused(f"the files extend each other in a circle ({circle}); remove one of the lines")
    if len(chain) > MOST_BASES:
        text = f"more than {MOST_BASES} files extend one another in a row; put what they say into fewer files"
        raise refused(text)
    return _merged(_read(path, contents, chain), Document(here.file, tables, here.places))


def _decoded(content: bytes, file: str) -> str:
    try:
        return content.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as problem:
        line = content[: problem.start].count(b"\n") + 1
        raise CaseError((Fault(file, "", "is not UTF-8 text; save it as UTF-8", line),)) from None


def _parsed(text: str, file: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except ValueError as problem:  # of the parser, or of a number or date that it hands on
        raise CaseError((_syntax_fault(file, str(problem), text),)) from None


def _syntax_fault(file: str, problem: str, text: str) -> Fault:
    found = re.search(r"\(at line (\d+), column (\d+)\)|\(at end of document\)", problem)
    reason = problem[: found.start()].strip() if found else problem
    lines = text.split("\n")
    if found and found.group(1):
        number = int(found.group(1))
        here = lines[number - 1].strip() if number <= len(lines) else ""
        where = f", column {found.group(2)}: {cut(here)!r}" if here else ""
    else:
        number, where = len(lines), " at the end of the file"
    return Fault(
        file,
        "",
        f"is not valid TOML: {reason}{where}; a text needs quotes, a number a decimal point, a key stands "
        "once",
        number,
    )


def _remedy(path: Path, problem: Unreadable) -> str:
    """What to do about a case file that cannot be read."""
    if problem.missing:
        return _nearby(path)
    inside = " in it" if is_folder(path) else ", which has some kilobytes of text"
    return f"; name a case file (NAME.toml){inside}"


def _nearby(path: Path) -> str:
    """Hint at case files of a similar name beside the missing one."""
    from difflib import get_close_matches

    if not path.parent.is_dir():
        return f"; the folder {shown(path.parent)} does not exist either"
    if path.is_symlink():
        return f"; the link leads to {path.readlink()}, which is not there"
    names = sorted(file.name for file in islice(path.parent.glob("*.toml"), MOST_NEIGHBOURS))
    close = get_close_matches(path.name if path.suffix else f"{path.name}.toml", names, n=1)
    if close:
        return f"; did you mean {shown(path.parent / close[0])}?"
    listed = ", ".join(names[:NEIGHBOURS_TOLD]) + (", ..." if len(names) > NEIGHBOURS_TOLD else "")
    return f"; the folder has {listed}" if names else ""


def shown(path: Path) -> str:
    """The path as a user would type it: relative when below the working folder."""
    relative = os.path.relpath(path)
    return Path(path).as_posix() if relative.startswith("..") else Path(relative).as_posix()


# ---- merging -----------------------------------------------------------------------------------------------


def _merged(base: Document, change: Document) -> Document:
    tables = dict(base.tables)
    gone: set[Key] = set()
    _merge_into(tables, change.tables, (), gone)
    kept = {key: place for key, place in base.places.items() if not _below(key, gone)}
    new = {key: place for key, place in change.places.items() if key != ("extends",)}
    return Document(change.file, tables, kept | new)


def _below(key: Key, places: set[Key]) -> bool:
    """Whether a key is one of some places or lies below one."""
    return any(key[:depth] in places for depth in range(1, len(key) + 1))


def merged_tables(base: Mapping[str, Any], change: Mapping[str, Any]) -> dict[str, Any]:
    """Tables of a case with others over them, as an extending file lays its own over those of its base."""
    tables = dict(base)
    _merge_into(tables, change, (), set())
    return tables


def _merge_into(tables: dict[str, Any], change: Mapping[str, Any], at: Key, gone: set[Key]) -> None:
    """Lay changes over tables; gone: collects the keys whose value of the base counts no more."""
    for name in _displaced(tables, change, at):
        del tables[name]
        gone.add((*at, name))
    for name, value in change.items():
        key = (*at, name)
        if isinstance(value, dict) and isinstance(tables.get(name), dict):
            tables[name] = dict(tables[name])
            _merge_into(tables[name], value, key, gone)
        else:
            tables[name] = value
            gone.add(key)


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
