"""The live lines of a batch: what has ended, what is told once, and two interrupts from the keyboard."""

from __future__ import annotations

import io
import os
import signal

import pytest
from rich.console import Console

from fem.batch.job import Done
from fem.batch.progress import ProgressDisplay
from fem.results.outcome import NoResult, Status

Told = tuple[ProgressDisplay, io.StringIO]


@pytest.fixture
def board() -> Told:
    out = io.StringIO()
    return ProgressDisplay(Console(file=out, width=200), 2), out


def ended(status: str, defect: str = "", **more: object) -> Done:
    return Done({"status": status, "jam": None, "quantities": {}, "seconds": 1.25} | more, 0, defect=defect)


def test_every_case_that_ends_gets_a_line_with_what_came_of_it(board: Told) -> None:
    made, out = board
    with made:
        made.advanced("a", 0.5, "winding in")
        made.done("a", ended(Status.DEPLOYED))
        made.done("b", ended(Status.JAMMED, jam={"mode": "coil locks"}, skipped=True))
    lines = [line for line in out.getvalue().splitlines() if line.startswith(("1/2", "2/2"))]
    assert list(made.results) == ["a", "b"]
    assert "a: deployed" in lines[0] and "1.2 s" in lines[0]
    assert "b: jammed: coil locks" in lines[1] and " s)" not in lines[1]


def test_the_same_defect_is_told_once(board: Told) -> None:
    made, out = board
    with made:
        for name in "ab":
            made.done(name, ended(NoResult.BROKEN_OFF, defect="Traceback of a defect"))
    assert out.getvalue().count("Traceback of a defect") == 1


def test_the_first_interrupt_is_a_wish_to_stop_and_the_second_an_end(board: Told) -> None:
    made, _ = board
    before = signal.getsignal(signal.SIGINT)
    with made:
        assert not made.stopping
        os.kill(os.getpid(), signal.SIGINT)
        assert made.stopping
        with pytest.raises(KeyboardInterrupt):
            os.kill(os.getpid(), signal.SIGINT)
    assert signal.getsignal(signal.SIGINT) == before
