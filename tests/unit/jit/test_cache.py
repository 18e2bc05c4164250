"""A compiled loop is never older than anything that was compiled into it; where loops are kept."""

from __future__ import annotations

import importlib
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from fem.core import sources
from fem.jit import cache as loop_cache

ROOT = Path(__file__).resolve().parents[3]

PIECE = """
from fem.jit.decorators import inlined
SHIFT = {shift}
@inlined
def piece(x):
    return {factor} * x + SHIFT
"""
OUTER = """
from fem.jit.decorators import compiled
from fem.deep.piece import piece
@compiled
def outer(x):
    return piece(x)
"""
ASK = """
from fem.deep.loops.outer import outer
print(outer(1.0), sum(outer.stats.cache_hits.values()), outer.stats.cache_path)
"""


@pytest.fixture
def package(tmp_path):
    """A package of the same name with a loop two packages down that takes in a piece from elsewhere."""
    core, jit = ("__init__", "sources", "user_folder"), ("__init__", "cache", "decorators")
    for name in ("__init__", *(f"core/{name}" for name in core), *(f"jit/{name}" for name in jit)):
        made = tmp_path / "fem" / f"{name}.py"
        made.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / "fem" / f"{name}.py", made)
    (tmp_path / "fem" / "deep" / "loops").mkdir(parents=True)
    for folder in ("deep", "deep/loops"):
        (tmp_path / "fem" / folder / "__init__.py").write_text("")
    (tmp_path / "fem" / "deep" / "loops" / "outer.py").write_text(OUTER)
    write_piece(tmp_path, 2.0)
    return tmp_path


def write_piece(folder, factor, shift=0.0):
    (folder / "fem" / "deep" / "piece.py").write_text(PIECE.format(factor=factor, shift=shift))


def ask(folder, **changes):
    """What the loop gives for 1, how often it came from the cache, and the folder of the cache."""
    environment = {name: value for name, value in os.environ.items() if name != "NUMBA_CACHE_DIR"}
    environment |= {"PYTHONPATH": str(folder), "PYTHONDONTWRITEBYTECODE": "1"} | changes
    told = subprocess.run(
        [sys.executable, "-c", ASK], cwd=folder, env=environment, capture_output=True, text=True, check=True
    ).stdout.split(maxsplit=2)
    return float(told[0]), int(told[1]), Path(told[2].strip())


def test_loops_of_a_package_in_a_package_are_kept(package):
    """numba alone keeps nothing there once it is told a folder for modules of the top only. Pieces, which
    Python does not call, are not kept.
    """
    assert ask(package)[1] == 0
    _, hits, place = ask(package)
    assert hits == 1 and "deep.loops.outer-" in str(place)
    assert package / "fem" / "__pycache__" in place.parents
    assert {file.name.split("-")[0] for file in place.glob("*.nbc")} == {"outer.outer"}


def test_a_package_that_gives_a_number_itself_is_read_too(package):
    gives, outer = package / "fem" / "deep" / "__init__.py", package / "fem" / "deep" / "loops" / "outer.py"
    gives.write_text("FACTOR = 2.0\n")
    outer.write_text(OUTER.replace("piece(x)", "FACTOR * piece(x)") + "from fem.deep import FACTOR\n")
    assert ask(package)[:2] == (4.0, 0)
    gives.write_text("FACTOR = 3.0\n")
    assert ask(package)[:2] == (6.0, 0)


def test_a_change_in_another_module_reaches_the_loop_at_once(package):
    assert ask(package)[:2] == (2.0, 0)
    assert ask(package)[:2] == (2.0, 1)
    write_piece(package, 3.0)
    assert ask(package)[:2] == (3.0, 0)
    write_piece(package, 3.0, shift=0.5)  # a number of that module, frozen into the loop
    assert ask(package)[:2] == (3.5, 0)
    write_piece(package, 2.0)
    assert ask(package)[:2] == (2.0, 1)


def test_other_options_are_other_loops(package):
    ask(package)
    options = package / "fem" / "jit" / "decorators.py"
    options.write_text(options.read_text() + "\n# changed\n")
    assert ask(package)[1] == 0


def test_loops_are_kept_where_the_user_says(package):
    own = package / "own"
    assert own in ask(package, NUMBA_CACHE_DIR=str(own))[2].parents
    assert ask(package, NUMBA_CACHE_DIR=str(own))[1] == 1


def test_where_the_package_cannot_be_written_the_users_folder_is_taken(package):
    (package / "fem" / "__pycache__").write_text("in the way of a folder")
    users = package / "users"
    where = {"XDG_CACHE_HOME": str(users), "LOCALAPPDATA": str(users), "HOME": str(users)}
    assert ask(package, **where)[1] == 0
    again = ask(package, **where)
    assert again[1] == 1 and users in again[2].parents


def test_without_any_place_loops_are_compiled_anew(package):
    (package / "fem" / "__pycache__").write_text("in the way")
    (package / "users").write_text("in the way")
    told = "from fem.deep.loops.outer import outer; print(outer(1.0))"
    users = str(package / "users")
    environment = os.environ | {"PYTHONPATH": str(package), "XDG_CACHE_HOME": users, "HOME": users}
    environment.pop("NUMBA_CACHE_DIR", None)
    done = subprocess.run(
        [sys.executable, "-c", told], env=environment, cwd=package, capture_output=True, text=True, check=True
    )
    assert done.stdout.split()[0] == "2.0"


def test_folders_of_older_sources_go_when_nobody_writes_to_them(tmp_path):
    present, old, young, other = (tmp_path / name for name in ("band-1", "band-2", "band-3", "bands-4"))
    for folder in (present, old, young, other):
        (folder / "fem_0").mkdir(parents=True)
    for folder in (present, old, other):
        for place in (folder / "fem_0", folder):
            os.utime(place, (1.0, 1.0))
    loop_cache.sweep(tmp_path, "band", present)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["band-1", "band-3", "bands-4"]


def test_all_modules_with_loops_are_found():
    holders = set(loop_cache.holders())
    written = {
        name
        for name in sources.all_modules()
        if "\nfrom fem.jit.decorators import" in sources.file_of(name).read_text()
    }
    assert holders == written
    assert {
        "linalg.banded",
        "rod.kernels.energy",
        "rod.kernels.self_contact",
        "shell.kernels.energy",
    } <= holders


def source_text(name):
    return sources.file_of(name).read_text()


def test_nobody_compiles_past_that():
    others = [
        name
        for name in sources.all_modules()
        if name != loop_cache.DECORATORS and {"numba", "njit"} <= set(re.findall(r"\w+", source_text(name)))
    ]
    assert others == []


def test_every_loop_says_what_numba_would_take_over_from_another():
    """Else it would be compiled otherwise when another loop asks for it first; and no sum may be summed in
    another order, for what numba compiles once for all loops would then be the first one's.
    """
    loops = {
        f"{module}.{name}": value.targetoptions
        for module in loop_cache.holders()
        for name, value in vars(importlib.import_module(f"fem.{module}")).items()
        if hasattr(value, "targetoptions")
    }
    assert {"linalg.profile_ldl._dots", "shell.kernels.faces.vectors", "rod.kernels.walls.wall_gap"} <= set(
        loops
    )
    said = {name: (o.get("fastmath"), o.get("error_model")) for name, o in loops.items()}
    assert {name: each for name, each in said.items() if each != (False, "numpy")} == {}
    assert {name for name, options in loops.items() if options.get("forceinline") is None} == set()
