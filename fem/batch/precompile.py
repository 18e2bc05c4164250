"""Compiling all loops of a model before the first run on a machine, on more than one core.

The parts of `fem.batch.compile_targets` are taken one by one, by this process from the front of the list and
by its helpers from the back; whoever has one holds its lock, which the system lets go of when the process
dies. What is done is marked beside the locks. Other runs that start at the same time take their parts from
the same list. Nothing of this can make a run fail: a loop that is not there is compiled when it is called.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

from fem.jit.cache import marks

HELPERS = 2
"""More of them would have nothing to do: the longest loop takes a third of the time of all."""
PATIENCE = 120.0
"""Seconds that the others may take longer than this process before it goes on without them."""
POLL = 0.02
_HELP = (
    "import sys; sys.path[:] = {path!r}; from fem.batch.precompile import help_with; "
    "help_with({model!r}, {place!r})"
)


def compile_loops(model: str, tell: Callable[[], None], stopping: Callable[[], bool]) -> None:
    """See to it that the loops of a model are compiled; until then, or until `stopping`, this does not
    return. It tells before it begins. It does nothing where they are compiled, where there is one core, or
    where nothing can be kept.
    """
    place = None if os.environ.get("NUMBA_DISABLE_JIT", "0") != "0" else marks()
    if place is None or (place / model).exists() or _cores() < 2:
        return
    tell()
    with _helpers(min(HELPERS, _cores() - 1), model, place):
        _work(model, place, False, stopping)


def help_with(model: str, place: str) -> None:
    """A helper's life: it ends with its work, or when the process that started it is gone."""
    threading.Thread(target=_end_with_parent, daemon=True).start()
    _work(model, Path(place), True, lambda: False)


def _end_with_parent() -> None:
    sys.stdin.buffer.read()  # nothing is ever written: this returns when the other end closes
    os._exit(0)


def _cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@contextlib.contextmanager
def _helpers(count: int, model: str, place: Path) -> Iterator[list[subprocess.Popen[bytes]]]:
    """Processes that help, as many as can be started; they end with the block at the latest."""
    code = _HELP.format(path=sys.path, model=model, place=str(place))
    running: list[subprocess.Popen[bytes]] = []
    silent = subprocess.DEVNULL
    try:
        with contextlib.suppress(OSError, ValueError, TypeError):  # no Python to start, no more processes
            for _ in range(count):
                running.append(
                    subprocess.Popen(
                        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=silent, stderr=silent,
                        creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
                    )
                )  # fmt: skip
        yield running
    finally:
        for process in running:
            process.kill()
            with process:  # closes its pipe and waits for it
                pass


def _work(model: str, place: Path, backwards: bool, stopping: Callable[[], bool]) -> None:
    """Take parts until none is left. A helper does not wait for those that others are at."""
    from fem.batch.compile_targets import PARTS

    left = list(PARTS[model])[:: -1 if backwards else 1]
    try:
        idle = 0.0
        while left and idle < PATIENCE and not stopping():
            done = _next(model, place, left)
            if done:
                left.remove(done)
            elif backwards:
                return
            else:
                time.sleep(POLL)
                idle += POLL
        if not left:
            (place / model).touch()
    except Exception:  # noqa: BLE001 (whatever is wrong with a part is told when a run comes to it)
        return


def _next(model: str, place: Path, left: list[str]) -> str:
    """Do the first part that nobody is at; its name, or "" where all of them are taken."""
    from filelock import FileLock, Timeout

    from fem.batch.compile_targets import PARTS

    for name in left:
        mark = place / f"{model}-{name}"
        if mark.exists():
            return name
        with contextlib.suppress(Timeout), FileLock(place / f"{model}-{name}.lock", timeout=0):
            if not mark.exists():
                PARTS[model][name]()
                mark.touch()
            return name
    return ""
