"""The curves of a finished run on one page: what it takes, what goes with it, and where the work went.

Winding in and pushing out share the axes, so that the price of coming out shows as the distance between two
lines. What is drawn comes from `fem.results.curves`, how a line looks from `palette`.
"""

from __future__ import annotations

import itertools
import textwrap
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine

from fem.core.atomic import whole_file
from fem.core.plain_text import visible
from fem.core.term import Array
from fem.results.curves import Curve, Line, Mark, MotorLimit, run_curves
from fem.results.result import Result
from fem.view.palette import ALARM, FAINT, INK, LINES, PAPER, SOFT

WIDTH = 1.7
"""Points: width of a line of weight 1."""
SMALL = 8.5
"""Size of the notes beside a panel."""
STYLE: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 9.5,
    "text.parse_math": False,  # a $ of a title is a dollar sign
    "text.color": INK,
    "axes.facecolor": PAPER,
    "figure.facecolor": PAPER,
    "axes.labelcolor": INK,
    "axes.edgecolor": SOFT,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.grid": True,
    "grid.color": FAINT,
    "grid.linewidth": 0.5,
    "axes.axisbelow": True,
    "legend.frameon": True,
    "legend.framealpha": 0.85,
    "legend.edgecolor": "none",
}


def torque_plot(result: Result, file: Path | str) -> Path:
    """Draw the three curves of a run into an image file; return its path.

    The file's ending chooses the format (.png, .svg, .pdf). It appears whole or not at all.
    """
    with mpl.rc_context(STYLE):
        return saved(torque_figure(result), Path(file))


def saved(figure: Figure, target: Path) -> Path:
    """Write a figure whole or not at all; returns its file."""
    with whole_file(target) as unfinished:
        figure.savefig(unfinished, dpi=150)
    return target


def torque_figure(result: Result) -> Figure:
    """The page of `torque_plot` as a figure of three panels: load, companion, energies."""
    figure = Figure(figsize=(9.0, 8.6), layout=ConstrainedLayoutEngine(w_pad=0.1, h_pad=0.06))
    parts: Any = figure.subfigures(2, 1, height_ratios=(3.1, 1.15))
    upper, lower = parts
    above, below = upper.subplots(2, 1, sharex=True, height_ratios=(1.75, 1.0))
    load, companion, energy = run_curves(result)
    nothing = "not recorded" if result.rows else "no accepted steps"
    levels = _name_marks(above, load)
    for axes, curve in ((above, load), (below, companion)):
        _mark_places(axes, curve.marks)
        _lines(axes, curve, nothing)
        for line in curve.lines:
            _arrow(axes, line)
        axes.set_ylabel(curve.y_title)
    if len(load.lines) > 1:
        above.legend(loc="best", handlelength=3.2)
    _motor(above, load.motor)
    _jam(above, load.jam)
    below.set_xlabel(companion.x_title)
    below.axhline(0.0, color=SOFT, linewidth=0.8)
    _note(below, companion.note)
    _energies(lower.subplots(), energy, nothing)
    _heading(upper, above, result, levels)
    return figure


def _line(axes: Axes, line: Line, mark: str | None = None) -> None:
    """One line as its kind looks; mark: by which to find it in the picture."""
    look = LINES[line.kind]
    axes.plot(
        line.x, line.y, color=look.colour, linewidth=WIDTH * look.weight, dashes=look.dashes or (None, None),
        label=line.words or "_no words", solid_capstyle="round", zorder=3, gid=mark,
    )  # fmt: skip


def _lines(axes: Axes, curve: Curve, nothing: str) -> None:
    for line in curve.lines:
        _line(axes, line)
    axes.margins(x=0.03, y=0.12)
    if not curve.lines:
        axes.text(0.5, 0.5, nothing, transform=axes.transAxes, ha="center", color=SOFT)


def _arrow(axes: Axes, line: Line) -> None:
    """One arrow head on a line, where 45 % of the way along x has been made."""
    moved = np.cumsum(np.abs(np.diff(line.x, prepend=line.x[0])))
    if moved[-1] == 0.0:
        return
    here, there = (int(np.searchsorted(moved, share * moved[-1])) for share in (0.45, 0.48))
    if there > here:
        arrow = {
            "arrowstyle": "-|>,head_width=.32,head_length=.62", "color": LINES[line.kind].colour,
            "shrinkA": 0, "shrinkB": 0,
        }  # fmt: skip
        tip, tail = ((float(line.x[row]), float(line.y[row])) for row in (there, here))
        axes.annotate("", tip, tail, arrowprops=arrow, zorder=4)


def _motor(axes: Axes, motor: MotorLimit | None) -> None:
    if motor is None:
        return
    if not motor.lines:
        axes.text(0.995, 0.985, motor.words, transform=axes.transAxes, ha="right", va="top", color=INK)
        return
    for line in motor.lines:
        _line(axes, line, "motor")
    bottom, top = axes.get_ylim()
    highest = max(float(line.y.max()) for line in motor.lines)
    axes.set_ylim(bottom, max(top, 1.12 * highest))
    x, y = min((float(line.x[row]), float(line.y[row])) for line in motor.lines for row in (0, -1))
    axes.annotate(motor.words, (x, y), (2, 3), textcoords="offset points", va="bottom", ha="left", zorder=5)


def _mark_places(axes: Axes, marks: tuple[Mark, ...]) -> None:
    for mark in marks:
        axes.axvline(mark.x, color=SOFT, linewidth=0.7, dashes=(1.5, 2.0), zorder=1)
        axes.plot([mark.x], [mark.y], "o", ms=6.5, mfc=PAPER, mec=INK, mew=1.4, zorder=6)


def _name_marks(axes: Axes, curve: Curve) -> int:
    """Names of the marks with their heights above a panel; returns how many rows of words that took."""
    reach = max((float(line.x.max()) for line in curve.lines), default=1.0)
    taken: list[float] = []  # right end of the last label in each row, as a share of the axis
    for mark in curve.marks:
        share = mark.x / reach
        level = next((row for row, end in enumerate(taken) if share - 0.1 > end), len(taken))
        taken[level : level + 1] = [share + 0.1]
        axes.annotate(
            f"{mark.words}: {mark.y:.3g} {curve.unit}", (mark.x, 1.0), (0, 3 + 13 * level),
            xycoords=("data", "axes fraction"), textcoords="offset points", ha="center", va="bottom",
        )  # fmt: skip
    return len(taken)


def _jam(axes: Axes, jam: Mark | None) -> None:
    if jam is None:
        return
    axes.plot([jam.x], [jam.y], "o", ms=15, mfc="none", mec=ALARM, mew=2.0, zorder=7)
    axes.plot([jam.x], [jam.y], "x", ms=7, color=ALARM, mew=2.0, zorder=7)
    bottom, top = axes.get_ylim()
    axes.set_ylim(bottom, max(top, jam.y + 0.12 * (jam.y - bottom)))
    text = textwrap.fill(jam.words, 30)
    dx, dy = _free_side(axes, (jam.x, jam.y), text)
    axes.annotate(
        text, (jam.x, jam.y), (dx, dy), textcoords="offset points", va="center",
        ha="right" if dx < 0 else "left", color=ALARM, weight="bold", zorder=8,
        arrowprops={"arrowstyle": "-", "color": ALARM, "shrinkB": 8},
        bbox={"boxstyle": "round,pad=.3", "fc": PAPER, "ec": "none", "alpha": 0.9},
    )  # fmt: skip


def _free_side(axes: Axes, point: tuple[float, float], text: str) -> tuple[float, float]:
    """Offset [points] at which a text beside `point` stays within the axes and covers least of the curves."""
    canvas = axes.get_figure(root=True)
    assert canvas is not None
    canvas.draw_without_rendering()
    scale = 72.0 / canvas.dpi
    lines = text.splitlines()
    wide, high = 7.2 * max(map(len, lines)) + 12.0, 14.0 * len(lines) + 14.0  # with the margin of its box
    here = axes.transData.transform(point) * scale
    box = axes.get_window_extent()
    points = (
        np.concatenate([axes.transData.transform(_dense(line.get_xydata())) for line in axes.lines]) * scale
    )

    def cost(offset: tuple[float, float]) -> float:
        x, y = (float(value) for value in here + offset)
        low = x - wide if offset[0] < 0 else x
        inside = (np.abs(points[:, 0] - low - wide / 2) < wide / 2) & (np.abs(points[:, 1] - y) < high / 2)
        beyond: float = max(box.x0 * scale - low, low + wide - box.x1 * scale, 0.0)
        beyond += max(box.y0 * scale - y + high / 2, y + high / 2 - box.y1 * scale, 0.0)
        # among free places the nearest
        return float(inside.sum()) + 100.0 * beyond + 0.02 * float(np.hypot(*offset))

    places = itertools.product((-34.0, 34.0, -110.0, 110.0, -220.0, 220.0), (-4.0, -45.0, 45.0, -90.0, 90.0))
    return min(places, key=cost)


def _dense(line: Any) -> Array:
    along = np.linspace(0.0, len(line) - 1.0, max(200, len(line)))
    return np.stack([np.interp(along, np.arange(len(line)), line[:, k]) for k in (0, 1)], axis=1)


def _energies(axes: Axes, curve: Curve, nothing: str) -> None:
    _lines(axes, curve, nothing)
    for mark in curve.marks:
        axes.axvline(mark.x, color=SOFT, linewidth=0.9)
        axes.annotate(mark.words, (mark.x, 0.97), (3, 0), xycoords=("data", "axes fraction"),
                      textcoords="offset points", va="top", color=SOFT, size=SMALL)  # fmt: skip
    axes.set_xlabel(curve.x_title)
    axes.set_ylabel(curve.y_title)
    axes.margins(x=0.02, y=0.1)
    if curve.lines:
        axes.legend(loc="upper left", fontsize=SMALL)
    _note(axes, curve.note)


def _note(axes: Axes, note: str) -> None:
    if note:
        axes.set_title(note, loc="right", fontsize=SMALL, color=SOFT)


def _heading(figure: Any, axes: Axes, result: Result, levels: int) -> None:
    figure.suptitle(
        visible(textwrap.fill(result.sentence, 115), lines=True), x=0.012, ha="left", fontsize=9.5
    )
    head = visible(f"{result.case_name}: {result.status}  ({result.model} model)")
    figure.figure.suptitle(head, x=0.012, ha="left", fontsize=12.5, weight="bold",
                           color=ALARM if result.jam else INK)  # fmt: skip
    axes.set_title(" ", pad=4 + 13 * levels, fontsize=2)  # keeps room for the names of the marks
