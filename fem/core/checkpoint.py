"""A long computation kept on disk as it goes, so that one that was killed goes on where it stood.

What is kept is the whole state of the computation as numbers and words (`fem.core.plain_data`), not a summary
of it: going on gives the same floats as never having stopped. The program that goes on makes everything else
anew from its case and puts the numbers back. Nothing in a file chooses what code runs.

A file is one line of JSON (format, stamp of what it belongs to, seconds so far, digest of the rest) and an
archive of plain arrays (npz), one of which holds the state's tree as JSON. What stays the same from one state
to the next, most of a long run, lies in a second file that only grows (`fem.core.lasting`); the head tells
how much of it counts. Another program, another case, a torn or forged file is no checkpoint: it is set aside
beside its place, `notes` says why, and the computation begins anew.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import math
import os
import time
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol, TypeVar

import numpy as np

from fem.core.lasting import LastingArrays
from fem.core.plain_data import KINDS, Packed, packed, unpacked
from fem.core.regular_file import Unreadable, read_regular

FORMAT = 3
EVERY = 1.0
"""CPU seconds between two checkpoints."""
COST = 20.0
"""A checkpoint is not written before so many times what the last one took has gone by."""
MOST_BYTES = 1 << 32
"""A larger file is no checkpoint: a run that leaves so much is refused before it begins."""
LONGEST_HEAD = 1 << 16
TREE = "tree"
T = TypeVar("T")


class Stopped(Exception):  # noqa: N818  (nothing is wrong: someone asked for it)
    """The computation was asked to end early; what it had is kept."""


class OutOfTime(Stopped):
    """The time that the computation was given has run out."""


class Keeper(Protocol):
    """Where a computation leaves its state. deadline [s of `time.perf_counter`]: when its time runs out."""

    @property
    def deadline(self) -> float: ...

    def found(self, kind: type[T]) -> T | None:
        """State to go on from, a record of a class, or None."""
        ...

    def offer(self, state: Callable[[], object]) -> None:
        """A moment at which going on from `state()` is possible; raises Stopped if it is wanted to end here,
        OutOfTime if the time has run out.
        """
        ...

    def set_aside(self, why: str) -> None:
        """The state found cannot be gone on from: keep it out of the way and say why."""
        ...


@dataclass(frozen=True)
class Unkept:
    """Keeps nothing, and ends when time has run out."""

    deadline: float = math.inf

    def found(self, kind: type[T]) -> T | None:  # noqa: ARG002 - there is none of any kind
        """Nothing."""
        return None

    def offer(self, state: Callable[[], object]) -> None:  # noqa: ARG002 - it is not kept
        """Let it go by, or end."""
        if time.perf_counter() > self.deadline:
            raise OutOfTime

    def set_aside(self, why: str) -> None:
        """There is nothing to set aside."""


NOWHERE: Keeper = Unkept()


class Checkpoint:
    """A keeper with one file, and a second one beside it for what stays.

    stamp: what the state belongs to; stopping: whether to end at the next offer; trouble: why the last state
    could not be written, "" if it could (a full disk costs the checkpoint, not the run); limit [s]: wall time
    from here on after which the computation is to end; notes: what became of files that are no checkpoint
    of this computation; spent [s]: wall time of the runs before this one that
    led to the state found.
    """

    def __init__(
        self,
        file: Path,
        stamp: Mapping[str, str],
        stopping: Callable[[], bool] = lambda: False,
        every: float = EVERY,
        limit: float = math.inf,
    ) -> None:
        self.file, self.stamp, self.stopping, self.every = file, dict(stamp), stopping, every
        self.spent, self.trouble = 0.0, ""
        self.notes: list[str] = []
        self.lasting = LastingArrays(file.with_name(f"{file.name}.lasting"))
        self._began = time.perf_counter()
        self.deadline = self._began + limit
        self._next = time.process_time() + every

    @property
    def seconds(self) -> float:
        """Wall time so far [s], of this run and those it goes on from."""
        return self.spent + time.perf_counter() - self._began

    def found(self, kind: type[T]) -> T | None:
        """The state in the file as a record of a class, or None if there is none that belongs here and is
        whole.
        """
        try:
            head, content = _opened(self.file)
        except (Unreadable, ValueError) as problem:
            if not (isinstance(problem, Unreadable) and problem.missing):
                self.set_aside(f"it cannot be read ({problem})")
            return None
        if head.get("format") != FORMAT or head.get("stamp") != self.stamp:
            self.set_aside("it belongs to another version of the case, the program or its libraries")
            return None
        if _digest(content) != head.get("digest"):
            self.set_aside("it is damaged")
            return None
        try:
            data = _unwritten(content)
            data.arrays.update(self.lasting.read(head["lasting"], MOST_BYTES))
            state = unpacked(kind, data, self.lasting.found)
            self.spent = max(0.0, float(head["seconds"]))
        except Exception as problem:  # noqa: BLE001 (whatever a forged file makes a reader raise)
            self.set_aside(f"it does not hold the state of a run ({problem})")
            return None
        return state

    def offer(self, state: Callable[[], object]) -> None:
        """Write the state if it is time, or if this is the end."""
        stopping, late = self.stopping(), time.perf_counter() > self.deadline
        began = time.process_time()
        if not (stopping or late) and began < self._next:
            return
        self.trouble = self._write(state)
        now = time.process_time()
        self._next = now + max(self.every, COST * (now - began))
        if stopping:
            raise Stopped
        if late:
            raise OutOfTime

    def set_aside(self, why: str) -> None:
        """Move the file out of the way, over what was set aside before, and note why."""
        self.spent = 0.0
        aside, stays = self.file.with_name(f"{self.file.name}.set-aside"), self.lasting.file
        self.lasting = LastingArrays(stays)
        with contextlib.suppress(OSError):  # where there is none
            stays.replace(stays.with_name(f"{stays.name}.set-aside"))
        try:
            self.file.replace(aside)
        except OSError as problem:
            self.notes.append(f"{self.file.name}: {why}; the run began anew ({problem.strerror or problem})")
            return
        self.notes.append(f"{self.file.name}: {why}: set aside as {aside.name}, and the run began anew")

    def remove(self) -> None:
        """Forget the state: the computation is done."""
        for file in (self.file, self.lasting.file):  # the second means nothing without the first
            with contextlib.suppress(OSError):
                file.unlink(missing_ok=True)

    def _write(self, state: Callable[[], object]) -> str:
        content = _written(packed(state(), self.lasting.place))
        unfinished = self.file.with_name(self.file.name + ".partial")
        try:
            self.file.parent.mkdir(parents=True, exist_ok=True)
            head = {
                "format": FORMAT, "stamp": self.stamp, "seconds": self.seconds, "digest": _digest(content),
                "lasting": self.lasting.write(),
            }  # fmt: skip
            with open(unfinished, "wb") as file:
                file.write(json.dumps(head).encode() + b"\n")
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            unfinished.replace(self.file)
        except OSError as problem:
            with contextlib.suppress(OSError):
                unfinished.unlink(missing_ok=True)
            return str(problem)
        return ""


def _opened(file: Path) -> tuple[dict[str, Any], memoryview]:
    """Head and content of a file; raises Unreadable or ValueError for what has no such parts."""
    whole = read_regular(file, MOST_BYTES).content
    line = whole[: whole.find(b"\n", 0, LONGEST_HEAD) + 1]
    try:
        head = json.loads(line)
    except RecursionError as problem:
        raise ValueError("no file of ours") from problem
    if not isinstance(head, dict):
        raise ValueError("no file of ours")
    return head, memoryview(whole)[len(line) :]


def _digest(content: bytes | memoryview) -> str:
    """Digest of what stands below the head: no secret, it tells a torn file."""
    return hashlib.blake2b(content, digest_size=32).hexdigest()


def _written(data: Packed) -> memoryview:
    """Tree and arrays as an archive, not compressed."""
    tree = np.frombuffer(json.dumps(data.tree).encode(), dtype=np.uint8)
    archive = io.BytesIO()
    arrays: dict[str, Any] = {TREE: tree, **data.arrays}
    np.savez(archive, **arrays)
    return archive.getbuffer()


def _unwritten(content: bytes | memoryview) -> Packed:
    """The same back; raises some exception for what is no such archive. Nothing in it may be larger than it
    is there.
    """
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        names = {f"{name}.npy" for name in (TREE, *KINDS)}
        for info in archive.infolist():
            if info.filename not in names or info.compress_type != zipfile.ZIP_STORED:
                raise ValueError("an archive of something else")
    with np.load(io.BytesIO(content), allow_pickle=False) as stored:
        arrays = {name: stored[name] for name in stored.files}
    tree = arrays.pop(TREE)
    if tree.dtype != np.uint8 or any(
        each.ndim != 1 or each.dtype.name != name for name, each in arrays.items()
    ):
        raise ValueError("arrays of something else")
    return Packed(json.loads(tree.tobytes()), arrays)
