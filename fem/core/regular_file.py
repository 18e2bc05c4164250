"""Files of others read with care: plain files only, and no more of one than is asked for.

A named pipe would wait for ever, a device may never end, and a file of gigabytes fills the memory.
"""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass
from pathlib import Path

_OTHER = (
    (stat.S_ISDIR, "is a folder"),
    (stat.S_ISFIFO, "is a named pipe, not a file"),
    (stat.S_ISSOCK, "is a socket, not a file"),
    (stat.S_ISCHR, "is a device, not a file"),
    (stat.S_ISBLK, "is a device, not a file"),
)
_OPEN = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0) | getattr(os, "O_BINARY", 0)


class Unreadable(Exception):  # noqa: N818  (the end of a sentence that begins with the file)
    """What keeps a file from being read; `missing`: that it is not there."""

    def __init__(self, why: str, missing: bool = False) -> None:
        self.missing = missing
        super().__init__(why)


@dataclass(frozen=True)
class Contents:
    """The bytes of a file, and which file it is, whatever links led there."""

    content: bytes
    identity: tuple[int, int]


def read_regular(path: Path, most: int) -> Contents:
    """All bytes of a plain file of at most `most`. Raises Unreadable for anything else."""
    try:
        _refuse(path.stat())  # before it is opened: to open a device may do something
        handle = os.open(path, _OPEN)
        with open(handle, "rb") as file:
            about = os.fstat(handle)
            _refuse(about)
            content = file.read(min(most, about.st_size) + 1)  # as much is set aside at once
            if len(content) > about.st_size:
                content += file.read(max(0, most + 1 - len(content)))
    except FileNotFoundError:
        raise Unreadable("there is no such file", missing=True) from None
    except OSError as problem:
        raise Unreadable(f"cannot be read ({problem.strerror or problem})") from None
    except ValueError:  # a zero byte in the name
        raise Unreadable("is no name of a file") from None
    if len(content) > most:
        raise Unreadable(f"is larger than {most / 1000:g} kB")
    return Contents(content, (about.st_dev, about.st_ino))


def _refuse(about: os.stat_result) -> None:
    for is_it, words in _OTHER:
        if is_it(about.st_mode):
            raise Unreadable(words)


def is_folder(path: Path) -> bool:
    """Whether there is a folder of that name; False too for what cannot be a name."""
    return os.path.isdir(path)  # noqa: PTH112 (`Path.is_dir` raises OSError where a name is too long)
