"""A C1 rectangle in closed form: products of cubic Hermite polynomials (Bogner, Fox & Schmit 1966).

Four unknowns a corner: value, derivative along the first coordinate, along the second, and the mixed one.
Everything is written with each element's own sides, so nothing is lost on long strips in millimetres, and
nothing is remembered between meshes. The mesh must consist of rectangles parallel to the axes: grade it, do
not skew it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from skfem import Basis, Element, MeshQuad
from skfem.element import DiscreteField
from skfem.refdom import RefQuad

from fem.core.term import Array, Index

QUADRATURE_ORDER = 5  # 3 x 3 Gauss points


def hermite(t: Array) -> Array:
    """Cubic Hermite functions of t in [0, 1] that belong to the end t = 0: [derivative 0..2, value|slope,
    ...].
    """
    value = [1 - 3 * t**2 + 2 * t**3, -6 * t + 6 * t**2, -6 + 12 * t]
    slope = [t - 2 * t**2 + t**3, 1 - 4 * t + 3 * t**2, -4 + 6 * t]
    return np.array([[value[k], slope[k]] for k in range(3)])


class BicubicRectangle(Element):  # type: ignore[misc]  # scikit-fem is not typed
    """The Bogner-Fox-Schmit element for scikit-fem; dof names as in its stock element."""

    nodal_dofs = 4
    maxdeg = 6
    dofnames = ["u", "u_x", "u_y", "u_xy"]  # noqa: RUF012 - the library wants a list
    doflocs = np.repeat(np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]]), 4, axis=0)
    refdom = RefQuad

    def gbasis(self, mapping: Any, X: Array, i: int, tind: Index | None = None) -> tuple[Any, ...]:
        """Basis function i at local points X: value, gradient and second derivatives, each (..., ne, np)."""
        if not 0 <= i < 16:
            self._index_error()
        mesh = mapping.mesh
        cells = mesh.t if tind is None else mesh.t[:, tind]
        corner, kind = divmod(i, 4)
        at = mapping.F(X, tind=tind)  # (2, ne, np)
        factor = []
        for axis in range(2):
            line = mesh.p[axis][cells]  # (4, ne)
            side = line.max(axis=0) - line.min(axis=0)
            away = np.where(line[corner] < line.mean(axis=0), 1.0, -1.0)
            shape = hermite(np.abs(at[axis] - line[corner][:, None]) / side[:, None])
            slope = (kind >> axis) & 1
            power = (side * away)[:, None]
            factor.append([shape[k, slope] * power ** (slope - k) for k in range(3)])
        (f0, f1, f2), (g0, g1, g2) = factor
        gradient = np.array([f1 * g0, f0 * g1])
        second = np.array([[f2 * g0, f1 * g1], [f1 * g1, f0 * g2]])
        return (DiscreteField(value=f0 * g0, grad=gradient, hess=second),)


@dataclass(frozen=True)
class Grid:
    """A graded rectangle mesh with its C1 basis.

    stations (ns,) and across (nq,) are the grid lines; node k = i * nq + j sits at (stations[i], across[j]);
    its scalar dofs are nodal[:, k] (4). dofs (ne, 16), derivatives (ne, 9, 5, 16) of the basis at the Gauss
    points (first, second, 11, 22, 12), values (ne, 9, 16), points (ne, 9, 2), weights (ne, 9) [area].
    """

    stations: Array
    across: Array
    nodal: Index
    dofs: Index
    values: Array
    derivatives: Array
    points: Array
    weights: Array

    @property
    def nodes(self) -> int:
        return int(self.stations.size * self.across.size)

    def node(self, i: int | Index, j: int | Index) -> Index:
        """Node numbers at grid line i along and j across (negative counts from the end)."""
        i, j = np.asarray(i) % self.stations.size, np.asarray(j) % self.across.size
        return np.asarray(i * self.across.size + j)

    def edge(self, name: str) -> Index:
        """Nodes of an edge: "start" or "end" of the first coordinate, "low" or "high" of the second."""
        i, j = np.arange(self.stations.size), np.arange(self.across.size)
        ends: dict[str, tuple[int | Index, int | Index]] = {
            "start": (0, j),
            "end": (-1, j),
            "low": (i, 0),
            "high": (i, -1),
        }
        if name not in ends:
            raise ValueError(f"edge must be one of {', '.join(ends)}, got {name!r}")
        return self.node(*ends[name])

    def coordinates(self) -> Array:
        """Parameters (n, 2) of the nodes."""
        return np.stack(np.meshgrid(self.stations, self.across, indexing="ij"), axis=-1).reshape(-1, 2)


def _increasing(name: str, lines: Array) -> Array:
    lines = np.asarray(lines, dtype=float)
    if lines.ndim != 1 or lines.size < 2 or np.any(np.diff(lines) <= 0.0):
        raise ValueError(f"{name} must be at least two increasing numbers, got {lines!r}")
    return lines


def build_grid(stations: Array, across: Array, cells: Index | None = None) -> Grid:
    """Grid and basis from two increasing sequences of grid lines.

    cells: corners (ne, 4) of the elements by node, anticlockwise from the lowest, in the order in which the
    elements shall be numbered; None numbers them as the nodes are.
    """
    stations, across = _increasing("stations", stations), _increasing("across", across)
    if cells is None:
        mesh = MeshQuad.init_tensor(stations, across)
    else:
        places = np.vstack([np.repeat(stations, across.size), np.tile(across, stations.size)])
        mesh = MeshQuad(places, np.ascontiguousarray(cells[:, [0, 3, 2, 1]].T, dtype=np.int32))
    basis = Basis(mesh, BicubicRectangle(), intorder=QUADRATURE_ORDER)
    # scikit-fem numbers the nodes its own way; node k of the grid is found by its indices
    i = np.searchsorted(stations, mesh.p[0] - 1e-12 * np.ptp(stations))
    j = np.searchsorted(across, mesh.p[1] - 1e-12 * np.ptp(across))
    nodal = np.empty((4, mesh.p.shape[1]), dtype=np.int64)
    renumber = np.empty(basis.N, dtype=np.int64)
    place = i * across.size + j
    for kind in range(4):
        nodal[kind, place] = 4 * place + kind
        renumber[basis.nodal_dofs[kind]] = 4 * place + kind
    fields = [basis.basis[k][0] for k in range(16)]
    values = np.stack([np.asarray(f) for f in fields], axis=-1)
    table = [np.stack([f.grad[a] for f in fields], axis=-1) for a in range(2)]
    table += [np.stack([f.hess[a, b] for f in fields], axis=-1) for a, b in ((0, 0), (1, 1), (0, 1))]
    points = np.moveaxis(np.asarray(basis.global_coordinates()), 0, -1)
    dofs = np.ascontiguousarray(renumber[basis.element_dofs.T])
    derivatives = np.ascontiguousarray(np.stack(table, axis=2))
    return Grid(stations, across, nodal, dofs, values, derivatives, points, np.ascontiguousarray(basis.dx))


def shape_at(grid: Grid, parameters: Array) -> tuple[Index, Array]:
    """Basis at any parameters (m, 2): dofs (m, 16) and values (m, 6, 16): N, N_1, N_2, N_11, N_22, N_12.

    Points outside are refused with ValueError.
    """
    parameters = np.atleast_2d(parameters)
    cell, factor = [], []
    for axis, lines in enumerate((grid.stations, grid.across)):
        at = parameters[:, axis]
        slack = 1e-9 * (lines[-1] - lines[0])
        if np.any(at < lines[0] - slack) or np.any(at > lines[-1] + slack):
            raise ValueError(f"parameter {axis} must lie in [{lines[0]:g}, {lines[-1]:g}]")
        k = np.clip(np.searchsorted(lines, at, side="right") - 1, 0, lines.size - 2)
        side = lines[k + 1] - lines[k]
        t = (at - lines[k]) / side
        low, high = hermite(t), hermite(1.0 - t)
        power = np.array([[side ** (s - d) for s in range(2)] for d in range(3)])
        sign = np.array([[(-1.0) ** (s - d) for s in range(2)] for d in range(3)])[:, :, None]
        factor.append(np.stack([low * power, high * power * sign], axis=0))  # (end, derivative, kind, m)
        cell.append(k)
    dofs = np.empty((len(parameters), 16), dtype=np.int64)
    values = np.empty((len(parameters), 6, 16))
    orders = ((0, 0), (1, 0), (0, 1), (2, 0), (0, 2), (1, 1))
    column = 0
    for a in range(2):
        for b in range(2):
            node = grid.node(cell[0] + a, cell[1] + b)
            for kind in range(4):
                dofs[:, column] = 4 * node + kind
                for row, (da, db) in enumerate(orders):
                    values[:, row, column] = factor[0][a, da, kind & 1] * factor[1][b, db, kind >> 1]
                column += 1
    return dofs, values
