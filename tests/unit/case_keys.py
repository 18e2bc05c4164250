"""Keys of a case and of tables: for tests of what the program advises to change, and of the reader."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from fem.case.keys import Key
from fem.case.template import starter
from fem.design.loading import PUSHES

_WRITTEN = starter("x")
_OF_PUSHES = {name for push in PUSHES for name in push.__dataclass_fields__}


def is_case_key(text: str) -> bool:
    """Whether the starter shows this key or table, or a push has it."""
    *tables, key = text.split(".")
    shown = re.search(rf"^#? ?(\[*{re.escape(text)}[\].]|{key}\s*=)", _WRITTEN, re.M)
    return bool(shown) or (tables == ["push"] and key in _OF_PUSHES)


def keys_in(value: Any, key: Key = ()) -> Iterator[Key]:
    """Keys of all that stands in tables, at any depth."""
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for name, item in items:
        yield (*key, name)
        yield from keys_in(item, (*key, name))


def standing_at(tables: Any, key: Key) -> Any:
    """What stands at a key."""
    for part in key:
        tables = tables[part]
    return tables
