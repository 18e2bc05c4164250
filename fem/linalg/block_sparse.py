"""Factors of a matrix in dense blocks, one per line of nodes across a strip that may touch itself.

A strip's tangent joins a line to its neighbours, and to those of other wraps where they touch. Lines are
eliminated in the order of least degree: each time the one that is joined to the fewest others, which are then
joined to one another; of several such the one that joins the fewest pairs anew. Only blocks of lines that are
or become joined are kept. Symmetric matrices get a Cholesky factor, which tells whether they are positive
definite; others an LU factor, whose rows are exchanged within a block only: friction makes the tangent
unsymmetric, but it stays near a positive definite one.

Source: George & Liu 1981 (see `fem.linalg.profile_ldl`), ch. 5 (minimum degree); here with blocks for
entries.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from fem.core.term import Array, Blocks, Index
from fem.jit.array_ops import less, put
from fem.jit.decorators import compiled, inlined
from fem.jit.simd import LANES, add, take
from fem.linalg.banded import Joints, Marks
from fem.linalg.kernels.dense_blocks import WIDE, inverted, less_product, rooted, take_strip, times


@dataclass(frozen=True)
class Pattern:
    """place (n,): row of every unknown. For lines in the order of elimination: later (lines, lines): the
    later lines that each is joined to, in their order; spot (lines, lines): where one stands among them, or
    -1; start (lines + 1,): blocks in the store before its own.
    """

    key: bytes
    place: Index
    later: Index
    spot: Index
    start: Index


@dataclass(frozen=True)
class BlockFactor:
    """low: for each line its column of L, one block above the other; high: its row of U, one block beside the
    other; inverse blocks of U's diagonal.

    In a Cholesky factor R^T R (half) low has the columns of R^T, and the inverse blocks are those of R.
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
        _solve(self.low, self.high, self.inverse, self.pattern.later, self.pattern.start, self.half, x)
        return np.asarray(x[self.pattern.place])


@dataclass
class BlockMatrix:
    """Sums blocks and factors them. size: unknowns; line: those of a line of nodes, a multiple of WIDE; fixed
    (n,).
    """

    size: int
    line: int
    fixed: Marks
    _pattern: Pattern | None = field(default=None)
    _joints: Joints = field(default_factory=Joints)
    _sums: tuple[Pattern, Array, Array] | None = field(default=None)

    def __post_init__(self) -> None:
        if self.line % WIDE:
            raise ValueError(f"a line must have a multiple of {WIDE} unknowns, got {self.line}")

    def __getstate__(self) -> dict[str, object]:
        """Everything but the last sums, which are many and soon others."""
        return {**vars(self), "_sums": None}

    def assemble(self, blocks: list[Blocks]) -> None:
        """Sum symmetric blocks; rows and columns of prescribed unknowns become the identity."""
        pattern, low, _, diagonal = self._summed(blocks, False)
        self._sums = pattern, low, diagonal

    def factor(self, shift: Array | None = None) -> BlockFactor | None:
        """Cholesky factor of the assembled matrix plus a diagonal shift (n,); None when it is not positive
        definite.
        """
        if self._sums is None:
            raise ValueError("a matrix must be assembled before it is factored")
        pattern, low, diagonal = (self._sums[0], self._sums[1].copy(), self._sums[2].copy())
        if shift is not None:
            own = np.arange(self.line)
            added = np.empty(self.size)
            added[pattern.place] = shift
            diagonal[:, own, own] += added.reshape(-1, self.line)
        if not _factor_half(low, diagonal, pattern.later, pattern.spot, pattern.start):
            return None
        return BlockFactor(low, low, diagonal, pattern, self.fixed, True)

    def factor_general(self, blocks: list[Blocks]) -> BlockFactor | None:
        """LU factors of the sum of blocks; None when a diagonal block is singular."""
        pattern, low, high, diagonal = self._summed(blocks, True)
        if not _factor(low, high, diagonal, pattern.later, pattern.spot, pattern.start):
            return None
        return BlockFactor(low, high, diagonal, pattern, self.fixed)

    def _summed(self, blocks: list[Blocks], both: bool) -> tuple[Pattern, Array, Array, Array]:
        """Pattern, columns of the lower part, rows of the upper (if both), diagonal blocks."""
        pattern, b = self._ordered(blocks), self.line
        low = np.zeros(pattern.start[-1] * b * b)
        high = np.zeros_like(low) if both else low
        diagonal = np.zeros((len(pattern.later), b, b))
        where = pattern.spot, pattern.start, both, low, high, diagonal
        for block in blocks:
            _add(block.dofs, block.values, pattern.place, *where)
        _prescribe(pattern.place[self.fixed], *where)
        return pattern, low, high, diagonal

    def _ordered(self, blocks: list[Blocks]) -> Pattern:
        lines = self.size // self.line
        joined = self._joints.of(blocks, self.size, self.line) | np.eye(lines, dtype=np.bool_)
        key = joined.tobytes()
        if self._pattern is not None and key == self._pattern.key:
            return self._pattern
        rank, later, spot, start = _least_degree(joined | joined.T)
        place = (rank[:, None] * self.line + np.arange(self.line)).ravel()
        self._pattern = Pattern(key, place, later, spot, start)
        return self._pattern


@compiled
def _least_degree(joined: Marks) -> tuple[Index, Index, Index, Index]:
    """Place of each line in the order of elimination, and `later`, `spot`, `start` of the pattern."""
    n = len(joined)
    rank, met = np.full(n, -1), joined.copy()
    order, count, near = np.empty(n, np.int64), np.empty(n, np.int64), np.empty(n, np.int64)
    for k in range(n):
        best, least, fewest = -1, n + 1, 0
        for i in range(n):
            if rank[i] >= 0:
                continue
            degree = 0
            for j in range(n):
                if met[i, j] and rank[j] < 0:
                    near[degree] = j
                    degree += 1
            if degree > least:
                continue
            made = _apart(met, near[:degree])
            if degree < least or made < fewest:
                best, least, fewest = i, degree, made
        order[k], rank[best], count[k] = best, k, least - 1
        for i in range(n):
            if rank[i] < 0 and met[best, i]:
                for j in range(n):
                    if rank[j] < 0 and met[best, j]:
                        met[i, j] = True
    later, spot, start = np.full((n, n), -1), np.full((n, n), -1), np.zeros(n + 1, np.int64)
    for k in range(n):
        start[k + 1] = start[k] + count[k]
        at = 0
        for j in range(k + 1, n):
            if met[order[k], order[j]]:
                later[k, at], spot[k, j] = j, at
                at += 1
    return rank, later, spot, start


@inlined
def _apart(met: Marks, near: Index) -> int:
    """Pairs of these lines that are not joined."""
    pairs = 0
    for p in range(len(near)):
        for q in range(p):
            pairs += not met[near[p], near[q]]
    return pairs


@compiled
def _add(  # noqa: PLR0913, PLR0917 - compiled: arrays stay in registers
    dofs: Index, values: Array, place: Index, spot: Index, start: Index, both: bool,
    low: Array, high: Array, diagonal: Array,
) -> None:  # fmt: skip
    """Sum element blocks into columns and (if both) rows of lines, run by run of unknowns that stay
    together.
    """
    m, n = dofs.shape
    b = diagonal.shape[1]
    own = diagonal.reshape(diagonal.size)
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
                    target, top, step = own, (row * b + r) * b + c, b
                elif column < row:
                    target, top, step = low, ((start[column] + spot[column, row]) * b + r) * b + c, b
                elif both:
                    target, step = high, (start[row + 1] - start[row]) * b
                    top = start[row] * b * b + r * step + spot[row, column] * b + c
                else:
                    continue
                fours = columns - columns % LANES
                for k in range(rows):
                    for q in range(0, fours, LANES):
                        add(target, (top + k * step + q,), take(values, (e, i + k, j + q)))
                    for q in range(fours, columns):
                        target[top + k * step + q] += values[e, i + k, j + q]


@compiled
def _prescribe(  # noqa: PLR0913, PLR0917 - compiled: arrays stay in registers
    held: Index, spot: Index, start: Index, both: bool, low: Array, high: Array, diagonal: Array
) -> None:
    """Rows and columns of the places `held` become those of the identity."""
    b = diagonal.shape[1]
    for place in held:
        line, r = place // b, place % b
        diagonal[line, r, :] = 0.0
        diagonal[line, :, r] = 0.0
        diagonal[line, r, r] = 1.0
        count = start[line + 1] - start[line]
        top = start[line] * b * b
        for k in range(count * b):
            low[top + k * b + r] = 0.0
            if both:
                high[top + r * count * b + k] = 0.0
        for other in range(line):
            if spot[other, line] >= 0:
                top = (start[other] + spot[other, line]) * b * b + r * b
                low[top : top + b] = 0.0
                if both:
                    wide = (start[other + 1] - start[other]) * b
                    top = start[other] * b * b + spot[other, line] * b + r
                    for k in range(b):
                        high[top + k * wide] = 0.0


@compiled
def _factor(low: Array, high: Array, diagonal: Array, later: Index, spot: Index, start: Index) -> bool:
    """Overwrite columns and rows with those of L (unit diagonal) and U, diagonal blocks with the inverse of
    U's; False where one of them is singular.
    """
    n, b = len(later), diagonal.shape[1]
    own, strip = diagonal.reshape(diagonal.size), np.empty((b, WIDE))
    lows = low.reshape(len(low) // (b * b), b, b)
    for k in range(n):
        if not inverted(diagonal[k]):
            return False
        begin, m = start[k] * b * b, start[k + 1] - start[k]
        times(low, begin, m * b, diagonal[k], strip)
        for q in range(m):
            j = later[k, q]
            for c in range(0, b, WIDE):
                take_strip(high, begin + q * b + c, m * b, strip)
                for p in range(m):
                    i, left = later[k, p], lows[start[k] + p]
                    if i == j:
                        less_product(left, strip, own, i * b * b + c, b)
                    elif j < i:
                        less_product(left, strip, low, (start[j] + spot[j, i]) * b * b + c, b)
                    else:
                        top = start[i] * b * b + spot[i, j] * b + c
                        less_product(left, strip, high, top, (start[i + 1] - start[i]) * b)
    return True


@compiled
def _factor_half(low: Array, diagonal: Array, later: Index, spot: Index, start: Index) -> bool:
    """Overwrite columns with those of R^T, R^T R the matrix, and diagonal blocks with the inverse of R's;
    False where it is not positive definite.
    """
    n, b = len(later), diagonal.shape[1]
    own, strip = diagonal.reshape(diagonal.size), np.empty((b, WIDE))
    lows = low.reshape(len(low) // (b * b), b, b)
    for k in range(n):
        if not rooted(diagonal[k]):
            return False
        begin, m = start[k] * b * b, start[k + 1] - start[k]
        times(low, begin, m * b, diagonal[k], strip)
        for q in range(m):
            j, right = later[k, q], lows[start[k] + q]
            for c in range(0, b, WIDE):
                for r in range(WIDE):
                    for i in range(b):
                        strip[i, r] = right[c + r, i]
                less_product(right, strip, own, j * b * b + c, b)
                for p in range(q + 1, m):
                    top = (start[j] + spot[j, later[k, p]]) * b * b + c
                    less_product(lows[start[k] + p], strip, low, top, b)
    return True


@compiled
def _solve(  # noqa: PLR0913, PLR0917 - compiled: arrays stay in registers
    low: Array, high: Array, inverse: Array, later: Index, start: Index, half: bool, x: Array
) -> None:
    """Forward and backward substitution in place."""
    n, b = len(later), inverse.shape[1]
    for k in range(n):
        own = x[k * b : (k + 1) * b]
        if half:
            put(np.dot(inverse[k].T, own), own)
        begin, m = start[k] * b * b, start[k + 1] - start[k]
        part = np.dot(low[begin : begin + m * b * b].reshape(m * b, b), own)
        for p in range(m):
            i = later[k, p] * b
            less(part[p * b : (p + 1) * b], x[i : i + b])
    beyond = np.empty(n * b)
    for k in range(n - 1, -1, -1):
        own = x[k * b : (k + 1) * b]
        begin, m = start[k] * b * b, start[k + 1] - start[k]
        for p in range(m):
            i = later[k, p] * b
            put(x[i : i + b], beyond[p * b : (p + 1) * b])
        if half:
            part = np.dot(low[begin : begin + m * b * b].reshape(m * b, b).T, beyond[: m * b])
        else:
            part = np.dot(high[begin : begin + m * b * b].reshape(b, m * b), beyond[: m * b])
        less(part, own)
        put(np.dot(inverse[k], own), own)
