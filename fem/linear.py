"""Symmetric systems: assembly from small blocks, factorisation, inertia.

A tangent matrix is a sum of small dense blocks. It is kept as the profile of its lower triangle: each row
from its first non-zero column to the diagonal, the unknowns renumbered by the reverse Cuthill-McKee order,
which for a strip numbers them along its length. The factorisation is L D L^T without pivoting, so the
signs of D are the inertia of the matrix (Sylvester): no negative pivot means a positive definite tangent,
a stable point. On strips this is twice as fast as a general sparse factorisation, which also has to copy
its factor before the pivots can be read.

Sources: George & Liu, Computer Solution of Large Sparse Positive Definite Systems (1981), ch. 4 (profile
scheme, reverse Cuthill-McKee).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numba
import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import reverse_cuthill_mckee

from fem.equilibrium import Array, Blocks, Index

SINGULAR_PIVOT = 1e-15  # a pivot this small beside the largest diagonal entry counts as zero


@numba.njit(cache=True)
def _scatter(places: Index, values: Array, data: Array) -> None:
    for k in range(places.size):
        if places[k] >= 0:
            data[places[k]] += values[k]


@numba.njit(cache=True, fastmath=True)
def _factorise_profile(data: Array, start: Index, first: Index) -> int:
    """Overwrite the profile with L (unit diagonal not stored) and D; return the count of zero pivots."""
    n = first.size
    largest = 0.0
    for i in range(n):
        largest = max(largest, abs(data[start[i + 1] - 1]))
    zero = 0
    for i in range(n):
        row = start[i] - first[i]
        for j in range(first[i], i):
            low = max(first[i], first[j])
            other = start[j] - first[j]
            left = data[row + low : row + j]
            right = data[other + low : other + j]
            total = 0.0
            for k in range(left.size):
                total += left[k] * right[k]
            data[row + j] -= total
        pivot = data[row + i]
        for j in range(first[i], i):
            scaled = data[row + j]
            entry = scaled / data[start[j + 1] - 1]
            pivot -= scaled * entry
            data[row + j] = entry
        if abs(pivot) <= SINGULAR_PIVOT * largest:
            zero += 1
            pivot = SINGULAR_PIVOT * largest if largest > 0.0 else 1.0
        data[row + i] = pivot
    return zero


@numba.njit(cache=True, fastmath=True)
def _solve_profile(data: Array, start: Index, first: Index, x: Array) -> None:
    n = first.size
    for i in range(n):
        row = start[i] - first[i]
        total = 0.0
        for j in range(first[i], i):
            total += data[row + j] * x[j]
        x[i] -= total
    for i in range(n):
        x[i] /= data[start[i + 1] - 1]
    for i in range(n - 1, -1, -1):
        row = start[i] - first[i]
        value = x[i]
        for j in range(first[i], i):
            x[j] -= data[row + j] * value


@numba.njit(cache=True, fastmath=True)
def _multiply_profile(data: Array, start: Index, first: Index, x: Array, y: Array) -> None:
    for i in range(first.size):
        row = start[i] - first[i]
        total = data[row + i] * x[i]
        value = x[i]
        for j in range(first[i], i):
            total += data[row + j] * x[j]
            y[j] += data[row + j] * value
        y[i] += total


@dataclass(frozen=True)
class Profile:
    """Shape of the stored lower triangle: order (n,) unknown at each row, first (n,) column kept in each row,
    start (n+1,) where each row begins in the data."""

    order: Index
    first: Index
    start: Index


@dataclass(frozen=True)
class Factor:
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

    def weakest(self) -> int:
        """Unknown that holds the smallest pivot in absolute value."""
        diagonal = np.abs(self.data[self.profile.start[1:] - 1])
        return int(self.profile.order[int(np.argmin(diagonal))])


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
        """This matrix plus a diagonal (n,)."""
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

    def factorise(self) -> Factor:
        """L D L^T with its inertia; never fails (a zero pivot is counted and replaced by a tiny one)."""
        data = self.data.copy()
        zero = int(_factorise_profile(data, self.profile.start, self.profile.first))
        negative = int(np.count_nonzero(data[self.profile.start[1:] - 1] < 0.0))
        return Factor(self.profile, data, negative, zero)


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
        graph = sparse.csr_matrix((np.ones(row.size, dtype=np.int8), (row, column)), shape=(self.size, self.size))
        order = np.asarray(reverse_cuthill_mckee(graph, symmetric_mode=True), dtype=np.int64)
        place = np.empty_like(order)
        place[order] = np.arange(self.size)
        first = np.arange(self.size)
        np.minimum.at(first, place[row], place[column])
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


def assemble(size: int, blocks: Sequence[Blocks], known: Assembler | None = None) -> tuple[SymmetricMatrix, Assembler]:
    """Matrix of a list of blocks, reusing the numbering of `known` when the dof tables are the same objects."""
    tables = [block.dofs for block in blocks]
    if known is None or known.size != size or not known.fits(tables):
        known = Assembler(size, tables)
    return known.matrix([block.values for block in blocks]), known
