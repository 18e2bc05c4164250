"""Which keys changed between two versions of a case, in the words of its file."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
from small_cases import NUMBERS, TEMPLATE, small_case

from fem.case.changes import KeyChange, key_changes, rewritten
from fem.case.definition import Case, read_case

Make = Callable[..., Case]


@pytest.fixture
def make(tmp_path: Path) -> Make:
    return lambda **changes: small_case(tmp_path, **changes)


def changed(old: Case, new: Case) -> list[str]:
    return [
        str(change)
        for change in key_changes(old.content, new.content, tomllib.loads(old.text), tomllib.loads(new.text))
    ]


def test_a_changed_thickness_is_one_key(make: Make) -> None:
    assert changed(make(), make(thickness=1.0)) == ["strip.layers[1].thickness: 0.8 -> 1"]


def test_the_same_case_has_none_however_it_is_written(make: Make, tmp_path: Path) -> None:
    old = make()
    text = TEMPLATE.format(push='kind = "retract-then-deploy"\nleft_out = 14', **NUMBERS)
    file = tmp_path / "small.toml"
    file.write_text("# a remark\n" + text.replace("gap = 1.6", "gap = 1.60\nlip = 0.5"))
    assert changed(old, read_case(file)) == []


def test_a_default_that_is_written_otherwise_shows_what_it_was(make: Make) -> None:
    turn = "turn = 4.0"
    (change,) = changed(make(), make(solver=turn))
    assert change.startswith("solver.turn: 2.86478897") and change.endswith(" -> 4")


def test_a_material_is_told_by_its_own_keys(make: Make) -> None:
    assert changed(make(), make(young=90.0)) == ["materials.soft.young: 80 -> 90"]


def test_a_list_that_grows_names_what_came(make: Make) -> None:
    more = '[[strip.layers]]\nmaterial = "pa12"\nthickness = 0.1'
    lines = changed(make(), make(extra=more))
    assert 'strip.layers[2]: none -> material = "pa12", thickness = 0.1, angle = 0' in lines
    assert changed(make(extra=more), make())[0].endswith(" -> none")


@pytest.mark.parametrize(
    ("line", "by"),
    [('title = "other"', False), ("[materials.soft]\nyoung = 1.0", True), ("[solver]\nturn = 3.0", True)],
)
def test_wording_is_not_writing(line: str, by: bool) -> None:
    base = tomllib.loads('title = "x"\n[materials.soft]\nyoung = 2.0\nsource = "a"\n')
    other = base | tomllib.loads(line)
    assert rewritten(base, other) is by
    assert rewritten(base, other, frozenset({"solver", "materials"})) is False


def test_a_source_is_wording() -> None:
    a, b = ({"materials": {"m": {"young": 1.0, "source": text}}} for text in "ab")
    assert not rewritten(a, b)


def test_a_key_change_reads_aloud() -> None:
    assert str(KeyChange("slot.gap", "1.5", "1.2")) == "slot.gap: 1.5 -> 1.2"
