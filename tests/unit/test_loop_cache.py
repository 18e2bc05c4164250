"""A compiled loop is never older than anything that was compiled into it; where loops are kept."""

from __future__ import annotations

import importlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from fem import loop_cache

ROOT = Path(__file__).resolve().parents[2]

PIECE = """
from fem.compiled import inlined
SHIFT = {shift}
@inlined
def piece(x):
    return {factor} * x + SHIFT
"""
OUTER = """
from fem.compiled import compiled
from fem.piece import piece
@compiled
def outer(x):
    return piece(x)
"""
ASK = """
from fem.outer import outer
print(outer(1.0), sum(outer.stats.cache_hits.values()), outer.stats.cache_path)
"""


@pytest.fixture
def package(tmp_path):
    """A package of the same name with a loop that takes in a piece of another module."""
    (tmp_path / "fem").mkdir()
    for name in ("__init__", "compiled", "loop_cache"):
        shutil.copy(ROOT / "fem" / f"{name}.py", tmp_path / "fem")
    (tmp_path / "fem" / "outer.py").write_text(OUTER)
    write_piece(tmp_path, 2.0)
    return tmp_path


def write_piece(folder, factor, shift=0.0):
    (folder / "fem" / "piece.py").write_text(PIECE.format(factor=factor, shift=shift))


def ask(folder, **changes):
    """What the loop gives for 1, how often it came from the cache, and the folder of the cache."""
    environment = {name: value for name, value in os.environ.items() if name != "NUMBA_CACHE_DIR"}
    environment |= {"PYTHONPATH": str(folder), "PYTHONDONTWRITEBYTECODE": "1"} | changes
    told = subprocess.run(
        [sys.executable, "-c", ASK], cwd=folder, env=environment, capture_output=True, text=True, check=True
    ).stdout.split(maxsplit=2)
    return float(told[0]), int(told[1]), Path(told[2].strip())


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
    options = package / "fem" / "compiled.py"
    options.write_text(options.read_text() + "\n# changed\n")
    assert ask(package)[1] == 0


def test_only_loops_that_python_calls_are_kept(package):
    kept = {file.name.split("-")[0] for file in ask(package)[2].glob("*.nbc")}
    assert kept == {"outer.outer"}


def test_loops_are_kept_in_the_package_or_where_the_user_says(package):
    assert package / "fem" / "__pycache__" in ask(package)[2].parents
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
    told = "from fem.outer import outer; print(outer(1.0))"
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
        file.stem
        for file in (ROOT / "fem").glob("*.py")
        if any(line.startswith("from fem.compiled import") for line in file.read_text().splitlines())
    }
    assert holders == written and {"band", "rod_kernel", "wraps_kernel", "shell_kernels"} <= holders


def test_nobody_compiles_past_that():
    others = [
        file.stem
        for file in (ROOT / "fem").glob("*.py")
        if file.stem != "compiled" and "numba" in file.read_text() and "njit" in file.read_text()
    ]
    assert others == []


def test_what_a_loop_takes_in_is_followed_through_modules():
    reached = loop_cache.closure(frozenset(["wraps_kernel"]))
    assert {"wraps_kernel", "pairs_kernel", "contact_kernel", "compiled"} <= reached
    assert "rod_kernel" not in reached


@pytest.mark.parametrize(
    "text",
    [
        "from fem.band import Joints",
        "import fem.band",
        "from fem import band",
        "from fem import gap, band",
        "from fem import (\n    gap,\n    band,  # why\n)",
        "def f():\n    from fem import band as b",
    ],
)
def test_all_ways_to_import_are_seen(text):
    assert "band" in loop_cache.imports(text)
    assert "band" not in loop_cache.imports("# band\nfrom fem.bands import x\nimport band")


def test_sums_in_any_order_stand_in_their_loop():
    """Of a relaxed piece that several loops call, whichever copy is loaded first would serve all of them, and
    each copy sums in its own order: a first run would end in other digits than a second one.
    """
    loops = {
        f"{module}.{name}": value
        for module in loop_cache.holders()
        for name, value in vars(importlib.import_module(f"fem.{module}")).items()
        if hasattr(value, "targetoptions")
    }
    called = {
        id(value.py_func.__globals__.get(name))
        for value in loops.values()
        for name in value.py_func.__code__.co_names
    }
    relaxed = {name: loop for name, loop in loops.items() if loop.targetoptions.get("fastmath")}
    pieces = {name for name, loop in relaxed.items() if id(loop) in called}
    assert {"linear._dots", "shell_face_kernel.vectors"} <= pieces
    assert {name for name in pieces if not relaxed[name].targetoptions.get("forceinline")} == set()
