"""Stations along the strip where elements meet, denser where the solution bends sharply.

A size function says how long an element may be at every station: small at bends, root and slot, growing
gently between. gmsh divides the line accordingly; the mesh is kept as a `.msh` file named by the digest of
what it was made from. gmsh is loaded here alone and only when a mesh is not yet kept; where its system
libraries are missing, the same rule (equal integrals of 1/size per element) is applied by hand and the
result carries a warning.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
import tempfile
from dataclasses import asdict, dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fem.core.errors import MissingLibrary

Array = NDArray[np.float64]

CACHE = Path("meshes") / "cache"
_SAMPLES_PER_ELEMENT = 64


@dataclass(frozen=True)
class Zone:
    """Stretch of stations [mm] in which elements are at most `size` [mm] long."""

    start: float
    end: float
    size: float


@dataclass(frozen=True)
class SizeField:
    """Longest element at every station: `largest` [mm] unless a zone asks for less.

    Away from a zone the size grows by `growth` mm per mm. `nodes`: stations [mm] that must carry a node
    (ends of layers, places of loads).
    """

    largest: float
    zones: tuple[Zone, ...] = ()
    growth: float = 0.25
    nodes: tuple[float, ...] = ()

    def at(self, s: Array | float) -> Array:
        """Element size [mm] at stations s [mm, any shape]."""
        station = np.asarray(s, dtype=float)
        size = np.full(station.shape, self.largest)
        for zone in self.zones:
            away = np.maximum(0.0, np.maximum(zone.start - station, station - zone.end))
            size = np.minimum(size, zone.size + self.growth * away)
        return size


@dataclass(frozen=True)
class LineMesh:
    """Node stations (n,) [mm], increasing from 0 to the length; warning: None, or what was done instead."""

    stations: Array
    warning: str | None = None


def line_mesh(length: float, size: SizeField, cache: Path | None = None) -> LineMesh:
    """Divide 0..length [mm] by the size field; kept under `cache` (default meshes/cache) by digest."""
    folder = CACHE if cache is None else cache
    file = folder / f"{_digest(length, size)}.msh"
    kept = _kept(file, length)
    if kept is not None:
        return LineMesh(kept)
    try:
        return LineMesh(_by_gmsh(length, size, file))
    except MissingLibrary as missing:
        return LineMesh(
            divided(length, size), f"{missing} The line was divided by the built-in rule instead."
        )


def divided(length: float, size: SizeField) -> Array:
    """Stations (n,) [mm] by the built-in rule: every element holds the same integral of 1/size.

    Between two fixed nodes the number of elements is the integral of ds/size, rounded up.
    """
    pieces = [np.zeros(1)]
    for start, end in _spans(length, size):
        smallest = min([size.largest, *(zone.size for zone in size.zones)])
        count = max(2, int(np.ceil((end - start) / smallest)) * _SAMPLES_PER_ELEMENT)
        s = np.linspace(start, end, count + 1)
        per_mm = 1.0 / size.at(s)
        share = np.concatenate(([0.0], np.cumsum(0.5 * (per_mm[1:] + per_mm[:-1]) * np.diff(s))))
        elements = max(1, int(np.ceil(share[-1] - 1e-9)))
        inner = np.interp(np.linspace(0.0, share[-1], elements + 1), share, s)[1:]
        inner[-1] = end
        pieces.append(inner)
    return np.concatenate(pieces)


def _spans(length: float, size: SizeField) -> list[tuple[float, float]]:
    inner = sorted({node for node in size.nodes if 0.0 < node < length})
    ends = [0.0, *inner, length]
    return list(pairwise(ends))


def _digest(length: float, size: SizeField) -> str:
    text = json.dumps({"length": length, "size": asdict(size)}, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:24]


def _kept(file: Path, length: float) -> Array | None:
    """Stations of a mesh file, or None where there is none that fits."""
    if not file.is_file():
        return None
    import meshio

    try:
        with contextlib.redirect_stdout(io.StringIO()):  # meshio prints an empty line
            stations = np.unique(np.asarray(meshio.read(file).points, dtype=float)[:, 0])
    except (OSError, ValueError, KeyError, IndexError, meshio.ReadError):
        return None  # a torn file: it is made again
    whole = len(stations) > 1 and stations[0] == 0.0 and abs(stations[-1] - length) < 1e-9 * length
    return stations if whole else None


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


def _by_gmsh(length: float, size: SizeField, file: Path) -> Array:
    gmsh = load_gmsh()
    gmsh.initialize(["strip", "-v", "0"], readConfigFiles=False, interruptible=False)
    try:
        for option, value in (
            ("General.Terminal", 0),
            ("Mesh.MeshSizeExtendFromBoundary", 0),
            ("Mesh.MeshSizeFromPoints", 0),
            ("Mesh.MeshSizeFromCurvature", 0),
            ("Mesh.Binary", 1),  # every digit, so that a kept mesh gives the same numbers as a new one
        ):
            gmsh.option.setNumber(option, value)
        gmsh.model.add("strip")
        spans = _spans(length, size)
        points = [gmsh.model.geo.addPoint(s, 0.0, 0.0) for s in (0.0, *(end for _, end in spans))]
        lines = [gmsh.model.geo.addLine(a, b) for a, b in pairwise(points)]
        gmsh.model.geo.synchronize()
        gmsh.model.addPhysicalGroup(1, lines, name="strip")
        gmsh.model.mesh.setSizeCallback(lambda dim, tag, x, y, z, lc: float(size.at(x)))
        gmsh.model.mesh.generate(1)
        _, place, _ = gmsh.model.mesh.getNodes()
        stations = np.unique(np.asarray(place, dtype=float).reshape(-1, 3)[:, 0])
        _keep(gmsh, file)
    finally:
        gmsh.finalize()
    return stations


def _keep(gmsh: Any, file: Path) -> None:
    """Write the mesh beside its place and move it there, so that a torn file is never read."""
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(suffix=".msh", dir=file.parent)
        os.close(handle)
        gmsh.write(name)
        Path(name).replace(file)
    except OSError:
        return  # a folder that cannot be written only costs the next run the same division again
