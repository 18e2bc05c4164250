"""Band matrices against dense linear algebra."""

import numpy as np
import pytest

from fem.core.term import Blocks
from fem.linalg.banded import BandMatrix

GROUP, NODES = 3, 14
SIZE = GROUP * NODES


def chain(rng, symmetric=True):
    """Blocks of neighbouring nodes and some of nodes far apart, as wraps that touch make them."""
    tables = []
    for pairs in ([(i, i + 1) for i in range(NODES - 1)], [(0, 9), (1, 10), (2, 11)]):
        dofs = np.array(
            [np.concatenate([GROUP * a + np.arange(GROUP), GROUP * b + np.arange(GROUP)]) for a, b in pairs]
        )
        root = rng.normal(size=(len(pairs), 2 * GROUP, 2 * GROUP))
        values = root @ root.transpose(0, 2, 1) if symmetric else root + 6 * np.eye(2 * GROUP)
        tables.append(Blocks(dofs, values))
    return tables


def dense(blocks, fixed, diagonal=0.0):
    full = np.zeros((SIZE, SIZE))
    for block in blocks:
        for dofs, values in zip(block.dofs, block.values, strict=True):
            np.add.at(full, np.ix_(dofs, dofs), values)
    full[fixed], full[:, fixed] = 0.0, 0.0
    full[fixed, fixed] = diagonal
    return full


@pytest.fixture
def fixed():
    mask = np.zeros(SIZE, dtype=bool)
    mask[[0, 1, 20]] = True
    return mask


def test_solution_product_and_diagonal_agree_with_dense_algebra(fixed):
    rng = np.random.default_rng(1)
    blocks, matrix = chain(rng), BandMatrix(SIZE, GROUP, fixed)
    matrix.assemble(blocks)
    scale = matrix.diagonal()[0]
    full, right = dense(blocks, fixed, scale), rng.normal(size=SIZE)
    x = matrix.factor().solve(right)
    assert np.all(x[fixed] == 0.0)
    assert x == pytest.approx(np.linalg.solve(full, np.where(fixed, 0.0, right)), rel=1e-9, abs=1e-12)
    assert matrix.multiply(right) == pytest.approx(full @ right)
    assert matrix.diagonal() == pytest.approx(np.diag(full))


def test_an_indefinite_matrix_has_no_factor_until_it_is_shifted(fixed):
    rng = np.random.default_rng(2)
    blocks, matrix = chain(rng), BandMatrix(SIZE, GROUP, fixed)
    blocks[0].values[4] -= 30.0 * np.eye(2 * GROUP)
    matrix.assemble(blocks)
    lowest = np.linalg.eigvalsh(dense(blocks, fixed, matrix.diagonal()[0]))[0]
    assert lowest < 0.0
    assert matrix.factor() is None
    assert matrix.factor(np.full(SIZE, -0.99 * lowest)) is None
    shift = np.full(SIZE, -1.01 * lowest)
    right = np.where(fixed, 0.0, rng.normal(size=SIZE))
    full = dense(blocks, fixed, matrix.diagonal()[0]) + np.diag(shift)
    assert matrix.factor(shift).solve(right) == pytest.approx(
        np.linalg.solve(full, right), rel=1e-6, abs=1e-9
    )


def test_blocks_that_are_not_symmetric_are_solved_too(fixed):
    rng = np.random.default_rng(3)
    blocks, right = chain(rng, symmetric=False), rng.normal(size=SIZE)
    x = BandMatrix(SIZE, GROUP, fixed).factor_general(blocks).solve(right)
    full = dense(blocks, fixed, 1.0)
    assert x == pytest.approx(np.linalg.solve(full, np.where(fixed, 0.0, right)), rel=1e-8, abs=1e-11)


def test_a_singular_matrix_is_reported(fixed):
    blocks = chain(np.random.default_rng(4))
    empty = [Blocks(block.dofs, np.zeros_like(block.values)) for block in blocks]
    assert BandMatrix(SIZE, GROUP, fixed).factor_general(empty) is None


def test_the_numbering_follows_a_pattern_that_changes(fixed):
    rng = np.random.default_rng(5)
    blocks, matrix = chain(rng), BandMatrix(SIZE, GROUP, fixed)
    for chosen in (blocks[:1], blocks, blocks[:1]):
        matrix.assemble(chosen)
        right = rng.normal(size=SIZE)
        full = dense(chosen, fixed, matrix.diagonal()[0])
        assert matrix.factor().solve(right) == pytest.approx(
            np.linalg.solve(full, np.where(fixed, 0, right)), rel=1e-8
        )


def test_an_unknown_twice_in_a_block_is_summed(fixed):
    dofs = np.array([[5, 6, 5]])
    values = np.array([[[4.0, 1.0, 0.5], [1.0, 3.0, 0.2], [0.5, 0.2, 2.0]]])
    blocks = [*chain(np.random.default_rng(6)), Blocks(dofs, values)]
    matrix = BandMatrix(SIZE, GROUP, fixed)
    matrix.assemble(blocks)
    x = np.random.default_rng(7).normal(size=SIZE)
    assert matrix.multiply(x) == pytest.approx(dense(blocks, fixed, matrix.diagonal()[0]) @ x)


def test_one_general_factor_solves_for_several_right_hand_sides(fixed):
    rng = np.random.default_rng(8)
    blocks = chain(rng, symmetric=False)
    factor, full = BandMatrix(SIZE, GROUP, fixed).factor_general(blocks), dense(blocks, fixed, 1.0)
    for right in rng.normal(size=(3, SIZE)):
        expected = np.linalg.solve(full, np.where(fixed, 0.0, right))
        assert factor.solve(right) == pytest.approx(expected, rel=1e-8, abs=1e-11)
