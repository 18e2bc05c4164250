"""Profile matrices against dense linear algebra (numpy, scipy)."""

from __future__ import annotations

import numpy as np
import pytest

from fem.core.term import Blocks
from fem.linalg.profile_ldl import Assembler, SymmetricMatrix, assemble


def _chain(seed: int = 0, shift: float = 0.0) -> tuple[SymmetricMatrix, np.ndarray]:
    rng = np.random.default_rng(seed)
    dofs = np.array([[i, i + 3, (i * 7) % 20] for i in range(17)])
    values = rng.standard_normal((17, 3, 3))
    values = values + values.transpose(0, 2, 1) + 8.0 * np.eye(3)
    dense = np.zeros((20, 20))
    for table, block in zip(dofs, values, strict=True):
        dense[np.ix_(range(20), range(20))] += 0.0
        for a in range(3):
            for b in range(3):
                dense[table[a], table[b]] += block[a, b]
    matrix, _ = assemble(20, [Blocks(dofs, values)])
    return matrix.shifted(np.full(20, shift)), dense + shift * np.eye(20)


def test_assembly_equals_the_dense_sum() -> None:
    matrix, dense = _chain()
    assert np.allclose(matrix.dense(), dense, atol=1e-13)
    assert np.allclose(matrix.diagonal(), np.diag(dense))


@pytest.mark.parametrize("shift", [0.0, -5.0, -12.0, -25.0])
def test_solution_and_inertia_agree_with_dense_algebra(shift: float) -> None:
    matrix, dense = _chain(3, shift)
    factor = matrix.factorise()
    right = np.arange(20.0)
    assert np.allclose(factor.solve(right), np.linalg.solve(dense, right), rtol=1e-9, atol=1e-9)
    assert factor.negative == int(np.sum(np.linalg.eigvalsh(dense) < 0.0))
    assert factor.positive_definite == (factor.negative == 0)


def test_product_agrees_with_dense_product() -> None:
    matrix, dense = _chain(5)
    x = np.linspace(-1.0, 2.0, 20)
    assert np.allclose(matrix.multiply(x), dense @ x, atol=1e-12)


def test_dropped_unknowns_leave_the_rest_of_a_block() -> None:
    values = np.array([[[2.0, 1.0], [1.0, 3.0]]])
    matrix, _ = assemble(1, [Blocks(np.array([[-1, 0]]), values)])
    assert matrix.dense() == pytest.approx(np.array([[3.0]]))


def test_singular_matrix_is_reported_and_not_positive_definite() -> None:
    block = np.array([[[1.0, -1.0], [-1.0, 1.0]]])
    matrix, _ = assemble(2, [Blocks(np.array([[0, 1]]), block)])
    factor = matrix.factorise()
    assert factor.zero == 1
    assert not factor.positive_definite


def test_numbering_is_reused_for_the_same_tables_only() -> None:
    dofs = np.array([[0, 1]])
    _, first = assemble(2, [Blocks(dofs, np.eye(2)[None])])
    _, again = assemble(2, [Blocks(dofs, np.eye(2)[None])], first)
    _, other = assemble(2, [Blocks(dofs.copy(), np.eye(2)[None])], first)
    assert again is first
    assert other is not first
    assert isinstance(other, Assembler)
