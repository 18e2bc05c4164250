"""What README and DEVELOPERS say is what the program has: commands, cases, modules."""

from __future__ import annotations

import ast
import re
import tomllib
from pathlib import Path

import demo_cases
import pytest

from fem.core.sources import all_modules, file_of
from fem.design.loading import PUSHES
from fem.design.obstacle import OBSTACLES
from fem.design.section import SECTIONS

ROOT = Path(__file__).resolve().parents[2]
README, DEVELOPERS = (ROOT / "README.md").read_text(), (ROOT / "DEVELOPERS.md").read_text()


def first_cells(text: str) -> list[str]:
    """Names in code marks in the first column of all tables."""
    cells = [line.split("|")[1] for line in text.splitlines() if line.startswith("| `")]
    return [name for cell in cells for name in re.findall(r"`([^`]+)`", cell)]


def test_set_up_is_one_line_each() -> None:
    lines = [line for line in README.splitlines() if line.startswith("python3 -m venv")]
    assert len(lines) == 2
    assert lines[0].endswith("pushpast run cases/boom-soft.toml")
    assert lines[1].endswith("-m pytest -n auto")


def test_every_case_is_told_with_its_sentence() -> None:
    for file in demo_cases.FILES:
        teaches = tomllib.loads(file.read_text())["teaches"]
        assert f"| `{file.stem}` | {teaches} |" in README


def test_kinds_that_are_named_exist() -> None:
    """`tests/unit/case/test_template.py` asks the starter, to which the README points, for all kinds."""
    known = {
        "[push]": {push.kind for push in PUSHES},
        "[[obstacles]]": {obstacle.__name__.lower() for obstacle in OBSTACLES},
        "[strip.section]": {f'"{section.kind}"' for section in SECTIONS},
    }
    for table, kinds in known.items():
        (row,) = [line for line in README.splitlines() if line.startswith(f"| `{table}` |")]
        named = set(re.findall(r"`([^`]+)`", row.split("|")[2])) - {"kind", "radius", "depth"}
        assert len(named) >= 3 and named <= kinds, table


def test_every_command_is_told() -> None:
    from typer.main import get_command

    from fem.cli.verbs import app

    told = {cell.split()[1] for cell in first_cells(README) if cell.startswith("pushpast ")}
    assert told == set(get_command(app).commands)  # type: ignore[attr-defined]


def test_pictures_exist_and_are_small() -> None:
    pictures = re.findall(r"!\[[^\]]*\]\(([^)]+)\)", README)
    assert pictures
    for picture in pictures:
        assert 10_000 < (ROOT / picture).stat().st_size < 300_000


def test_the_map_names_every_module_once_from_the_bottom_up() -> None:
    told = first_cells(DEVELOPERS[DEVELOPERS.index("## Modules") : DEVELOPERS.index("## Sources")])
    modules = {name for name in all_modules() if not name.endswith("__init__")}
    assert sorted(told) == sorted(set(told))
    assert set(told) == modules


def docstrings(module: str) -> str:
    """All docstrings of a module on one line."""
    tree = ast.parse(file_of(module).read_text())
    kinds = (ast.Module, ast.ClassDef, ast.FunctionDef)
    told = [ast.get_docstring(node) or "" for node in ast.walk(tree) if isinstance(node, kinds)]
    return " ".join(" ".join(told).split())


def test_every_work_that_a_method_follows_is_listed_where_it_is_told_in_full() -> None:
    text = DEVELOPERS[DEVELOPERS.index("## Sources") :]
    rows = dict(re.findall(r"^\| `([^`]+)` \|.*\| `fem/([\w/]+)\.py` \|$", text, re.MULTILINE))
    assert list(rows) == sorted(rows, key=str.lower) and len(rows) > 20
    for work, file in rows.items():
        assert work in docstrings(file.replace("/", ".")), f"{work} is not told in {file}"
    names = r"(?:d[eo] )?[A-Z]\w+(?:, [A-Z]\w+)*(?: & (?:Van )?[A-Z][\w-]+)? (?:1[89]|20)\d\d\b"
    for module in all_modules():
        if not module.startswith("verification."):
            cited = [work for work in re.findall(names, docstrings(module)) if not work.startswith("ISO")]
            assert [work for work in cited if not any(known in work for known in rows)] == [], module


@pytest.mark.parametrize("text", [README, DEVELOPERS])
def test_files_that_are_named_exist(text: str) -> None:
    for name in re.findall(r"`((?:fem|tests|cases|\.ci)/[A-Za-z0-9_./-]+)`", text):
        if "<" not in name and name != "cases/NAME.toml":
            assert (ROOT / name).exists(), name
