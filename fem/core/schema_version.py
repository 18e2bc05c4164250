"""JSON files that carry a schema number, read with care."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from fem.core.errors import InputError
from fem.core.regular_file import Unreadable, read_regular

MOST_BYTES = 20_000_000
"""Results and references have some hundred thousand."""


class NewerFile(InputError):  # noqa: N818  (a sentence for the user, not a crash)
    """A file that a later version of the program wrote."""


@dataclass(frozen=True)
class Words:
    """What to say of a file: that it cannot be read, how to mend it, what to do about one from the future."""

    unreadable: str
    mend: str
    newer: str


def versioned_text(file: Path, newest: int, words: Words) -> str:
    """The text of a file whose `schema` is at most `newest`.

    Raises InputError, naming the file and the remedy, for anything else; NewerFile for a later schema.
    """
    try:
        text = read_regular(file, MOST_BYTES).content.decode("utf-8")
        content = json.loads(text)
    except RecursionError as error:
        raise InputError(f"{file}: {words.unreadable} (it is nested too deeply); {words.mend}") from error
    except (Unreadable, ValueError) as error:
        why = str(error).partition(";")[0]  # what follows is advice to programmers
        raise InputError(f"{file}: {words.unreadable} ({why}); {words.mend}") from error
    schema = content.get("schema") if isinstance(content, dict) else None
    if type(schema) is not int or schema < 1:
        raise InputError(f"{file}: schema must be a whole number from 1, got {schema!r}; {words.mend}")
    if schema > newest:
        raise NewerFile(
            f"{file}: has schema {schema}, written by a newer pushpast; this one reads up to {newest}: "
            f"{words.newer}"
        )
    return text
