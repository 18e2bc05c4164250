"""Factors of a matrix in dense blocks, one per line of nodes across a strip that may touch itself.

A strip's tangent is narrow where the strip is alone and wide only where wraps touch. The lines are renumbered
so that wraps which touch lie close together (reverse Cuthill-McKee); each line keeps its row and column from
the first line it is joined to, and the products run over whole rows of blocks at once. Symmetric matrices get
a Cholesky factor, which tells whether they are positive definite; others an LU factor, whose rows are
exchanged within a block only: friction makes the tangent unsymmetric, but it stays near a positive definite
one.

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
    """Rows of L (transposed, one block above the other), columns of U, inverse diagonal blocks.

    In a Cholesky factor R^T R both are the columns of R, and the diagonal is `half` of it twice: the inverse
    blocks are those of R.
    """

    low: Array
    high: Array
    inverse: Array
    pattern: Pattern
    fixed: Marks
    half: bool = False

    def solve(self, right: Array) -> Array:
        """Solution for a right-hand side (n,); prescribed unknowns come out as zero."""
        x = np.empty_like(right)
        x[self.pattern.place] = np.where(self.fixed, 0.0, right)
        _solve(self.low, self.high, self.inverse, self.pattern.first, self.pattern.start, self.half, x)
        return np.asarray(x[self.pattern.place])


@dataclass
class BlockMatrix:
    """Sums blocks and factors them. size: unknowns; line: unknowns of a line of nodes; fixed (n,)."""

    size: int
    line: int
    fixed: Marks
    _pattern: Pattern | None = field(default=None)
    _joints: Joints = field(default_factory=Joints)
    _sums: tuple[Pattern, Array, Array] | None = field(default=None)

    def __getstate__(self) -> dict[str, object]:
        """Everything but the last sums, which are many and soon others."""
        return {**vars(self), "_sums": None}

    def assemble(self, blocks: list[Blocks]) -> None:
        """Sum symmetric blocks; rows and columns of prescribed unknowns become the identity."""
        pattern, high, _, diagonal = self._summed(blocks, False)
        self._sums = pattern, high, diagonal

    def factor(self, shift: Array | None = None) -> BlockFactor | None:
        """Cholesky factor of the assembled matrix plus a diagonal shift (n,); None when it is not positive
        definite.
        """
        if self._sums is None:
            raise ValueError("a matrix must be assembled before it is factored")
        pattern, high, diagonal = (self._sums[0], self._sums[1].copy(), self._sums[2].copy())
        if shift is not None:
            own = np.arange(self.line)
            added = np.empty(self.size)
            added[pattern.place] = shift
            diagonal[:, own, own] += added.reshape(-1, self.line)
        if not _factor_half(high, diagonal, pattern.first, pattern.start):
            return None
        return BlockFactor(high, high, diagonal, pattern, self.fixed, True)

    def factor_general(self, blocks: list[Blocks]) -> BlockFactor | None:
        """LU factors of the sum of blocks; None when a diagonal block is singular."""
        pattern, high, low, diagonal = self._summed(blocks, True)
        if not _factor(low, high, diagonal, pattern.first, pattern.start):
            return None
        return BlockFactor(low, high, diagonal, pattern, self.fixed)

    def _summed(self, blocks: list[Blocks], both: bool) -> tuple[Pattern, Array, Array, Array]:
        """Pattern, columns of the upper part, rows of the lower (transposed; if both), diagonal blocks."""
        pattern, b = self._ordered(blocks), self.line
        high = np.zeros((pattern.start[-1] * b, b))
        low = np.zeros_like(high) if both else high
        diagonal = np.zeros((pattern.first.size, b, b))
        where = pattern.place, pattern.first, pattern.start
        for block in blocks:
            _add(block.dofs, block.values, *where, both, low, high, diagonal)
        _prescribe(pattern.place[self.fixed], pattern.first, pattern.start, low, high, diagonal)
        return pattern, high, low, diagonal

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
    dofs: Index, values: Array, place: Index, first: Index, start: Index, both: bool,
    low: Array, high: Array, diagonal: Array,
) -> None:  # fmt: skip
    """Sum element blocks into the rows (if both) and columns of lines, run by run of unknowns that stay
    together.
    """
    m, n = dofs.shape
    b = diagonal.shape[1]
    begin, at = np.empty(n + 1, np.int64), np.empty(n, np.int64)
    for e in range(m):
        runs = 0
        for i in range(n):
            at[i] = place[dofs[e, i]]
            if i == 0 or at[i] != at[i - 1] + 1 or at[i] % b == 0:
                begin[runs] = i
                runs += 1
        begin[runs] = n
        for one in range(runs):
            i, rows = begin[one], begin[one + 1] - begin[one]
            row, r = at[i] // b, at[i] % b
            for two in range(runs):
                j, columns = begin[two], begin[two + 1] - begin[two]
                column, c = at[j] // b, at[j] % b
                if column == row:
                    for k in range(rows):
                        for q in range(columns):
                            diagonal[row, r + k, c + q] += values[e, i + k, j + q]
                elif column < row:
                    if not both:
                        continue
                    top = (start[row] + column - first[row]) * b + c
                    for q in range(columns):
                        for k in range(rows):
                            low[top + q, r + k] += values[e, i + k, j + q]
                else:
                    top = (start[column] + row - first[column]) * b + r
                    for k in range(rows):
                        for q in range(columns):
                            high[top + k, c + q] += values[e, i + k, j + q]


@njit(cache=True)
def _prescribe(held: Index, first: Index, start: Index, low: Array, high: Array, diagonal: Array) -> None:
    """Rows and columns of the places `held` become those of the identity."""
    b = diagonal.shape[1]
    for place in held:
        line, r = place // b, place % b
        diagonal[line, r, :] = 0.0
        diagonal[line, :, r] = 0.0
        diagonal[line, r, r] = 1.0
        for k in range(start[line] * b, start[line + 1] * b):
            low[k, r] = 0.0
            high[k, r] = 0.0
        for other in range(line + 1, len(first)):
            if first[other] <= line:
                k = (start[other] + line - first[other]) * b + r
                low[k, :] = 0.0
                high[k, :] = 0.0


@njit(cache=True)
def _invert(a: Array) -> bool:
    """Inverse of a in its place by Gauss-Jordan elimination with exchange of rows; False where singular."""
    n = len(a)
    row, exchanged = np.empty(n), np.empty(n, np.int64)
    for k in range(n):
        best = k
        for i in range(k + 1, n):
            if abs(a[i, k]) > abs(a[best, k]):
                best = i
        pivot = a[best, k]
        if pivot == 0.0:
            return False
        exchanged[k] = best
        for j in range(n):
            row[j] = a[best, j] / pivot
            a[best, j] = a[k, j]
        row[k] = 1.0 / pivot
        for i in range(n):
            part = a[i, k]
            a[i, k] = 0.0
            one = a[i]
            for j in range(n):
                one[j] -= part * row[j]
        a[k] = row
    for k in range(n - 1, -1, -1):
        if exchanged[k] != k:
            for i in range(n):
                a[i, k], a[i, exchanged[k]] = a[i, exchanged[k]], a[i, k]
    return True


@njit(cache=True)
def _factor(low: Array, high: Array, diagonal: Array, first: Index, start: Index) -> bool:
    """Overwrite rows and columns with those of L (unit diagonal) and U, diagonal blocks with the inverse of
    U's; False where one of them is singular.
    """
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
            low[mine : mine + b] = np.dot(diagonal[j].T, low[mine : mine + b])
        if f < i:
            begin, end = start[i] * b, start[i + 1] * b
            diagonal[i] -= np.dot(low[begin:end].T, high[begin:end])
        if not _invert(diagonal[i]):
            return False
    return True


@njit(cache=True)
def _factor_half(high: Array, diagonal: Array, first: Index, start: Index) -> bool:
    """Overwrite columns with those of R, R^T R the matrix, and diagonal blocks with the inverse of R's; False
    where it is not positive definite.
    """
    b = diagonal.shape[1]
    for i in range(len(first)):
        f = first[i]
        for j in range(f, i):
            g = max(f, first[j])
            mine, other = (start[i] + j - f) * b, (start[j] + g - first[j]) * b
            if g < j:
                begin, count = (start[i] + g - f) * b, (j - g) * b
                high[mine : mine + b] -= np.dot(high[other : other + count].T, high[begin : begin + count])
            high[mine : mine + b] = np.dot(diagonal[j].T, high[mine : mine + b])
        if f < i:
            begin, end = start[i] * b, start[i + 1] * b
            diagonal[i] -= np.dot(high[begin:end].T, high[begin:end])
        if not _root(diagonal[i]):
            return False
    return True


@njit(cache=True)
def _root(a: Array) -> bool:
    """Overwrite a with the inverse of R, R^T R = a and R upper triangular; False where a is not positive
    definite.
    """
    n = len(a)
    for k in range(n):
        if not a[k, k] > 0.0:
            return False
        root = np.sqrt(a[k, k])
        row = a[k]
        for j in range(k, n):
            row[j] /= root
        for i in range(k + 1, n):
            part, one = row[i], a[i]
            for j in range(i, n):
                one[j] -= part * row[j]
    # rows of the inverse from the last up: X[k, k] = 1 / R[k, k], X[k, j] = -sum_i R[k, i] X[i, j] / R[k, k]
    made = np.empty(n)
    for k in range(n - 1, -1, -1):
        row = a[k]
        made[:] = 0.0
        for i in range(k + 1, n):
            part, one = row[i], a[i]
            for j in range(i, n):
                made[j] -= part * one[j]
        part = 1.0 / row[k]
        row[:k] = 0.0
        row[k] = part
        for j in range(k + 1, n):
            row[j] = part * made[j]
    return True


@njit(cache=True)
def _solve(  # noqa: PLR0913, PLR0917 - compiled: arrays stay in registers
    low: Array, high: Array, inverse: Array, first: Index, start: Index, half: bool, x: Array
) -> None:
    """Forward and backward substitution in place."""
    b = inverse.shape[1]
    for i in range(len(first)):
        begin, end = start[i] * b, start[i + 1] * b
        if begin < end:
            x[i * b : (i + 1) * b] -= np.dot(low[begin:end].T, x[first[i] * b : i * b])
        if half:
            x[i * b : (i + 1) * b] = np.dot(inverse[i].T, x[i * b : (i + 1) * b])
    for i in range(len(first) - 1, -1, -1):
        x[i * b : (i + 1) * b] = np.dot(inverse[i], x[i * b : (i + 1) * b])
        begin, end = start[i] * b, start[i + 1] * b
        if begin < end:
            x[first[i] * b : i * b] -= np.dot(high[begin:end], x[i * b : (i + 1) * b])
