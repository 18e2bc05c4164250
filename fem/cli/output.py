"""Where the verbs write, and options that several of them share.

Documents go to standard output, words to standard error; what libraries print is no output of a verb.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any, NoReturn

import typer

from fem.core.errors import EXIT_BAD_INPUT
from fem.core.plain_text import visible

if TYPE_CHECKING:
    from rich.console import Console

CaseNames = Annotated[
    list[str],
    typer.Argument(metavar="CASE", help="Case files, folders, patterns, or names of cases below cases/."),
]
CaseName = Annotated[
    str, typer.Argument(metavar="CASE", help="A case file, or the name of a case below cases/.")
]
AtATime = Annotated[int, typer.Option("-j", "--jobs", min=1, metavar="N", help="Cases side by side.")]
AsJson = Annotated[bool, typer.Option("--json", help="One JSON document on stdout, messages on stderr.")]


def File(words: str) -> Any:
    """The option of a file to write."""
    return typer.Option(help=words, metavar="FILE")


class Model(StrEnum):
    """Models a case can be run with."""

    rod = "rod"
    shell = "shell"


@contextlib.contextmanager
def library_output_to_stderr() -> Iterator[None]:
    """Send whatever libraries print to stderr, at the level of the descriptor: stdout is ours alone."""
    sys.stdout.flush()
    kept = os.dup(1)
    os.dup2(2, 1)
    try:
        yield
    finally:
        sys.stdout.flush()
        os.dup2(kept, 1)
        os.close(kept)


def console(to_stderr: bool) -> Console:
    """A terminal on standard output, or on standard error."""
    from rich.console import Console

    return Console(stderr=to_stderr)


def count(number: int, what: str) -> str:
    """`1 case`, `2 cases`."""
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def tell(text: str) -> None:
    """Lines on standard error, with nothing in them that moves a cursor."""
    typer.echo(visible(text, lines=True), err=True)


def stop(message: str) -> NoReturn:
    """Tell what is wrong with the input, and end."""
    tell(message)
    raise typer.Exit(EXIT_BAD_INPUT)
