"""A strip as a shell: the mesh its shape calls for, its rest surface, its layers.

Parameters are s and eta, q = eta w(s) / w with the nominal width w, so that the elements stay rectangles on a
tapered strip. The shell's own normal a_1 x a_2 points away from the axle, the layers count toward it: the
coupling matrix changes sign on the way in, heights z on the way out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fem.core.term import Array, Index
from fem.design.strip import Strip
from fem.mesh.bicubic import Grid, build_grid, shape_at
from fem.mesh.clamp_layer import clamp_zones, clear_of, clear_stations
from fem.mesh.developed_mesh import DevelopedMesh, Part, developed_mesh
from fem.mesh.line_mesh import SizeField, Zone
from fem.shell.energy import Shell, build_shell

EDGE_GROWTH = 1.6  # of elements next to a free edge, from each to the next one inwards
MOST_TURN = 0.44
"""Turn [rad] of the section that an element of a mesh made for a case spans at most: cubic lines follow an
arc of that turn to within 1e-4 of its radius.
"""
TURN_ACROSS = 0.28  # rad of section one element spans; interpolating the arc then costs less than 1e-5


@dataclass(frozen=True)
class StripMesh:
    """How to divide a strip: `along` largest element [mm] (None: from the shape), `zones` with smaller ones,
    `across` elements over the width (None: from the section), `half`: only q >= 0 (for mirror symmetric use),
    `nodes` stations that must carry a line of nodes, `cache` folder of kept meshes (None: the user's),
    `parts` of the strip that the mesh names besides layers and bends, `clamps` stations that a rigid clamp
    holds, next to which elements are smaller, `edge` elements at the free edges [mm] (None: no smaller ones),
    `turn` of the section [rad] that an element spans at most, more of them across where it takes them (None:
    any).
    """

    along: float | None = None
    zones: tuple[Zone, ...] = ()
    across: int | None = None
    half: bool = False
    nodes: tuple[float, ...] = ()
    cache: Path | None = None
    parts: tuple[Part, ...] = ()
    clamps: tuple[float, ...] = ()
    edge: float | None = None
    turn: float | None = None


@dataclass(frozen=True)
class StripShell:
    """The shell of a strip; `half` if only q >= 0 is there; clamps: stations [mm] that rigid clamps hold."""

    strip: Strip
    shell: Shell
    half: bool
    warning: str | None
    clamps: tuple[float, ...] = ()

    @property
    def copies(self) -> int:
        """How many times the shell makes the whole strip."""
        return 2 if self.half else 1

    @cached_property
    def beside_nodes(self) -> list[tuple[Index, Array]]:
        """Dofs and functions on the mid-line a little before and beyond each station, as `shape_at` gives
        them.
        """
        grid = self.shell.grid
        eta = float(grid.across[np.argmin(np.abs(grid.across))])
        nudge, sides = 1e-6 * np.diff(grid.stations).min(), []
        for shift in (-nudge, nudge):
            s = np.clip(grid.stations + shift, grid.stations[0], grid.stations[-1])
            sides.append(shape_at(grid, np.stack([s, np.full_like(s, eta)], axis=1)))
        return sides

    @cached_property
    def next_to_nodes(self) -> Index:
        """Gauss point (ne, 4) of every element that lies next to each of its corners."""
        grid = self.shell.grid
        corners = grid.coordinates()[grid.dofs[:, ::4] // 4]
        away = corners[:, :, None] - grid.points[:, None]  # (ne, 4, np, 2)
        return np.asarray(np.argmin(np.linalg.norm(away, axis=-1), axis=-1))

    @cached_property
    def read_at_nodes(self) -> NDArray[np.bool_]:
        """Whether strains of an element count at each of its corners (ne, 4): what happens within a thickness
        of a clamp does not at the line of nodes where that stretch ends.
        """
        grid = self.shell.grid
        corners = grid.coordinates()[grid.dofs[:, ::4] // 4][..., 0]
        middle, thickness = corners.mean(axis=1), self.strip.thickness
        within = ~clear_of(middle, self.clamps, thickness)
        return np.asarray(~(within[:, None] & clear_of(corners, self.clamps, thickness)))

    def station(self, s: float) -> int:
        """Index of the line of nodes at station s [mm]; ValueError if there is none."""
        lines = self.shell.grid.stations
        i = int(np.argmin(np.abs(lines - s)))
        if abs(lines[i] - s) > 1e-6 * lines[-1]:
            raise ValueError(f"no line of nodes at s = {s:g} mm; name the station in StripMesh.nodes")
        return i


def size_field(strip: Strip, mesh: StripMesh) -> SizeField:
    """Element sizes along: a third of the width at most, a fifth of the radius in bends, finer at both
    ends.
    """
    largest = mesh.along if mesh.along is not None else min(strip.length / 20.0, strip.width / 2.5)
    zones = list(mesh.zones)
    for mark in strip.path.bends:
        zones.append(Zone(mark.start, mark.end, min(largest, 0.2 * abs(mark.radius))))
    near = 0.25 * strip.width  # the section changes fastest next to a grip
    for start in (0.0, strip.length - near):
        zones.append(Zone(start, start + near, min(largest, strip.width / 6.0)))
    zones += clamp_zones(strip, mesh.clamps, largest)
    edges = (float(s) for s in strip.zone_edges_s())
    nodes = tuple(sorted({*mesh.nodes, *edges, *clear_stations(strip, mesh.clamps)}))
    return SizeField(largest, tuple(zones), 0.25, nodes)


def lines_across(strip: Strip, mesh: StripMesh) -> Array:
    """Grid lines across (eta) [mm]: equal parts, a little smaller toward the edges, layer edges kept; more of
    them between two layer edges where an element would turn more than asked.
    """
    edges = np.unique(np.concatenate([strip.zone_edges_q(), [0.0]]))
    count = mesh.across
    if count is None:
        half = np.linspace(0.0, 0.5 * strip.width, 21)
        turn = 2.0 * float(_turns(strip, half).sum())
        count = max(4, 2 * math.ceil(turn / TURN_ACROSS / 2.0))
    if mesh.half:
        edges = edges[edges >= 0.0]
        count = max(1, (count + 1) // 2)
    shares = [max(1, round(count * (b - a) / (edges[-1] - edges[0]))) for a, b in pairwise(edges)]
    # pull the lines a little toward the free edges, where the section relaxes; layer edges stay
    pulled = mesh.edge is None and edges.size == (2 if mesh.half else 3)
    lines = _divided(edges, shares, pulled)
    while mesh.turn is not None and (turns := _turns(strip, lines)).max() > mesh.turn:
        worst = np.maximum.reduceat(turns, np.cumsum([0, *shares[:-1]]))
        shares = [share + int(turn > mesh.turn) for share, turn in zip(shares, worst, strict=True)]
        lines = _divided(edges, shares, pulled)
    return lines if mesh.edge is None else _denser_at_edges(lines, mesh.edge)


def _divided(edges: Array, shares: Sequence[int], pulled: bool) -> Array:
    """Grid lines across from layer edges (n,) [mm] and the number of elements between them."""
    pieces = [np.linspace(a, b, n + 1)[:-1] for (a, b), n in zip(pairwise(edges), shares, strict=True)]
    lines = np.append(np.concatenate(pieces), edges[-1])
    if not pulled:
        return lines
    t = lines / edges[-1]
    return np.asarray(edges[-1] * np.sign(t) * (1.25 * np.abs(t) - 0.25 * t**2))


def _turns(strip: Strip, lines: Array) -> Array:
    """Largest turn [rad] of the section anywhere along the strip between each two grid lines across."""
    s = np.linspace(0.0, strip.length, 41)[:, None]
    angle = strip.section_angle(s, lines * strip.width_at(s) / strip.width)[0]
    return np.asarray(np.abs(np.diff(np.broadcast_to(angle, (41, lines.size)), axis=1)).max(axis=0))


def _denser_at_edges(lines: Array, size: float) -> Array:
    """Grid lines across with elements next to the free edges divided until the outermost are `size` [mm] long
    at most, each EDGE_GROWTH times its outer neighbour.
    """
    sides = [lines[-2:]] if lines[0] == 0.0 else [lines[1::-1], lines[-2:]]
    made = [lines]
    for inner, outer in sides:
        span = abs(outer - inner)
        count = math.ceil(math.log1p((EDGE_GROWTH - 1.0) * max(1.0, span / size)) / math.log(EDGE_GROWTH))
        shares = (EDGE_GROWTH ** np.arange(1, count) - 1.0) / (EDGE_GROWTH**count - 1.0)
        made.append(outer + (inner - outer) * shares)
    return np.unique(np.concatenate(made))


def mesh_of(strip: Strip, mesh: StripMesh) -> DevelopedMesh:
    """The developed strip divided as asked."""
    return developed_mesh(strip, size_field(strip, mesh), lines_across(strip, mesh), mesh.parts, mesh.cache)


def strip_shell(strip: Strip, mesh: StripMesh | None = None) -> StripShell:
    """Shell of a strip. Raises InputError if a given mesh is too coarse for the section or the bends."""
    mesh = mesh or StripMesh()
    developed = mesh_of(strip, mesh)
    grid = build_grid(developed.stations, developed.across, developed.cells)
    return StripShell(strip, shell_on(strip, grid), mesh.half, developed.warning, mesh.clamps)


def shell_on(strip: Strip, grid: Grid) -> Shell:
    """Shell of a strip on a given grid."""
    nominal = strip.width

    def surface(s: Array, eta: Array) -> tuple[Array, Array, Array, Array]:
        width, slope, _ = strip.taper(s)
        at = strip.surface(s, eta * width / nominal)
        ratio, drift = (width / nominal)[..., None], (eta * slope / nominal)[..., None]
        first = at.X_s + at.X_q * drift
        mixed = at.X_sq * ratio + at.X_qq * drift * ratio + at.X_q * (slope / nominal)[..., None]
        return at.X, first, at.X_q * ratio, mixed

    def place(s: Array, eta: Array) -> Array:
        return np.asarray(eta * strip.width_at(s) / nominal)

    def law(s: Array, eta: Array) -> Array:
        result = np.array(strip.laminate(s, place(s, eta)))
        result[..., :3, 3:] *= -1.0
        result[..., 3:, :3] *= -1.0
        return result

    def mass(s: Array, eta: Array) -> Array:
        return strip.mass_per_area(s, place(s, eta))

    shell = build_shell(grid, surface, law, mass)
    if strip.stations:
        shell = _with_fibre_axes(strip, shell)
    return shell


def _with_fibre_axes(strip: Strip, shell: Shell) -> Shell:
    """Local axis 1 along s at fixed q, not along the tapering grid lines."""
    s, eta = shell.grid.points[..., 0], shell.grid.points[..., 1]
    width, slope, _ = strip.taper(s)
    direction = np.stack([np.ones_like(s), -eta * slope / width], axis=-1)
    return Shell(shell.grid, shell.rest, shell.laminate, shell.density, direction)
