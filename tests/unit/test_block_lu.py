"""LU in blocks: against a dense solution, with lines far apart that touch, prescribed and singular."""

from __future__ import annotations

import numpy as np
import pytest

from fem.block_lu import BlockMatrix
from fem.equilibrium import Blocks

LINES, LINE = 12, 6


def chain(touching, seed=0):
    """Unsymmetric blocks of neighbouring lines and of some that touch; the dense sum."""
    rng = np.random.default_rng(seed)
    pairs = [(i, i + 1) for i in range(LINES - 1)] + touching
    dofs = np.array([np.r_[i * LINE : (i + 1) * LINE, j * LINE : (j + 1) * LINE] for i, j in pairs])
    values = rng.normal(size=(len(pairs), 2 * LINE, 2 * LINE)) + 20.0 * np.eye(2 * LINE)
    dense = np.zeros((LINES * LINE, LINES * LINE))
    for d, v in zip(dofs, values, strict=True):
        dense[np.ix_(d, d)] += v
    split = LINES - 1
    return [Blocks(dofs[:split], values[:split]), Blocks(dofs[split:], values[split:])], dense


@pytest.mark.parametrize("touching", [[], [(0, 7)], [(0, 7), (1, 8), (2, 9), (0, 11), (3, 5)]])
def test_solution_is_that_of_the_dense_matrix(touching):
    blocks, dense = chain(touching)
    fixed = np.zeros(len(dense), dtype=bool)
    fixed[[0, 3, 20]] = True
    factor = BlockMatrix(len(dense), LINE, fixed).factor(blocks)
    right = np.random.default_rng(1).normal(size=len(dense))
    x = factor.solve(right)
    free = ~fixed
    assert x[free] == pytest.approx(np.linalg.solve(dense[np.ix_(free, free)], right[free]), rel=1e-9)
    assert np.all(x[fixed] == 0.0)


def test_the_order_follows_what_touches():
    matrix = BlockMatrix(LINES * LINE, LINE, np.zeros(LINES * LINE, dtype=bool))
    narrow = matrix.factor(chain([])[0])
    wide = matrix.factor(chain([(0, 11)])[0])
    again = matrix.factor(chain([], seed=2)[0])
    assert narrow.low.size == (LINES - 1) * LINE**2
    # a ring renumbered reaches two lines back; in the natural order the last would reach all the way
    assert narrow.low.size < wide.low.size <= 2 * narrow.low.size
    assert again.low.size == narrow.low.size


def test_a_singular_matrix_has_no_factor():
    blocks, _ = chain([])
    none = [Blocks(block.dofs, 0.0 * block.values) for block in blocks]
    assert BlockMatrix(LINES * LINE, LINE, np.zeros(LINES * LINE, dtype=bool)).factor(none) is None
