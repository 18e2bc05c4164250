"""A JSON file is read when its schema is one this program knows, and refused by name when not."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from fem.core.errors import InputError
from fem.core.schema_version import NewerFile, Words, versioned_text

WORDS = Words("cannot be read", "run it again", "update")


def written(folder: Path, text: str) -> Path:
    file = folder / "a.json"
    file.write_text(text)
    return file


@pytest.mark.parametrize("schema", [1, 2])
def test_what_is_not_newer_is_read(schema: int, tmp_path: Path) -> None:
    text = json.dumps({"schema": schema, "x": 1})
    assert versioned_text(written(tmp_path, text), 2, WORDS) == text


def test_what_is_newer_is_told_apart(tmp_path: Path) -> None:
    with pytest.raises(NewerFile, match=r"a\.json.*schema 3.*up to 2.*update"):
        versioned_text(written(tmp_path, '{"schema": 3}'), 2, WORDS)


@pytest.mark.parametrize("text", ["", "[1]", '{"schema": true}', '{"schema": 0}', '{"schema": "1"}', "{}"])
def test_what_is_no_such_file_is_refused_with_the_remedy(text: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"a\.json.*run it again") as caught:
        versioned_text(written(tmp_path, text), 2, WORDS)
    assert not isinstance(caught.value, NewerFile)


def test_a_file_that_is_not_there_is_refused_with_the_remedy(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"b\.json.*run it again"):
        versioned_text(tmp_path / "b.json", 2, WORDS)
