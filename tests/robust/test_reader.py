"""Whatever bytes stand in a case file, whatever tables a program hands over: a case, or clear faults, soon.

Texts and tables are made by the fuzz library hypothesis, and by mutations of our own cases: bytes changed,
cut, doubled and mixed, values of tables taken away and put in place of others.
"""

from __future__ import annotations

import contextlib
import copy
import datetime
import math
import random
import time
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
import tomli_w
from case_keys import keys_in, standing_at
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fem.case.bounds import MOST_FAULTS
from fem.case.definition import Case, case_from, read_case
from fem.case.estimate import derive
from fem.case.file import read_document
from fem.case.key_lines import key_lines
from fem.case.template import starter
from fem.core.errors import CaseError, InputError
from fem.core.plain_text import visible

ROOT = Path(__file__).resolve().parents[2]
OURS = [file.read_bytes() for file in sorted((ROOT / "cases").glob("*.toml"))] + [starter("new").encode()]
SECONDS = 2.0
"""CPU time that the reading of any file may take."""
LONGEST_MESSAGE = 1500
"""A fault names all known keys of a table, or all materials."""

QUICK = settings(
    derandomize=True, max_examples=200, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)


@dataclass
class Seen:
    """What came of many files; `slowest` in CPU seconds."""

    sound: int = 0
    refused: int = 0
    slowest: float = 0.0
    derived: int = 0
    slowest_derived: float = 0.0
    messages: set[str] = field(default_factory=set)

    def read(self, make: Callable[[], Case]) -> Case | None:
        """Read a case; whatever comes but a case or faults with all that a fault must have is an error."""
        begin = time.process_time()
        case, faults = None, ()
        try:
            case = make()
        except CaseError as refusal:
            faults = refusal.faults
        self.slowest = max(self.slowest, time.process_time() - begin)
        self.sound, self.refused = self.sound + (case is not None), self.refused + (case is None)
        assert case is not None or 0 < len(faults) <= MOST_FAULTS + 1
        for fault in faults:
            assert fault.file and fault.message and len(str(fault)) < LONGEST_MESSAGE, str(fault)[:300]
            assert str(fault) == visible(str(fault)), "one line, nothing hidden"
            self.messages.add(fault.message.split(",")[0].split(" got")[0])
        return case

    def derive(self, case: Case) -> None:
        """What `check` makes of it; a section that cannot stand is told by it too."""
        begin = time.process_time()
        with contextlib.suppress(InputError):
            derive(case)
            self.derived += 1
        self.slowest_derived = max(self.slowest_derived, time.process_time() - begin)


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The name of a case file, beside the cases that ours extend."""
    folder = tmp_path_factory.mktemp("cases")
    for ours in (ROOT / "cases").glob("*.toml"):
        (folder / ours.name).write_bytes(ours.read_bytes())
    return folder / "fuzzed.toml"


# ---- properties --------------------------------------------------------------------------------------------

MARKS = st.sampled_from(
    ['"', "'", '"""', "'''", "[", "]", "[[", "]]", "{", "}", "=", ".", ",", "#", "\n", "\r\n", "\r", "\t",
     " ", "\\", "\\u", "e", "-", "+", "_", "0x", "1979-05-27", "T07:32:00Z", "inf", "nan", "true", "\x00",
     "\x1b[31m", "\ufeff", "extends = ", "[strip]", "[[strip.layers]]", "width", "runs", "\u202e"]
)  # fmt: skip
TOML_LIKE = st.lists(
    MARKS | st.integers().map(str) | st.floats().map(repr) | st.text(max_size=8), max_size=60
)
SCALARS = (
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=40) | st.binary(max_size=4)
    | st.dates()
    | st.sampled_from([10**200, -(10**99), "\ud800", "\x1b[31m", "[bold]", 1e308, math.nan, math.inf])
)  # fmt: skip
NAMES = st.text(max_size=12) | st.sampled_from(
    ["title", "strip", "width", "path", "runs", "section", "kind", "radius", "layers", "push", "compare"]
)
TABLES = st.recursive(
    SCALARS, lambda inner: st.lists(inner, max_size=5) | st.dictionaries(NAMES, inner, max_size=6),
    max_leaves=40,
)  # fmt: skip


@QUICK
@given(
    content=st.binary(max_size=400) | TOML_LIKE.map("".join).map(lambda text: text.encode(errors="replace"))
)
def test_any_bytes_are_a_case_or_faults(file: Path, content: bytes) -> None:
    file.write_bytes(content)
    seen = Seen()
    seen.read(lambda: read_case(file))
    assert seen.slowest < SECONDS


@QUICK
@given(tables=st.dictionaries(NAMES, TABLES, max_size=8))
def test_any_tables_of_a_program_are_a_case_or_faults(tables: dict[str, Any]) -> None:
    seen = Seen()
    seen.read(lambda: case_from(tables))
    assert seen.slowest < SECONDS


@QUICK
@given(seed=st.integers(0, 2**32), changes=st.dictionaries(NAMES, TABLES, max_size=3), at=st.integers(0, 400))
def test_our_cases_with_anything_in_any_place_are_a_case_or_faults(
    seed: int, changes: dict[str, Any], at: int
) -> None:
    tables = tomllib.loads(random.Random(seed).choice(OURS).decode())
    tables.pop("extends", None)
    places = list(keys_in(tables))
    *above, name = places[at % len(places)]
    here = standing_at(tables, tuple(above))
    here[name] = next(iter(changes.values()), None)
    seen = Seen()
    seen.read(lambda: case_from(tables | dict(list(changes.items())[1:])))
    assert seen.slowest < SECONDS


WHOLE = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
"""Texts that UTF-8 can hold."""
TOML = st.recursive(
    st.booleans() | st.integers(-(2**62), 2**62) | WHOLE,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(WHOLE, inner, max_size=4), max_leaves=20,
)  # fmt: skip


@QUICK
@given(tables=st.dictionaries(WHOLE, TOML, max_size=6))
def test_every_key_of_any_toml_has_its_line(file: Path, tables: dict[str, Any]) -> None:
    """Written by the library tomli_w, read by that of Python; the lines are ours."""
    text = tomli_w.dumps(tables)
    lines = key_lines(text)
    count = text.count("\n") + 1
    for key in keys_in(tomllib.loads(text)):
        if isinstance(key[-1], str):
            written = lines.get(key)
            assert written is None or 1 <= written <= count, key
            if written is None:  # a table that only its own tables name
                assert isinstance(standing_at(tables, key), dict | list), key
    if "extends" in tables:
        return
    file.write_text(text, "utf-8", newline="")
    assert read_document(file).tables == tables


# ---- many mutations of our cases ---------------------------------------------------------------------------

FILES = 20_000
PIECES = (
    b'"', b"'", b'"""', b"[", b"]", b"[[", b"{", b"}", b"=", b".", b",", b"#", b"\n", b"\r", b"\t", b"\\",
    b"\x00", b"\x1b[31m", b"\xff", b"\xe2\x80\xae", b"\xef\xbb\xbf", b"-", b"1e999", b"9" * 120, b"nan",
    b"true", b"0.0", b"1979-05-27", b"[" * 40, b"a." * 40, b"{a=" * 20, b"k" * 120,
    b"extends = \"fuzzed.toml\"\n", b"[strip]\n", b"[[strip.layers]]\n", b"kind = \"guide\"\n",
)  # fmt: skip
VALUES: tuple[Any, ...] = (
    0, -1, 3, 10**60, 0.0, -5.5, 0.3, 7.7, 1e-300, 1e-9, 1e9, 1e300, math.inf, math.nan, True, "", "x", "arc",
    "pla", "y" * 3000, "\x1b[31m", "<b>", datetime.date(2020, 1, 1), [], [1, 2], [[1, 2], [3, 4], [5, 0]],
    [{}], [0.0] * 1200, [{"straight": 1.0}] * 300, {}, {"a": 1}, {"kind": "x"}, {"z" * 150: 1},
)  # fmt: skip


def changed_bytes(content: bytes, chance: random.Random) -> bytes:
    """Bytes with one to six places cut, doubled, moved, replaced or filled."""
    for _ in range(chance.choice([1, 1, 1, 2, 3, 6])):
        a, b = sorted(chance.randrange(len(content) + 1) for _ in range(2))
        b = min(b, a + chance.choice([1, 1, 4, 20, 200, 5000]))
        piece = chance.choice([b"", content[a:b] * 2, chance.choice(PIECES), chance.choice(PIECES),
                               chance.randbytes(b - a), chance.choice(OURS)[a:b]])  # fmt: skip
        if chance.random() < 0.4:
            b = a
        content = content[:a] + piece + content[b:]
    if chance.random() < 0.03:
        content *= chance.choice([2, 10, 100])
    return content


def changed_tables(content: bytes, chance: random.Random) -> bytes:
    """The same case with values of its tables taken away, scaled, doubled, or replaced."""
    tables = tomllib.loads(content.decode())
    for _ in range(chance.choice([1, 1, 1, 2, 3, 8])):
        places = list(keys_in(tables))
        if not places:
            break
        *above, name = chance.choice(places)
        here = standing_at(tables, tuple(above))
        what = chance.random()
        if what < 0.15:
            del here[name]
        elif what < 0.35 and isinstance(here[name], float):
            here[name] *= chance.choice([0.01, 0.1, 0.5, 0.9, 1.1, 2.0, 10.0, -1.0, 1000.0])
        elif what < 0.45 and isinstance(here[name], list):
            here[name] = here[name] * chance.choice([2, 5, 50])
        elif what < 0.55:
            from_there = chance.choice(places)
            here[name] = copy.deepcopy(value_or_none(tables, from_there))
        else:
            here[name] = copy.deepcopy(chance.choice(VALUES))
    return tomli_w.dumps(tables).encode()


def value_or_none(tables: Any, key: tuple[Any, ...]) -> Any:
    """What stands at a key, a plain number where nothing does any more."""
    try:
        return standing_at(tables, key)
    except (KeyError, IndexError, TypeError):
        return 1.0


def fuzz(file: Path, seed: int, count: int) -> Seen:
    """Read many mutations of our cases."""
    chance, seen = random.Random(seed), Seen()
    for number in range(count):
        change = changed_bytes if number % 2 else changed_tables
        file.write_bytes(change(chance.choice(OURS), chance))
        case = seen.read(lambda: read_case(file))
        if case is not None and number % 4 < 2:
            seen.derive(case)
    return seen


def test_mutations_of_our_cases_are_cases_or_faults(file: Path) -> None:
    seen = fuzz(file, 1, 300)
    assert min(seen.sound, seen.refused) > 30, seen
    assert max(seen.slowest, seen.slowest_derived) < SECONDS
    assert len(seen.messages) > 20


@pytest.mark.slow
@pytest.mark.parametrize("part", range(4))
def test_twenty_thousand_mutations_are_cases_or_faults_soon(file: Path, part: int) -> None:
    seen = fuzz(file, 100 + part, FILES // 4)
    print(
        f"\n{seen.sound} sound, {seen.refused} refused with {len(seen.messages)} messages, slowest "
        f"{seen.slowest:.3f} s; {seen.derived} derived, slowest {seen.slowest_derived:.3f} s (CPU)"
    )
    assert min(seen.sound, seen.refused) > FILES // 40
    assert max(seen.slowest, seen.slowest_derived) < SECONDS
