"""Files and folders are put in place whole or not at all, and what a death on the way left is found."""

from __future__ import annotations

from pathlib import Path

import pytest

from fem.core.atomic import MODELS, named_run, new_file, put_folder, run_folder, set_aside, sweep, whole_file


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_file_takes_its_place_at_the_end(tmp_path: Path) -> None:
    target = tmp_path / "picture.png"
    target.write_text("old")
    with whole_file(target) as unfinished:
        unfinished.write_text("new")
        assert unfinished.suffix == ".png", "writers tell the kind of file by its ending"
        assert target.read_text() == "old"
    assert target.read_text() == "new"
    assert names(tmp_path) == ["picture.png"]


def test_a_file_that_could_not_be_written_leaves_the_old_one(tmp_path: Path) -> None:
    target = tmp_path / "picture.png"
    target.write_text("old")

    def fail() -> None:
        with whole_file(target) as unfinished:
            unfinished.write_text("half")
            raise ValueError("no more room")

    with pytest.raises(ValueError, match="no more room"):
        fail()
    assert target.read_text() == "old"
    assert names(tmp_path) == ["picture.png"]


def test_a_folder_replaces_the_one_before_with_all_it_held(tmp_path: Path) -> None:
    put_folder(tmp_path / "a", {"one": b"1", "two": b"2"})
    put_folder(tmp_path / "a", {"three": b"3"})
    assert names(tmp_path) == ["a"]
    assert names(tmp_path / "a") == ["three"]


def test_a_folder_that_cannot_be_put_in_place_leaves_everything(tmp_path: Path) -> None:
    (tmp_path / "a").write_text("mine")
    with pytest.raises(NotADirectoryError, match="a"):
        put_folder(tmp_path / "a", {"one": b"1"})
    assert names(tmp_path) == ["a"]
    assert (tmp_path / "a").read_text() == "mine"


def test_what_a_death_between_two_renames_left_is_found_and_swept(tmp_path: Path) -> None:
    target = tmp_path / "a[1]"  # a name that is a pattern too
    for ending in ("0123.previous", "4567.partial"):
        (tmp_path / f".{target.name}.{ending}").mkdir()
    (tmp_path / ".a1.0123.previous").mkdir()
    assert set_aside(target) == tmp_path / f".{target.name}.0123.previous"
    assert set_aside(tmp_path / "b") is None
    sweep(target)
    assert names(tmp_path) == [".a1.0123.previous", f".{target.name}.0123.previous"]


def test_every_model_has_a_folder_of_its_own(tmp_path: Path) -> None:
    folders = [run_folder(tmp_path, "a", model) for model in MODELS]
    assert len(set(folders)) == len(MODELS)
    assert folders[0] == tmp_path / "a"
    assert named_run(tmp_path, "a") == folders[0], "where nothing has run"
    folders[-1].mkdir()
    assert named_run(tmp_path, "a") == folders[-1]
    folders[0].mkdir()
    assert named_run(tmp_path, "a") == folders[0]
    assert named_run(tmp_path, folders[-1].name) == folders[-1]


def test_what_is_left_of_a_longer_name_is_another_case(tmp_path: Path) -> None:
    """`.boom.*` was swept for `boom`, and with it what was just being written of `boom.2`."""
    for ending in ("partial", "previous"):
        (tmp_path / f".boom.2.0123.{ending}").mkdir()
    sweep(tmp_path / "boom")
    assert set_aside(tmp_path / "boom") is None
    assert names(tmp_path) == [".boom.2.0123.partial", ".boom.2.0123.previous"]
    put_folder(tmp_path / "boom", {"one": b"1"})
    assert names(tmp_path) == [".boom.2.0123.partial", ".boom.2.0123.previous", "boom"]


def test_a_new_file_is_written_once_or_leaves_nothing(tmp_path: Path) -> None:
    file = tmp_path / "some" / "where" / "a.toml"
    new_file(file, "one")
    with pytest.raises(FileExistsError):
        new_file(file, "two")
    assert file.read_text() == "one"
    with pytest.raises(UnicodeEncodeError):
        new_file(tmp_path / "else" / "where" / "b.toml", "\ud800")
    assert names(tmp_path) == ["some"]
