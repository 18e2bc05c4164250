"""Many cases: which ones files, folders, patterns and names stand for."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from batch_jobs import BEND
from small_cases import small_text

from fem.batch.batch import case_files, files_of, read_cases
from fem.core.errors import Fault, InputError

pytestmark = pytest.mark.usefixtures("workplace")


def test_files_folders_patterns_and_names_stand_for_cases() -> None:
    for name in ("cases/boom-a", "cases/deep/boom-b", "elsewhere/lamp"):
        Path(name).parent.mkdir(parents=True, exist_ok=True)
        Path(f"{name}.toml").write_text("")
    a, b, lamp = Path("cases/boom-a.toml"), Path("cases/deep/boom-b.toml"), Path("elsewhere/lamp.toml")
    assert case_files("cases") == [a, b]
    assert case_files("boom-b") == [b]
    assert case_files("boom-*") == [a, b]
    assert case_files("*/boom-a*") == [a]
    assert case_files("else*") == [lamp]
    assert case_files("elsewhere/lamp.toml") == [lamp]
    assert case_files("nothing") == [Path("cases/nothing.toml")]


def test_what_stands_for_no_case_is_said() -> None:
    Path("empty").mkdir()
    told = []
    for argument in ("empty", "boom-*", "nowhere/"):
        found = case_files(argument)
        assert isinstance(found, Fault)
        assert found.file == argument
        told.append(found.message)
        with pytest.raises(InputError, match=re.escape(argument)):
            files_of([argument])
    assert len(set(told)) == 3, "a folder without cases, a pattern and a missing folder are told apart"


def test_a_file_named_twice_is_one_case_but_a_name_twice_is_a_fault() -> None:
    for folder in ("cases", "cases/other"):
        Path(folder).mkdir(exist_ok=True)
        Path(folder, "a.toml").write_text(small_text(BEND))
    assert [name for name, case, _ in read_cases(["cases/a.toml", "./cases/a.toml"]) if case] == ["a"]
    entries = read_cases(["cases"])
    assert [case is None for _, case, _ in entries] == [False, True]
    (fault,) = entries[1][2]
    assert fault.file == "cases/other/a.toml" and "cases/a.toml" in fault.message
