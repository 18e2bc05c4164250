"""LU of an unsymmetric matrix in dense blocks, one per line of nodes across a strip that may touch itself.

A strip's tangent is narrow where the strip is alone and wide only where wraps touch. The lines are renumbered
so that wraps which touch lie close together (reverse Cuthill-McKee); each line keeps its row and column from
the first line it is joined to, and the products run over whole rows of blocks at once. Rows are exchanged
within a block only: friction makes the tangent unsymmetric, but it stays near a positive definite one.

Source: George & Liu, Computer Solution of Large Sparse Positive Definite Systems (1981), ch. 4 (profile
scheme), here with blocks for entries.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numba import njit
from scipy.sparse import csr_array
from scipy.sparse.csgraph import reverse_cuthill_mckee

from fem.band import Joints, Marks
from fem.equilibrium import Array, Blocks, Index


@dataclass(frozen=True)
class Pattern:
    """place (n,): row of every unknown; first (lines,): line where each row begins; start (lines + 1,): where
    its blocks begin in the store.
    """

    key: bytes
    place: Index
    first: Index
    start: Index


@dataclass(frozen=True)
class BlockFactor:
    """Rows of L (transposed, one block above the other), columns of U, inverse diagonal blocks."""

    low: Array
    high: Array
    inverse: Array
    pattern: Pattern
    fixed: Marks

    def solve(self, right: Array) -> Array:
        """Solution for a right-hand side (n,); prescribed unknowns come out as zero."""
        x = np.empty_like(right)
        x[self.pattern.place] = np.where(self.fixed, 0.0, right)
        _solve(self.low, self.high, self.inverse, self.pattern.first, self.pattern.start, x)
        return np.asarray(x[self.pattern.place])


@dataclass
class BlockMatrix:
    """Sums blocks and factors them. size: unknowns; line: unknowns of a line of nodes; fixed (n,)."""

    size: int
    line: int
    fixed: Marks
    _pattern: Pattern | None = field(default=None)
    _joints: Joints = field(default_factory=Joints)

    def factor(self, blocks: list[Blocks]) -> BlockFactor | None:
        """LU factors of the sum of blocks; None when a diagonal block is singular."""
        pattern = self._ordered(blocks)
        b = self.line
        low, high = np.zeros((pattern.start[-1] * b, b)), np.zeros((pattern.start[-1] * b, b))
        diagonal = np.zeros((pattern.first.size, b, b))
        for block in blocks:
            _add(
                block.dofs, block.values, pattern.place, self.fixed, pattern.first, pattern.start,
                low, high, diagonal,
            )  # fmt: skip
        held = pattern.place[self.fixed]
        diagonal[held // b, held % b, held % b] = 1.0
        inverse = np.empty_like(diagonal)
        try:
            _factor(low, high, diagonal, inverse, pattern.first, pattern.start)
        except np.linalg.LinAlgError:
            return None
        return BlockFactor(low, high, inverse, pattern, self.fixed)

    def _ordered(self, blocks: list[Blocks]) -> Pattern:
        lines = self.size // self.line
        joined = self._joints.of(blocks, self.size, self.line) | np.eye(lines, dtype=np.bool_)
        key = joined.tobytes()
        if self._pattern is not None and key == self._pattern.key:
            return self._pattern
        rank, natural = np.empty(lines, np.int64), np.arange(lines)
        rank[reverse_cuthill_mckee(csr_array(joined), symmetric_mode=True)] = natural
        one, other = _firsts(joined, rank), _firsts(joined, natural)
        if ((natural - other) ** 2).sum() <= ((natural - one) ** 2).sum():
            rank, one = natural, other
        place = (rank[:, None] * self.line + np.arange(self.line)).ravel()
        start = np.concatenate([[0], np.cumsum(natural - one)]).astype(np.int64)
        self._pattern = Pattern(key, place, one, start)
        return self._pattern


def _firsts(joined: Marks, rank: Index) -> Index:
    """First line (lines,) that each line is joined to, in the order of rank."""
    ordered = np.zeros_like(joined)
    ordered[np.ix_(rank, rank)] = joined
    return np.asarray(np.argmax(ordered, axis=1), dtype=np.int64)


@njit(cache=True)
def _add(  # noqa: PLR0913, PLR0917 - compiled: arrays stay in registers
    dofs: Index, values: Array, place: Index, fixed: Marks, first: Index, start: Index,
    low: Array, high: Array, diagonal: Array,
) -> None:  # fmt: skip
    """Sum element blocks into the rows and columns of lines."""
    m, n = dofs.shape
    b = diagonal.shape[1]
    for e in range(m):
        for i in range(n):
            if fixed[dofs[e, i]]:
                continue
            pi = place[dofs[e, i]]
            row, r = pi // b, pi % b
            for j in range(n):
                if fixed[dofs[e, j]]:
                    continue
                pj = place[dofs[e, j]]
                column, c = pj // b, pj % b
                if column == row:
                    diagonal[row, r, c] += values[e, i, j]
                elif column < row:
                    low[(start[row] + column - first[row]) * b + c, r] += values[e, i, j]
                else:
                    high[(start[column] + row - first[column]) * b + r, c] += values[e, i, j]


@njit(cache=True)
def _factor(low: Array, high: Array, diagonal: Array, inverse: Array, first: Index, start: Index) -> None:
    """Overwrite rows and columns with those of L (unit diagonal) and U; inverse: of U's diagonal blocks."""
    b = diagonal.shape[1]
    for i in range(len(first)):
        f = first[i]
        for j in range(f, i):
            g = max(f, first[j])
            mine, other = (start[i] + j - f) * b, (start[j] + g - first[j]) * b
            if g < j:
                begin, count = (start[i] + g - f) * b, (j - g) * b
                low[mine : mine + b] -= np.dot(high[other : other + count].T, low[begin : begin + count])
                high[mine : mine + b] -= np.dot(low[other : other + count].T, high[begin : begin + count])
            low[mine : mine + b] = np.dot(inverse[j].T, low[mine : mine + b])
        if f < i:
            begin, end = start[i] * b, start[i + 1] * b
            diagonal[i] -= np.dot(low[begin:end].T, high[begin:end])
        inverse[i] = np.linalg.inv(diagonal[i])


@njit(cache=True)
def _solve(low: Array, high: Array, inverse: Array, first: Index, start: Index, x: Array) -> None:
    """Forward and backward substitution in place."""
    b = inverse.shape[1]
    for i in range(len(first)):
        begin, end = start[i] * b, start[i + 1] * b
        if begin < end:
            x[i * b : (i + 1) * b] -= np.dot(low[begin:end].T, x[first[i] * b : i * b])
    for i in range(len(first) - 1, -1, -1):
        x[i * b : (i + 1) * b] = np.dot(inverse[i], x[i * b : (i + 1) * b])
        begin, end = start[i] * b, start[i + 1] * b
        if begin < end:
            x[first[i] * b : i * b] -= np.dot(high[begin:end], x[i * b : (i + 1) * b])
