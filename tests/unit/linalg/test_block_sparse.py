"""LU in blocks: against a dense solution, with lines far apart that touch, prescribed and singular."""

from __future__ import annotations

import numpy as np
import pytest

from fem.core.term import Blocks
from fem.linalg.block_sparse import BlockMatrix

LINES, LINE = 12, 12


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
    factor = BlockMatrix(len(dense), LINE, fixed).factor_general(blocks)
    right = np.random.default_rng(1).normal(size=len(dense))
    x = factor.solve(right)
    free = ~fixed
    assert x[free] == pytest.approx(np.linalg.solve(dense[np.ix_(free, free)], right[free]), rel=1e-9)
    assert np.all(x[fixed] == 0.0)


def test_the_order_follows_what_touches():
    matrix = BlockMatrix(LINES * LINE, LINE, np.zeros(LINES * LINE, dtype=bool))
    narrow = matrix.factor_general(chain([])[0])
    wide = matrix.factor_general(chain([(0, 11)])[0])
    again = matrix.factor_general(chain([], seed=2)[0])
    assert narrow.low.size == (LINES - 1) * LINE**2
    # a ring renumbered reaches two lines back; in the natural order the last would reach all the way
    assert narrow.low.size < wide.low.size <= 2 * narrow.low.size
    assert again.low.size == narrow.low.size


def test_a_singular_matrix_has_no_factor():
    blocks, _ = chain([])
    none = [Blocks(block.dofs, 0.0 * block.values) for block in blocks]
    assert BlockMatrix(LINES * LINE, LINE, np.zeros(LINES * LINE, dtype=bool)).factor_general(none) is None


@pytest.mark.parametrize("touching", [[], [(0, 7), (1, 8), (2, 9), (0, 11), (3, 5)]])
def test_a_symmetric_matrix_is_solved_by_its_root(touching):
    blocks, dense = chain(touching)
    blocks = [Blocks(b.dofs, b.values + np.swapaxes(b.values, 1, 2)) for b in blocks]
    dense += dense.T
    fixed = np.zeros(len(dense), dtype=bool)
    fixed[[0, 3, 20]] = True
    free = ~fixed
    matrix = BlockMatrix(len(dense), LINE, fixed)
    matrix.assemble(blocks)
    right = np.random.default_rng(1).normal(size=len(dense))
    shift = np.random.default_rng(2).uniform(1.0, 5.0, size=len(dense))
    for added in (None, shift):
        whole = dense + (0.0 if added is None else np.diag(added))
        x = matrix.factor(added).solve(right)
        assert x[free] == pytest.approx(np.linalg.solve(whole[np.ix_(free, free)], right[free]), rel=1e-9)
        assert np.all(x[fixed] == 0.0)


@pytest.mark.parametrize("touching", [[], [(0, 7), (1, 8), (0, 11)]])
def test_a_matrix_has_a_root_as_long_as_its_least_eigenvalue_is_positive(touching):
    blocks, dense = chain(touching)
    blocks = [Blocks(b.dofs, b.values + np.swapaxes(b.values, 1, 2)) for b in blocks]
    matrix = BlockMatrix(len(dense), LINE, np.zeros(len(dense), dtype=bool))
    matrix.assemble(blocks)
    least = np.linalg.eigvalsh(dense + dense.T)[0]
    ones = np.ones(len(dense))
    assert matrix.factor((1e-6 * abs(least) - least) * ones) is not None
    assert matrix.factor((-1e-6 * abs(least) - least) * ones) is None


def test_blocks_may_list_unknowns_in_any_order_and_share_them():
    blocks, dense = chain([(2, 8)])
    rng = np.random.default_rng(3)
    mixed = []
    for block in blocks:
        order = rng.permutation(block.dofs.shape[1])
        mixed += [Blocks(block.dofs[:, order], block.values[:, order][:, :, order])]
    right = rng.normal(size=len(dense))
    free = np.zeros(len(dense), dtype=bool)
    x = BlockMatrix(len(dense), LINE, free).factor_general(mixed).solve(right)
    assert x == pytest.approx(np.linalg.solve(dense, right), rel=1e-9)


def test_what_was_not_summed_cannot_be_factored():
    with pytest.raises(ValueError, match="assembled before it is factored"):
        BlockMatrix(LINE, LINE, np.zeros(LINE, dtype=bool)).factor()


def test_lines_of_parts_of_nodes_are_refused():
    with pytest.raises(ValueError, match="a multiple of 12 unknowns, got 6"):
        BlockMatrix(60, 6, np.zeros(60, dtype=bool))


@pytest.mark.parametrize("line", [12, 48])
def test_rows_are_exchanged_within_a_line(line):
    """A block with nothing where the first pivots would be."""
    rng = np.random.default_rng(6)
    dense = rng.normal(size=(line, line))
    dense[:5, :5] = 0.0
    matrix = BlockMatrix(line, line, np.zeros(line, dtype=bool))
    factor = matrix.factor_general([Blocks(np.arange(line)[None], dense[None])])
    right = rng.normal(size=line)
    assert factor.solve(right) == pytest.approx(np.linalg.solve(dense, right), rel=1e-9)
