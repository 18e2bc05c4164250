"""Banded systems that are not symmetric, by block elimination.

The unknowns, in the order of `BandMatrix`, are cut into blocks of equal size; a row of blocks is one dense array, so that
elimination is a few matrix products per block instead of many small ones. Pivots are searched inside the diagonal blocks only.
That is safe where the symmetric part is nearly positive definite, as tangents of stable points are; the residual of every
solution is checked, and the pivoting solver takes over when it is not small.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from scipy.linalg import lu_factor, lu_solve

from fem.band import BandMatrix
from fem.equilibrium import Array, Blocks, Index

BLOCK = 48
GOOD = 1e-8
"""Residual over right-hand side up to which a solution counts."""


class BlockBand(BandMatrix):
    """A band matrix that solves unsymmetric systems by blocks."""

    def solve_general(self, blocks: list[Blocks], right: Array) -> Array | None:
        """Solution with blocks that are not symmetric; None when the matrix is singular."""
        self._number(blocks)
        count = -(-self.size // BLOCK)
        reach = -(-self._width // BLOCK)
        rows = np.zeros((count, BLOCK, (2 * reach + 1) * BLOCK))
        for block in blocks:
            _add_rows(block.dofs, block.values, self._place, self.fixed, reach, rows)
        _add_identity(self._place, self.fixed, self.size, reach, rows)
        permuted = np.zeros(count * BLOCK)
        permuted[self._place] = np.where(self.fixed, 0.0, right)
        whole = rows.copy()
        x = _eliminate(rows, permuted.reshape(count, BLOCK), reach)
        if x is not None:
            left = _multiply_rows(whole, x, reach) - permuted
            if np.all(np.isfinite(x)) and np.linalg.norm(left) <= GOOD * np.linalg.norm(permuted):
                return np.asarray(x[self._place])
        return super().solve_general(blocks, right)


def _eliminate(rows: Array, right: Array, reach: int) -> Array | None:
    """Solution of the rows of blocks (count, b, (2 reach + 1) b), overwritten; None at a singular block."""
    count, size = right.shape
    y, factors = right.copy(), []
    middle = slice(reach * size, (reach + 1) * size)
    for i in range(count):
        if not np.all(np.isfinite(rows[i])):
            return None
        factor = lu_factor(rows[i][:, middle], check_finite=False)
        if np.abs(np.diagonal(factor[0])).min() == 0.0:
            return None
        factors.append(factor)
        ahead = min(reach, count - 1 - i)
        upper = rows[i][:, (reach + 1) * size : (reach + 1 + ahead) * size]
        both = lu_solve(factor, np.column_stack([upper, y[i]]), check_finite=False)
        rows[i][:, (reach + 1) * size : (reach + 1 + ahead) * size], y[i] = both[:, :-1], both[:, -1]
        for j in range(i + 1, i + 1 + ahead):
            at = (reach - (j - i)) * size
            lower = rows[j][:, at : at + size]
            rows[j][:, at + size : at + (1 + ahead) * size] -= lower @ both[:, :-1]
            y[j] -= lower @ y[i]
    for i in range(count - 2, -1, -1):
        ahead = min(reach, count - 1 - i)
        y[i] -= rows[i][:, (reach + 1) * size : (reach + 1 + ahead) * size] @ y[i + 1 : i + 1 + ahead].ravel()
    return np.asarray(y.ravel())


def _multiply_rows(rows: Array, x: Array, reach: int) -> Array:
    """Product of the rows of blocks with a vector."""
    count, size = rows.shape[:2]
    padded = np.zeros((count + 2 * reach) * size)
    padded[reach * size : (reach + count) * size] = x
    parts = [rows[i] @ padded[i * size : (i + 2 * reach + 1) * size] for i in range(count)]
    return np.concatenate(parts)


@njit(cache=True)
def _add_rows(
    dofs: Index, values: Array, place: Index, fixed: Index, reach: int, rows: Array
) -> None:  # pragma: no cover - compiled
    size = rows.shape[1]
    for b in range(dofs.shape[0]):
        for i in range(dofs.shape[1]):
            if fixed[dofs[b, i]]:
                continue
            pi = place[dofs[b, i]]
            row = rows[pi // size, pi % size]
            shift = (pi // size - reach) * size
            for j in range(dofs.shape[1]):
                if not fixed[dofs[b, j]]:
                    row[place[dofs[b, j]] - shift] += values[b, i, j]


@njit(cache=True)
def _add_identity(place: Index, fixed: Index, size: int, reach: int, rows: Array) -> None:
    """Ones on the diagonal of prescribed unknowns and of the padding at the end."""
    block = rows.shape[1]
    for k in range(size):
        if fixed[k]:
            p = place[k]
            rows[p // block, p % block, reach * block + p % block] = 1.0
    for p in range(size, rows.shape[0] * block):
        rows[p // block, p % block, reach * block + p % block] = 1.0
