"""How large a case may be: what lies beyond is no design, and could keep a reader busy for ever.

A case file has kilobytes. A text is looked through once, in time proportional to its length, before the
parser sees it: the parser calls itself for every bracket and needs time with the square of a dotted key.
What it has made is looked through once more, and so are tables that come from another program.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

from fem.case.keys import Finding, Key, cut

MOST_BYTES = 100_000
MOST_BASES = 10
"""Files that a case extends, one through another."""
MOST_LEVELS = 16
"""Tables and lists within each other; what the program knows has five."""
MOST_ITEMS = 1000
"""Items of a list, keys of a table."""
MOST_VALUES = 100_000
"""Of tables that come from another program, which may hold themselves."""
LONGEST_KEY = 100
LONGEST_WORD = 100
"""Letters of a number or a bare key."""
LONGEST_TEXT = 2000
GREATEST = 10**LONGEST_WORD
"""No whole number of a case is as large."""
DEEP = f"is nested deeper than {MOST_LEVELS} levels; take brackets or dots away, nothing in a case is as deep"
MOST_FAULTS = 50
"""Faults of one case that are told; whoever has more has another kind of file."""

_TOKEN = re.compile(
    r"""(?P<text>\"\"\"(?s:[^"\\]++|\\.|"(?!""))*+\"{3,5}|'''(?s:[^']++|'(?!''))*+'{3,5}"""
    r"""|"(?:[^"\\\n]++|\\.)*+"|'[^'\n]*+')"""
    r"""|(?P<mark>["'])|(?P<open>[\[{])|(?P<close>[\]}])|(?P<word>[\w+.:-]++)"""
    r"""|(?P<end>[\n=,])|(?P<rest>\#[^\n]*+|[^\S\n]++|.)"""
)


def text_fault(text: str) -> tuple[int, str] | None:
    """The first line of a TOML text that goes beyond a bound, and what is wrong there; None if none does."""
    line, level, dots = 1, 0, 0
    for found in _TOKEN.finditer(text):
        kind, piece, message = found.lastgroup, found[0], ""
        if kind == "mark":
            return None  # a text without an end: the parser tells where it begins
        if kind == "open":
            level, dots = level + 1, 0
        elif kind == "close":
            level, dots = max(0, level - 1), 0
        elif kind == "word":
            dots += piece.count(".")
            longest = max(map(len, piece.split(".")))
            if longest > LONGEST_WORD:
                message = _long("a number or a key", longest, LONGEST_WORD)
        elif kind == "text" and len(piece) > LONGEST_TEXT + 6:
            message = _long("a text", len(piece), LONGEST_TEXT)
        elif kind == "end":
            dots = 0
        if level > MOST_LEVELS or dots > MOST_LEVELS:
            message = DEEP
        if message:
            start = text.rfind("\n", 0, found.start()) + 1
            return line, f"{message}, got {cut(text[start : found.end()].strip())!r}"
        line += piece.count("\n")
    return None


def _long(what: str, length: int, most: int) -> str:
    return f"has {what} of {length} letters; write at most {most}"


def table_faults(tables: Mapping[str, Any]) -> Iterator[Finding]:
    """Where tables go beyond a bound, and what is wrong there; nothing below such a place."""
    ahead: list[tuple[Key, Any]] = [((), tables)]
    seen = 0
    while ahead:
        key, value = ahead.pop()
        seen += 1
        if seen > MOST_VALUES:
            yield key[:1], f"holds more than {MOST_VALUES} values; a case has some hundred"
            return
        message = _value_fault(key, value)
        if message:
            yield key, message
        elif isinstance(value, Mapping):
            ahead += [((*key, str(name)), item) for name, item in value.items()]
        elif isinstance(value, list | tuple):
            ahead += [((*key, index), item) for index, item in enumerate(value)]


def _value_fault(key: Key, value: Any) -> str:
    if key and isinstance(key[-1], str):
        if len(key[-1]) > LONGEST_KEY:
            return _long("a name", len(key[-1]), LONGEST_KEY)
        if not _whole(key[-1]):
            return "has a name that cannot be written as UTF-8; use other letters"
    if len(key) > MOST_LEVELS:
        return DEEP
    if isinstance(value, Mapping | list | tuple) and len(value) > MOST_ITEMS:
        what = "keys" if isinstance(value, Mapping) else "items"
        return f"has {len(value)} {what}; write at most {MOST_ITEMS}"
    if isinstance(value, str) and len(value) > LONGEST_TEXT:
        return _long("a text", len(value), LONGEST_TEXT)
    if isinstance(value, str) and not _whole(value):
        return "is a text that cannot be written as UTF-8; use other letters"
    if isinstance(value, int) and abs(value) >= GREATEST:
        return f"is a number of more than {LONGEST_WORD} digits; write a plausible one"
    return ""


def _whole(text: str) -> bool:
    """Whether a text has whole characters only."""
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True
