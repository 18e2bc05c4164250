"""Whatever is written into a case file, the answer is a sound case or faults with a place, never a crash."""

from __future__ import annotations

import contextlib
import copy
import datetime
import math
import random
import tomllib
from pathlib import Path
from typing import Any

import pytest
from case_keys import keys_in, standing_at

from fem.case import definition as case
from fem.case.estimate import derive
from fem.case.file import Document
from fem.case.template import starter
from fem.core.errors import CaseError, Fault, InputError

ODD: tuple[Any, ...] = (
    0, -1, 3, 0.0, -5.5, 0.3, 7.7, 1e-300, 1e-9, 1e9, 1e300, math.inf, math.nan, True, "", "x", "arc", "pla",
    datetime.date(2020, 1, 1), [], [1, 2], [0, 0], [-1e9, 1e9], [[1]], [[1, 2], [3, 4]], [{}],
    [{"straight": 1.0}],
    {}, {"a": 1}, {"kind": "x"},
)  # fmt: skip
EVERYTHING = """
[[strip.layers]]
material = "pla"
thickness = 0.2
across = [-2.0, 2.0]
along = [10.0, 60.0]
elsewhere = "tpu-95a"
[[strip.stations]]
at = 20.0
depth = 0.5
[[strip.stations]]
at = 90.0
width = 8.0
[[obstacles]]
kind = "guide"
x = 20.0
y = -4.0
heading = 0.0
length = 20.0
angle = 30.0
gap = 2.0
lip = 0.5
[weight]
acts = true
[solver]
element = 3.0
[materials.mine]
young = 80.0
poisson = 0.45
strain_limit = 0.1
"""


def spoil(tables: dict[str, Any], chance: random.Random) -> None:
    """Remove, replace, scale or add one thing somewhere."""
    *above, name = chance.choice(list(keys_in(tables)))
    here = standing_at(tables, tuple(above))
    what = chance.random()
    if what < 0.15:
        del here[name]
    elif what < 0.2 and isinstance(here, dict):
        here["odd"] = copy.deepcopy(chance.choice(ODD))
    elif what < 0.4 and isinstance(here[name], float):
        here[name] *= chance.choice([0.01, 0.1, 0.5, 2.0, 10.0, -1.0, 1000.0])
    else:
        here[name] = copy.deepcopy(chance.choice(ODD))


@pytest.mark.parametrize("seed", range(4))
def test_spoiled_cases_are_read_or_refused(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    sound = tomllib.loads(starter("boom") + EVERYTHING)
    chance = random.Random(seed)
    outcomes = {"sound": 0, "refused": 0}
    refused: list[Fault] = []
    for _ in range(100):
        tables = copy.deepcopy(sound)
        for _ in range(chance.choice([1, 1, 1, 2, 3])):
            spoil(tables, chance)
        monkeypatch.setattr(case, "read_document", lambda path, tables=tables: Document("x.toml", tables, {}))
        try:
            read = case.read_case(Path("x.toml"))
        except CaseError as refusal:
            refused.extend(refusal.faults)
            outcomes["refused"] += 1
            continue
        outcomes["sound"] += 1
        with contextlib.suppress(InputError):  # a section that cannot stand is told by `check`
            derive(read)
    assert all(fault.key and fault.message for fault in refused)
    assert min(outcomes.values()) > 5, outcomes
