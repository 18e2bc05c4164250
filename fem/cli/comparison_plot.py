"""A run drawn over what was accepted for its case: a panel per phase, the place of the largest distance."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine

from fem.core.plain_text import visible
from fem.core.term import Array
from fem.results.baseline import Baseline, curve_columns, jam_row
from fem.results.columns import column
from fem.results.compare import STATUS, Comparison, CurveDifference
from fem.results.result import Jam, Result
from fem.results.snapshot import PHASE_WORDS, PHASES
from fem.view.palette import ALARM, INK, LINES, PAST, SOFT
from fem.view.plot import SMALL, STYLE, WIDTH, saved


def comparison_plot(baseline: Baseline, result: Result, made: Comparison, file: Path | str) -> Path:
    """Draw the accepted curve and the present one into an image file; return its path."""
    with mpl.rc_context(STYLE):
        return saved(comparison_figure(baseline, result, made), Path(file))


def comparison_figure(baseline: Baseline, result: Result, made: Comparison) -> Figure:
    """The page of `comparison_plot`: the accepted curve broad and grey, the present one thin and coloured."""
    phases = {curve.phase: curve for curve in made.curves}
    drawn = [phase for phase in PHASES if phase in phases] or [PHASES[-1]]
    figure = Figure(
        figsize=(1.5 + 5.2 * len(drawn), 5.2), layout=ConstrainedLayoutEngine(w_pad=0.1, h_pad=0.08)
    )
    panels = figure.subplots(1, len(drawn), sharey=True, squeeze=False)[0]
    loads = []
    for axes, phase in zip(panels, drawn, strict=True):
        loads += _one_against_other(axes, baseline, result, phase)
    if loads and max(loads) > min(loads):
        room = max(loads) - min(loads)
        panels[0].set_ylim(min(loads) - 0.1 * room, max(loads) + 0.35 * room)
    for axes, phase in zip(panels, drawn, strict=True):
        if phase in phases:
            _mark_departure(axes, phases[phase])
        if axes.lines:
            axes.legend(loc="best")
    _, load = curve_columns(baseline.path) or curve_columns(result.path) or ("", "load")
    panels[0].set_ylabel(column(load).title)
    word = made.kind.upper() if made.kind == STATUS else made.kind
    status = made.status[0] if made.status[0] == made.status[1] else " -> ".join(made.status)
    head = visible(f"{made.case} ({made.model} model): {word}, {status}")
    figure.suptitle(head, x=0.012, ha="left", fontsize=12.5,
                    weight="bold", color=ALARM if made.fails else INK)  # fmt: skip
    return figure


def _one_against_other(axes: Axes, baseline: Baseline, result: Result, phase: str) -> list[float]:
    """Draw one phase; returns the loads met up to a jam: what lies beyond must not flatten the rest."""
    sides: tuple[tuple[Mapping[str, Any], Jam | None, str, str, float], ...] = (
        (baseline.path, baseline.jam, "accepted", PAST, 3.0 * WIDTH),
        (result.path, result.jam, "now", LINES[phase].colour, WIDTH),
    )
    loads: list[float] = []
    for path, jam, name, colour, width in sides:
        pair = curve_columns(path)
        if pair is None:
            continue
        x, y, phases = (np.asarray(path[one], dtype=float) for one in (*pair, "phase"))
        chosen = (phases == PHASES.index(phase)) & np.isfinite(x) & np.isfinite(y)
        end = jam_row(path, jam)
        real = chosen & (np.arange(x.size) <= (x.size if end is None else end))
        beyond = chosen & (np.arange(x.size) >= (x.size if end is None else end))
        for rows, label, wide, alpha in (
            (real, name, width, 1.0),
            (beyond, f"{name}, beyond the jam", 0.5 * width, 0.5),
        ):
            if rows.any():
                axes.plot(x[rows], y[rows], color=colour, lw=wide, alpha=alpha, label=label, zorder=3)
        if real.any():
            loads += [float(y[real].min()), float(y[real].max())]
            axes.set_xlabel(column(pair[0]).title)
    axes.set_title(PHASE_WORDS[phase], fontsize=10.0, loc="left")
    axes.margins(x=0.04, y=0.12)
    return loads


def _mark_departure(axes: Axes, curve: CurveDifference) -> None:
    """The two places where the curves are farthest apart, joined, with that distance."""
    if curve.place is None:
        return
    place = curve.place
    ends: Array = np.array([[place.done[0], place.old[1]], [place.done[1], place.new[1]]])
    colour = ALARM if curve.verdict == "beyond" else INK
    axes.plot(ends[:, 0], ends[:, 1], "o-", color=colour, ms=5.0, lw=1.2, zorder=6)
    text = f"farthest apart: {100 * curve.distance:.3g} % (allowed {100 * curve.allowed:.3g} %)"
    axes.set_title(text, loc="right", fontsize=SMALL, color=colour if colour == ALARM else SOFT)
