"""Plain names: what a case may be called, so that files and folders named after it stay where they belong.

A name becomes a folder of results, a lock, a reference, a picture. Letters, digits, `-`, `_` and dots inside
make all of these; anything else could mean another folder (`..`), a hidden one (`.work`), or the results of
another model (`boom+shell`).
"""

from __future__ import annotations

import re
import unicodedata
from pathlib import Path

from fem.core.atomic import MODELS
from fem.core.errors import InputError

LONGEST_NAME = 100
"""Bytes of a name; files made of it are longer, and file systems take 255."""
_PLAIN = re.compile(r"\w[\w-]*(?:\.[\w-]+)*")
RULE = "letters, digits, - and _, and dots inside"


def name_fault(name: str) -> str:
    """What is wrong with the name of a case, as the end of a sentence; "" for a plain one."""
    if not _PLAIN.fullmatch(unicodedata.normalize("NFC", name)):
        return f"{name!r} is no name for a case: use {RULE}"
    if len(name.encode()) > LONGEST_NAME:
        return f"{name[:30]!r}... is too long a name for a case: use at most {LONGEST_NAME} letters"
    return ""


def plain_name(name: str) -> str:
    """The name of a case as it came; raises InputError for one that is not plain."""
    fault = name_fault(name)
    if fault:
        raise InputError(fault)
    return name


def run_name(argument: str) -> str:
    """Name of the finished run that an argument means: a case file, the name of a case, or `CASE+MODEL`.

    Raises InputError for one that could be no run's.
    """
    name = Path(argument).stem if argument.endswith(".toml") else Path(argument).name
    case, plus, model = name.rpartition("+")
    plain_name(case if plus and model in MODELS else name)
    return name
