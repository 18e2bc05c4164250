"""The line of every key in a TOML text, which the parser of the standard library does not tell."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator

from fem.case.keys import Key


def key_lines(text: str) -> dict[Key, int]:
    """Line (from 1) of every key, table and list item of a valid TOML text."""
    lines: dict[Key, int] = {}
    for key, line in _Lines(text.replace("\r\n", "\n")).statements():
        lines.setdefault(key, line)  # a list of tables stands where its first table stands
    return lines


class _Lines:
    """One pass over a text that tomllib has accepted; it only needs to find where things start."""

    _BARE = re.compile(r"[A-Za-z0-9_-]+")
    _SCALAR = re.compile(r"[^,\]}#\n]+")

    def __init__(self, text: str) -> None:
        self.text, self.at = text, 0
        self._counted, self._line_there = 0, 1
        self.counts: dict[Key, int] = {}

    def statements(self) -> Iterator[tuple[Key, int]]:
        table: Key = ()
        while self._skip(newlines=True):
            if self.text.startswith("[", self.at):
                is_list = self.text.startswith("[[", self.at)
                self.at += 2 if is_list else 1
                line = self._line()
                table = self._resolved(self._key(), is_list)
                self._skip()
                self.at += 2 if is_list else 1
                if is_list:
                    yield table[:-1], line
                yield table, line
            else:
                yield from self._pair(table)

    def _pair(self, table: Key) -> Iterator[tuple[Key, int]]:
        line = self._line()
        parts = self._key()
        for depth in range(1, len(parts) + 1):
            yield table + parts[:depth], line
        self._skip()
        self.at += 1  # the equals sign
        yield from self._value(table + parts)

    def _value(self, key: Key) -> Iterator[tuple[Key, int]]:
        self._skip(newlines=True)
        mark = self.text[self.at]
        if mark in "\"'":
            self._string()
        elif mark == "[":
            yield from self._list(key)
        elif mark == "{":
            self.at += 1
            while self._skip(newlines=True) and self.text[self.at] != "}":
                yield from self._pair(key)
                self._skip(newlines=True)
                self.at += self.text[self.at] == ","
            self.at += 1
        else:
            found = self._SCALAR.match(self.text, self.at)
            self.at = found.end() if found else self.at + 1

    def _list(self, key: Key) -> Iterator[tuple[Key, int]]:
        self.at += 1
        index = 0
        while self._skip(newlines=True) and self.text[self.at] != "]":
            yield (*key, index), self._line()
            yield from self._value((*key, index))
            index += 1
            self._skip(newlines=True)
            self.at += self.text[self.at] == ","
        self.at += 1

    def _key(self) -> tuple[str, ...]:
        parts: list[str] = []
        while True:
            self._skip()
            if self.text[self.at] in "\"'":
                start = self.at
                self._string()
                parts.append(next(iter(tomllib.loads(f"{self.text[start : self.at]} = 0"))))
            else:
                found = self._BARE.match(self.text, self.at)
                assert found is not None, "tomllib accepted this key"
                parts.append(found.group())
                self.at = found.end()
            self._skip()
            if self.text[self.at] != ".":
                return tuple(parts)
            self.at += 1

    def _string(self) -> None:
        quote = self.text[self.at]
        if self.text.startswith(quote * 3, self.at):
            end = self.at + 3
            while not self.text.startswith(quote * 3, end):
                end += 2 if quote == '"' and self.text[end] == "\\" else 1
            end += 3
            while end < len(self.text) and self.text[end] == quote:
                end += 1  # up to two quotes may stand just before the closing three
        else:
            end = self.at + 1
            while self.text[end] != quote:
                end += 2 if quote == '"' and self.text[end] == "\\" else 1
            end += 1
        self.at = end

    def _resolved(self, parts: tuple[str, ...], is_list: bool) -> Key:
        """Header `a.b` to a key with the running index of every list of tables on the way."""
        key: Key = ()
        for depth, part in enumerate(parts):
            key = (*key, part)
            last = depth == len(parts) - 1
            if last and is_list:
                self.counts[key] = self.counts.get(key, -1) + 1
            if key in self.counts:
                key = (*key, self.counts[key])
        return key

    def _skip(self, newlines: bool = False) -> bool:
        """Past blanks and comments; False at the end of the text."""
        blanks = " \t\n" if newlines else " \t"
        while self.at < len(self.text):
            if self.text[self.at] in blanks:
                self.at += 1
            elif self.text[self.at] == "#":
                end = self.text.find("\n", self.at)
                self.at = len(self.text) if end < 0 else end
            else:
                return True
        return False

    def _line(self) -> int:
        """Line of the present place; places only move on."""
        self._line_there += self.text.count("\n", self._counted, self.at)
        self._counted = self.at
        return self._line_there
