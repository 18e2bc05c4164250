"""Dead loads on a shell as terms: at points, on edges, on the surface, weight.

A dead load is a vector f of forces on the unknowns with energy -f . x.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from fem.core.term import Array, DeadLoad
from fem.mesh.bicubic import hermite, shape_at
from fem.shell.energy import Shell

GAUSS = np.polynomial.legendre.leggauss(4)


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
