"""Loads on a shell as terms: dead loads (points, edges, surface, weight) and pressure that follows.

A dead load is a vector f of forces on the unknowns with energy -f . x. Pressure acts along the current
normal; its second derivative is symmetric only when the pressurised surface is closed or its edges are held,
so the tangent keeps the symmetric part (Newton then converges linearly at free edges, to the same answer).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from fem.core.term import Array, Blocks, Evaluation
from fem.mesh.bicubic import hermite, shape_at
from fem.shell.energy import Shell

GAUSS = np.polynomial.legendre.leggauss(4)


@dataclass(frozen=True)
class DeadLoad:
    """Forces (n,) on the unknowns that keep their direction."""

    force: Array

    def evaluate(self, u: Array, order: int) -> Evaluation:  # noqa: ARG002 - linear at any order
        """Energy -f . u and gradient -f."""
        return Evaluation(-float(self.force @ u), -self.force)

    def __add__(self, other: DeadLoad) -> DeadLoad:
        return DeadLoad(self.force + other.force)


def point_load(shell: Shell, parameters: tuple[float, float], force: Array) -> DeadLoad:
    """Force (3,) [N] at one place of the surface."""
    dofs, values = shape_at(shell.grid, np.array([parameters]))
    result = np.zeros((shell.size // 3, 3))
    result[dofs[0]] += values[0, 0][:, None] * np.asarray(force, float)
    return DeadLoad(result.ravel())


def edge_load(shell: Shell, edge: str, force: Array) -> DeadLoad:
    """Force (3,) [N/mm] per rest length along an edge."""
    nodes = shell.grid.edge(edge)
    lines = shell.grid.across if edge in ("start", "end") else shell.grid.stations
    along = 2 if edge in ("start", "end") else 1
    result = np.zeros((shell.size // 3, 3))
    t, weights = 0.5 * (GAUSS[0] + 1.0), 0.5 * GAUSS[1]
    for a, b, h in zip(nodes[:-1], nodes[1:], np.diff(lines), strict=True):
        low, high = hermite(t), hermite(1.0 - t)
        dofs = np.array([4 * a, 4 * a + along, 4 * b, 4 * b + along])
        shape = np.array([low[0, 0], h * low[0, 1], high[0, 0], -h * high[0, 1]])
        slope = np.array([low[1, 0] / h, low[1, 1], -high[1, 0] / h, high[1, 1]])
        length = np.linalg.norm(slope.T @ shell.rest[dofs], axis=1) * h * weights
        result[dofs] += (shape @ length)[:, None] * np.asarray(force, float)
    return DeadLoad(result.ravel())


def surface_load(shell: Shell, force: Array | Callable[[Array], Array]) -> DeadLoad:
    """Force [N/mm^2] per rest area: (3,) or a function of rest positions (..., 3) -> (..., 3)."""
    at = np.einsum("epi,eic->epc", shell.grid.values, shell.rest[shell.grid.dofs])
    density = force(at) if callable(force) else np.broadcast_to(np.asarray(force, float), at.shape)
    result = np.zeros((shell.size // 3, 3))
    np.add.at(result, shell.grid.dofs, np.einsum("epi,epc,ep->eic", shell.grid.values, density, shell.area))
    return DeadLoad(result.ravel())


def weight(shell: Shell, gravity: Array) -> DeadLoad:
    """Own weight for an acceleration (3,) [mm/s^2]."""
    per_point = shell.density * shell.area
    forces = np.einsum("epi,ep->ei", shell.grid.values, per_point)
    result = np.zeros((shell.size // 3, 3))
    np.add.at(result, shell.grid.dofs, forces[:, :, None] * np.asarray(gravity, float))
    return DeadLoad(result.ravel())


@dataclass(frozen=True)
class Pressure:
    """Pressure [MPa] along the current normal a_1 x a_2, on the current area."""

    shell: Shell
    pressure: float

    def evaluate(self, u: Array, order: int) -> Evaluation:
        """Energy -p V with V = integral of x . n / 3 (plus edge terms that vanish when the edges are
        held).
        """
        grid = self.shell.grid
        local = u.reshape(-1, 3)[grid.dofs]
        vectors = np.einsum("epai,eic->epac", grid.derivatives[:, :, :2], local)
        at = np.einsum("epi,eic->epc", grid.values, local)
        area = np.cross(vectors[:, :, 0], vectors[:, :, 1])
        energy = -self.pressure * float(np.einsum("epc,epc,ep->", at, area, grid.weights)) / 3.0
        gradient = np.zeros((len(u) // 3, 3))
        force = -self.pressure * np.einsum("epi,epc,ep->eic", grid.values, area, grid.weights)
        np.add.at(gradient, grid.dofs, force)
        if order < 2:
            return Evaluation(energy, gradient.ravel())
        return Evaluation(energy, gradient.ravel(), (Blocks(self.shell.dofs, self._tangent(vectors)),))

    def _tangent(self, vectors: Array) -> Array:
        grid = self.shell.grid
        sign = np.zeros((3, 3, 3))
        for a, b, c in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):
            sign[a, b, c], sign[a, c, b] = 1.0, -1.0
        # d(a1 x a2)_c / dx_jd = N_j,1 (e_d x a2)_c + N_j,2 (a1 x e_d)_c
        first = np.einsum("cdk,epk->epcd", sign, vectors[:, :, 1])
        second = np.einsum("ckd,epk->epcd", sign, vectors[:, :, 0])
        shape = grid.derivatives
        values = np.einsum(
            "epi,epj,epcd,ep->eicjd", grid.values, shape[:, :, 0], first, grid.weights, optimize=True
        )
        values += np.einsum(
            "epi,epj,epcd,ep->eicjd", grid.values, shape[:, :, 1], second, grid.weights, optimize=True
        )
        full = -self.pressure * values.reshape(len(values), 48, 48)
        return np.asarray(0.5 * (full + full.transpose(0, 2, 1)))
