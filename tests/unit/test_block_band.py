"""Block elimination against a dense solution, with and without the need of pivoting across blocks."""

from __future__ import annotations

import numpy as np
import pytest

from fem import block_band
from fem.band import BandMatrix
from fem.block_band import BlockBand
from fem.equilibrium import Blocks


def line(nodes, group, seed, links=(), weight=4.0):
    """Blocks of a chain of nodes with some far links, not symmetric."""
    rng = np.random.default_rng(seed)
    pairs = [(k, k + 1) for k in range(nodes - 1)] + list(links)
    dofs = np.array([[a * group + i for i in range(group)] + [b * group + i for i in range(group)] for a, b in pairs])
    values = 0.3 * rng.normal(size=(len(pairs), 2 * group, 2 * group)) + weight * np.eye(2 * group)
    return Blocks(dofs.astype(np.int64), values)


def dense(block, size, fixed):
    full = np.zeros((size, size))
    for dofs, value in zip(block.dofs, block.values, strict=True):
        full[np.ix_(dofs, dofs)] += value
    full[fixed] = 0.0
    full[:, fixed] = 0.0
    full[fixed, fixed] = 1.0
    return full


@pytest.mark.parametrize(("nodes", "links"), [(7, ()), (30, ()), (40, ((2, 21), (5, 24), (6, 25)))])
def test_solution_is_that_of_the_dense_matrix(nodes, links):
    group = 6
    block, size = line(nodes, group, 1, links), nodes * group
    fixed = np.zeros(size, dtype=np.bool_)
    fixed[:4] = True
    right = np.random.default_rng(2).normal(size=size)
    found = BlockBand(size, group, fixed).solve_general([block], right)
    want = np.linalg.solve(dense(block, size, fixed), np.where(fixed, 0.0, right))
    assert found == pytest.approx(want, rel=1e-9, abs=1e-12)


def test_a_bad_solution_is_handed_to_the_pivoting_solver(monkeypatch):
    group, nodes = 6, 20
    block, size = line(nodes, group, 3), nodes * group
    fixed = np.zeros(size, dtype=np.bool_)
    right = np.ones(size)
    want = BandMatrix(size, group, fixed).solve_general([block], right)
    monkeypatch.setattr(block_band, "_eliminate", lambda rows, right, reach: np.zeros(right.size))
    assert BlockBand(size, group, fixed).solve_general([block], right) == pytest.approx(want)


def test_a_singular_matrix_gives_no_solution():
    block = line(5, 6, 3)
    empty = Blocks(block.dofs, 0.0 * block.values)
    assert BlockBand(30, 6, np.zeros(30, dtype=np.bool_)).solve_general([empty], np.ones(30)) is None
