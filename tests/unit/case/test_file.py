"""Lines of keys against the text itself, and the rules of extending a case."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import demo_cases
import pytest

from fem.case.definition import read_case
from fem.case.file import read_document
from fem.case.key_lines import key_lines
from fem.case.keys import Key, content_name, for_people, key_text
from fem.core.errors import CaseError

AWKWARD = '''# comment with [brackets] = and "quotes"
title = "a # no comment"   # a comment
"quoted key" = 1
dotted.inner.deep = [ 1, 2, # with a comment ]
   3 ]
text = """
[not.a.table]
key = 1 \\""" still
"""
literal = \'\'\'
x = "
\'\'\'
[strip]  # after a header
when = 1979-05-27T07:32:00Z
  indented = { a = 1, b = { c = [ { d = 2 }, { d = 3 } ] } }

[[strip.layers]]
material = "x"
[strip.layers.more]
inside = true
[[strip.layers]]
material = \'y\'
  [[strip.layers.parts]]
  size = 1e3
  [[strip.layers.parts]]
  size = +inf
[materials."my plastic".notes]
a = 0x1F
'''


def walk(value: Any, key: Key = ()) -> Iterator[Key]:
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for name, item in items:
        yield (*key, name)
        yield from walk(item, (*key, name))


def test_every_key_of_an_awkward_text_is_found_where_it_is_written() -> None:
    lines = key_lines(AWKWARD)
    text = AWKWARD.splitlines()
    keys = list(walk(tomllib.loads(AWKWARD)))
    assert len(keys) > 35
    for key in keys:
        if key in (("materials",), ("materials", "my plastic")):
            assert key not in lines  # only written as part of a longer header
            continue
        names = [part for part in key if isinstance(part, str)]
        assert names[-1] in text[lines[key] - 1] or isinstance(key[-1], int), key


def test_lines_of_list_items_and_repeated_tables() -> None:
    lines = key_lines(AWKWARD)
    assert lines["dotted", "inner", "deep", 2] == 5
    assert lines["strip", "layers"] == lines["strip", "layers", 0] == 17
    assert lines["strip", "layers", 1, "parts", 1, "size"] == 26
    assert lines["strip", "indented", "b", "c", 1, "d"] == 15


def test_windows_line_ends_count_once() -> None:
    assert key_lines("a = 1\r\nb = 2\r\n") == {("a",): 1, ("b",): 2}


def test_key_text_quotes_what_toml_would_quote() -> None:
    assert key_text(("strip", "layers", 1, "thickness")) == "strip.layers[2].thickness"
    assert key_text(("materials", "my plastic")) == 'materials."my plastic"'


def test_people_count_items_from_1_and_the_content_keeps_its_names() -> None:
    """Digests are made of the content's names: those must not follow how people count."""
    key = ("strip", "layers", 1, "across", 0)
    assert key_text(key) == "strip.layers[2].across[1]"
    assert content_name(key) == "strip.layers[1].across[0]"
    assert for_people(content_name(key)) == key_text(key)


def write(folder: Path, **files: str) -> Path:
    for name, text in files.items():
        (folder / f"{name}.toml").write_text(text)
    return folder / f"{list(files)[-1]}.toml"


def test_tables_merge_and_lists_are_replaced(tmp_path: Path) -> None:
    file = write(
        tmp_path,
        base="a = 1\n[t]\nx = 1\ny = [1, 2]\n[[l]]\nq = 1\n[[l]]\nq = 2\n",
        case='extends = "base.toml"\n[t]\ny = [3]\n[[l]]\nq = 5\n',
    )
    document = read_document(file)
    assert document.tables == {"a": 1, "t": {"x": 1, "y": [3]}, "l": [{"q": 5}]}
    assert document.places["t", "x"].file.endswith("base.toml")
    assert document.places["t", "y"].file.endswith("case.toml")
    assert ("l", 1) not in document.places


def test_bases_may_extend_further_and_lie_elsewhere(tmp_path: Path) -> None:
    (tmp_path / "deep").mkdir()
    write(tmp_path / "deep", one="a = 1\nb = 1\nc = 1\n")
    file = write(
        tmp_path, two='extends = "deep/one.toml"\nb = 2\nc = 2\n', three='extends = "two.toml"\nc = 3\n'
    )
    assert read_document(file).tables == {"a": 1, "b": 2, "c": 3}


@pytest.mark.parametrize(
    ("base", "change", "left"),
    [
        ('[push]\nkind = "retract"\ntravel = 3.0', '[push]\nkind = "press"', {"push": {"kind": "press"}}),
        (
            '[push]\nkind = "press"\nforce = 3.0',
            '[push]\nkind = "press"',
            {"push": {"kind": "press", "force": 3.0}},
        ),
        (
            "[strip.path]\nruns = []\ntransition = 1.0",
            "[strip.path]\nthrough = []",
            {"strip": {"path": {"through": []}}},
        ),
        ("[strip.path]\nthrough = []", "[strip.path]\nruns = []", {"strip": {"path": {"runs": []}}}),
        ("[strip.section]\nradius = 2", "[strip.section]\ndepth = 1", {"strip": {"section": {"depth": 1}}}),
    ],
)
def test_what_excludes_something_of_the_base_replaces_it(
    tmp_path: Path, base: str, change: str, left: dict[str, Any]
) -> None:
    file = write(tmp_path, base=base, case='extends = "base.toml"\n' + change)
    assert read_document(file).tables == left


@pytest.mark.parametrize(
    ("files", "message"),
    [
        ({"a": 'extends = "a.toml"'}, r"a\.toml:1: extends: .*a\.toml -> a\.toml"),
        ({"a": 'extends = "b.toml"', "b": 'extends = "a.toml"'}, r"extends: .*b\.toml -> a\.toml -> b\.toml"),
        ({"a": 'extends = "none.toml"'}, r"a\.toml:1: extends: .*none\.toml"),
        ({"a": "extends = 3"}, r"a\.toml:1: extends: .*\b3\b"),
        ({"b": "x = ", "a": 'extends = "b.toml"'}, r"b\.toml:1: .*TOML"),
    ],
)
def test_bases_that_cannot_be_read(tmp_path: Path, files: dict[str, str], message: str) -> None:
    with pytest.raises(CaseError, match=message):
        read_document(write(tmp_path, **files))


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"a = 1\nb = x y\n", r"x\.toml:2: .*TOML.*column 5: 'b = x y'"),
        (b"a = 1\nb = 'x", r"x\.toml:2: .*TOML"),
        (b"a = 1\na = 2\n", r"x\.toml:2: .*TOML"),
        (b"a = [1,\n", r"x\.toml:\d: .*TOML"),
        (b"a = 1\nb = '\xff'\n", r"x\.toml:2: .*UTF-8"),
    ],
)
def test_text_that_is_not_toml(tmp_path: Path, content: bytes, message: str) -> None:
    file = tmp_path / "x.toml"
    file.write_bytes(content)
    with pytest.raises(CaseError, match=message):
        read_document(file)


def test_a_missing_file_names_its_neighbour(tmp_path: Path) -> None:
    write(tmp_path, boom="a = 1")
    with pytest.raises(CaseError, match=r"boon\.toml: .*boom\.toml"):
        read_document(tmp_path / "boon.toml")
    with pytest.raises(CaseError, match=r"none.boom\.toml: .*none"):
        read_document(tmp_path / "none" / "boom.toml")
    with pytest.raises(CaseError, match=tmp_path.name):
        read_document(tmp_path)


def test_a_byte_order_mark_is_no_fault(tmp_path: Path) -> None:
    file = tmp_path / "x.toml"
    file.write_bytes(b"\xef\xbb\xbfa = 1\n")
    assert read_document(file).tables == {"a": 1}


@pytest.mark.parametrize("file", demo_cases.FILES, ids=demo_cases.NAMES)
def test_a_case_written_as_one_file_is_the_same_case(file: Path, tmp_path: Path) -> None:
    case = read_case(file)
    alone = tmp_path / "case.toml"
    alone.write_text(case.text, "utf-8")
    again = read_case(alone)
    assert "extends = " not in case.text
    assert (again.digest, again.design_digest) == (case.digest, case.design_digest)
    assert again.title == case.title
    assert again.text == case.text
