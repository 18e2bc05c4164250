r"""Text of others as text: what could move a cursor, hide or turn other words is shown by its code.

Titles, keys, names of files and sentences come from files that anybody may have written. Before one is shown
on a terminal, in a drawing or on a page, `visible` writes control characters (an escape sequence of a
terminal begins with one), marks that turn the direction of writing and halves of characters as `\x1b`,
`\u202e`, `\ud800`. Markup is the matter of whoever writes a format; `in_markdown` and `code_in_markdown` are
for Markdown, `in_json` for JSON.
"""

from __future__ import annotations

import json
import re

_HIDDEN = re.compile(
    "[\x00-\x1f\x7f-\x9f"  # control characters (Unicode category Cc)
    "\u061c\u200b\u200e\u200f\u202a-\u202e\u2060-\u206f"  # marks of direction, invisible operators
    "\u2028\u2029\ufeff\ufff9-\ufffb\U000e0000-\U000e007f"  # separators, byte order mark, tags
    "\ud800-\udfff]"  # halves of characters: names of files that are no UTF-8
)
_SHORT = {"\n": "\\n", "\t": "\\t", "\r": "\\r"}
_RAW = range(0xDC80, 0xDD00)
"""Where Python puts the bytes of a name that is no UTF-8."""
_MARKDOWN = re.compile(r"[\\`*_\[\]<>&|~#!$]|:(?=[\w+-]+:)")


def visible(text: str, lines: bool = False) -> str:
    """The text with every character that is not to be seen written as its code; lines: line ends stay."""
    if not _HIDDEN.search(text):
        return text
    if lines:
        return "\n".join(visible(line) for line in text.split("\n"))
    return _HIDDEN.sub(lambda found: _code(found[0]), text)


def _code(character: str) -> str:
    number = ord(character)
    if character in _SHORT:
        return _SHORT[character]
    if number in _RAW:
        return f"\\x{number - 0xDC00:02x}"
    if number < 0x100:
        return f"\\x{number:02x}"
    return f"\\u{number:04x}" if number < 0x10000 else f"\\U{number:08x}"


def in_json(text: str) -> str:
    """A JSON text with the same characters as JSON's own codes; its line ends stay."""
    return _HIDDEN.sub(lambda found: found[0] if found[0] == "\n" else json.dumps(found[0])[1:-1], text)


def in_markdown(text: str) -> str:
    """The text so that Markdown, with HTML and tables in it, shows it letter by letter, on one line.

    A mark within a word or between blanks means nothing in Markdown and stays as it is.
    """
    shown = visible(text)
    return _MARKDOWN.sub(lambda found: _escaped(found, shown), shown)


def _escaped(found: re.Match[str], text: str) -> str:
    mark = found[0]
    before, after = text[found.start() - 1 : found.start()], text[found.end() : found.end() + 1]
    if mark == "_" and before.isalnum() and after.isalnum():
        return mark  # no emphasis within a word
    if mark in "<>&*~!#$" and before in {"", " "} and after == " " and found.start() > 0:
        return mark  # "a < b", "2 * 3"
    return {"<": "&lt;", ">": "&gt;", "&": "&amp;"}.get(mark, f"\\{mark}")


def code_in_markdown(text: str) -> str:
    """The text as a code span, which a backtick within it does not end."""
    shown = visible(text)
    fence = "`" * (1 + max(map(len, re.findall("`+", shown)), default=0))
    pad = " " if shown.startswith("`") or shown.endswith("`") else ""
    return f"{fence}{pad}{shown}{pad}{fence}"
