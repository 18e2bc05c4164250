"""Imports point one way, every module has its place, and heavy libraries stay where they belong."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]

ONLY_IN = {
    "gmsh": {"mesh"},
    "meshio": {"mesh", "export"},
    "h5py": {"field_file"},
    "filelock": {"attempt", "warm"},
    "distributed": {"cluster"},
    "pyvista": {"camera", "scene", "window"},
    "vtk": {"camera", "scene", "window"},
    "vtkmodules": {"camera", "scene", "window"},
    "imageio_ffmpeg": {"film"},
    "matplotlib": {"plot", "comparison_plot"},
    "jinja2": {"page"},
    "typer": {"__main__"},
    "rich": {"__main__", "board", "comparing", "comparison_text", "screen"},
    "pydantic": {"baseline", "case_schema", "case_strip", "result"},
}
"""Library -> modules that may import it (directly)."""


def imported(file: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(file.read_text())):
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            names.add(node.module.split(".")[0])
    return names


def test_imports_point_one_way_and_every_module_is_listed() -> None:
    lint = Path(sys.executable).with_name("lint-imports")
    finished = subprocess.run([lint, "--no-cache"], cwd=ROOT, capture_output=True, text=True, check=False)
    assert finished.returncode == 0, finished.stdout


def test_heavy_libraries_are_imported_where_they_belong() -> None:
    users: dict[str, set[str]] = {library: set() for library in ONLY_IN}
    for file in (ROOT / "fem").glob("*.py"):
        for library in imported(file) & ONLY_IN.keys():
            users[library].add(file.stem)
    astray = {library: modules - ONLY_IN[library] for library, modules in users.items()}
    assert {library: modules for library, modules in astray.items() if modules} == {}
    assert users["gmsh"] and users["pyvista"], "the search finds what is there"


def test_modules_stay_readable() -> None:
    lengths = {file.stem: len(file.read_text().splitlines()) for file in (ROOT / "fem").glob("*.py")}
    assert {name: length for name, length in lengths.items() if length > 400} == {}


def test_there_is_no_module_of_odds_and_ends() -> None:
    names = {file.stem for file in (ROOT / "fem").glob("*.py")}
    assert not names & {"utils", "util", "helpers", "common", "misc", "tools"}
