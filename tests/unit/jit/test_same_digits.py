"""The same numbers to the last digit: whatever was compiled before, wherever arrays and folders lie."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fem.core.term import Blocks
from fem.linalg.block_sparse import BlockFactor, BlockMatrix
from fem.linalg.profile_ldl import ProfileFactor, SymmetricMatrix, assemble
from fem.shell.kernels.faces import places_kernel

ROOT = Path(__file__).resolve().parents[3]

POINTS = """
import sys
import numpy as np
from fem.shell.kernels.faces import places_kernel
from fem.shell.kernels.walls import near_kernel

random = np.random.default_rng(1)
u, cells, cell = random.normal(size=48), np.arange(48)[None], np.zeros((200, 1), np.int64)
shape, area, spots = random.normal(size=(200, 1, 3, 16)), np.ones((200, 1)), np.zeros((1, 3))
loops = {
    "near": lambda: near_kernel(u, cells, cell, shape, spots, 1.0, 1.0),
    "places": lambda: places_kernel(u, cells, cell, shape, area),
}
made = {name: loops[name]().tobytes().hex() for name in sys.argv[1:]}
print(made["near"], made["places"])
"""
RUN = """
import hashlib, sys
from pathlib import Path
import numpy as np
from fem.batch.compile_targets import PARTS
from fem.case.definition import read_case
from fem.core.checkpoint import NOWHERE
from fem.shell.kernels.faces import places_kernel
from fem.shell.model import build_shell_model
from fem.simulation.retract_deploy import wind, winding_program

if sys.argv[1] == "backwards":
    cell, area = np.zeros((1, 1), np.int64), np.ones((1, 1))
    places_kernel(np.ones(48), np.arange(48)[None], cell, np.ones((1, 1, 3, 16)), area)
    for part in reversed(list(PARTS["shell"].values())):
        part()
case = read_case(Path("cases") / "boom-corrected.toml")
program = winding_program(build_shell_model(case, 1.0))
_, log, _ = wind(program, 2.0, False, lambda share, words: None, NOWHERE)
print(len(log.states), hashlib.sha256(b"".join(u.tobytes() for u in log.states)).hexdigest())
"""


def told(program: str, *words: str, **changes: str) -> str:
    """What a program prints in a process of its own."""
    environment = os.environ | changes
    return subprocess.run(
        [sys.executable, "-c", program, *words],
        cwd=changes.get("PYTHONPATH", ROOT), env=environment, capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip


def test_digits_do_not_tell_which_loop_was_compiled_first(tmp_path):
    """Both loops square numbers; numba compiles the square once in a process, as the first of them asks."""
    made = {
        told(POINTS, *order, PYTHONPATH=str(ROOT), NUMBA_CACHE_DIR=str(tmp_path / order[0]))
        for order in (("near", "places"), ("places", "near"))
    }
    assert len(made) == 1


@pytest.mark.slow
def test_two_folders_give_the_same_digits(tmp_path):
    """Copies whose loops were compiled in another order, in folders with names of other lengths."""
    made = set()
    for name, order in (("a", "as a run asks"), ("another" * 6, "backwards"), ("a", "kept")):
        if not (copy := tmp_path / name).exists():
            hidden = shutil.ignore_patterns("__pycache__")
            shutil.copytree(ROOT / "fem", copy / "fem", ignore=hidden)
            shutil.copytree(ROOT / "cases", copy / "cases")
        made.add(told(RUN, order, PYTHONPATH=str(copy), NUMBA_CACHE_DIR=str(copy / "loops")))
    assert len(made) == 1


def lying(array: np.ndarray, at: int) -> np.ndarray:
    """A copy that begins `at` numbers beyond a multiple of 64 bytes."""
    room = np.empty(array.size + 16)
    begin = (-room.ctypes.data % 64) // 8 + at
    copy = room[begin : begin + array.size].reshape(array.shape)
    copy[...] = array
    assert copy.ctypes.data % 64 == 8 * at
    return copy


def chain(lines: int, line: int) -> tuple[list[Blocks], np.ndarray]:
    """Symmetric blocks that join each line of unknowns to the next, and a right-hand side."""
    random = np.random.default_rng(4)
    dofs = np.arange(2 * line) + line * np.arange(lines - 1)[:, None]
    values = random.normal(size=(lines - 1, 2 * line, 2 * line)) + 10.0 * line * np.eye(2 * line)
    return [Blocks(dofs, values + values.transpose(0, 2, 1))], random.normal(size=lines * line)


def profile_system(at: int) -> list[np.ndarray]:
    blocks, right = chain(9, 7)
    matrix, _ = assemble(right.size, blocks)
    matrix = SymmetricMatrix(matrix.profile, lying(matrix.data, at))
    made = matrix.factorise()
    factor = ProfileFactor(made.profile, lying(made.data, at), made.negative, made.zero)
    return [made.data, factor.solve(lying(right, at)), matrix.multiply(lying(right, at))]


def block_system(at: int) -> list[np.ndarray]:
    blocks, right = chain(5, 24)
    matrix = BlockMatrix(right.size, 24, np.zeros(right.size, dtype=np.bool_))
    matrix.assemble([Blocks(block.dofs, lying(block.values, at)) for block in blocks])
    made = []
    for factor in (matrix.factor(), matrix.factor_general(blocks)):
        assert isinstance(factor, BlockFactor)
        parts = {name: lying(getattr(factor, name), at) for name in ("low", "high", "inverse")}
        made += [*parts.values(), replace(factor, **parts).solve(lying(right, at))]
    return made


def points_of_a_face(at: int) -> list[np.ndarray]:
    random = np.random.default_rng(5)
    u, shape = random.normal(size=48), random.normal(size=(20, 1, 3, 16))
    cells, cell, area = np.arange(48)[None], np.zeros((20, 1), np.int64), np.ones((20, 1))
    return [places_kernel(lying(u, at), cells, cell, lying(shape, at), area)]


@pytest.mark.parametrize("result", [profile_system, block_system, points_of_a_face])
def test_digits_do_not_tell_where_arrays_lie(result):
    wanted = result(0)
    for at in range(1, 8):
        for one, other in zip(result(at), wanted, strict=True):
            np.testing.assert_array_equal(one, other)
