"""Every outcome the program can name is explained, in the direction that the diagnosis itself advises."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from fem.case.template import starter
from fem.design.loading import PUSHES
from fem.simulation.failure import MODES as DIAGNOSED
from fem.simulation.failure_guide import (
    CONDITIONS,
    MODES,
    PRACTICE,
    STATUSES,
    Explained,
    explain,
    explanations,
    markdown_table,
)

ROOT = Path(__file__).resolve().parents[3]
ALL = (*MODES, *STATUSES, *CONDITIONS)


def test_every_mode_of_the_diagnosis_is_explained_in_its_order() -> None:
    assert [entry.name for entry in MODES] == [mode.name for mode in DIAGNOSED]


def test_every_status_that_is_ever_given_is_explained() -> None:
    sources = "".join(
        (ROOT / "fem" / "simulation" / f"{name}.py").read_text() for name in ("verdict", "bench_judge")
    )
    for entry in STATUSES:
        assert f'"{entry.name}"' in sources
    told = (ROOT / "README.md").read_text().split("| status |")[1].split("\n\n")[0]
    rows = set(re.findall(r"^\| `([^`]+)`", told, re.M))
    assert rows - {"jammed"} == {entry.name for entry in STATUSES}


@pytest.mark.parametrize("entry", ALL, ids=lambda entry: entry.name)
def test_each_tells_what_happens_and_what_to_see_and_what_acts(entry: Explained) -> None:
    assert len(entry.happens) > 30 and len(entry.bench) > 30 and entry.levers
    assert entry.happens.endswith(".") and entry.bench.endswith(".")


@pytest.mark.parametrize("entry", ALL, ids=lambda entry: entry.name)
def test_levers_are_keys_of_a_case(entry: Explained) -> None:
    written = starter("x")
    fields = {name for push in PUSHES for name in push.__dataclass_fields__}
    for lever in entry.levers:
        *tables, key = lever.key.split(".")
        assert re.search(rf"^#? ?(\[*{re.escape(lever.key)}[\].]|{key}\s*=)", written, re.M) or (
            tables == ["push"] and key in fields
        ), lever.key


ADVICE = {
    "lower the friction": ("friction.strip", "lower"),
    "make the casing smaller": ("casing.radius", "lower"),
    "wind in less": ("push.left_out", "raise"),
    "radius larger": ("strip.path.runs", "raise"),
    "widen or shorten the slot": ("slot.gap", "raise"),
    "round the lips": ("slot.lip", "raise"),
    "thin the strip": ("strip.layers.thickness", "lower"),
    "deepen the section": ("strip.section.radius", "lower"),
    "shallow the section": ("strip.section.radius", "raise"),
    "stiffen the root": ("strip.layers.along", "add"),
    "stronger motor": ("motor.stall_torque", "raise"),
    "move the slot nearer": ("casing.radius", "lower"),
}
"""Words of a remedy -> the lever that means the same."""


def test_levers_point_the_way_of_the_remedies() -> None:
    used = set()
    for mode in DIAGNOSED:
        entry = explain(mode.name)
        assert entry is not None
        for remedy in mode.remedies:
            for words, (key, way) in ADVICE.items():
                if words in remedy:
                    used.add(words)
                    assert any(lever.key == key and lever.way.startswith(way) for lever in entry.levers), (
                        f"{mode.name}: {remedy}"
                    )
    assert used == set(ADVICE)


def test_habits_of_the_trade_are_marked() -> None:
    assert all(PRACTICE in entry.bench for entry in MODES)


def test_a_verdict_gets_its_mode_and_what_comes_on_top() -> None:
    names = [entry.name for entry in explanations("jammed", "coil locks in the casing", 1.3)]
    assert names == ["coil locks in the casing", "over-strained"]
    assert [entry.name for entry in explanations("deployed", None, float("nan"))] == ["deployed"]
    assert [e.name for e in explanations("stalled on retract", "motor too weak", 0.2)] == [
        "motor too weak", "stalled on retract",
    ]  # fmt: skip
    assert explanations("bad input", None, float("nan")) == ()


def test_the_table_of_the_docs_is_whole() -> None:
    rows = markdown_table(MODES).splitlines()
    assert len(rows) == 2 + len(MODES)
    assert all(row.count("|") == 5 for row in rows)
