"""A sound case whose text tests spoil at one place, and what is then told."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from fem.case.definition import read_case
from fem.core.errors import CaseError, Fault

SOUND = """\
title = "a boom"
[strip]
width = 12.0
[strip.path]
runs = [{ straight = 26.0 }, { bend = 40.0, radius = 25.0 }, { straight = 14.0 },
  { bend = -30.0, radius = 30.0 }, { straight = 22.0 }]
[strip.section]
kind = "arc"
radius = 9.0
[[strip.layers]]
material = "tpu-95a"
thickness = 0.6
[[strip.layers]]
material = "pla"
thickness = 0.4
across = [-2.0, 2.0]
elsewhere = "tpu-95a"
[axle]
radius = 4.0
[casing]
radius = 9.0
[slot]
gap = 1.5
[push]
kind = "retract-then-deploy"
"""

OF_KIND: dict[str, str] = {
    "plane": "x = 0\ny = -40\nfacing = 90",
    "cylinder": "x = 60\ny = -20\nradius = 5",
    "bar": "x = 60\ny = -20\nx2 = 70\ny2 = -20\nradius = 1",
    "guide": "x = 20\ny = -4\nheading = 0\nlength = 20\nangle = 30\ngap = 2\nlip = 0.5",
}
"""Keys that each kind of obstacle needs."""

Write = Callable[..., Path]


def changed(old: str, new: str) -> str:
    """The sound text with one place of it written otherwise."""
    assert SOUND.count(old) == 1, old
    return SOUND.replace(old, new)


def faults(file: Path) -> list[Fault]:
    """All faults of a file, in the order they are told."""
    with pytest.raises(CaseError) as caught:
        read_case(file)
    return list(caught.value.faults)


def has_fault(file: Path, key: str, facts: tuple[str, ...], line: int | None = None) -> None:
    """A fault at the key, placed at the line of that file where one is given, names all facts."""
    found = [fault for fault in faults(file) if fault.key == key]
    told = [fault for fault in found if all(fact in fault.message for fact in facts)]
    assert told, found or faults(file)
    assert {Path(fault.file).name for fault in told} == {file.name}
    assert line is None or {fault.line for fault in told} == {line}
