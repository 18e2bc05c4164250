"""Pictures of a sweep: a line over one number, a map over two, a row of maps over three.

Colour tells how much is asked for of the motor, on a scale of equal shares that is pale at the border between
coming out and jamming and as dark at twice what there is as at half of it; the border is a line, hatching
says how the strip jams beyond it, and a ring marks the design as it is.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import cKDTree

from fem.case.study_tables import Vary
from fem.core.errors import InputError
from fem.core.plain_text import visible
from fem.core.term import Array
from fem.study.parameters import parameter
from fem.study.samples import share_of
from fem.study.sweep import Sweep
from fem.study.table import Row
from fem.view.colour import signed_ramp
from fem.view.palette import ALARM, INK, LINES, PAPER, SOFT
from fem.view.plot import STYLE, WIDTH, saved

LEVELS = (0.125, 0.25, 0.35, 0.5, 0.7, 1.0, 1.4, 2.0)
"""Bounds of the shades: what is asked for over what there is, about equal shares apart."""
HATCHES = ("////", "\\\\\\\\", "....", "xxxx", "||||", "----", "oooo")
HATCHING: dict[Any, Any] = {"hatch.linewidth": 0.5, "hatch.color": SOFT}
SILENT = "x"
"""Marker of designs without a verdict."""
FINE = 181
"""Points along each side of a map."""
MOST_MAPS = 6
STRAIN = "strain_share_working"


def sweep_plot(made: Sweep, file: Path | str) -> Path:
    """Draw a sweep of one to three keys into an image file (.png, .svg, .pdf); return its path.

    Raises InputError for more keys, or where no row has a verdict.
    """
    with mpl.rc_context(STYLE | HATCHING):
        return saved(sweep_figure(made), Path(file))


def sweep_figure(made: Sweep) -> Figure:
    """The same as a figure."""
    if not any(math.isfinite(row.asked) for row in made.table):
        raise InputError(f"{made.case.name}: no design of this sweep has a verdict; there is nothing to draw")
    drawn = {1: _line_figure, 2: _map_figure, 3: _map_figure}.get(len(made.ranges))
    if drawn is None:
        raise InputError(f"{len(made.ranges)} keys make no picture; sweep at most three of them")
    return drawn(made)


# ---- one key -----------------------------------------------------------------------------------------------


def _line_figure(made: Sweep) -> Figure:
    """What is asked for, and the strain, against one key."""
    (asked,) = made.ranges
    figure = Figure(figsize=(7.4, 6.4), layout=ConstrainedLayoutEngine(w_pad=0.1, h_pad=0.08))
    above, below = figure.subplots(2, 1, sharex=True, height_ratios=(1.7, 1.0))
    rows = [row for row in made.table if row.went is not None]
    places = [_place(asked, row.values[asked.key]) for row in rows]
    order = np.argsort(places, kind="stable")
    rows, places = [rows[k] for k in order], [places[k] for k in order]
    _asked_line(above, places, rows)
    _strain_line(below, places, rows)
    for axes in (above, below):
        _mark_present(axes, made, asked)
        axes.margins(x=0.04)
    below.set_xlabel(_axis_title(made, asked))
    if asked.choices:
        below.set_xticks(range(len(asked.choices)), [visible(str(choice)) for choice in asked.choices])
    _heading(figure, made)
    return figure


@dataclass(frozen=True)
class _Sign:
    """How designs of one kind are marked on a line: words, marker, colours of face and edge, which rows."""

    words: str
    marker: str
    face: str
    edge: str
    chosen: Callable[[Row], bool]


_OUT = LINES["deploy"].colour
_SIGNS = (
    _Sign("comes out", "o", _OUT, _OUT, lambda row: bool(row.went)),
    _Sign("jams", "X", ALARM, ALARM, lambda row: row.went is False and not row.at_least),
    _Sign("jams, asks for at least that", "^", PAPER, ALARM, lambda row: row.went is False and row.at_least),
)


def _asked_line(axes: Axes, places: Sequence[float], rows: Sequence[Row]) -> None:
    asked = [row.asked for row in rows]
    axes.plot(places, asked, color=_OUT, linewidth=WIDTH, zorder=2)
    for sign in _SIGNS:
        found = [(x, row.asked) for x, row in zip(places, rows, strict=True) if sign.chosen(row)]
        if found:
            x, y = zip(*found, strict=True)
            axes.plot(x, y, linestyle="none", marker=sign.marker, mfc=sign.face, mec=sign.edge, ms=7,
                      label=sign.words, zorder=4)  # fmt: skip
    axes.axhline(1.0, color=INK, linewidth=1.1, dashes=LINES["motor"].dashes)
    axes.annotate("all that the motor has", (1.0, 1.0), (-3, 3), xycoords=("axes fraction", "data"),
                  textcoords="offset points", ha="right", va="bottom")  # fmt: skip
    axes.set_yscale("log", base=2)
    axes.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    finite = [value for value in asked if math.isfinite(value) and value > 0.0]
    axes.set_ylim(min(0.5, 0.85 * min(finite)), max(2.3, 1.2 * max(finite)))
    axes.set_ylabel("asked for, over what the motor has")
    axes.legend(loc="best")


def _strain_line(axes: Axes, places: Sequence[float], rows: Sequence[Row]) -> None:
    strain = [row.number(STRAIN) for row in rows]
    axes.plot(places, strain, "s-", color=LINES["retract"].colour, linewidth=WIDTH, ms=5, zorder=3)
    axes.axhline(1.0, color=ALARM, linewidth=1.0, dashes=(4.0, 2.0))
    axes.set_ylabel("strain that counts,\nover the material's limit")
    top = max((value for value in strain if math.isfinite(value)), default=1.0)
    axes.set_ylim(0.0, 1.12 * max(1.0, top))


# ---- two and three keys ------------------------------------------------------------------------------------


def _map_figure(made: Sweep) -> Figure:
    """Maps over the first two keys, one for each value of the third."""
    first, second = made.ranges[:2]
    groups: list[tuple[str, list[Row]]] = [("", list(made.table))]
    if len(made.ranges) == 3:
        third = made.ranges[2]
        values = sorted({row.values[third.key] for row in made.table}, key=str)
        groups = [
            (f"{third.key} {value:g}" if isinstance(value, float) else f"{third.key} {value}",
             [row for row in made.table if row.values[third.key] == value])
            for value in sorted(values, key=lambda value: _place(third, value))
        ]  # fmt: skip
        groups = groups[:: max(1, math.ceil(len(groups) / MOST_MAPS))]
    wide = min(3, len(groups))
    high = math.ceil(len(groups) / wide)
    figure = Figure(
        figsize=(2.2 + 5.0 * wide, 1.4 + 4.4 * high), layout=ConstrainedLayoutEngine(w_pad=0.1, h_pad=0.1)
    )
    panels = figure.subplots(high, wide, squeeze=False, sharex=True, sharey=True).ravel()
    modes = list(dict.fromkeys(row.mode for row in made.table if row.went is False and row.mode))
    shades = None
    for axes, (title, rows) in zip(panels, groups, strict=False):
        shades = _map(axes, made, (first, second), rows, modes) or shades
        axes.set_title(visible(title), loc="left", fontsize=10.0)
    for axes in panels[len(groups) :]:
        axes.set_visible(False)
    for axes in panels[-wide:]:
        axes.set_xlabel(_axis_title(made, first))
    for axes in panels[::wide]:
        axes.set_ylabel(_axis_title(made, second))
    if shades is not None:
        bar = figure.colorbar(shades, ax=list(panels), shrink=0.8, pad=0.02)
        bar.set_ticks(LEVELS, labels=[*(f"{level:g}" for level in LEVELS[:-1]), f"{LEVELS[-1]:g} +"])
        bar.set_label("asked for, over what the motor has")
    _legend(figure, modes, made)
    _heading(figure, made)
    return figure


def _map(
    axes: Axes, made: Sweep, ranges: tuple[Vary, Vary], rows: Sequence[Row], modes: Sequence[str]
) -> Any:
    """One map; returns its shades, None where there are too few rows for any."""
    known = [row for row in rows if row.went is not None]
    points = np.array([[_place(one, row.values[one.key]) for one in ranges] for row in known]).reshape(-1, 2)
    silent = [[_place(one, row.values[one.key]) for one in ranges] for row in rows if row.went is None]
    shades = None
    if len(known) >= 4 and np.all(np.ptp(points, axis=0) > 0.0):
        shades = _shades(axes, points, known, modes)
    axes.plot(points[:, 0], points[:, 1], ".", color=INK, ms=4.5, zorder=6, clip_on=False)
    if silent:
        x, y = zip(*silent, strict=True)
        axes.plot(x, y, linestyle="none", marker=SILENT, color=SOFT, ms=6, zorder=6, clip_on=False)
    x_here, y_here = (_present(made, one) for one in ranges)
    if x_here is not None and y_here is not None and _holds_present(made, rows):
        axes.plot([x_here], [y_here], "o", ms=13, mfc="none", mec=INK, mew=2.2, zorder=8, clip_on=False)
    for axis, one in zip((axes.xaxis, axes.yaxis), ranges, strict=True):
        if one.choices:
            axis.set_ticks(range(len(one.choices)), [visible(str(choice)) for choice in one.choices])
    axes.grid(visible=False)
    return shades


def _shades(axes: Axes, points: Array, rows: Sequence[Row], modes: Sequence[str]) -> Any:
    """Filled contours, the border, where strain passes its limit, and hatching by mode."""
    span = np.ptp(points, axis=0)
    low = points.min(axis=0)
    x, y = (np.linspace(low[k], low[k] + span[k], FINE) for k in (0, 1))
    fine = np.stack(np.meshgrid((x - low[0]) / span[0], (y - low[1]) / span[1]), axis=-1)
    unit = (points - low) / span
    asked = np.array([row.asked for row in rows])
    has = np.isfinite(asked) & (asked > 0.0)
    depth = np.log2(np.where(has, asked, 1.0))
    if has.sum() < 4:
        return None
    filled = LinearNDInterpolator(unit[has], depth[has])(fine)
    shares = np.exp2(np.minimum(filled, math.log2(LEVELS[-1]) - 1e-6))
    shown = axes.contourf(x, y, shares, LEVELS, colors=_colours(), extend="min", zorder=1)
    _hatch(axes, (x, y, np.where(filled[..., None] > 0.0, fine, np.nan)), unit, rows, modes)
    if np.nanmin(filled) < 0.0 < np.nanmax(filled):
        axes.contour(x, y, filled, [0.0], colors=[INK], linewidths=2.2, zorder=4)
    strain = np.array([row.number(STRAIN) for row in rows])
    told = np.isfinite(strain)
    if told.sum() >= 4 and strain[told].min() < 1.0 < strain[told].max():
        over = LinearNDInterpolator(unit[told], strain[told])(fine)
        axes.contour(x, y, over, [1.0], colors=[ALARM], linewidths=1.3, linestyles=["dashed"], zorder=5)
    return shown


def _colours() -> list[tuple[float, ...]]:
    """A colour for each shade: from dark through pale at the border to dark, by equal shares."""
    ends = np.log2([LEVELS[0] / 1.4, *LEVELS])
    middles = 0.5 * (ends[1:] + ends[:-1])
    scale = np.where(middles < 0.0, -ends[0], ends[-1])
    ramp = signed_ramp(257)
    return [tuple(ramp[k]) for k in np.round(128 + 115 * np.clip(middles / scale, -1.0, 1.0)).astype(int)]


def _hatch(
    axes: Axes, place: tuple[Array, Array, Array], unit: Array, rows: Sequence[Row], modes: Sequence[str]
) -> None:
    """Hatching beyond the border, by the mode of the nearest design that jams; place: x, y, and the points of
    the unit square, nan where nothing is to be hatched.
    """
    x, y, fine = place
    jammed = np.array([row.mode in modes for row in rows])
    outside = np.isfinite(fine[..., 0])
    if not jammed.any() or not outside.any():
        return
    kinds = np.array([modes.index(row.mode) for row in rows if row.mode in modes], dtype=float)
    nearest = np.full(outside.shape, -1.0)
    nearest[outside] = kinds[cKDTree(unit[jammed]).query(fine[outside])[1]]
    for number in range(len(modes)):
        here = (nearest == number).astype(float)
        if here.any():
            pattern = HATCHES[number % len(HATCHES)]
            axes.contourf(x, y, here, [0.5, 1.5], colors=["none"], hatches=[pattern], zorder=2)


def _legend(figure: Figure, modes: Sequence[str], made: Sweep) -> None:
    signs: list[Any] = [
        Line2D([], [], color=INK, linewidth=2.2, label="border: all that the motor has"),
        Line2D([], [], linestyle="none", marker=".", color=INK, label="designs that were run"),
    ]
    strain = made.table.column(STRAIN)
    if np.nanmin(strain) < 1.0 < np.nanmax(strain):
        signs.append(Line2D([], [], color=ALARM, linewidth=1.3, linestyle="dashed",
                            label="strain at the material's limit"))  # fmt: skip
    if any(row.went is None for row in made.table):
        signs.append(Line2D([], [], linestyle="none", marker=SILENT, color=SOFT, label="no verdict"))
    if all(_present(made, one) is not None for one in made.ranges):
        signs.append(Line2D([], [], linestyle="none", marker="o", ms=11, mfc="none", mec=INK, mew=2.0,
                            label="the design as it is"))  # fmt: skip
    signs += [
        Patch(facecolor=PAPER, edgecolor=SOFT, hatch=HATCHES[number % len(HATCHES)], label=visible(mode))
        for number, mode in enumerate(modes)
    ]
    figure.legend(handles=signs, loc="outside lower center", ncols=3, fontsize=8.5)


# ---- shared ------------------------------------------------------------------------------------------------


def _place(asked: Vary, value: Any) -> float:
    """Where a value stands on its axis: a number at itself, a choice at its number."""
    return round(share_of(asked, value) * len(asked.choices) - 0.5) if asked.choices else float(value)


def _present(made: Sweep, asked: Vary) -> float | None:
    """Where the design as it is stands on an axis; None where it has no such value, or lies far outside."""
    value = parameter(made.case, asked.key).present
    if asked.choices:
        return _place(asked, value) if value in asked.choices else None
    if not isinstance(value, int | float) or isinstance(value, bool):
        return None
    return float(value) if -0.02 <= share_of(asked, value) <= 1.02 else None


def _holds_present(made: Sweep, rows: Sequence[Row]) -> bool:
    """Whether the design as it is belongs on the map of these rows: their third value is its own."""
    return all(
        row.values[third.key] == parameter(made.case, third.key).present
        for third in made.ranges[2:]
        for row in rows
    )


def _mark_present(axes: Axes, made: Sweep, asked: Vary) -> None:
    here = _present(made, asked)
    if here is not None:
        axes.axvline(here, color=INK, linewidth=0.9, dashes=(1.5, 2.0), zorder=1)
        if axes.get_subplotspec() is not None and axes.get_subplotspec().is_first_row():  # type: ignore[union-attr]
            axes.annotate("as it is", (here, 1.0), (0, 3), xycoords=("data", "axes fraction"),
                          textcoords="offset points", ha="center", va="bottom")  # fmt: skip


def _axis_title(made: Sweep, asked: Vary) -> str:
    unit = parameter(made.case, asked.key).unit
    return visible(f"{asked.key} [{unit}]" if unit else asked.key)


def _heading(figure: Figure, made: Sweep) -> None:
    out = sum(bool(row.went) for row in made.table)
    head = f"{made.case.name}: {out} of {len(made.table)} designs come out"
    figure.suptitle(visible(head), x=0.012, ha="left", fontsize=12.5, weight="bold", color=INK)
