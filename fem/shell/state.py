"""One state of a shell strip on a plain grid of stations and places across, as rows and pictures need it.

Stations are the lines of nodes. Shape and curvature are read there; strains are the largest of the Gauss
points next to each node, so that the grid's peak is that of the elements; forces are what the part beyond a
station is in balance with. A half model is mirrored.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from fem.core.term import Array
from fem.shell.fields import layer_fields, surface_strain
from fem.shell.kernels.energy import energy_gradient
from fem.shell.strip_shell import StripShell


@dataclass(frozen=True, eq=False)
class ShellState:
    """One state: unknowns (size,) of the shell, of half the width if the model has half.

    station (n,) [mm]; position (n, 2) [mm] and heading (n,) [rad] of the mid-line; curvature (n,) [1/mm];
    axial_force (n,) [N], > 0 tension; across (m,) [mm]; height, lateral (n, m) [mm] in the frame of the
    mid-line; strain (n, m) largest principal size; strain_share (n, m) of a material's elastic limit.
    """

    model: StripShell
    unknowns: Array
    station: Array
    position: Array
    heading: Array
    curvature: Array
    axial_force: Array
    across: Array
    height: Array
    lateral: Array
    strain: Array
    strain_share: Array

    @property
    def thickness(self) -> float:
        """Thickness of the whole stack [mm]."""
        return self.model.strip.thickness

    @cached_property
    def layer_strain(self) -> Array:
        """Largest principal |strain| on both faces of each layer (layers, n, m); nan where it is not."""
        return _layer_strain(self.model, self.unknowns)


def strip_state(model: StripShell, x: Array) -> ShellState:
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
    return ShellState(
        model,
        x,
        grid.stations,
        line[:, :2],
        heading,
        _curvature(model, x),
        np.einsum(
            "nc,nc->n", section_force(model, x)[:, :2], np.stack([np.cos(heading), np.sin(heading)], 1)
        ),
        across,
        height,
        lateral,
        strain,
        share,
    )


def _curvature(model: StripShell, x: Array) -> Array:
    """Change of heading per length of the mid-line at the stations, mean of both sides."""
    sides = []
    for dofs, values in model.beside_nodes:
        local = x.reshape(-1, 3)[dofs]
        first = np.einsum("mi,mic->mc", values[:, 1], local)
        second = np.einsum("mi,mic->mc", values[:, 3], local)
        turn = first[:, 0] * second[:, 1] - first[:, 1] * second[:, 0]
        sides.append(turn / np.hypot(first[:, 0], first[:, 1]) ** 3)
    return np.asarray(0.5 * (sides[0] + sides[1]))


def section_force(model: StripShell, x: Array) -> Array:
    """Force (n, 3) [N] of the part beyond on the section at each station, of the whole strip.

    It is the sum of the nodal forces of the row of elements beyond, so it balances everything that acts on
    the part beyond exactly. The sum of membrane forces across the width would not: in a strip that is curved
    along, the bending moment has its share in the force (Naghdi's n' = n - b m).
    """
    shell, grid = model.shell, model.shell.grid
    n = grid.stations.size
    place = np.ascontiguousarray(x).reshape(-1, 3)[grid.dofs].reshape(-1, 3)
    pull = np.zeros_like(place)  # of every element by itself
    own = np.arange(len(place)).reshape(grid.dofs.shape)
    energy_gradient(place, own, grid.derivatives, shell.rest_metric, shell.law, shell.no_extra, pull)
    pull = pull.reshape(-1, 4, 4, 3)[:, :, 0]  # on the places of its corners
    corner = grid.dofs[:, ::4] // 4 // grid.across.size
    row = corner.min(axis=1)
    force = np.zeros((n, 3))
    near = corner == row[:, None]
    np.add.at(force, row, -model.copies * np.where(near[..., None], pull, 0.0).sum(axis=1))
    last = row == n - 2
    force[n - 1] = model.copies * np.where(near[last][..., None], 0.0, pull[last]).sum(axis=(0, 1))
    if model.half:
        force[:, 2] = 0.0
    return force


def _layer_strain(model: StripShell, x: Array) -> Array:
    """Largest principal |strain| on both faces of each layer (layers, n, m); nan where it is not."""
    fields = layer_fields(model, x)
    worst: dict[int, Array] = {}
    for field in fields:
        e = field.strain
        mean, half = 0.5 * (e[..., 0] + e[..., 1]), 0.5 * (e[..., 0] - e[..., 1])
        size = np.abs(mean) + np.hypot(half, 0.5 * e[..., 2])
        worst[field.layer] = np.fmax(worst.get(field.layer, np.nan), size)
    sides = [_to_nodes(model, np.nan_to_num(worst[layer], nan=-1.0), -1.0) for layer in sorted(worst)]
    stacked = np.stack(sides)
    if model.half:
        stacked = np.concatenate([stacked[:, :, :0:-1], stacked], axis=2)
    return np.where(stacked >= 0.0, stacked, np.nan)


def _to_nodes(model: StripShell, values: Array, least: float = 0.0) -> Array:
    """Largest of the Gauss point values (ne, np) next to each node (n, m), at least `least`."""
    grid = model.shell.grid
    worst, read = np.full(grid.nodes, least), model.read_at_nodes
    beside = np.take_along_axis(values, model.next_to_nodes, axis=1)
    np.maximum.at(worst, (grid.dofs[:, ::4] // 4)[read], beside[read])
    return worst.reshape(grid.stations.size, grid.across.size)
