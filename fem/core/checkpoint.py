"""A long computation kept on disk as it goes, so that one that was killed goes on where it stood.

What is kept is the whole state of the computation (every object that moves it on), not a summary of it: going
on gives the same floats as never having stopped. A checkpoint carries a stamp of what it belongs to and
a hash of itself; another program, another case or a torn file is no checkpoint.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
import pickle
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Protocol

FORMAT = 1
EVERY = 5.0
"""CPU seconds between two checkpoints."""
COST = 20.0
"""A checkpoint is not written before so many times what the last one took has gone by."""
PACKAGES = ("fem", "numpy", "scipy", "skfem")
PLAIN = ("builtins", "collections", "copyreg", "pathlib")
REBUILDING = ("_reconstruct", "_frombuffer", "_reconstructor", "scalar", "asarray")
"""Functions with which arrays and objects are put together again; no other function may be named."""


class Stopped(Exception):  # noqa: N818  (nothing is wrong: someone asked for it)
    """The computation was asked to end early; what it had is kept."""


class Keeper(Protocol):
    """Where a computation leaves its state."""

    def found(self) -> Any:
        """State to go on from, or None."""
        ...

    def offer(self, state: object) -> None:
        """A moment at which going on from `state` is possible; raises Stopped if it is wanted to end here."""
        ...


class Nowhere:
    """Keeps nothing."""

    def found(self) -> Any:
        """Nothing."""

    def offer(self, state: object) -> None:
        """Lets it go by."""


NOWHERE: Keeper = Nowhere()


class Checkpoint:
    """A keeper with one file.

    stamp: what the state belongs to; stopping: whether to end at the next offer; trouble: why the last state
    could not be written, "" if it could (a full disk costs the checkpoint, not the run); spent [s]: wall time
    of the runs before this one that led to the state found.
    """

    def __init__(
        self,
        file: Path,
        stamp: Mapping[str, str],
        stopping: Callable[[], bool] = lambda: False,
        every: float = EVERY,
    ) -> None:
        self.file, self.stamp, self.stopping, self.every = file, dict(stamp), stopping, every
        self.spent, self.trouble = 0.0, ""
        self._began = time.perf_counter()
        self._next = time.process_time() + every

    @property
    def seconds(self) -> float:
        """Wall time so far [s], of this run and those it goes on from."""
        return self.spent + time.perf_counter() - self._began

    def found(self) -> Any:
        """The state in the file, or None if there is none that belongs here and is whole."""
        try:
            with open(self.file, "rb") as stored:
                head = json.loads(stored.readline())
                content = stored.read()
            whole = hashlib.sha256(content).hexdigest() == head["sha256"]
            if not whole or head["format"] != FORMAT or head["stamp"] != self.stamp:
                return None
            state = _Unpickler(io.BytesIO(content)).load()
            self.spent = float(head["seconds"])
        except (OSError, ValueError, KeyError, TypeError, AttributeError, ImportError, EOFError):
            return None
        except pickle.UnpicklingError:
            return None
        return state

    def offer(self, state: object) -> None:
        """Write the state if it is time, or if this is the end."""
        stopping = self.stopping()
        began = time.process_time()
        if not stopping and began < self._next:
            return
        self.trouble = self._write(state)
        now = time.process_time()
        self._next = now + max(self.every, COST * (now - began))
        if stopping:
            raise Stopped

    def remove(self) -> None:
        """Forget the state: the computation is done."""
        with contextlib.suppress(OSError):
            self.file.unlink(missing_ok=True)

    def _write(self, state: object) -> str:
        try:
            content = pickle.dumps(state, protocol=5)
        except (pickle.PicklingError, AttributeError, TypeError) as problem:
            return f"this run cannot be kept as it goes ({problem})"
        head = {
            "format": FORMAT, "stamp": self.stamp, "seconds": self.seconds,
            "sha256": hashlib.sha256(content).hexdigest(),
        }  # fmt: skip
        unfinished = self.file.with_name(self.file.name + ".partial")
        try:
            self.file.parent.mkdir(parents=True, exist_ok=True)
            with open(unfinished, "wb") as file:
                file.write(json.dumps(head).encode() + b"\n" + content)
                file.flush()
                os.fsync(file.fileno())
            unfinished.replace(self.file)
        except OSError as problem:
            with contextlib.suppress(OSError):
                unfinished.unlink(missing_ok=True)
            return str(problem)
        return ""


class _Unpickler(pickle.Unpickler):
    """Takes nothing but data of the program and of the libraries it computes with."""

    def find_class(self, module: str, name: str) -> Any:
        top = module.partition(".")[0]
        made = super().find_class(module, name) if top in PACKAGES or module in PLAIN else None
        if isinstance(made, type) or (made is not None and name in REBUILDING):
            return made
        raise pickle.UnpicklingError(f"a checkpoint may not hold {module}.{name}")
