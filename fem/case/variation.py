"""A case changed by copy: the same case with other values at some keys.

The changed tables are laid over those of the case as an extending file lays its own over its base, and go
through the reader like a file: same checks, same faults, same digest as a file of that content.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from itertools import islice
from typing import Any

from fem.case.bounds import MOST_LEVELS, table_faults
from fem.case.definition import Case, case_of
from fem.case.file import document_from, merged_tables
from fem.case.keys import Key, cut, key_text
from fem.core.errors import CaseError, Fault

LONGEST_TOLD = 200
"""Letters of a key in a fault."""
_NAME = r'[A-Za-z0-9_-]+|"[^"]*"'
_KEY = re.compile(rf"(?:{_NAME})(?:\.(?:{_NAME})|\[\d{{1,9}}\])*")
_PARTS = re.compile(rf"({_NAME})|\[(\d{{1,9}})\]")


def changed(case: Case, changes: Mapping[str, Any], name: str | None = None) -> Case:
    """The case with other values at some keys; the case itself stays as it is.

    changes: key as faults name it, items of lists counted from 1, to value in the units of a case file (mm,
    N, MPa, s, degrees): `{"friction.strip": 0.2, "strip.layers[2].thickness": 0.5}`. A table is merged into
    what is there, a list replaces it, None takes the key out, so that its default counts. As in a file that
    extends another, a new `kind` clears its table, and `radius` and `depth` of a section, or `runs` and
    `through` of a path, clear one another; the order of the changes means nothing. name: that of the new
    case; None keeps the name. Raises CaseError with all faults, each with its key.
    """
    name = case.name if name is None else name
    tables: Any = tomllib.loads(case.text)
    faults: list[Fault] = []
    for text, value in changes.items():
        for _, message in islice(table_faults({"": value}), 1):
            faults.append(Fault(name, cut(text, LONGEST_TOLD), message))
    if faults:
        raise CaseError(tuple(faults))
    whole: dict[str, Any] = {}
    items: list[tuple[str, Key, Any]] = []
    for text, value in changes.items():
        key = key_of(text)
        if key is None:
            message = (
                "is no key of a case; write names with dots, items of a list as strip.layers[2].thickness"
            )
            faults.append(Fault(name, cut(text, LONGEST_TOLD), message))
        elif any(isinstance(part, int) for part in key):
            items.append((text, key, value))
        else:
            whole = _overlaid(whole, _nested(key, value))
    tables = merged_tables(tables, whole)
    for text, key, value in sorted(items, key=lambda item: item[1][-1] != "kind"):  # a kind clears the rest
        try:
            tables = _put(tables, key, value)
        except LookupError as problem:
            faults.append(Fault(name, text, str(problem.args[0])))
    return case_of(document_from(tables, name), name, tuple(faults))


def key_of(text: str) -> Key | None:
    """("strip", "layers", 1, "thickness") for `strip.layers[2].thickness`; None for what is no key."""
    if not _KEY.fullmatch(text):
        return None
    parts = _PARTS.findall(text)
    if len(parts) > MOST_LEVELS:
        return None
    return tuple(int(index) - 1 if index else part.strip('"') for part, index in parts)


def _nested(key: Key, value: Any) -> Any:
    """{"a": {"b": value}} for ("a", "b")."""
    for part in reversed(key):
        value = {part: value}
    return value


def _overlaid(first: dict[str, Any], second: Mapping[str, Any]) -> dict[str, Any]:
    """Two sets of changes as one; the second where both give a value."""
    both = dict(first)
    for name, value in second.items():
        old = both.get(name)
        merge = isinstance(old, dict) and isinstance(value, Mapping)
        both[name] = _overlaid(old, value) if merge and old is not None else value
    return both


def _put(here: Any, key: Key, value: Any) -> Any:
    """What is here with the value at a key below it; raises LookupError where there is no such item."""
    index = next((depth for depth, part in enumerate(key) if isinstance(part, int)), None)
    if index is None:
        new = _nested(key, value)
        both = isinstance(here, Mapping) and isinstance(new, Mapping)
        return merged_tables(here, new) if both else new
    items, number, above = here, key[index], key_text(key[:index])
    for part in key[:index]:
        items = items.get(part) if isinstance(items, Mapping) else None
    if not isinstance(items, list) or not isinstance(number, int):
        raise LookupError(f"names an item of {above}, which is no list here; write the whole list")
    if not 0 <= number < len(items):
        last = f"the last is {above}[{len(items)}]" if items else f"{above} is empty"
        raise LookupError(f"there is no such item: items are counted from 1, {last}")
    items = [*items[:number], _put(items[number], key[index + 1 :], value), *items[number + 1 :]]
    return _put(here, key[:index], items)
