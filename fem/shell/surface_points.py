"""Where a shell can touch: points on its surface, finer than the quadrature.

They sit at stations along the strip and on lines across that include the free edge and, of a half model,
the plane of symmetry. What happens at a point (its face, how it moves with the unknowns) is in
`fem.shell.kernels.faces`.

`split` stations in a row are a group: near sharp roundings all of them count, elsewhere the middle one stands
for all, so that the area they stand for is always the same.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from fem.contact.settings import END_SHARE, with_ends
from fem.core.term import Array, Index
from fem.mesh.bicubic import Grid, shape_at
from fem.shell.kernels.faces import places_kernel, positions_kernel
from fem.shell.strip_shell import StripShell

EDGE = 4.0
"""A free edge presses along a line: its points bear as if they stood for this many times their area, as much
as the points in the middle of an element. With their own (a sixth of it) they would sink in several times as
deep as all others.
"""


@dataclass(frozen=True)
class SurfacePoints:
    """Points on n stations and k lines across.

    stations (n,) [mm]; lines (k,): eta of the lines; cell (n, k): which of `cells` holds the point; cells
    (m, 48): unknowns of the elements in the order of shape; shape (n, k, 3, 16): value and both
    derivatives; area (n, k) [mm^2] of the whole strip that a point stands for; bearing (n, k) [mm^2] with
    which it presses, larger than its area on free edges; width (n,) [mm] of the strip there; split (odd):
    stations in a group. Stations whose points have no area do not count.
    """

    stations: Array
    lines: Array
    cell: Index
    cells: Index
    shape: Array
    area: Array
    bearing: Array
    width: Array
    split: int = 1

    @cached_property
    def lengths(self) -> Array:
        """Length of strip (n,) [mm] that each station stands for."""
        return np.asarray(self.area.sum(axis=1) / self.width)

    @property
    def mirrored(self) -> bool:
        """Whether the lines are those of half a strip, each of which stands for both sides."""
        return bool(self.lines[0] >= 0.0)

    @property
    def counted(self) -> NDArray[np.bool_]:
        """(n,): which stations count."""
        return self.area[:, 0] > 0.0

    @cached_property
    def middles(self) -> Index:
        """Stations (groups,) in the middle of a group."""
        return np.arange(self.split // 2, len(self.stations), self.split)

    def per_area(self, force: Array) -> Array:
        """Forces (n, k, ...) over the area their points stand for; 0 at stations that do not count."""
        area = self.area.reshape(*self.area.shape, *[1] * (force.ndim - 2))
        return np.asarray(force / np.where(area > 0.0, area, np.inf))

    def places(self, u: Array) -> Array:
        """(n, k, 2, 3): mid-surface place and unit normal of every point that counts, 0 of the others."""
        return np.asarray(places_kernel(u, self.cells, self.cell, self.shape, self.area))

    def mid_line(self, u: Array) -> Array:
        """Places (n, 2) [mm] of the line nearest the middle at all stations."""
        middle = int(np.argmin(np.abs(self.lines)))
        one = slice(middle, middle + 1)
        cell, shape = self.cell[:, one], self.shape[:, one]
        return np.asarray(positions_kernel(u, self.cells, cell, shape, np.ones(cell.shape))[:, 0, :2])

    def shared(self, fine: Array) -> SurfacePoints:
        """These points, all of which count, with areas shared anew within each group: fine (groups,) 1: all
        alike; 0: the middle one stands for all; between: in between.
        """
        share = np.repeat(fine, self.split)
        share[self.middles] += (1.0 - fine) * self.split
        return replace(self, area=self.area * share[:, None], bearing=self.bearing * share[:, None])

    def positions(self, u: Array) -> Array:
        """(n, k, 3): mid-surface place of every point that counts, 0 of the others."""
        return np.asarray(positions_kernel(u, self.cells, self.cell, self.shape, self.area))


def surface_points(
    model: StripShell, spacing: float, across: float = math.inf, split: int = 1, ends: bool = False
) -> SurfacePoints:
    """Points at most `spacing` mm apart along the strip, each split into `split` (odd), and `across` mm
    across it.

    Across, the places and weights are those of Simpson's rule on every element, so that edges and middle
    carry points. Along, points stand in the middle of their pieces; with `ends` (not when split) root and tip
    carry points too, each for a quarter of the outermost piece: a wrap laid over the root would else sink
    in there unseen.
    """
    grid = model.shell.grid
    sizes = np.diff(grid.stations)
    per = split * np.maximum(2, np.ceil(sizes / spacing)).astype(np.int64)
    local = np.concatenate([(np.arange(n) + 0.5) / n for n in per])
    element = np.repeat(np.arange(len(sizes)), per)
    length = sizes[element] / per[element]
    if ends:
        element, local = np.pad(element, 1, mode="edge"), np.pad(local, 1, constant_values=(0.0, 1.0))
        length = with_ends(length)
    stations = grid.stations[element] + local * sizes[element]
    lines, weight = _simpson(grid.across, across)
    parameters = np.stack(np.meshgrid(stations, lines, indexing="ij"), axis=-1).reshape(-1, 2)
    _, values = shape_at(grid, parameters)
    columns = np.clip(np.searchsorted(grid.across, lines, side="right") - 1, 0, len(grid.across) - 2)
    cell = element[:, None] * (len(grid.across) - 1) + columns[None, :]
    ratio = np.asarray(model.strip.width_at(stations)) / model.strip.width
    area = model.copies * (length * ratio)[:, None] * weight[None, :]
    bearing = area.copy()
    if ends:
        bearing[[0, -1]] /= END_SHARE
    bearing[:, -1] *= EDGE
    if not model.half:
        bearing[:, 0] *= EDGE
    shape = np.ascontiguousarray(values[:, :3].reshape(len(stations), len(lines), 3, 16))
    cells, width = cell_unknowns(grid), model.strip.width * ratio
    return SurfacePoints(stations, lines, cell.astype(np.int64), cells, shape, area, bearing, width, split)


def _simpson(edges: Array, spacing: float) -> tuple[Array, Array]:
    """Places and weights of Simpson's rule over pieces of the intervals between edges."""
    fine = [
        np.linspace(a, b, max(1, math.ceil((b - a) / (2 * spacing))) + 1)[:-1] for a, b in pairwise(edges)
    ]
    ends = np.append(np.concatenate(fine), edges[-1])
    lines = np.empty(2 * len(ends) - 1)
    lines[::2], lines[1::2] = ends, 0.5 * (ends[1:] + ends[:-1])
    weight, sizes = np.zeros(len(lines)), np.diff(ends)
    weight[1::2] = sizes * 4 / 6
    weight[0:-2:2] += sizes / 6
    weight[2::2] += sizes / 6
    return lines, weight


def cell_unknowns(grid: Grid) -> Index:
    """Unknowns (m, 48) of every element, in the order in which `shape_at` lists its functions."""
    middles = [0.5 * (line[1:] + line[:-1]) for line in (grid.stations, grid.across)]
    parameters = np.stack(np.meshgrid(*middles, indexing="ij"), axis=-1).reshape(-1, 2)
    dofs, _ = shape_at(grid, parameters)
    return np.ascontiguousarray((3 * dofs[:, :, None] + np.arange(3)).reshape(-1, 48))
