"""The mesh of a strip on one page, in its true proportions: layers, bends and slot, edges, the rod's line."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from fem.core.atomic import whole_file
from fem.core.plain_text import visible
from fem.core.term import Array
from fem.mesh.developed_mesh import FREE, ROOT, SYMMETRY, TIP, DevelopedMesh, alike
from fem.view.colour import materials
from fem.view.palette import ALARM, INK, INWARD, OUTWARD, PAPER, SOFT

WIDTH, LEFT, RIGHT = 11.0, 0.75, 0.25
"""Inches: the page, and what stays free left and right of the drawings."""
HEAD, ROW, GAP, FOOT, LEAST = 0.55, 0.17, 0.22, 0.45, 0.3
"""Inches: the heading, a row of a legend, the space above it and below all panels, the lowest panel."""
LETTERS = 150
"""As many fit into a row of a legend."""
EDGE_COLOURS = {ROOT: ALARM, TIP: OUTWARD, FREE: INWARD, SYMMETRY: INK}
STYLE: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 8.5,
    "text.parse_math": False,  # a $ of a title is a dollar sign
    "text.color": INK,
    "axes.edgecolor": SOFT,
    "axes.labelcolor": INK,
    "xtick.color": INK,
    "ytick.color": INK,
}


def mesh_picture(title: str, mesh: DevelopedMesh, line: Array, file: Path, description: str) -> Path:
    """Draw a mesh and the stations (n,) [mm] of the rod's `line` into a PNG file; return its path.

    `description` is kept within the file. It appears whole or not at all.
    """
    with mpl.rc_context(STYLE):
        figure = mesh_figure(title, mesh, line)
        with whole_file(file) as unfinished:
            figure.savefig(unfinished, dpi=120, metadata={"Description": description, "Software": None})
    return file


@dataclass(frozen=True)
class _Panel:
    """One drawing: how tall it is [inches], what its colours mean, and what puts it on its axes."""

    height: float
    keys: Sequence[tuple[str, Any]]
    draw: Callable[[Axes], object]

    @property
    def rows(self) -> int:
        """Rows of the legend."""
        return max(1, math.ceil(sum(len(word) + 8 for word, _ in self.keys) / LETTERS))


def mesh_figure(title: str, mesh: DevelopedMesh, line: Array) -> Figure:
    """The page of `mesh_picture` as a figure of four panels."""
    low, high = float(mesh.places[:, 1].min()), float(mesh.places[:, 1].max())
    length = float(mesh.stations[-1])
    inside = WIDTH - LEFT - RIGHT
    tall = max(LEAST, inside * (high - low) / length)
    layers = [name for name in mesh.groups if name.startswith("layer ")]
    panels = [
        _groups(mesh, layers, "no layer", tall),
        _groups(mesh, [name for name in mesh.groups if name not in layers], "no bend, beyond the slot", tall),
        _edges(mesh, tall),
        _line(line),
    ]
    page = HEAD + sum(panel.height + panel.rows * ROW + GAP for panel in panels) + FOOT
    figure = Figure(figsize=(WIDTH, page))
    _heading(figure, title, mesh)
    top, drawn = HEAD, list[Axes]()
    for panel in panels:
        top += GAP + panel.rows * ROW + panel.height
        axes = figure.add_axes((LEFT / WIDTH, 1.0 - top / page, inside / WIDTH, panel.height / page))
        drawn.append(axes)
        panel.draw(axes)
        _legend(axes, panel)
        axes.set_xlim(-0.004 * length, 1.004 * length)
        axes.spines[["top", "right", "left"]].set_visible(False)
    for axes in drawn[:-1]:
        margin = 0.04 * (high - low)
        axes.set_ylim(low - margin, high + margin)
        axes.spines["bottom"].set_visible(False)
        axes.tick_params(labelbottom=False, bottom=False)
        axes.set_ylabel("q [mm]")
        axes.set_yticks([low, 0.0, high] if low < 0.0 else [low, high])
    drawn[-1].set_xlabel("s: length along the strip from the root [mm]")
    return figure


def _heading(figure: Figure, title: str, mesh: DevelopedMesh) -> None:
    along, across = mesh.stations.size - 1, mesh.across.size - 1
    part = "half the width, the other half mirrors it" if SYMMETRY in mesh.edges else "the whole width"
    words = f"developed strip, {part}: {along} by {across} elements of the shell, {len(mesh.places)} nodes"
    page = figure.get_figheight()
    figure.text(LEFT / WIDTH, 1.0 - 0.14 / page, visible(title), va="top", fontsize=11.0, weight="bold")
    figure.text(LEFT / WIDTH, 1.0 - 0.38 / page, words, va="top")


def _groups(mesh: DevelopedMesh, names: Sequence[str], without: str, height: float) -> _Panel:
    """Elements coloured by the groups that they belong to, the same colour for the same ones."""
    sets = alike(mesh, names)
    colours = iter(materials(len(sets)) / 255.0)
    keys = [
        (" + ".join(found) or without, next(colours) if found else mpl.colors.to_rgb(PAPER))
        for found, _ in sets
    ]
    shades = np.empty((len(mesh.cells), 3))
    for (_, elements), (_, shade) in zip(sets, keys, strict=True):
        shades[elements] = shade
    return _Panel(height, keys, lambda axes: _elements(axes, mesh, shades))


def _edges(mesh: DevelopedMesh, height: float) -> _Panel:
    def draw(axes: Axes) -> None:
        _elements(axes, mesh, PAPER)
        for name, pairs in mesh.edges.items():
            lines = LineCollection(
                list(mesh.places[pairs]), colors=EDGE_COLOURS[name], linewidths=2.6, clip_on=False, zorder=3
            )
            axes.add_collection(lines)

    return _Panel(height, [(name, EDGE_COLOURS[name]) for name in mesh.edges], draw)


def _line(line: Array) -> _Panel:
    def draw(axes: Axes) -> None:
        axes.hlines(0.0, line[0], line[-1], color=INK, linewidth=1.2)
        axes.vlines(line, -1.0, 1.0, color=INK, linewidth=0.7)
        axes.set_ylim(-1.6, 1.6)
        axes.set_yticks([])

    return _Panel(LEAST, [(f"line of the quick model: {line.size - 1} elements", INK)], draw)


def _elements(axes: Axes, mesh: DevelopedMesh, shades: Array | str) -> None:
    corners = list(mesh.places[mesh.cells])
    axes.add_collection(PolyCollection(corners, facecolors=shades, edgecolors=INK, linewidths=0.45))


def _legend(axes: Axes, panel: _Panel) -> None:
    axes.legend(
        handles=[Patch(facecolor=shade, edgecolor=SOFT, label=word) for word, shade in panel.keys],
        loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=math.ceil(len(panel.keys) / panel.rows),
        frameon=False, borderaxespad=0.15, borderpad=0.0, handlelength=1.2, handleheight=0.9,
        columnspacing=1.6,
    )  # fmt: skip
