"""What a strip in motion is compared with: its intended shape and place, and where its layers lie.

The result of a run holds the path of the middle line; section and layers are known to the strip of its case
alone. Where that is not at hand the first state of the run stands in, and the strip is one solid of its whole
thickness.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from fem.core.term import Array, Index
from fem.results.result import Result
from fem.results.snapshot import Snapshot
from fem.view.solid import ACROSS, ALONG, StripGrid

if TYPE_CHECKING:
    from fem.design.layup import Layer
    from fem.design.strip import Strip

HAIR = 2e-6
"""Half the distance of two drawn lines at a hard edge between zones, as a share of length or width."""
LEAST_RISE = 0.02
"""mm: a section that rises less is flat, and cannot be flattened."""


@dataclass(frozen=True, eq=False)
class IntendedShape:
    """The strip as it should be when fully out.

    place (n, m, 3) mm; curvature (n,) 1/mm of the middle line; rise (n,) mm of the edges over the middle, nan
    for a flat section; surface (a, b, 3) mm to draw, empty if the section is not known.
    """

    place: Array
    curvature: Array
    rise: Array
    surface: Array


def rise(shot: Snapshot) -> Array:
    """How far the edges stand above the middle of the section, (n,) mm; > 0 toward the axle."""
    middle = shot.height[:, shot.across.size // 2]
    return np.asarray((shot.height[:, 0] + shot.height[:, -1]) / 2 - middle)


def intended_shape(result: Result, strip: Strip | None) -> IntendedShape:
    """The intended shape on the grid of the states of a result, which must have at least one."""
    first, path = result.snapshots[0], result.intended_path
    curvature, place, risen, surface = first.curvature, first.surface(), rise(first), np.empty((0, 0, 3))
    if strip is None and len(path) > 2:
        along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
        heading = np.unwrap(np.arctan2(*np.gradient(path, along, axis=0).T[::-1]))
        curvature = np.interp(first.station, along, np.gradient(heading, along))
    if strip is not None:
        curvature = strip.path.curvature(first.station)
        q = first.across * (strip.width_at(first.station) / strip.width)[:, None]
        height = strip.section_place(first.station[:, None], q)[0]
        risen = (height[:, 0] + height[:, -1]) / 2 - height[:, first.across.size // 2]
        if len(path):
            # the path of a strip begins at the origin of its own axes
            shift = np.array([*(path[0] - strip.path.position(np.zeros(1))[0]), 0.0])
            place = strip.surface(first.station[:, None], q).X + shift
            s = np.linspace(0.0, strip.length, 160)
            half = 0.5 * strip.width_at(s)
            surface = strip.surface(s[:, None], half[:, None] * np.linspace(-1.0, 1.0, 9)).X + shift
    risen = np.where(np.abs(risen) > LEAST_RISE, risen, np.nan)
    return IntendedShape(np.asarray(place), np.asarray(curvature), risen, np.asarray(surface))


def intended_section(aim: IntendedShape, shot: Snapshot, station: float) -> Array:
    """The section's middle line when fully out, laid flat, (m, 2) mm: across, and toward the axle."""
    low = int(np.clip(np.searchsorted(shot.station, station) - 1, 0, shot.station.size - 2))
    part = (station - shot.station[low]) / (shot.station[low + 1] - shot.station[low])
    line = (1 - part) * aim.place[low] + part * aim.place[low + 1]
    middle = shot.across.size // 2
    along = aim.place[low + 1, middle] - aim.place[low, middle]
    up = np.array([-along[1], along[0], 0.0]) / np.hypot(along[0], along[1])
    return np.stack([line[:, 2] - line[middle, 2], (line - line[middle]) @ up], axis=1)


@dataclass(frozen=True, eq=False)
class Zones:
    """The layers of a strip on the points of its drawn solid.

    materials: names, in the order met from the face away from the axle; owner (P,): which of them each point
    of all faces shows; shown (layers, a, b): which of them each layer is on the grid, -1 for nothing;
    layers: material, thickness [mm] and extents in words of every layer.
    """

    grid: StripGrid
    materials: tuple[str, ...]
    owner: Index
    shown: Index
    layers: tuple[tuple[str, float, str], ...]

    def across_at(self, station: float) -> Index:
        """Materials of the layers across the section at a station, (layers, b)."""
        row = int(np.clip(np.searchsorted(self.grid.station, station), 0, self.grid.station.size - 1))
        return self.shown[:, row]


def zones(shot: Snapshot, strip: Strip | None) -> Zones:
    """Lay out the solid of all states that share the stations of `shot`, with hard edges between zones."""
    if strip is None:
        grid = StripGrid.of(shot.station, shot.across.size)
        plain = np.zeros((1, grid.station.size, grid.share.size), dtype=np.int64)
        return Zones(grid, (), np.zeros(grid.sources.size, dtype=np.int64), plain, ())
    length, half = float(shot.station[-1]), float(shot.across[-1])
    along = _with_edges(np.linspace(0.0, length, ALONG), strip.zone_edges_s())
    across = _with_edges(np.linspace(-half, half, ACROSS), strip.zone_edges_q())
    grid = StripGrid.of(shot.station, shot.across.size, along, (across + half) / (2 * half))
    s = along[:, None]
    q = across * (strip.width_at(along) / strip.width)[:, None]
    names: list[str] = []
    shown = np.empty((len(strip.layers), along.size, across.size), dtype=np.int64)  # -1: nothing there
    for number, layer in enumerate(strip.layers):
        kinds = [-1 if m is None else _known(names, m.name) for m in (layer.material, layer.elsewhere)]
        shown[number] = np.where(layer.inside(s, q), *kinds)
    edges = strip.layup.z_edges[:, None, None]
    filled = shown >= 0
    upper = np.where(filled, edges[1:], -np.inf).max(axis=0)
    lower = np.where(filled, edges[:-1], np.inf).min(axis=0)
    top = np.take_along_axis(shown, (len(shown) - 1 - np.argmax(filled[::-1], axis=0))[None], axis=0)[0]
    bottom = np.take_along_axis(shown, np.argmax(filled, axis=0)[None], axis=0)[0]
    pairs = np.repeat(shown[::-1], 2, axis=0).transpose(1, 2, 0)
    rims = (pairs[:, 0], pairs[:, -1], pairs[0], pairs[-1])
    owner = np.concatenate([part.ravel() for part in (top, bottom, *rims)])
    layers = tuple((layer.material.name, layer.thickness, _extents(layer)) for layer in strip.layers)
    grid = grid.with_heights(np.clip(edges, lower, upper))
    return Zones(grid, tuple(names), np.maximum(owner, 0), shown, layers)


def _extents(layer: Layer) -> str:
    """Where a layer lies, in words; "" for everywhere."""
    parts = [
        f"{name} {extent[0]:g} to {extent[1]:g} mm".replace("-", "\N{MINUS SIGN}")
        for name, extent in (("across", layer.across), ("along", layer.along))
        if extent is not None
    ]
    if not parts:
        return ""
    beside = "nothing" if layer.elsewhere is None else layer.elsewhere.name
    return f"{', '.join(parts)}; beside it {beside}"


def _known(names: list[str], name: str) -> int:
    if name not in names:
        names.append(name)
    return names.index(name)


def _with_edges(places: Array, edges: Array) -> Array:
    """Places with two more just beside every inner edge, so that what changes there changes at once."""
    hair = HAIR * float(places[-1] - places[0])
    inner = [edge for edge in edges if places[0] + 2 * hair < edge < places[-1] - 2 * hair]
    return np.unique(np.concatenate([places, *([edge - hair, edge + hair] for edge in inner)]))
