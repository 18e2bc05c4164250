"""Which case files the arguments of a command stand for, whatever lies about in the folders."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from fem.batch.case_files import case_files
from fem.core.errors import Fault

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
    assert len(set(told)) == 3, "a folder without cases, a pattern and a missing folder are told apart"


def test_links_to_folders_in_circles_are_no_folders_without_end() -> None:
    """Three links to the folder they stand in made 3^40 folders of it."""
    Path("cases").mkdir()
    file = Path("cases/boom.toml")
    file.write_text("")
    for name in "xyz":
        Path("cases", name).symlink_to(".")
    begin = time.process_time()
    assert case_files("cases") == [file]
    assert case_files("boo*") == [file]
    assert case_files("cases/**/boo*") == [file]
    assert case_files("boom") == [file]
    assert time.process_time() - begin < 1.0


def test_very_deep_folders_are_walked() -> None:
    folders = [Path("cases", *["d"] * depth) for depth in range(1200)]
    for folder in folders:
        folder.mkdir()
    file = folders[-1] / "x.toml"
    file.write_text("")
    found = case_files("cases")
    file.unlink()
    for folder in reversed(folders):  # what clears up after tests calls itself for every folder
        folder.rmdir()
    assert found == [file]


@pytest.mark.parametrize("argument", ["", "a" * 5000, "b" * 300 + ".toml", "cases/" + "c" * 300])
def test_what_can_be_no_name_of_a_file_is_said(argument: str) -> None:
    found = case_files(argument)
    assert isinstance(found, Fault) and len(str(found)) < 200


def test_a_folder_gives_whatever_ends_in_toml_but_folders() -> None:
    Path("cases/deep.toml").mkdir(parents=True)
    Path("cases/deep.toml/a.toml").write_text("")
    os.mkfifo("cases/pipe.toml")
    Path("cases/loop.toml").symlink_to("loop.toml")
    Path("cases/gone.toml").symlink_to("nowhere")
    assert isinstance(found := case_files("cases"), list)
    assert [file.name for file in found] == ["a.toml", "gone.toml", "loop.toml", "pipe.toml"]
