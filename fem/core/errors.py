"""What can go wrong before anything is solved, said so that the reader can mend it.

A fault names the file, the key, the line where one is known, what was expected, what came and what to do;
all faults of a file travel together in one `CaseError`. A solver that stalls is never an exception: it is
a status of a result.
"""

from __future__ import annotations

from dataclasses import dataclass

from fem.core.plain_text import visible

EXIT_DONE = 0
EXIT_DIFFERS = 1
EXIT_BAD_INPUT = 2
EXIT_NOT_CONVERGED = 3
EXIT_OUT_OF_TIME = 4
"""The time given to a run ran out before its verdict: run again to go on."""
EXIT_STOPPED = 130
"""Ended by the user, as a shell tells it."""


@dataclass(frozen=True)
class Fault:
    """One thing wrong with an input file.

    `message` is a whole sentence: requirement, value found, remedy. `line` counts from 1; None if unknown. As
    text a fault is one line, whatever characters the names and values of a file bring along.
    """

    file: str
    key: str
    message: str
    line: int | None = None

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line is not None else self.file
        return visible(f"{place}: {self.key}: {self.message}" if self.key else f"{place}: {self.message}")


class InputError(Exception):
    """An input the program cannot work with; the command line prints it and ends with code 2."""


class CaseError(InputError):
    """All faults found in one or several case files."""

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        self.faults = faults
        super().__init__("\n".join(str(fault) for fault in faults))


class MissingLibrary(InputError):  # noqa: N818  (a sentence for the user, not a crash)
    """A system library that an optional step needs is not installed; the message says what to install."""


def defect_fault(file: str, defect: BaseException) -> Fault:
    """What is told of a file on which the program itself failed."""
    what = f"{type(defect).__name__}: {str(defect)[:200]}"
    return Fault(file, "", f"the program failed on it ({what}); that is a defect, please report it")
