"""One state of a shell strip on a plain grid of stations and places across, the way pictures and rows want
it.

Stations are the lines of nodes. Shape and curvature are read there; strains are the largest of the Gauss
points next to each node, so that the grid's peak is that of the elements; forces are summed over rows of
elements. A half model is mirrored.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fem.element import shape_at
from fem.equilibrium import Array
from fem.shell_fields import layer_fields, surface_strain
from fem.shell_strip import StripShell


@dataclass(frozen=True, eq=False)
class StripState:
    """station (n,) [mm]; position (n, 2) [mm] and heading (n,) [rad] of the mid-line; curvature (n,) [1/mm];
    axial_force (n,) [N], > 0 tension; across (m,) [mm]; height, lateral (n, m) [mm] in the frame of the
    mid-line; strain (n, m) largest principal size; share (n, m) of a material's limit.
    """

    station: Array
    position: Array
    heading: Array
    curvature: Array
    axial_force: Array
    across: Array
    height: Array
    lateral: Array
    strain: Array
    share: Array


def strip_state(model: StripShell, x: Array) -> StripState:
    """Read a state x (size,)."""
    grid = model.shell.grid
    n, m = grid.stations.size, grid.across.size
    nodal = x.reshape(n, m, 4, 3)
    middle = int(np.argmin(np.abs(grid.across)))
    line, slope = nodal[:, middle, 0], nodal[:, middle, 1]
    heading = np.unwrap(np.arctan2(slope[:, 1], slope[:, 0]))
    normal = np.stack([-np.sin(heading), np.cos(heading), np.zeros(n)], axis=1)
    away = nodal[:, :, 0] - line[:, None]
    height = np.einsum("nmc,nc->nm", away, normal)
    lateral = away[:, :, 2]
    strain = _to_nodes(model, np.abs(surface_strain(model, x)))
    share = _to_nodes(model, np.nanmax([field.share for field in layer_fields(model, x)], axis=0))
    across = grid.across
    if model.half:
        mirror = slice(None, 0, -1)
        across = np.concatenate([-across[mirror], across])
        height, strain, share = (np.hstack([f[:, mirror], f]) for f in (height, strain, share))
        lateral = np.hstack([-lateral[:, mirror], lateral])
    return StripState(
        grid.stations,
        line[:, :2],
        heading,
        _curvature(model, x, middle),
        _axial_force(model, x),
        across,
        height,
        lateral,
        strain,
        share,
    )


def _curvature(model: StripShell, x: Array, middle: int) -> Array:
    """Change of heading per length of the mid-line at the stations, mean of both sides."""
    grid = model.shell.grid
    eta = float(grid.across[middle])
    nudge = 1e-6 * np.diff(grid.stations).min()
    sides = []
    for shift in (-nudge, nudge):
        s = np.clip(grid.stations + shift, grid.stations[0], grid.stations[-1])
        dofs, values = shape_at(grid, np.stack([s, np.full_like(s, eta)], axis=1))
        local = x.reshape(-1, 3)[dofs]
        first = np.einsum("mi,mic->mc", values[:, 1], local)
        second = np.einsum("mi,mic->mc", values[:, 3], local)
        turn = first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]
        sides.append(turn / np.hypot(first[:, 0], first[:, 1]) ** 3)
    return np.asarray(0.5 * (sides[0] + sides[1]))


def _axial_force(model: StripShell, x: Array) -> Array:
    """Membrane force along the strip summed over the width, from the rows of elements to the stations."""
    shell, grid = model.shell, model.shell.grid
    strain = shell.strains(x)
    force = np.einsum("eps,eps->ep", shell.laminate[:, :, 0], strain)
    row = np.searchsorted(grid.stations, grid.points[:, 0, 0]) - 1
    size = np.diff(grid.stations)
    summed = np.bincount(row, (force * shell.area).sum(axis=1)) / size * model.copies
    middle = 0.5 * (grid.stations[1:] + grid.stations[:-1])
    return np.asarray(np.interp(grid.stations, middle, summed))


def _to_nodes(model: StripShell, values: Array) -> Array:
    """Largest of the Gauss point values (ne, np) next to each node (n, m)."""
    grid = model.shell.grid
    nodes = grid.dofs[:, ::4] // 4
    away = grid.coordinates()[nodes][:, :, None] - grid.points[:, None]  # (ne, 4, np, 2)
    nearest = np.argmin(np.linalg.norm(away, axis=-1), axis=-1)
    worst = np.zeros(grid.nodes)
    np.maximum.at(worst, nodes, np.take_along_axis(values, nearest, axis=1))
    return worst.reshape(grid.stations.size, grid.across.size)
