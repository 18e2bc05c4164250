"""Curves of a finished run on one page: what it takes to wind in and push out, and where the work went.

Of a bench push: load and sharpest curvature against what the bench prescribes.

Retract and deploy share the axes, so that the price of coming out shows as the distance between two lines.
They differ in colour (blue and orange keep apart in the common colour-vision deficiencies), in dash and by
their arrows.
"""

from __future__ import annotations

import itertools
import textwrap
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine

from fem.core.atomic import whole_file
from fem.core.term import Array
from fem.results.result import Result
from fem.results.snapshot import PHASES

INK, FAINT, ALARM = "#22313a", "#8b979d", "#a3123f"


LIMIT = (8.0, 2.0, 1.5, 2.0)
"""Dashes of the line of what the motor has."""


@dataclass(frozen=True)
class Manner:
    """How the rows of one phase are drawn."""

    phase: str
    caption: str
    colour: str
    dashes: tuple[float, ...]
    width: float


MANNERS = (
    Manner("retract", "winding in", "#155e8a", (5.0, 1.6), 1.7),
    Manner("deploy", "pushing out", "#d9680b", (), 2.3),
    Manner("push", "push", "#155e8a", (), 2.0),
)
STORED = ("energy_strain_Nmm", "energy_contact_Nmm", "energy_kinetic_Nmm")
BALANCE = (
    ("work put in", ("work_in_Nmm",), INK, ()),
    ("stored since the start", STORED, "#155e8a", (5.0, 1.6)),
    ("lost to friction", ("loss_friction_Nmm",), "#d9680b", ()),
    ("lost to damping and stepping", ("loss_damping_Nmm", "loss_numerical_Nmm"), "#7a5195", (1.2, 1.2)),
)
"""Lines of the energy panel: caption, columns added up, colour, dashes."""


@dataclass(frozen=True)
class BenchAxes:
    """Columns of a bench push, and what is written on their axes."""

    load: str
    label: str
    way: str
    caption: str


LOADS = {"moment_Nmm": "moment [N mm]", "force_N": "force [N]"}
WAYS = {
    "turn_rad": "turn of the end [rad]",
    "shortening_mm": "shortening [mm]",
    "pressed_mm": "how far it is pressed [mm]",
}
"""Columns of what a bench measures and of what it prescribes."""

STYLE: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 9.5,
    "text.color": INK,
    "axes.labelcolor": INK,
    "axes.edgecolor": FAINT,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.grid": True,
    "grid.color": "#e4e8ea",
    "grid.linewidth": 0.7,
    "axes.axisbelow": True,
}


def torque_plot(result: Result, file: Path | str) -> Path:
    """Draw torque and push against travel, and the energies, into an image file; return its path.

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
    """The page of `torque_plot` as a figure of three panels: torque, push, energies."""
    figure = Figure(figsize=(9.0, 8.6), layout=ConstrainedLayoutEngine(w_pad=0.1, h_pad=0.06))
    parts: Any = figure.subfigures(2, 1, height_ratios=(3.1, 1.15))
    upper, lower = parts
    torque, push = upper.subplots(2, 1, sharex=True, height_ratios=(1.75, 1.0))
    energy = lower.subplots()
    bench = bench_axes(result)
    x, caption = (result.column(bench.way), bench.caption) if bench else _abscissa(result)
    levels = _mark_bends(torque, push, result)
    _curves(torque, result, x, bench.load if bench else "torque_Nmm")
    _curves(push, result, x, "curvature_peak_per_mm" if bench else "push_N")
    _motor_limit(torque, result, x)
    _mark_jam(torque, result)
    torque.set_ylabel(bench.label if bench else "torque at the axle [N mm]")
    at_slot = "push at the slot [N]\n(+ pushed, \N{MINUS SIGN} pulled)"
    push.set_ylabel("largest curvature\n[1/mm]" if bench else at_slot)
    push.set_xlabel(caption)
    push.axhline(0.0, color=FAINT, linewidth=0.8)
    _balance(energy, result, bench)
    _heading(upper, torque, result, levels)
    return figure


def bench_axes(result: Result) -> BenchAxes | None:
    """Axes of a bench push; None for a push by the axle."""
    load, way = (next((name for name in names if name in result.path), "") for names in (LOADS, WAYS))
    return BenchAxes(load, LOADS[load], way, WAYS[way]) if load and way else None


def _abscissa(result: Result) -> tuple[Array, str]:
    travel = result.column("travel_mm")
    if travel.size and np.nanmax(travel, initial=0.0) - np.nanmin(travel, initial=np.inf) > 1e-6:
        return travel, "travel: strip pulled in through the slot [mm] (0 = fully out)"
    return result.column("time_s"), "time of the push [s]"


def _curves(axes: Axes, result: Result, x: Array, name: str) -> None:
    y, phase = result.column(name), result.column("phase")
    drawn = False
    for manner in MANNERS:
        chosen = (phase == PHASES.index(manner.phase)) & np.isfinite(x) & np.isfinite(y)
        if not chosen.any():
            continue
        drawn = True
        dashes = manner.dashes or (None, None)
        axes.plot(x[chosen], y[chosen], color=manner.colour, linewidth=manner.width, dashes=dashes,
                  label=manner.caption, solid_capstyle="round", zorder=3)  # fmt: skip
        _arrow(axes, x[chosen], y[chosen], manner)
    if drawn:
        axes.margins(x=0.03, y=0.12)
        if name == "torque_Nmm":
            axes.legend(loc="best", frameon=True, framealpha=0.85, edgecolor="none", handlelength=3.2)
    else:
        axes.text(
            0.5,
            0.5,
            "not recorded" if result.rows else "no accepted steps",
            transform=axes.transAxes,
            ha="center",
            color=FAINT,
        )


def _arrow(axes: Axes, x: Array, y: Array, manner: Manner) -> None:
    """One arrow head on the curve, where 45 % of the way along x has been made."""
    moved = np.cumsum(np.abs(np.diff(x, prepend=x[0])))
    if moved[-1] == 0.0:
        return
    here = int(np.searchsorted(moved, 0.45 * moved[-1]))
    there = int(np.searchsorted(moved, 0.48 * moved[-1]))
    if there > here:
        arrow = {
            "arrowstyle": "-|>,head_width=.32,head_length=.62",
            "color": manner.colour,
            "shrinkA": 0,
            "shrinkB": 0,
        }
        axes.annotate("", (x[there], y[there]), (x[here], y[here]), arrowprops=arrow, zorder=4)


def _motor_limit(axes: Axes, result: Result, x: Array) -> None:
    limit, phase = result.column("motor_torque_Nmm"), result.column("phase")
    torque = result.column("torque_Nmm")
    known = np.isfinite(limit) & np.isfinite(x) & (phase > 0)
    if not known.any():
        return
    least, peak = float(limit[known].min()), float(np.nanmax(torque[known], initial=0.0))
    if least > 3.0 * peak > 0.0:  # drawing it would press the curves flat
        axes.text(0.995, 0.985, f"the motor has {least:.3g} N mm or more, above this scale",
                  transform=axes.transAxes, ha="right", va="top", color=INK)  # fmt: skip
        return
    if np.ptp(limit[known]) <= 1e-3 * least:
        axes.plot(
            [x[known].min(), x[known].max()],
            [least, least],
            color=INK,
            linewidth=1.1,
            dashes=LIMIT,
            gid="motor",
        )
    else:
        for manner in MANNERS:
            chosen = known & (phase == PHASES.index(manner.phase))
            if chosen.any():
                axes.plot(x[chosen], limit[chosen], color=manner.colour, lw=1.1, dashes=LIMIT, gid="motor")
    top = max(axes.get_ylim()[1], 1.12 * float(limit[known].max()))
    axes.set_ylim(axes.get_ylim()[0], top)
    last = int(np.flatnonzero(known)[np.argmin(x[known])])
    axes.annotate(f"the motor has {_span(limit[known])} N mm", (x[last], limit[last]), (2, 3),
                  textcoords="offset points", va="bottom", ha="left", zorder=5)  # fmt: skip


def _span(values: Array) -> str:
    least, most = f"{values.min():.3g}", f"{values.max():.3g}"
    return least if least == most else f"{least} to {most}"


def _mark_bends(torque: Axes, push: Axes, result: Result) -> int:
    """Vertical marks with labels above the torque panel; returns how many rows of labels that took."""
    travel = result.column("travel_mm")
    reach = float(np.nanmax(travel, initial=1.0))
    taken: list[float] = []  # right end of the last label in each row, as a share of the axis
    for bend in sorted(result.bends, key=lambda bend: bend.travel_mm):
        if not np.isfinite(bend.travel_mm):
            continue
        for axes, peak in ((torque, bend.peak_torque_Nmm), (push, bend.peak_push_N)):
            axes.axvline(bend.travel_mm, color=FAINT, linewidth=0.9, dashes=(1.5, 2.0), zorder=1)
            axes.plot([bend.travel_mm], [peak], "o", ms=6.5, mfc="white", mec=INK, mew=1.4, zorder=6)
        share = bend.travel_mm / reach
        level = next((row for row, end in enumerate(taken) if share - 0.1 > end), len(taken))
        taken[level : level + 1] = [share + 0.1]
        torque.annotate(
            f"bend {bend.bend}: {bend.peak_torque_Nmm:.3g} N mm", (bend.travel_mm, 1.0), (0, 3 + 13 * level),
            xycoords=("data", "axes fraction"), textcoords="offset points", ha="center", va="bottom",
        )  # fmt: skip
    return len(taken)


def _mark_jam(axes: Axes, result: Result) -> None:
    jam = result.jam
    if jam is None or not (np.isfinite(jam.travel_mm) and np.isfinite(jam.torque_Nmm)):
        return
    axes.plot([jam.travel_mm], [jam.torque_Nmm], "o", ms=15, mfc="none", mec=ALARM, mew=2.0, zorder=7)
    axes.plot([jam.travel_mm], [jam.torque_Nmm], "x", ms=7, color=ALARM, mew=2.0, zorder=7)
    bottom, top = axes.get_ylim()
    axes.set_ylim(bottom, max(top, jam.torque_Nmm + 0.12 * (jam.torque_Nmm - bottom)))
    text = textwrap.fill(f"jam: {jam.mode}, {jam.place}", 30)
    dx, dy = _free_side(axes, (jam.travel_mm, jam.torque_Nmm), text)
    axes.annotate(
        text, (jam.travel_mm, jam.torque_Nmm), (dx, dy), textcoords="offset points", va="center",
        ha="right" if dx < 0 else "left", color=ALARM, weight="bold", zorder=8,
        arrowprops={"arrowstyle": "-", "color": ALARM, "shrinkB": 8},
        bbox={"boxstyle": "round,pad=.3", "fc": "white", "ec": "none", "alpha": 0.9},
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


def _balance(axes: Axes, result: Result, bench: BenchAxes | None) -> None:
    x, label = _so_far(result.column("axle_angle_rad")), "axle turned so far, in and out [rad]"
    if not np.nanmax(x, initial=0.0) > 0.0:
        x, label = _so_far(result.column("time_s")), "time of the push [s]"
    if bench:
        x, label = result.column(bench.way), bench.caption
    for caption, names, colour, dashes in BALANCE:
        parts = [result.column(name) for name in names]
        y = np.nansum(parts, axis=0) - (np.nansum(parts, axis=0)[:1] if caption.startswith("stored") else 0.0)
        if np.isfinite(parts).any():
            axes.plot(x, y, color=colour, dashes=dashes or (None, None), linewidth=1.7, label=caption)
    back = np.flatnonzero(np.diff(result.column("phase")) > 0)
    for step in back[result.column("phase")[back] > 0]:
        axes.axvline(x[step], color=FAINT, linewidth=0.9)
        axes.annotate("turned round", (x[step], 0.97), (3, 0), xycoords=("data", "axes fraction"),
                      textcoords="offset points", va="top", color="#66737a", size=8.5)  # fmt: skip
    axes.set_xlabel(label)
    axes.set_ylabel("energy [N mm]")
    axes.margins(x=0.02, y=0.1)
    if axes.lines:
        axes.legend(loc="upper left", frameon=True, framealpha=0.85, edgecolor="none", fontsize=8.5)
    error = np.abs(result.column("audit_error"))
    if np.isfinite(error).any():
        axes.set_title(f"the balance closes within {100 * np.nanmax(error):.2g} % of the work done",
                       loc="right", fontsize=8.5, color="#66737a")  # fmt: skip


def _so_far(column: Array) -> Array:
    return np.cumsum(np.abs(np.diff(column, prepend=column[:1])))


def _heading(figure: Any, axes: Axes, result: Result, levels: int) -> None:
    figure.suptitle(textwrap.fill(result.sentence, 115), x=0.012, ha="left", fontsize=9.5)
    head = f"{result.case_name}: {result.status}  ({result.model} model)"
    figure.figure.suptitle(head, x=0.012, ha="left", fontsize=12.5, weight="bold",
                           color=ALARM if result.jam else INK)  # fmt: skip
    axes.set_title(" ", pad=4 + 13 * levels, fontsize=2)  # keeps room for the labels of the bends
