"""The live lines of a batch on the terminal: one per running case, one for the whole."""

from __future__ import annotations

import signal
import threading
from types import FrameType
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn
from rich.text import Text

from fem.batch.job import Done
from fem.core.plain_text import visible
from fem.results.readings import summary_headline
from fem.view.palette import NOTED


class ProgressDisplay:
    """Observer of a batch that draws. In `with` it also turns the first interrupt from the keyboard into the
    wish to stop; the second one ends the program at once.
    """

    def __init__(self, console: Console, total: int) -> None:
        self.console, self.total = console, total
        self.results: dict[str, Done] = {}
        self._stopping = False
        self._reported: set[str] = set()
        case, words = (
            TextColumn(text, markup=False) for text in ("{task.fields[case]}", "{task.description}")
        )
        bars = (case, BarColumn(), TimeElapsedColumn(), words)
        self._bars = Progress(*bars, console=console, transient=True)
        self._tasks: dict[str, TaskID] = {}
        self._whole: TaskID | None = None
        self._before: Any = None

    def __enter__(self) -> ProgressDisplay:
        if self.total > 1:
            self._whole = self._bars.add_task(f"0 of {self.total} done", total=self.total, case="all")
        self._bars.start()
        if threading.current_thread() is threading.main_thread():
            self._before = signal.signal(signal.SIGINT, self._interrupted)
        return self

    def __exit__(self, *_: object) -> None:
        if self._before is not None:
            signal.signal(signal.SIGINT, self._before)
        self._bars.stop()

    @property
    def stopping(self) -> bool:
        """Whether the user has asked for an end."""
        return self._stopping

    def expect(self, more: int) -> None:
        """Count on so many more cases."""
        self.total += more
        if self._whole is None and self.total > 1:
            self._whole = self._bars.add_task("", total=self.total, case="all")
        if self._whole is not None:
            text = f"{len(self.results)} of {self.total} done"
            self._bars.update(self._whole, total=self.total, description=text)

    def advanced(self, name: str, share: float, text: str) -> None:
        """Move a case's bar."""
        if name not in self._tasks:
            self._tasks[name] = self._bars.add_task("", total=1.0, case=name)
        self._bars.update(self._tasks[name], completed=share, description=visible(text))

    def note(self, text: str) -> None:
        """A line above the bars."""
        self.console.print(Text(visible(text), NOTED), soft_wrap=True)

    def done(self, name: str, done: Done) -> None:
        """Take a case's bar away and say what came of it."""
        self.results[name] = done
        if name in self._tasks:
            self._bars.remove_task(self._tasks.pop(name))
        if self._whole is not None:
            count = len(self.results)
            text = f"{count} of {self.total} done"
            self._bars.update(self._whole, completed=count, description=text)
            word = summary_headline(done.summary)
            how = "up to date" if done.summary.get("skipped") else f"{done.summary['seconds']:.1f} s"
            line = f"{count}/{self.total} {name}: {word} ({how})"
            self.console.print(Text(visible(line)), soft_wrap=True)
        for message in done.messages:
            self.note(message)
        if done.defect and done.defect not in self._reported:
            self._reported.add(done.defect)
            self.console.print(Text(visible(done.defect, lines=True)), soft_wrap=True)

    def _interrupted(self, number: int, frame: FrameType | None) -> None:  # noqa: ARG002
        if self._stopping:
            raise KeyboardInterrupt
        self._stopping = True
        self.note("stopping: what is running is kept; interrupt again to end at once")
