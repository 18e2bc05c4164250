"""A changed case as a file: it says what the changed case says, and no more than what differs."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from small_cases import CYCLE, small_case, small_text

from fem.case.definition import case_from, read_case
from fem.case.variation import changed
from fem.core.errors import CaseError, InputError
from fem.study.new_case import extending, write_extending

CHANGES: dict[str, dict[str, Any]] = {
    "numbers": {"friction.strip": 0.12, "casing.radius": 7.5},
    "an item of a list": {"strip.layers[1].thickness": 0.7},
    "a list": {
        "strip.layers": [{"material": "soft", "thickness": 0.4}, {"material": "soft", "thickness": 0.3}]
    },
    "another way to say it": {"strip.section.depth": 1.2},
    "another kind": {"push.kind": "retract", "push.left_out": 12.0},
    "a table that was not there": {"motor.stall_torque": 3.0, "motor.no_load_speed": 100.0},
    "a text": {"strip.winding": "opposite"},
}


@pytest.mark.parametrize("what", list(CHANGES))
def test_the_file_is_the_changed_case(what: str, tmp_path: Path) -> None:
    case = small_case(tmp_path, friction=0.2)
    file = write_extending(case, CHANGES[what], tmp_path / "sub" / "new.toml", ["Why it was done."])
    assert read_case(file).digest == changed(case, CHANGES[what]).digest
    tables = tomllib.loads(file.read_text())
    assert tables["extends"] == "../small.toml"
    assert set(tables) == {"extends", "title", *(key.split(".")[0] for key in CHANGES[what])}


def test_every_change_has_its_comment(tmp_path: Path) -> None:
    case = small_case(tmp_path, friction=0.2)
    lines = extending(case, CHANGES["numbers"], tmp_path / "new.toml", ["So " + "it is " * 40]).splitlines()
    assert "# friction.strip: 0.2 -> 0.12" in lines and "# casing.radius: 7 -> 7.5" in lines
    assert lines[0].startswith("# So it is") and all(len(line) <= 110 for line in lines)
    assert tomllib.loads("\n".join(lines))["title"] == "small, changed"


def test_a_case_of_no_file_is_written_whole(tmp_path: Path) -> None:
    case = case_from(tomllib.loads(small_text(CYCLE)), "loose")
    file = write_extending(case, {"casing.radius": 7.5}, tmp_path / "new.toml")
    assert "extends" not in tomllib.loads(file.read_text())
    assert read_case(file).digest == changed(case, {"casing.radius": 7.5}).digest


def test_a_key_that_is_taken_out_leaves_no_trace(tmp_path: Path) -> None:
    case = small_case(tmp_path, friction=0.35)
    file = write_extending(case, {"friction.wraps": None}, tmp_path / "new.toml")
    assert read_case(file).friction.wraps == 0.2, "the default"


def test_nothing_is_overwritten_and_odd_names_are_refused(tmp_path: Path) -> None:
    case = small_case(tmp_path)
    with pytest.raises(InputError, match="exists already"):
        write_extending(case, {"casing.radius": 7.5}, tmp_path / "small.toml")
    for name, words in (("new.txt", "ends in .toml"), (".new.toml", "is no name for a case")):
        with pytest.raises(InputError, match=words):
            write_extending(case, {"casing.radius": 7.5}, tmp_path / name)
    with pytest.raises(CaseError, match=r"casing\.radius"):
        write_extending(case, {"casing.radius": -1.0}, tmp_path / "new.toml")
    assert sorted(file.name for file in tmp_path.iterdir()) == ["small.toml"]
