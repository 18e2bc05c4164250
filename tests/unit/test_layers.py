"""Imports point one way, every module has its place, and heavy libraries stay where they belong."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

from fem.core.sources import all_modules, file_of, imports

ROOT = Path(__file__).resolve().parents[2]

ONLY_IN = {
    "gmsh": {"mesh.generator"},
    "meshio": {"mesh.mesh_cache", "exchange.export"},
    "h5py": {"results.vtkhdf"},
    "filelock": {"batch.job", "batch.precompile"},
    "distributed": {"batch.cluster"},
    "pyvista": {"view.camera", "view.scene", "view.window"},
    "vtk": {"view.camera", "view.scene", "view.window"},
    "vtkmodules": {"view.camera", "view.scene", "view.window"},
    "imageio_ffmpeg": {"view.film"},
    "matplotlib": {"view.mesh_picture", "view.plot", "cli.comparison_plot", "study.page", "study.plots"},
    "jinja2": {"report.page"},
    "typer": {"cli.output", "cli.optimise_verbs", "cli.study_verbs", "cli.verbs"},
    "rich": {
        "batch.progress",
        "cli.comparing",
        "cli.comparison_text",
        "cli.output",
        "cli.optimising",
        "cli.study_text",
        "cli.terminal",
    },
    "pydantic": {"case.schema", "case.strip_tables", "results.baseline", "results.result"},
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
    for module in all_modules():
        for library in imported(file_of(module)) & ONLY_IN.keys():
            users[library].add(module)
    astray = {library: modules - ONLY_IN[library] for library, modules in users.items()}
    assert {library: modules for library, modules in astray.items() if modules} == {}
    assert users["gmsh"] and users["pyvista"], "the search finds what is there"


def test_modules_stay_readable() -> None:
    lengths = {name: len(file_of(name).read_text().splitlines()) for name in all_modules()}
    assert {name: length for name, length in lengths.items() if length > 400} == {}


def test_there_is_no_module_of_odds_and_ends() -> None:
    names = {part for module in all_modules() for part in module.split(".")}
    assert not names & {"utils", "util", "helpers", "common", "misc", "tools"}


def test_the_top_of_the_package_shows_rooms_only() -> None:
    assert len([module for module in all_modules() if "." not in module]) <= 5


def test_every_package_says_what_it_knows() -> None:
    for module in all_modules():
        if module.endswith(".__init__"):
            assert len(ast.get_docstring(ast.parse(file_of(module).read_text())) or "") > 40, module


SHARED_PIECES = "contact.kernels."
"""Compiled pieces that loops of other packages take in; any other package keeps its loops to itself."""


def offered(package: str) -> set[str]:
    """Modules that a package names for others."""
    for node in ast.parse(file_of(f"{package}.__init__").read_text()).body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
            return {f"{package}.{name}" for name in ast.literal_eval(node.value)}
    return set()


def test_packages_use_of_each_other_what_is_offered_and_offer_what_is_used() -> None:
    modules = [module for module in all_modules() if "." in module and not module.endswith("__init__")]
    packages = {module.split(".")[0] for module in modules}
    used = {
        found
        for module in all_modules()
        for found in imports(file_of(module).read_text())
        if "." in found and found.split(".")[0] != module.split(".")[0] and not found.endswith("__init__")
    }
    named = {name for package in packages for name in offered(package)}
    assert {name for name in used - named if not name.startswith(SHARED_PIECES)} == set()
    assert named - used == set()
