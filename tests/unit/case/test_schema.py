"""Whatever is wrong with one value is one fault with its place, what was wanted and what came."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from sound_case import SOUND, Write, changed, faults, has_fault

WRONG: list[tuple[str, str, str, int | None, tuple[str, ...]]] = [
    ("width = 12.0", 'width = "12.0"', "strip.width", 3, ("mm", '"12.0"')),
    ("width = 12.0", "width = true", "strip.width", 3, ("mm", "true")),
    ("width = 12.0", "width = inf", "strip.width", 3, ("finite", "mm", "inf")),
    ("width = 12.0", "width = nan", "strip.width", 3, ("finite", "mm", "nan")),
    ("width = 12.0", "width = 2020-01-01", "strip.width", 3, ("mm", "2020-01-01")),
    ("width = 12.0", "width = -12.0", "strip.width", 3, ("> 0 mm", "-12")),
    ("width = 12.0", "width = [1, 2]", "strip.width", 3, ("mm", "[1, 2]")),
    ("width = 12.0", "", "strip.width", 2, ("width", "mm")),
    ("width = 12.0", "width = 12.0\nwidht = 3", "strip.widht", 4, ('"width"',)),
    ('title = "a boom"', "", "title", None, ("title",)),
    ('title = "a boom"', 'title = " "', "title", 1, ("empty",)),
    ('title = "a boom"', 'title = "x"\nslott = 1', "slott", 2, ('"slot"',)),
    ('title = "a boom"\n', 'title = "a boom"\nmotor = 4.0\n', "motor", 2, ("4", "[motor]")),
    ('kind = "arc"', 'kind = "ark"', "strip.section.kind", 8, ('"ark"', '"arc"', '"flat"', '"curve"')),
    ('kind = "arc"', "", "strip.section.kind", 7, ('"flat"', '"arc"', '"curve"')),
    ('kind = "arc"', "kind = 3", "strip.section.kind", 8, ('"flat"', '"arc"', '"curve"', "3")),
    ("thickness = 0.4", "thickness = 0.0", "strip.layers[2].thickness", 15, ("> 0 mm", "0")),
    ("gap = 1.5", "gap = 1.5\nlip = -1", "slot.lip", 24, ("> 0 mm", "-1")),
    ("[slot]", "[friction]\nstrip = 5\n[slot]", "friction.strip", None, ("<= 3", "5")),
    ("[slot]", "[solver]\nturn = 100\n[slot]", "solver.turn", None, ("<= 90 degrees", "100")),
    ("[slot]", "[solver]\nslip = 0\n[slot]", "solver.slip", None, ("> 0 mm", "0")),
    ("[slot]", '[solver]\nwraps_touch = "yes"\n[slot]', "solver.wraps_touch", None, ('"yes"',)),
    ("[slot]", "[[slot]]", "slot", None, ("[slot]", "gap")),
    ("[push]", "[obstacles]\nx = 1\n[push]", "obstacles", None, ("[[obstacles]]", "x")),
]  # fmt: skip
"""What is written, what stands there instead, key, line, and facts that the message names."""


@pytest.mark.parametrize(
    ("old", "new", "key", "line", "facts"), WRONG, ids=[f"{key}: {facts}" for *_, key, _, facts in WRONG]
)
def test_one_wrong_value_is_one_clear_fault(
    write: Write, old: str, new: str, key: str, line: int | None, facts: tuple[str, ...]
) -> None:
    has_fault(write(changed(old, new)), key, facts, line)


@pytest.mark.parametrize("table", ["strip", "strip.path", "strip.section", "strip.layers", "axle", "casing"])
def test_a_missing_table_is_one_fault(write: Write, table: str) -> None:
    keep, out = [], False
    for line in SOUND.splitlines():
        header = re.match(r"\[+([a-z.]+)\]+", line)
        if header:
            out = header.group(1) == table or header.group(1).startswith(f"{table}.")
        if not out:
            keep.append(line)
    (fault,) = faults(write("\n".join(keep)))
    assert fault.key == table
    assert f"[{table}]" in fault.message


def test_the_readme_shows_faults_as_they_are_told(write: Write) -> None:
    readme = (Path(__file__).resolve().parents[3] / "README.md").read_text()
    shown = re.findall(r"^cases/boom\.toml:\d+: (\S+): (.+)$", readme, re.MULTILINE)
    assert len(shown) == 2
    told: list[Any] = faults(write(changed("thickness = 0.4", "thickness = -0.4")))
    told += faults(write(changed("gap = 1.5", "gap = 0.9")))
    assert [(fault.key, fault.message) for fault in told] == shown
