"""The starter is a sound case that names every choice, and so are its options."""

from __future__ import annotations

import dataclasses
import itertools
import re
from typing import Any

import pytest
from sound_case import Write

from fem.case.definition import read_case
from fem.case.template import starter
from fem.design.loading import PUSHES
from fem.design.material import LIBRARY
from fem.design.obstacle import OBSTACLES
from fem.design.section import SECTIONS


def test_the_starter_is_sound_and_names_every_material(write: Write) -> None:
    text = starter("my-boom")
    assert read_case(write(text)).title == "My boom"
    for material in LIBRARY:
        assert material.name in text


KINDS = [(one.kind, one) for one in (*SECTIONS, *PUSHES)] + [(one.__name__.lower(), one) for one in OBSTACLES]


@pytest.mark.parametrize(("name", "kind"), KINDS)
def test_the_starter_tells_of_every_kind_and_names_its_keys(name: str, kind: type[Any]) -> None:
    lines = iter(starter("my-boom").splitlines())
    told = next(line for line in lines if line.startswith(f'#   "{name}": '))
    for line in itertools.takewhile(lambda line: line.startswith("#       "), lines):
        told += line[7:]
    about, _, keys = told.partition(" Keys: ")
    assert about.endswith(".") and len(about) > len(name) + 15
    assert "rad]" not in about, "a case file is in degrees"
    assert keys.rstrip(".").split(", ") == [field.name for field in dataclasses.fields(kind)] or not keys
    assert bool(keys) == bool(dataclasses.fields(kind))


def test_the_options_of_the_starter_are_sound_too(write: Write) -> None:
    """Every commented key is switched on; keys that exclude the written ones are left out."""
    lines = []
    for line in starter("my-boom").splitlines():
        option = re.match(r"# (\[+[a-z.-]+\]+|[a-z_]+ = [^ ])", line)
        lines.append(line[2:] if option and not line.startswith(("# through", "# extends")) else line)
    case = read_case(write("\n".join(lines)))
    assert case.obstacles and case.vary and case.goal
    assert case.strip.stations
    assert case.strip.layers[0].elsewhere is not None
