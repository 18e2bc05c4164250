"""What README and DEVELOPERS say is what the program has: commands, statuses, modes, cases, modules."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from fem.core.sources import all_modules
from fem.design.loading import PUSHES
from fem.design.obstacle import OBSTACLES
from fem.design.section import SECTIONS
from fem.simulation.failure import MODES

ROOT = Path(__file__).resolve().parents[2]
README, DEVELOPERS = (ROOT / "README.md").read_text(), (ROOT / "DEVELOPERS.md").read_text()
STATUSES = (
    "deployed", "retracted", "jammed", "stalled on retract", "tip swallowed", "not converged", "held",
    "buckled", "snapped", "too soft",
)  # fmt: skip


def first_cells(text: str) -> list[str]:
    """Names in code marks in the first column of all tables."""
    cells = [line.split("|")[1] for line in text.splitlines() if line.startswith("| `")]
    return [name for cell in cells for name in re.findall(r"`([^`]+)`", cell)]


def test_set_up_is_one_line_each() -> None:
    lines = [line for line in README.splitlines() if line.startswith("python3 -m venv")]
    assert len(lines) == 2
    assert lines[0].endswith("pushpast run cases/boom-soft.toml")
    assert lines[1].endswith("-m pytest")


def test_every_status_and_mode_is_explained() -> None:
    cells = first_cells(README)
    assert set(STATUSES) <= set(cells)
    assert {mode.name for mode in MODES} <= set(cells)
    sources = "".join(
        (ROOT / "fem" / "simulation" / f"{name}.py").read_text() for name in ("verdict", "bench_judge")
    )
    for status in STATUSES:
        assert f'"{status}"' in sources, f"{status} is explained but never given"


def test_the_remedies_of_the_readme_follow_those_of_the_program() -> None:
    for mode in MODES:
        row = next(line for line in README.splitlines() if line.startswith(f"| `{mode.name}`"))
        assert row.count("|") == 4


def test_every_case_is_told_with_its_sentence() -> None:
    for file in sorted((ROOT / "cases").glob("*.toml")):
        teaches = tomllib.loads(file.read_text())["teaches"]
        assert f"| `{file.stem}` | {teaches} |" in README


def test_every_kind_is_named() -> None:
    for push in PUSHES:
        assert f"`{push.kind}`" in README
    for obstacle in OBSTACLES:
        assert f"`{obstacle.__name__.lower()}`" in README
    for section in SECTIONS:
        assert f'`"{section.kind}"`' in README


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
    told = first_cells(DEVELOPERS[DEVELOPERS.index("## Map") : DEVELOPERS.index("## How a run goes")])
    modules = {name for name in all_modules() if not name.endswith("__init__")}
    assert sorted(told) == sorted(set(told))
    assert set(told) == modules


@pytest.mark.parametrize("text", [README, DEVELOPERS])
def test_files_that_are_named_exist(text: str) -> None:
    for name in re.findall(r"`((?:fem|tests|cases|\.ci)/[A-Za-z0-9_./-]+)`", text):
        if "<" not in name and name != "cases/NAME.toml":
            assert (ROOT / name).exists(), name
