"""A structure: terms of one potential, some of them driven, held at its ends.

`Structure` adds the terms up and writes everything in the free unknowns: energy, gradient, tangent, and how
the gradient moves with the level. It is what the solvers see; it knows no shell, rod or case.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol, runtime_checkable

import numpy as np

from fem.core.term import Array, Blocks, Index, Term
from fem.linalg.profile_ldl import Assembler, SymmetricMatrix, assemble
from fem.solvers.constraints import Ends

LEVEL_STEP = 1e-5  # central difference in the level; the gradient is linear or smooth in it


@runtime_checkable
class Extrapolating(Protocol):
    """A term that can give its tangent with stresses extrapolated linearly over the last step.

    Only the geometric part changes, and only while the step is finite: Newton's method with mixed integration
    points (Magisano, Leonetti & Garcea 2017, Comput. Methods Appl. Mech. Engng 313:986, from memory).
    """

    def extrapolated(self, u: Array, step: Array) -> tuple[Blocks, ...]: ...


class _Table:
    """The reduced counterpart of one dof table: plain rows, and rows that touch bodies."""

    def __init__(self, table: Index, ends: Ends) -> None:
        self.source = table
        owner = np.full(ends.size, -1, dtype=np.int64)
        for k, body in enumerate(ends.bodies):
            owner[body.dofs.ravel()] = k
        reduced = np.where(table >= 0, ends.number[table], -1)
        touched = [owner[table] == k for k in range(len(ends.bodies))]
        key = np.zeros(len(table), dtype=np.int64)
        for k, mask in enumerate(touched):
            if ends.bodies[k].unknowns:
                key += mask.any(axis=1) * 2**k
        self.groups: list[tuple[Index, list[int]]] = []
        self.tables: list[Index] = []
        for value in np.unique(key):
            rows = np.flatnonzero(key == value)
            bodies = [k for k in range(len(ends.bodies)) if value >> k & 1]
            own = [np.arange(ends.slots[k].start, ends.slots[k].stop) for k in bodies]
            self.groups.append((rows, bodies))
            if own:
                extra = np.tile(np.concatenate(own), (rows.size, 1))
                self.tables.append(np.hstack([reduced[rows], extra]).astype(np.int64))
            else:  # all rows stay, those of other groups dropped: nothing has to be copied
                self.tables.append(np.where((key == value)[:, None], reduced, -1).astype(np.int64))

    def blocks(self, values: Array, slopes: list[Array]) -> list[Blocks]:
        """Blocks in the reduced unknowns; slopes[k] (size, unknowns) is dx/d(unknowns of body k)."""
        result = []
        for (rows, bodies), table in zip(self.groups, self.tables, strict=True):
            block = values[rows] if bodies else values
            if bodies:
                slope = np.concatenate([slopes[k] for k in bodies], axis=1)[self.source[rows]]
                side = block @ slope
                corner = slope.transpose(0, 2, 1) @ side
                upper = np.concatenate([block, side], axis=2)
                lower = np.concatenate([side.transpose(0, 2, 1), corner], axis=2)
                block = np.concatenate([upper, lower], axis=1)
            result.append(Blocks(table, block))
        return result


class Structure:
    """Terms, terms multiplied by the level, and ends; `weights` (size,) make every full unknown a length."""

    def __init__(
        self, terms: Sequence[Term], ends: Ends, driven: Sequence[Term] = (), weights: Array | None = None
    ) -> None:
        self.terms, self.driven, self.ends = tuple(terms), tuple(driven), ends
        self.full_weights = np.ones(ends.size) if weights is None else weights
        self.weights = ends.weights(self.full_weights)
        self._assembler: Assembler | None = None
        self._tables: dict[int, _Table] = {}
        self._own = tuple(np.arange(slot.start, slot.stop)[None] for slot in ends.slots)
        loads = [np.zeros(ends.free.size), *(body.loads() for body in ends.bodies)]
        self._load = np.concatenate(loads)

    @property
    def size(self) -> int:
        return self.ends.reduced_size

    def energy(self, u: Array, level: float) -> float:
        """Potential energy [N mm]: strain energy less the work of the loads."""
        x = self.ends.expand(u, level)
        total = sum(term.evaluate(x, 0).energy for term in self.terms)
        total += level * sum(term.evaluate(x, 0).energy for term in self.driven)
        return float(total - level * (self._load @ u))

    def stored(self, u: Array, level: float) -> float:
        """Energy [N mm] of the terms that are not driven."""
        x = self.ends.expand(u, level)
        return float(sum(term.evaluate(x, 0).energy for term in self.terms))

    def full_gradient(self, u: Array, level: float) -> Array:
        """Gradient (size,) with respect to all unknowns [N]: minus the reactions where they are held."""
        x = self.ends.expand(u, level)
        total = np.zeros(self.ends.size)
        for term in self.terms:
            total += term.evaluate(x, 1).gradient
        for term in self.driven:
            total += level * term.evaluate(x, 1).gradient
        return total

    def gradient(self, u: Array, level: float) -> Array:
        """Gradient (n,) in the free unknowns."""
        return self.ends.pull_back(u, level, self.full_gradient(u, level)) - level * self._load

    def tangent(self, u: Array, level: float, step: Array | None = None) -> SymmetricMatrix:
        """Second derivative in the free unknowns; with `step`, geometric parts extrapolated over it."""
        x = self.ends.expand(u, level)
        move = None if step is None else self.ends.push_forward(u, level, step)
        pieces: list[Blocks] = []
        slopes = self._slopes(u, level)
        turning = any(body.free_spins for body in self.ends.bodies)
        for factor, terms in ((1.0, self.terms), (level, self.driven)):
            for term in terms:
                if move is not None and isinstance(term, Extrapolating):
                    blocks = term.extrapolated(x, move)
                else:
                    blocks = term.evaluate(x, 2).blocks
                for block in blocks:
                    values = block.values if factor == 1.0 else factor * block.values
                    pieces += self._table(block.dofs).blocks(values, slopes)
        if turning:
            pieces += self.ends.body_blocks(u, self.full_gradient(u, level), self._own)
        matrix, self._assembler = assemble(self.size, pieces, self._assembler)
        return matrix

    def rate(self, u: Array, level: float) -> Array:
        """d(gradient)/d(level), (n,)."""
        ahead, behind = self.gradient(u, level + LEVEL_STEP), self.gradient(u, level - LEVEL_STEP)
        return np.asarray((ahead - behind) / (2.0 * LEVEL_STEP))

    def reaction(self, u: Array, level: float, body: int) -> tuple[Array, Array]:
        """Force [N] and moment about its centre [N mm] that a body exerts on the structure, each (3,)."""
        which, slot = self.ends.bodies[body], self.ends.slots[body]
        return which.resultant(u[slot], level, self.full_gradient(u, level)[which.dofs])

    def _slopes(self, u: Array, level: float) -> list[Array]:
        slopes = []
        for body, slot in zip(self.ends.bodies, self.ends.slots, strict=True):
            slope = np.zeros((self.ends.size, body.unknowns))
            if body.unknowns:
                slope[body.dofs] = body.derivative(u[slot], level)
            slopes.append(slope)
        return slopes

    def _table(self, dofs: Index) -> _Table:
        if len(self._tables) > 64:  # terms that make new tables every time must not fill the memory
            self._tables.clear()
        known = self._tables.get(id(dofs))
        if known is None or known.source is not dofs:
            known = self._tables[id(dofs)] = _Table(dofs, self.ends)
        return known
