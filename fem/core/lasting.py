"""Arrays that stay the same while a computation goes on, each written to disk once.

Of the state of a long computation nearly all is what it has been through: states it logged, records it keeps.
Whoever writes the state again and again finds these arrays, the very same objects, in one state after the
other. One that was there the last time as well is added to the end of a file, and told by its place from then
on; what changes is made anew each time and never gets there. Nothing that such an array holds may change.

The file only grows. What is said of it, length and digest, holds for its beginning, so that a process killed
while it wrote more has lost nothing: what stands behind is written over.
"""

from __future__ import annotations

import hashlib
import os
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fem.core.plain_data import KINDS, LASTING
from fem.core.regular_file import read_regular

UNIT = 8
"""Bytes; every array begins at a multiple, so that numbers of any kind are counted from the beginning."""


class LastingArrays:
    """A file of arrays that stay. Of each state, ask for the `place` of every array, then `write`."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self._begin()

    def _begin(self) -> None:
        self.size = 0
        self._digest = hashlib.blake2b(digest_size=32)
        # arrays in the file, in the last state, in the present one; to hold an array keeps its id its own
        self._known: dict[int, tuple[NDArray[Any], int]] = {}
        self._seen: dict[int, NDArray[Any]] = {}
        self._now: dict[int, NDArray[Any]] = {}
        self._new: list[bytes] = []
        self._end = 0

    def place(self, array: NDArray[Any]) -> int | None:
        """Where an array lies in the file, in numbers of its kind, or will lie once all is written; None for
        one that was not there in the last state.
        """
        number = id(array)
        self._now[number] = array
        if number not in self._known:
            if number not in self._seen:
                return None
            self._known[number] = array, self._end
            self._new.append(padded(array))
            self._end += len(self._new[-1])
        return self._known[number][1] // array.itemsize

    def write(self) -> dict[str, int | str]:
        """Add the arrays that were found to stay; what is to be told of the file beside the state. Raises
        OSError where that cannot be; they are not in it then.
        """
        content, self._new = b"".join(self._new), []
        try:
            if content:
                self._add(content)
        except FileNotFoundError:  # someone took it away
            self._begin()
            raise
        except OSError:
            self._known = {number: one for number, one in self._known.items() if one[1] < self.size}
            self._end, self._seen, self._now = self.size, self._now, {}
            raise
        self.size = self._end
        self._digest.update(content)
        self._known = {number: one for number, one in self._known.items() if number in self._now}
        self._seen, self._now = self._now, {}
        return {"bytes": self.size, "digest": self._digest.hexdigest()}

    def _add(self, content: bytes) -> None:
        self.file.parent.mkdir(parents=True, exist_ok=True)
        with open(self.file, "r+b" if self.size else "wb") as file:
            file.truncate(self.size)
            file.seek(self.size)
            file.write(content)
            file.flush()
            os.fsync(file.fileno())

    def read(self, told: object, most: int) -> dict[str, NDArray[Any]]:
        """The arrays of each kind of number as which the beginning of the file can be read that something was
        told of. Raises ValueError or Unreadable for another file.
        """
        if not isinstance(told, dict) or type(size := told.get("bytes")) is not int or size % UNIT:
            raise ValueError("no file of ours")
        content = read_regular(self.file, most).content[:size] if size > 0 else b""
        digest = hashlib.blake2b(content, digest_size=32)
        if len(content) != size or digest.hexdigest() != told.get("digest"):
            raise ValueError("it is damaged")
        self._begin()
        self.size, self._end, self._digest = size, size, digest
        return {LASTING + kind: np.frombuffer(content, dtype=kind) for kind in KINDS}

    def found(self, array: NDArray[Any], at: int) -> None:
        """An array made of what was read: it need not be written again."""
        self._known[id(array)] = array, at * array.itemsize


def padded(array: NDArray[Any]) -> bytes:
    """The numbers of an array, up to a multiple of UNIT bytes."""
    content = array.tobytes()
    return content + bytes(-len(content) % UNIT)
