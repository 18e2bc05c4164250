"""Keys of a case: where a value stands in its tables, as people read it and as digests name it."""

from __future__ import annotations

import json
import re

MOST_SHOWN = 60
"""Letters of a value in a message."""
Key = tuple[str | int, ...]
"""Where a value sits: ("strip", "layers", 1, "thickness")."""
Finding = tuple[Key, str]
"""A key whose value is wrong, and the message: what is wrong, what to write."""


def key_text(key: Key) -> str:
    """As people read it, items of a list counted from 1: ("strip", "layers", 1) -> `strip.layers[2]`."""
    return _joined(tuple(cut(part) if isinstance(part, str) else part for part in key), 1)


def content_name(key: Key) -> str:
    """As it stands in the content that digests are made of, items counted from 0."""
    return _joined(key, 0)


def for_people(name: str) -> str:
    """A name in the content as people read it: `strip.layers[1]` -> `strip.layers[2]`."""
    return re.sub(r"\[(\d+)\]", lambda item: f"[{int(item[1]) + 1}]", name)


def cut(text: str, most: int = MOST_SHOWN) -> str:
    """A text cut to a readable length."""
    return text if len(text) <= most else text[: most - 3] + "..."


def _joined(key: Key, first: int) -> str:
    text = ""
    for part in key:
        if isinstance(part, int):
            text += f"[{part + first}]"
        else:
            name = part if re.fullmatch(r"[A-Za-z0-9_-]+", part) else json.dumps(part, ensure_ascii=False)
            text += f".{name}" if text else name
    return text
