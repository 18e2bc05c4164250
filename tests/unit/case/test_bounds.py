"""What is larger or deeper than any case is told with its line, in time proportional to its length."""

from __future__ import annotations

import time
import tomllib
from typing import Any

import demo_cases
import pytest

from fem.case.bounds import (
    LONGEST_TEXT,
    LONGEST_WORD,
    MOST_BYTES,
    MOST_ITEMS,
    MOST_LEVELS,
    table_faults,
    text_fault,
)
from fem.case.template import starter

DEEP = MOST_LEVELS + 1


@pytest.mark.parametrize("file", demo_cases.FILES, ids=demo_cases.NAMES)
def test_our_cases_are_far_from_any_bound(file: Any) -> None:
    text = file.read_text()
    assert text_fault(text) is None
    assert list(table_faults(tomllib.loads(text))) == []
    assert len(text) < MOST_BYTES / 10


def test_so_is_the_starter() -> None:
    assert text_fault(starter("x")) is None


@pytest.mark.parametrize(
    ("text", "line", "fact"),
    [
        ("a = " + "[" * DEEP, 1, "deeper"),
        ("x = 1\na = " + "{b=" * DEEP, 2, "deeper"),
        ("x = 1\n\n" + ".".join("a" * DEEP) + " . a = 1", 3, "deeper"),
        ('[a."b".' + " . ".join("a" * DEEP) + "]", 1, "deeper"),
        ("a = " + "9" * (LONGEST_WORD + 1), 1, "number or a key of 101"),
        ("a = 0x" + "f" * LONGEST_WORD, 1, "number or a key of 102"),
        ("k" * (LONGEST_WORD + 1) + " = 1", 1, "number or a key of 101"),
        ('a = """\n\n"""\nb = "' + "x" * (LONGEST_TEXT + 7) + '"', 4, "text of"),
        ("a = '''" + "\nx" * LONGEST_TEXT + "'''", 1, "text of"),
    ],
)
def test_a_text_beyond_a_bound_is_told_with_its_line_and_begin(text: str, line: int, fact: str) -> None:
    found = text_fault(text)
    assert found is not None and found[0] == line
    assert fact in found[1] and ", got " in found[1] and len(found[1]) < 250


@pytest.mark.parametrize(
    "text",
    [
        'a = "' + "[" * 100 + '"', "a = '" + ".x" * 100 + "'", "# " + "[" * 1000,
        'a = """' + "{" * 50 + '"""',
        "\n".join(["[a.b.c]\nd.e = [[1.5, 2.5], [3.5]]"] * 5), 'a = "\\"[[[["', 'a = """x""""' + "\nb = 1",
        "a = ''''x'''''" + "\nb = [1]", 'a = """\\"""[[[[[[[[[[[[[[[[[[[[[[[["""',
        "a = [" + "1.5, " * 100 + "]", "a = " + "[" * MOST_LEVELS + "]" * MOST_LEVELS,
    ],
)  # fmt: skip
def test_brackets_and_dots_within_texts_and_comments_do_not_count(text: str) -> None:
    assert text_fault(text) is None


@pytest.mark.parametrize(
    "unit",
    [
        "[",
        "]",
        "{a=",
        '"',
        "'",
        '\\"',
        '""',
        '"""',
        "'''",
        "a.",
        "a",
        "9",
        "\n",
        "#",
        "a=1\n",
        '"\\',
        "\t",
        "\r",
    ],
)
@pytest.mark.parametrize("first", ["", "a = ", 'a = "', "a = '''", "["])
def test_any_text_is_looked_through_in_time_proportional_to_its_length(first: str, unit: str) -> None:
    begin = time.process_time()
    text_fault((first + unit * MOST_BYTES)[:MOST_BYTES])
    assert time.process_time() - begin < 1.0


@pytest.mark.parametrize(
    ("tables", "key", "fact"),
    [
        ({"a": {"k" * 101: 1}}, ("a", "k" * 101), "name of 101"),
        ({"a": "x" * (LONGEST_TEXT + 1)}, ("a",), "text of"),
        ({"a": [0] * (MOST_ITEMS + 1)}, ("a",), "1001 items"),
        ({"a": {str(k): 0 for k in range(MOST_ITEMS + 1)}}, ("a",), "1001 keys"),
        ({"a": [10**5000]}, ("a", 0), "digits"),
        ({"a": -(10**100)}, ("a",), "digits"),
        ({"a": "\ud800"}, ("a",), "UTF-8"),
        ({"\ud800": 1}, ("\ud800",), "UTF-8"),
    ],
)
def test_tables_beyond_a_bound_are_told_with_their_key(tables: Any, key: Any, fact: str) -> None:
    ((found, message),) = table_faults(tables)
    assert found == key and fact in message


def test_tables_that_hold_themselves_come_to_an_end() -> None:
    tables: dict[str, Any] = {}
    tables |= {"a": tables, "b": [tables, tables]}
    begin = time.process_time()
    faults = list(table_faults(tables))
    assert faults and time.process_time() - begin < 5.0
    deep: list[Any] = []
    for _ in range(100_000):
        deep = [deep]
    ((key, message),) = table_faults({"x": deep})
    assert len(key) == DEEP and "deeper" in message
