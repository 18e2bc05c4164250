"""The mesh generator gmsh: a line divided by a size function, a rectangle above that line, files.

gmsh is loaded here alone, and only when a mesh is not yet kept. Its kernel draws the strip stretched to its
nominal width, so that it is a rectangle whatever its taper: the lower edge is divided by the size function
and extruded across, one layer of quadrilaterals between each two grid lines.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from fem.core.errors import MissingLibrary
from fem.core.term import Array, Index

Size = Callable[[float], float]
"""Longest element [mm] at a station [mm]."""
LINE, QUAD = 1, 3
"""gmsh's numbers of the two-node line and the four-node quadrilateral."""


@dataclass(frozen=True)
class Block:
    """Elements (k, 2) or (k, 4) of a file, by nodes counted from 0, with all groups they belong to."""

    elements: Index
    groups: tuple[str, ...]


def load_gmsh() -> Any:
    """The gmsh module; raises MissingLibrary naming what to install."""
    try:
        import gmsh
    except (OSError, ImportError) as problem:
        raise MissingLibrary(
            f"The mesh generator gmsh cannot be loaded ({problem}). Install the OpenGL utility library: "
            "Debian or Ubuntu 'apt install libglu1-mesa', Fedora 'dnf install mesa-libGLU', "
            "Alpine 'apk add glu'."
        ) from None
    return gmsh


@contextmanager
def session(name: str) -> Iterator[Any]:
    """An empty model of gmsh, silent, its sizes from the size function alone."""
    gmsh = load_gmsh()
    gmsh.initialize(["strip", "-v", "0"], readConfigFiles=False, interruptible=False)
    try:
        for option, value in (
            ("General.Terminal", 0),
            ("Mesh.MeshSizeExtendFromBoundary", 0),
            ("Mesh.MeshSizeFromPoints", 0),
            ("Mesh.MeshSizeFromCurvature", 0),
            ("Mesh.MshFileVersion", 4.1),
            (
                "Geometry.Tolerance",
                1e-14,
            ),  # of the strip's size: the usual one merges zones' ends 1e-6 mm apart
        ):
            gmsh.option.setNumber(option, value)
        gmsh.model.add(name)
        yield gmsh
    finally:
        gmsh.finalize()


def divided_line(ends: Sequence[float], size: Size) -> Array:
    """Stations (n,) [mm] on the line through `ends` [mm, increasing], each of which carries a node."""
    with session("strip") as gmsh:
        _line(gmsh, ends, 0.0)
        gmsh.model.geo.synchronize()
        _, places = _generated(gmsh, 1, size)
        return np.unique(places[:, 0])


def divided_rectangle(ends: Sequence[float], across: Array, size: Size) -> tuple[Array, Index]:
    """Nodes (n, 2) [mm] and quadrilaterals (ne, 4) of a rectangle in gmsh's own order.

    Along as `divided_line`, across with a line of nodes at each of `across` (nq,) [mm, increasing].
    """
    with session("strip") as gmsh:
        height = float(across[-1] - across[0])
        shares = [float(share) for share in (across[1:] - across[0]) / height]
        for line in _line(gmsh, ends, float(across[0])):
            gmsh.model.geo.extrude(
                [(1, line)], 0.0, height, 0.0, numElements=[1] * len(shares), heights=shares, recombine=True
            )
        gmsh.model.geo.synchronize()
        tags, places = _generated(gmsh, 2, size)
        order = np.empty(int(tags.max()) + 1, dtype=np.int64)
        order[tags] = np.arange(len(tags))
        _, corners = gmsh.model.mesh.getElementsByType(QUAD)
        return places[:, :2], order[corners].reshape(-1, 4)


def _line(gmsh: Any, ends: Sequence[float], q: float) -> list[int]:
    points = [gmsh.model.geo.addPoint(s, q, 0.0) for s in ends]
    return [gmsh.model.geo.addLine(a, b) for a, b in pairwise(points)]


def _generated(gmsh: Any, dimension: int, size: Size) -> tuple[Index, Array]:
    """Numbers (n,) and places (n, 3) of the nodes after meshing."""
    gmsh.model.mesh.setSizeCallback(lambda dim, tag, x, y, z, lc: size(x))
    gmsh.model.mesh.generate(dimension)
    tags, places, _ = gmsh.model.mesh.getNodes()
    return np.asarray(tags, dtype=np.int64), np.asarray(places, dtype=float).reshape(-1, 3)


def write(file: str, places: Array, blocks: Sequence[Block], binary: bool = True) -> None:
    """Write nodes (n, 2) [mm] and elements as a file of gmsh's format 4.1, every group a physical group.

    Nodes keep their order, elements theirs within a block; both are numbered from 1, groups in alphabetical
    order. `binary` keeps every digit.
    """
    with session("strip") as gmsh:
        gmsh.option.setNumber("Mesh.Binary", float(binary))
        tags = [gmsh.model.addDiscreteEntity(block.elements.shape[1] // 2) for block in blocks]
        first = blocks[0].elements.shape[1] // 2, tags[0]
        space = np.column_stack([places, np.zeros(len(places))])
        gmsh.model.mesh.addNodes(*first, np.arange(1, len(places) + 1), space.ravel())
        last, groups = 0, dict[tuple[int, str], list[int]]()
        for tag, block in zip(tags, blocks, strict=True):
            count, corners = block.elements.shape
            numbers = np.arange(last + 1, last + count + 1)
            last += count
            gmsh.model.mesh.addElementsByType(
                tag, QUAD if corners == 4 else LINE, numbers, block.elements.ravel() + 1
            )
            for name in block.groups:
                groups.setdefault((corners // 2, name), []).append(tag)
        for (dimension, name), members in sorted(groups.items()):
            gmsh.model.addPhysicalGroup(dimension, members, name=name)
        gmsh.write(file)
