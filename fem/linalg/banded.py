"""Banded Cholesky for potentials whose unknowns sit on a line that may touch itself.

Unknowns come in groups (the nodes of a rod). The groups are renumbered so that wraps which touch lie close
together (reverse Cuthill-McKee), the blocks are summed into LAPACK's band storage, and the factorisation
itself tells whether the matrix is positive definite.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dgbtrf, dgbtrs, dpbtrf, dpbtrs
from scipy.sparse import csr_array
from scipy.sparse.csgraph import reverse_cuthill_mckee

from fem.core.term import Array, Blocks, Index
from fem.jit.decorators import compiled, inlined

Marks = NDArray[np.bool_]
KNOWN_TABLES = 4
"""How many tables of unknowns keep their pattern: those of the elements come back in every call."""


class Solver(Protocol):
    """Factors of a matrix."""

    def solve(self, right: Array) -> Array: ...


class Matrix(Protocol):
    """Sums blocks and factors them, as `BandMatrix` does."""

    fixed: Marks

    def assemble(self, blocks: list[Blocks]) -> None: ...
    def factor(self, shift: Array | None = None) -> Solver | None: ...
    def factor_general(self, blocks: list[Blocks]) -> Solver | None: ...


@dataclass
class Joints:
    """Which groups of unknowns share a block; what tables that come back say is kept."""

    _known: dict[int, tuple[Index, Marks]] = field(default_factory=dict)

    def of(self, blocks: list[Blocks], size: int, group: int) -> Marks:
        """Marks (groups, groups) for blocks of `size` unknowns in groups of `group`."""
        groups = size // group
        joined = np.zeros((groups, groups), dtype=np.bool_)
        for block in blocks:
            kept = self._known.get(id(block.dofs))
            if kept is not None and kept[0] is block.dofs:
                joined |= kept[1]
                continue
            own = np.zeros_like(joined)
            _join(block.dofs, group, own)
            joined |= own
            if len(self._known) < KNOWN_TABLES:
                self._known[id(block.dofs)] = (block.dofs, own)
        return joined


@dataclass(frozen=True)
class BandFactor:
    """Cholesky factor of a positive definite band matrix."""

    lower: Array
    place: Index
    fixed: Marks

    def solve(self, right: Array) -> Array:
        """Solution for a right-hand side (n,); prescribed unknowns come out as zero."""
        permuted = np.empty_like(right)
        permuted[self.place] = np.where(self.fixed, 0.0, right)
        x, info = dpbtrs(self.lower, permuted, lower=1)
        if info != 0:
            raise ArithmeticError(f"banded solve failed with LAPACK code {info}")
        return np.asarray(x[self.place])


@dataclass(frozen=True)
class GeneralFactor:
    """LU factor of a band matrix that need not be symmetric, `width` diagonals on both sides."""

    factor: Array
    pivots: Index
    width: int
    place: Index
    fixed: Marks

    def solve(self, right: Array) -> Array:
        """Solution for a right-hand side (n,); prescribed unknowns come out as zero."""
        permuted = np.empty_like(right)
        permuted[self.place] = np.where(self.fixed, 0.0, right)
        x, info = dgbtrs(self.factor, self.width, self.width, permuted, self.pivots)
        if info != 0:
            raise ArithmeticError(f"banded solve failed with LAPACK code {info}")
        return np.asarray(x[self.place])


@dataclass
class BandMatrix:
    """Sum of blocks in band storage; the numbering is kept while the pattern stays."""

    size: int
    group: int
    fixed: Marks
    _pattern: bytes = b""
    _place: Index = field(default_factory=lambda: np.zeros(0, np.int64))
    _width: int = 0
    _band: Array = field(default_factory=lambda: np.zeros((1, 1)))
    _joints: Joints = field(default_factory=Joints)

    def assemble(self, blocks: list[Blocks]) -> None:
        """Sum the blocks; rows and columns of prescribed unknowns become the identity."""
        self._number(blocks)
        band = np.zeros((self._width + 1, self.size), order="F")
        for block in _together(blocks):
            _add(block.dofs, block.values, self._place, self.fixed, band)
        scale = float(np.abs(band[0]).max())
        band[0, self._place[self.fixed]] = scale if scale > 0 else 1.0
        self._band = band

    def factor(self, shift: Array | None = None) -> BandFactor | None:
        """Cholesky factor of the matrix plus a diagonal shift (n,); None when it is not positive definite."""
        band = self._band
        if shift is not None:
            band = band.copy(order="F")
            band[0, self._place] += shift
        lower, info = dpbtrf(band, lower=1)
        return BandFactor(lower, self._place, self.fixed) if info == 0 else None

    def factor_general(self, blocks: list[Blocks]) -> GeneralFactor | None:
        """LU factor of the sum of blocks that are not symmetric; None when the matrix is singular."""
        self._number(blocks)
        k = self._width
        band = np.zeros((3 * k + 1, self.size), order="F")
        for block in _together(blocks):
            _add_general(block.dofs, block.values, self._place, self.fixed, k, band)
        band[2 * k, self._place[self.fixed]] = 1.0
        factor, pivots, info = dgbtrf(band, k, k, overwrite_ab=1)
        return GeneralFactor(factor, pivots, k, self._place, self.fixed) if info == 0 else None

    def diagonal(self) -> Array:
        """Diagonal (n,) in the order of the unknowns."""
        return np.asarray(self._band[0, self._place])

    def multiply(self, x: Array) -> Array:
        """Product with a vector."""
        out = np.zeros(self.size)
        permuted = np.zeros(self.size)
        permuted[self._place] = x
        _multiply(self._band, permuted, out)
        return np.asarray(out[self._place])

    def _number(self, blocks: list[Blocks]) -> None:
        groups = self.size // self.group
        joined = self._joints.of(blocks, self.size, self.group)
        key = joined.tobytes()
        if key == self._pattern:
            return
        first, second = np.nonzero(joined)
        order = reverse_cuthill_mckee(csr_array(joined), symmetric_mode=True)
        rank = np.empty(groups, np.int64)
        rank[order] = np.arange(groups)
        reach = int(np.abs(rank[first] - rank[second]).max())
        natural = int(np.abs(first - second).max())
        if reach >= natural:
            rank, reach = np.arange(groups), natural
        self._pattern = key
        self._place = (rank[:, None] * self.group + np.arange(self.group)[None, :]).ravel()
        self._width = (reach + 1) * self.group - 1


@compiled
def _join(dofs: Index, group: int, joined: Marks) -> None:
    """Mark the groups that share a block."""
    m, k = dofs.shape
    for b in range(m):
        last = -1
        for i in range(k):
            gi = dofs[b, i] // group
            if gi == last:
                continue
            last = gi
            before = -1
            for j in range(k):
                gj = dofs[b, j] // group
                if gj != before:
                    joined[gi, gj] = True
                before = gj


@compiled
def _add(dofs: Index, values: Array, place: Index, fixed: Marks, band: Array) -> None:
    """Sum blocks into lower band storage."""
    m, k = dofs.shape
    at = np.empty(k, np.int64)
    for b in range(m):
        _places(dofs[b], place, fixed, at)
        for j in range(k):
            pj = at[j]
            if pj < 0:
                continue
            for i in range(k):
                if at[i] >= pj:
                    band[at[i] - pj, pj] += values[b, i, j]


@compiled
def _add_general(dofs: Index, values: Array, place: Index, fixed: Marks, k: int, band: Array) -> None:
    """Sum blocks into general band storage with k diagonals on both sides."""
    m, n = dofs.shape
    at = np.empty(n, np.int64)
    for b in range(m):
        _places(dofs[b], place, fixed, at)
        for j in range(n):
            pj = at[j]
            if pj < 0:
                continue
            for i in range(n):
                if at[i] >= 0:
                    band[2 * k + at[i] - pj, pj] += values[b, i, j]


@inlined
def _places(dofs: Index, place: Index, fixed: Marks, at: Index) -> None:
    """Rows (k,) of a block's unknowns, -1 where one is prescribed."""
    for i in range(len(dofs)):
        at[i] = -1 if fixed[dofs[i]] else place[dofs[i]]


def _together(blocks: list[Blocks]) -> list[Blocks]:
    """Blocks of the same unknowns as one: to sum arrays is cheaper than to sum each into a band."""
    sums: dict[int, Blocks] = {}
    for block in blocks:
        before = sums.get(id(block.dofs))
        sums[id(block.dofs)] = block if before is None else Blocks(block.dofs, before.values + block.values)
    return list(sums.values())


@compiled
def _multiply(band: Array, x: Array, out: Array) -> None:
    """Product of a symmetric band matrix with x, added to out."""
    width, n = band.shape
    for j in range(n):
        out[j] += band[0, j] * x[j]
        for i in range(1, min(width, n - j)):
            out[j + i] += band[i, j] * x[j]
            out[j] += band[i, j] * x[j + i]
