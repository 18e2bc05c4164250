"""Stations along the strip where elements meet, denser where the solution bends sharply.

A size function says how long an element may be at every station: small at bends, root and slot, growing
gently between. gmsh divides the line accordingly. Where its system libraries are missing, the same rule
(equal integrals of 1/size per element) is applied by hand and the result carries a warning.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np

from fem.core.errors import MissingLibrary
from fem.core.term import Array
from fem.mesh.generator import Block, divided_line, write
from fem.mesh.mesh_cache import keep, kept_file, read_mesh

GROUP = "strip"
"""Name of the physical group of a line."""
APART = 1e-9
"""Nodes [mm] closer than this are meant to be one and differ by rounding."""
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

    def ends(self, length: float) -> list[float]:
        """Stations [mm] from 0 to the length that must carry a node; of several within APART one."""
        ends = [0.0]
        for node in sorted(self.nodes):
            if ends[-1] + APART < node < length - APART:
                ends.append(node)
        return [*ends, length]


@dataclass(frozen=True)
class LineMesh:
    """Node stations (n,) [mm], increasing from 0 to the length; warning: None, or what was done instead."""

    stations: Array
    warning: str | None = None


def line_mesh(length: float, size: SizeField, cache: Path | None = None) -> LineMesh:
    """Divide 0..length [mm] by the size field; kept under `cache` (None: the user's folder) by digest."""
    file = kept_file("mesh.line_mesh", {"length": length, "size": asdict(size)}, cache)
    kept = _kept(file, length)
    if kept is not None:
        return LineMesh(kept)
    try:
        stations = divided_line(size.ends(length), lambda s: float(size.at(s)))
    except MissingLibrary as missing:
        return LineMesh(divided(length, size), by_hand(missing))
    keep(file, lambda name: write(name, *line_blocks(stations)))
    return LineMesh(stations)


def by_hand(missing: MissingLibrary) -> str:
    """The warning of a mesh that was made without the generator."""
    return f"{missing} The line was divided by the built-in rule instead."


def line_blocks(stations: Array) -> tuple[Array, tuple[Block]]:
    """Nodes (n, 2) on the mid-line and their elements, for a file."""
    first = np.arange(len(stations) - 1)
    return np.column_stack([stations, np.zeros(len(stations))]), (
        Block(np.column_stack([first, first + 1]), (GROUP,)),
    )


def divided(length: float, size: SizeField) -> Array:
    """Stations (n,) [mm] by the built-in rule: every element holds the same integral of 1/size.

    Between two fixed nodes the number of elements is the integral of ds/size, rounded up.
    """
    pieces = [np.zeros(1)]
    for start, end in pairwise(size.ends(length)):
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


def _kept(file: Path | None, length: float) -> Array | None:
    """Stations of a mesh file, or None where there is none that fits."""
    mesh = None if file is None else read_mesh(file)
    if mesh is None:
        return None
    stations = np.unique(np.asarray(mesh.points, dtype=float)[:, 0])
    whole = len(stations) > 1 and stations[0] == 0.0 and abs(stations[-1] - length) < 1e-9 * length
    return stations if whole else None
