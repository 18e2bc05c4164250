"""The developed strip as a mesh of quadrilaterals: s along, q across, with named parts.

Grid lines run along and across; eta = q w / w(s), with the nominal width w, is the same all along a line of
nodes, so that the mesh is a rectangle in (s, eta) and follows a taper in (s, q). Node i * nq + j sits at
(stations[i], across[j]), and element i * (nq - 1) + j is the one whose first corner sits there. gmsh makes
the mesh and numbers it in its own way; it is brought into this order once, and what is not such a grid is
refused.

Groups name the elements of each layer, each bend and every part that is asked for; an element belongs where
its centre lies. Edges name what bounds the strip.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from fem.core.errors import MissingLibrary
from fem.core.term import Array, Index
from fem.core.units import Extent
from fem.design.layup import Mask
from fem.design.strip import Strip
from fem.mesh.generator import Block, divided_rectangle, write
from fem.mesh.line_mesh import SizeField, by_hand, divided
from fem.mesh.mesh_cache import keep, kept_file, read_mesh

SAME = 1e-10
"""Distance [mm] within which two nodes are one."""
ROOT, TIP, FREE, SYMMETRY = "root edge", "tip edge", "free edge", "symmetry line"


@dataclass(frozen=True)
class Part:
    """A named part of the strip: extents along and across [mm] (None: all of it), their edges included;
    `outside`: all but that.
    """

    name: str
    along: Extent | None = None
    across: Extent | None = None
    outside: bool = False

    def holds(self, s: Array, q: Array) -> Mask:
        """Whether points (n,) belong to it."""
        inside = np.ones(s.shape, dtype=np.bool_)
        for extent, place in ((self.along, s), (self.across, q)):
            if extent is not None:
                inside &= (place >= extent[0]) & (place <= extent[1])
        return ~inside if self.outside else inside


@dataclass(frozen=True, eq=False)
class DevelopedMesh:
    """A mesh of the developed strip, n = ns nq nodes and ne = (ns - 1)(nq - 1) elements.

    stations (ns,) and across (nq,) [mm] are the grid lines in (s, eta), places (n, 2) [mm] the nodes in
    (s, q). cells (ne, 4): corners of each element, anticlockwise from the one nearest root and -q. groups: by
    name the numbers of the elements; edges: by name the nodes (k, 2) of each element's side on it. warning:
    None, or what was done instead of meshing by gmsh.
    """

    stations: Array
    across: Array
    places: Array
    cells: Index
    groups: Mapping[str, Index]
    edges: Mapping[str, Index]
    warning: str | None = None


def developed_mesh(
    strip: Strip,
    size: SizeField,
    across: Array,
    parts: Sequence[Part] = (),
    cache: Path | None = None,
) -> DevelopedMesh:
    """Mesh of a strip: along by the size field, with lines of nodes at eta = `across` (nq,) [mm, increasing].

    `across` from 0 on is half the strip. `parts` are named besides layers and bends. Kept under `cache`
    (None: the user's folder) by digest.
    """
    parts = (*parts_of(strip), *parts)
    file = kept_file("mesh.developed_mesh", _content(strip, size, across, parts), cache)
    kept = _kept(file, strip, across)
    if kept is not None:
        return kept
    try:
        drawn = divided_rectangle(size.ends(strip.length), across, lambda s: float(size.at(s)))
    except MissingLibrary as missing:
        stations = divided(strip.length, size)
        mesh = _named(strip, stations, across, grid_cells(stations.size, across.size), parts)
        return replace(mesh, warning=by_hand(missing))
    mesh = _named(strip, *as_grid(*drawn, across), parts)
    keep(file, lambda name: write(name, mesh.places, blocks(mesh)))
    return mesh


def grid_cells(along: int, across: int) -> Index:
    """Corners (ne, 4) of the elements between that many grid lines each way."""
    i, j = np.meshgrid(np.arange(along - 1), np.arange(across - 1), indexing="ij")
    first = (i * across + j).ravel()
    return np.stack([first, first + across, first + across + 1, first + 1], axis=1)


def as_grid(places: Array, corners: Index, across: Array) -> tuple[Array, Array, Index]:
    """Grid lines (ns,), (nq,) and cells (ne, 4) of a mesh in any order of nodes (n, 2) and elements (ne, 4).

    Raises ValueError if it is no grid with lines at eta = `across` (nq,).
    """
    stations = np.unique(places[:, 0])
    i = np.searchsorted(stations, places[:, 0])
    j = np.abs(places[:, 1, None] - across).argmin(axis=1)
    astray = np.abs(places[:, 1] - across[j]).max()
    if astray > SAME:
        raise ValueError(f"a node of the mesh lies {astray:g} mm beside the lines across")
    node = i * across.size + j
    if not np.array_equal(np.sort(node), np.arange(stations.size * across.size)):
        raise ValueError(f"{len(node)} nodes do not fill {stations.size} by {across.size} grid lines")
    low, up, on, both = np.sort(node[corners], axis=1).T
    cells = np.stack([low, on, both, up], axis=1)[np.argsort(low)]
    if not np.array_equal(cells, grid_cells(stations.size, across.size)):
        raise ValueError("the elements of the mesh are not the rectangles between its grid lines")
    return stations, across, cells


def parts_of(strip: Strip) -> tuple[Part, ...]:
    """Layers and bends. A layer is the part where its material lies; where another takes its place elsewhere,
    that is a part too.
    """
    parts = []
    for number, layer in enumerate(strip.layers, 1):
        parts.append(Part(f"layer {number} {_plain(layer.material.name)}", layer.along, layer.across))
        if layer.elsewhere is not None:
            name = f"layer {number} elsewhere {_plain(layer.elsewhere.name)}"
            parts.append(Part(name, layer.along, layer.across, outside=True))
    parts += [Part(f"bend {bend.index}", (bend.start, bend.end)) for bend in strip.path.bends]
    return tuple(parts)


def _plain(name: str) -> str:
    """A name without what would end it within a file."""
    return "".join(letter if letter.isprintable() and letter not in '"\\' else "_" for letter in name)


def _content(strip: Strip, size: SizeField, across: Array, parts: Sequence[Part]) -> dict[str, Any]:
    """What a mesh is made from, as plain data."""
    return {
        "length": strip.length,
        "width": strip.width,
        "stations": [asdict(station) for station in strip.stations],
        "size": asdict(size),
        "across": across.tolist(),
        "parts": [asdict(part) for part in parts],
    }


def _places(strip: Strip, stations: Array, across: Array) -> Array:
    """Nodes (n, 2) [mm] in (s, q), from grid lines in (s, eta)."""
    q = across * (strip.width_at(stations) / strip.width)[:, None]
    return np.column_stack([np.repeat(stations, across.size), q.ravel()])


def _named(
    strip: Strip, stations: Array, across: Array, cells: Index, parts: Sequence[Part]
) -> DevelopedMesh:
    places = _places(strip, stations, across)
    s, q = places[cells].mean(axis=1).T
    found = ((part.name, np.flatnonzero(part.holds(s, q))) for part in parts)
    groups = {name: elements for name, elements in found if elements.size}
    node = np.arange(len(places)).reshape(stations.size, across.size)
    sides = {ROOT: [node[0]], TIP: [node[-1]], FREE: [node[:, -1]]}
    if across[0] == 0.0:
        sides[SYMMETRY] = [node[:, 0]]
    else:
        sides[FREE].append(node[:, 0])
    edges = {
        name: np.concatenate([np.stack([line[:-1], line[1:]], axis=1) for line in lines])
        for name, lines in sides.items()
    }
    return DevelopedMesh(stations, across, places, cells, groups, edges)


def blocks(mesh: DevelopedMesh) -> list[Block]:
    """Elements of a mesh for a file: those in the same groups together, then the edges."""
    surfaces = [Block(mesh.cells[elements], names) for names, elements in alike(mesh, list(mesh.groups))]
    return surfaces + [Block(pairs, (name,)) for name, pairs in mesh.edges.items()]


def alike(mesh: DevelopedMesh, names: Sequence[str]) -> list[tuple[tuple[str, ...], Index]]:
    """Sets of elements that belong to the same of the named groups, each with these, from the root on."""
    member = np.zeros((len(names), len(mesh.cells)), dtype=np.bool_)
    for row, name in enumerate(names):
        member[row, mesh.groups[name]] = True
    kinds, first, kind = np.unique(member, axis=1, return_index=True, return_inverse=True)
    return [
        (
            tuple(name for name, belongs in zip(names, kinds[:, column], strict=True) if belongs),
            np.flatnonzero(kind.ravel() == column),
        )
        for column in np.argsort(first)
    ]


def from_file(mesh: Any, strip: Strip, across: Array) -> DevelopedMesh | None:
    """The mesh that a meshio mesh of a file is, or None if it is not a grid of this strip."""
    points = np.asarray(mesh.points, dtype=float)
    if len(points) < 2 * across.size or len(points) % across.size:
        return None
    stations = points[:: across.size, 0].copy()
    places = _places(strip, stations, across)
    ends = np.array([0.0, strip.length])
    if np.abs(points[:, :2] - places).max() > SAME or np.abs(stations[[0, -1]] - ends).max() > SAME:
        return None
    cells, groups, edges = [], dict[str, list[Index]](), dict[str, list[Index]]()
    for number, block in enumerate(mesh.cells):
        corners = np.asarray(block.data, dtype=np.int64)
        names = [name for name in mesh.field_data if len(mesh.cell_sets[name][number])]
        if block.type == "line":
            for name in names:
                edges.setdefault(name, []).append(corners)
            continue
        cells.append(corners)
        first = corners.min(axis=1)
        elements = first // across.size * (across.size - 1) + first % across.size
        for name in names:
            groups.setdefault(name, []).append(elements)
    numbered = np.concatenate([np.empty((0, 4), dtype=np.int64), *cells])
    numbered = numbered[np.argsort(numbered[:, 0])]
    if not np.array_equal(numbered, grid_cells(stations.size, across.size)):
        return None
    return DevelopedMesh(
        stations,
        across,
        places,
        numbered,
        {name: np.sort(np.concatenate(found)) for name, found in groups.items()},
        {name: np.concatenate(found) for name, found in edges.items()},
    )


def _kept(file: Path | None, strip: Strip, across: Array) -> DevelopedMesh | None:
    mesh = None if file is None else read_mesh(file)
    return None if mesh is None else from_file(mesh, strip, across)
