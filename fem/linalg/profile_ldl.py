"""Symmetric systems: assembly from small blocks, factorisation, inertia.

A tangent matrix is a sum of small dense blocks. It is kept as the profile of its lower triangle: each row
from its first non-zero column to the diagonal, the unknowns renumbered by the reverse Cuthill-McKee order,
which for a strip numbers them along its length. The factorisation is L D L^T without pivoting, so the
signs of D are the inertia of the matrix (Sylvester): no negative pivot means a positive definite tangent,
a stable point. On strips this is twice as fast as a general sparse factorisation, which also has to copy
its factor before the pivots can be read.

Source: George & Liu 1981, Computer Solution of Large Sparse Positive Definite Systems, ch. 4 (profile scheme,
reverse Cuthill-McKee).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import reverse_cuthill_mckee

from fem.core.term import Array, Blocks, Index
from fem.jit.decorators import compiled, inlined
from fem.jit.simd import LANES, lane_sum, put, splat, take

SINGULAR_PIVOT = 1e-15  # a pivot this small beside the largest diagonal entry counts as zero


@compiled
def _scatter(places: Index, values: Array, data: Array) -> None:
    for k in range(places.size):
        if places[k] >= 0:
            data[places[k]] += values[k]


@inlined
def _dot(left: Array, at: int, right: Array, other: int, count: int) -> float:
    """Product of `count` numbers from left[at] on with those from right[other] on."""
    fours, total = count - count % LANES, splat(0.0)
    for k in range(0, fours, LANES):
        total += take(left, (at + k,)) * take(right, (other + k,))
    rest = 0.0
    for k in range(fours, count):
        rest += left[at + k] * right[other + k]
    return lane_sum(total) + rest


@inlined
def _less_part(out: Array, at: int, values: Array, other: int, count: int, factor: float) -> None:
    """Take `count` values from values[other] on, times the factor, from those of out from out[at] on."""
    fours, part = count - count % LANES, splat(factor)
    for k in range(0, fours, LANES):
        put(out, (at + k,), take(out, (at + k,)) - part * take(values, (other + k,)))
    for k in range(fours, count):
        out[at + k] -= factor * values[other + k]


@inlined
def _divided(out: Array, at: int, pivots: Array, first: int, count: int) -> float:
    """Divide `count` entries L D from out[at] on by their pivots; returns the sum of L D L."""
    fours, total, rest = count - count % LANES, splat(0.0), 0.0
    for k in range(0, fours, LANES):
        scaled = take(out, (at + k,))
        entry = scaled / take(pivots, (first + k,))
        total += scaled * entry
        put(out, (at + k,), entry)
    for k in range(fours, count):
        scaled = out[at + k]
        out[at + k] = scaled / pivots[first + k]
        rest += scaled * out[at + k]
    return lane_sum(total) + rest


@inlined
def _dots(  # noqa: PLR0913, PLR0917 - compiled: rows stay in registers
    a0: Array, a1: Array, b0: Array, b1: Array, b2: Array, b3: Array, out: Array, row: int
) -> None:
    """out[row:row + 2] (.., 4) = products of two rows with four; their length is a multiple of four."""
    s00, s01, s02, s03 = splat(0.0), splat(0.0), splat(0.0), splat(0.0)
    s10, s11, s12, s13 = splat(0.0), splat(0.0), splat(0.0), splat(0.0)
    for k in range(0, a0.size, LANES):
        x0, x1 = take(a0, (k,)), take(a1, (k,))
        y0, y1, y2, y3 = take(b0, (k,)), take(b1, (k,)), take(b2, (k,)), take(b3, (k,))
        s00 += x0 * y0
        s01 += x0 * y1
        s02 += x0 * y2
        s03 += x0 * y3
        s10 += x1 * y0
        s11 += x1 * y1
        s12 += x1 * y2
        s13 += x1 * y3
    out[row, 0], out[row, 1], out[row, 2], out[row, 3] = (
        lane_sum(s00), lane_sum(s01), lane_sum(s02), lane_sum(s03)
    )  # fmt: skip
    out[row + 1, 0], out[row + 1, 1], out[row + 1, 2], out[row + 1, 3] = (
        lane_sum(s10), lane_sum(s11), lane_sum(s12), lane_sum(s13)
    )  # fmt: skip


@inlined
def _reduce_four_rows(data: Array, start: Index, first: Index, i: int, dots: Array) -> None:
    """Rows i..i+3, columns left of i: turn entries into L D, four by four."""
    f = first[i]
    r0, r1, r2, r3 = start[i] - f, start[i + 1] - f, start[i + 2] - f, start[i + 3] - f
    for j in range(f, i, 4):
        g = first[j]
        low = max(f, g)
        c0, c1, c2, c3 = start[j] - g, start[j + 1] - g, start[j + 2] - g, start[j + 3] - g
        b0, b1 = data[c0 + low : c0 + j], data[c1 + low : c1 + j]
        b2, b3 = data[c2 + low : c2 + j], data[c3 + low : c3 + j]
        _dots(data[r0 + low : r0 + j], data[r1 + low : r1 + j], b0, b1, b2, b3, dots, 0)
        _dots(data[r2 + low : r2 + j], data[r3 + low : r3 + j], b0, b1, b2, b3, dots, 2)
        l10, l20, l21 = data[c1 + j], data[c2 + j], data[c2 + j + 1]
        l30, l31, l32 = data[c3 + j], data[c3 + j + 1], data[c3 + j + 2]
        for r in range(4):
            row = start[i + r] - f
            p = data[row + j] - dots[r, 0]
            q = data[row + j + 1] - dots[r, 1] - p * l10
            t = data[row + j + 2] - dots[r, 2] - p * l20 - q * l21
            data[row + j], data[row + j + 1], data[row + j + 2] = p, q, t
            data[row + j + 3] -= dots[r, 3] + p * l30 + q * l31 + t * l32


@compiled
def _factorise_profile(data: Array, start: Index, first: Index) -> int:
    """Overwrite the profile with L (unit diagonal not stored) and D; return the count of zero pivots.

    Rows come in fours that begin at the same column, a multiple of four.
    """
    n = first.size
    largest = 0.0
    for i in range(n):
        largest = max(largest, abs(data[start[i + 1] - 1]))
    zero, dots, pivots = 0, np.empty((4, 4)), np.empty(n)
    for i in range(n):
        if i % 4 == 0 and i + 3 < n:
            _reduce_four_rows(data, start, first, i, dots)
        row = start[i] - first[i]
        block = i - i % 4
        for j in range(block if block + 3 < n else first[i], i):
            low = max(first[i], first[j])
            other = start[j] - first[j]
            data[row + j] -= _dot(data, row + low, data, other + low, j - low)
        pivot = data[row + i] - _divided(data, row + first[i], pivots, first[i], i - first[i])
        if abs(pivot) <= SINGULAR_PIVOT * largest:
            zero += 1
            pivot = SINGULAR_PIVOT * largest if largest > 0.0 else 1.0
        data[row + i] = pivots[i] = pivot
    return zero


@compiled
def _solve_profile(data: Array, start: Index, first: Index, x: Array) -> None:
    n = first.size
    for i in range(n):
        row = start[i] - first[i]
        x[i] -= _dot(data, row + first[i], x, first[i], i - first[i])
    for i in range(n):
        x[i] /= data[start[i + 1] - 1]
    for i in range(n - 1, -1, -1):
        row = start[i] - first[i]
        _less_part(x, first[i], data, row + first[i], i - first[i], x[i])


@compiled
def _multiply_profile(data: Array, start: Index, first: Index, x: Array, y: Array) -> None:
    for i in range(first.size):
        row = start[i] - first[i]
        own, at, count = row + first[i], first[i], i - first[i]
        _less_part(y, at, data, own, count, -x[i])
        y[i] += _dot(data, own, x, at, count) + data[row + i] * x[i]


@dataclass(frozen=True)
class Profile:
    """Shape of the stored lower triangle: order (n,) unknown at each row, first (n,) column kept in each row,
    start (n+1,) where each row begins in the data.
    """

    order: Index
    first: Index
    start: Index


@dataclass(frozen=True)
class ProfileFactor:
    """L D L^T of a symmetric matrix: `negative` pivots (its negative eigenvalues) and `zero` pivots."""

    profile: Profile
    data: Array
    negative: int
    zero: int

    @property
    def positive_definite(self) -> bool:
        return self.negative == 0 and self.zero == 0

    def solve(self, right: Array) -> Array:
        """Solution (n,) for a right-hand side (n,)."""
        x = right[self.profile.order]
        _solve_profile(self.data, self.profile.start, self.profile.first, x)
        solution = np.empty_like(x)
        solution[self.profile.order] = x
        return solution


@dataclass(frozen=True)
class SymmetricMatrix:
    """A symmetric matrix in profile storage; built by an `Assembler`."""

    profile: Profile
    data: Array

    @property
    def size(self) -> int:
        return int(self.profile.first.size)

    def diagonal(self) -> Array:
        """Diagonal (n,) in the order of the unknowns."""
        diagonal = np.empty(self.size)
        diagonal[self.profile.order] = self.data[self.profile.start[1:] - 1]
        return diagonal

    def shifted(self, diagonal: Array) -> SymmetricMatrix:
        """The matrix plus a diagonal (n,)."""
        data = self.data.copy()
        data[self.profile.start[1:] - 1] += diagonal[self.profile.order]
        return SymmetricMatrix(self.profile, data)

    def multiply(self, x: Array) -> Array:
        """Product (n,) with a vector (n,)."""
        result = np.zeros(self.size)
        _multiply_profile(self.data, self.profile.start, self.profile.first, x[self.profile.order], result)
        product = np.empty_like(result)
        product[self.profile.order] = result
        return product

    def dense(self) -> Array:
        """The full matrix (n, n); for tests and small systems."""
        full = np.zeros((self.size, self.size))
        for i in range(self.size):
            row = self.data[self.profile.start[i] : self.profile.start[i + 1]]
            columns = self.profile.order[self.profile.first[i] : i + 1]
            full[self.profile.order[i], columns] = row
            full[columns, self.profile.order[i]] = row
        return full

    def factorise(self) -> ProfileFactor:
        """L D L^T with its inertia; never fails (a zero pivot is counted and replaced by a tiny one)."""
        data = self.data.copy()
        zero = int(_factorise_profile(data, self.profile.start, self.profile.first))
        negative = int(np.count_nonzero(data[self.profile.start[1:] - 1] < 0.0))
        return ProfileFactor(self.profile, data, negative, zero)


class Assembler:
    """Sums blocks into a symmetric matrix; the numbering is worked out once for a set of dof tables.

    A dof of -1 is dropped (an unknown that is held). Blocks must be symmetric: only their lower triangle
    in the new numbering is read.
    """

    def __init__(self, size: int, tables: Sequence[Index]) -> None:
        self.size = size
        self.tables = tuple(tables)
        self.profile = self._profile()
        self._places = tuple(self._table_places(table) for table in self.tables)

    def fits(self, tables: Sequence[Index]) -> bool:
        """True if these are the very dof tables this assembler was made for."""
        return len(tables) == len(self.tables) and all(
            a is b for a, b in zip(tables, self.tables, strict=True)
        )

    def matrix(self, values: Sequence[Array]) -> SymmetricMatrix:
        """Matrix from one array (m, k, k) per dof table (m, k)."""
        data = np.zeros(int(self.profile.start[-1]))
        for places, block in zip(self._places, values, strict=True):
            _scatter(places, np.ascontiguousarray(block).reshape(-1), data)
        return SymmetricMatrix(self.profile, data)

    def _profile(self) -> Profile:
        rows, columns = [np.arange(self.size)], [np.arange(self.size)]
        for table in self.tables:
            k = table.shape[1]
            row, column = np.repeat(table, k, axis=1).ravel(), np.tile(table, (1, k)).ravel()
            keep = (row >= 0) & (column >= 0)
            rows.append(row[keep])
            columns.append(column[keep])
        row, column = np.concatenate(rows), np.concatenate(columns)
        graph = sparse.csr_matrix(
            (np.ones(row.size, dtype=np.int8), (row, column)), shape=(self.size, self.size)
        )
        order = np.asarray(reverse_cuthill_mckee(graph, symmetric_mode=True), dtype=np.int64)
        place = np.empty_like(order)
        place[order] = np.arange(self.size)
        first = np.arange(self.size)
        np.minimum.at(first, place[row], place[column])
        groups = np.arange(0, self.size, 4)  # the factorisation works on four rows at a time
        first = np.repeat(np.minimum.reduceat(first, groups) // 4 * 4, 4)[: self.size]
        start = np.concatenate([[0], np.cumsum(np.arange(self.size) - first + 1)]).astype(np.int64)
        return Profile(order, first.astype(np.int64), start)

    def _table_places(self, table: Index) -> Index:
        place = np.empty(self.size + 1, dtype=np.int64)
        place[self.profile.order] = np.arange(self.size)
        place[-1] = -1
        rows = place[table]
        k = table.shape[1]
        row, column = np.repeat(rows, k, axis=1), np.tile(rows, (1, k))
        index = self.profile.start[row] + column - self.profile.first[row]
        return np.where((column <= row) & (column >= 0), index, -1).ravel()


def assemble(
    size: int, blocks: Sequence[Blocks], known: Assembler | None = None
) -> tuple[SymmetricMatrix, Assembler]:
    """Matrix of a list of blocks, reusing the numbering of `known` when the dof tables are the same
    objects.
    """
    tables = [block.dofs for block in blocks]
    if known is None or known.size != size or not known.fits(tables):
        known = Assembler(size, tables)
    return known.matrix([block.values for block in blocks]), known
