"""The registry of statuses is whole, and nobody else spells what it holds."""

from __future__ import annotations

import ast
import json
import pickle
import re
import string
from collections.abc import Iterator
from pathlib import Path

import pytest
from case_keys import is_case_key

from fem.results.outcome import GOOD, OVER_STRAINED, Condition, NoResult, Outcome, Status
from fem.simulation.jam_modes import JamMode

ROOT = Path(__file__).resolve().parents[3]
HOMES = {"fem/results/outcome.py", "fem/simulation/jam_modes.py"}
"""The modules that spell statuses and modes."""
OTHER_MEANING = {
    str(Status.HELD): {
        "fem/batch/batch.py", "fem/simulation/fixtures.py", "fem/solvers/constraints.py",
        "fem/study/study.py",
        "tests/unit/simulation/test_fixtures.py", "tests/unit/solvers/test_newton.py",
    },
}  # fmt: skip
"""Texts that mean something else too (a value that is held, a key of a push), and where."""
TEXTS = {str(one) for registry in (Status, JamMode, Condition, NoResult) for one in registry}


@pytest.mark.parametrize("one", [*Status, *Condition], ids=str)
def test_each_says_what_happens_and_what_to_see_and_what_acts(one: Outcome) -> None:
    assert len(one.happens) > 30 and one.happens.endswith(".")
    assert len(one.bench) > 30 and one.bench.endswith(".")
    assert bool(one.levers) == (one is not Status.JAMMED), "what acts on a jam is told by its mode"
    assert all(is_case_key(lever.key) for lever in one.levers)


@pytest.mark.parametrize("status", Status)
def test_each_status_says_when_it_is_given_what_to_do_and_has_its_sentence(status: Status) -> None:
    entry = status.entry
    assert entry.given and entry.advice
    assert re.search(r"\.(\{[a-z]+\})*$", entry.sentence), "ends in a stop, or in whole sentences"
    assert not entry.given.endswith(".") and "|" not in entry.given + entry.advice
    assert all(name for _, name, _, _ in string.Formatter().parse(entry.sentence) if name is not None)


def test_a_status_is_its_text_in_json_and_after_a_copy() -> None:
    assert json.dumps([Status.JAMMED]) == f'["{Status.JAMMED.value}"]'
    assert pickle.loads(pickle.dumps(Status.STALLED)) is Status.STALLED
    assert {str(Status.HELD): 1}[Status.HELD] == 1


def test_nothing_that_went_wrong_is_good() -> None:
    assert GOOD and not GOOD & {Status.JAMMED, Status.STALLED, Status.SWALLOWED, Status.NOT_CONVERGED}
    assert OVER_STRAINED and not GOOD & OVER_STRAINED


def texts_of(file: Path) -> Iterator[tuple[int, str]]:
    """Line and text of every string in a module but for docstrings."""
    tree = ast.parse(file.read_text())
    docs = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docs:
            yield node.lineno, node.value


def test_no_other_module_or_test_spells_a_status_or_a_mode() -> None:
    found = []
    for file in sorted([*(ROOT / "fem").rglob("*.py"), *(ROOT / "tests").rglob("*.py")]):
        name = file.relative_to(ROOT).as_posix()
        if name not in HOMES:
            for line, text in texts_of(file):
                if text in TEXTS and name not in OTHER_MEANING.get(text, set()):
                    found.append(f"{name}:{line}: {text}")
    assert found == []


def test_pages_and_scripts_spell_none_either() -> None:
    for file in (ROOT / "fem" / "report" / "web").iterdir():
        text = file.read_text()
        assert {one for one in TEXTS if f'"{one}"' in text or f"'{one}'" in text} == set(), file.name


def test_every_status_is_given_somewhere() -> None:
    sources = "".join(file.read_text() for file in (ROOT / "fem" / "simulation").glob("*.py"))
    given = [status for status in Status if f" Status.{status.name}" in sources]
    assert given == list(Status)
