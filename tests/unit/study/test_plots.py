"""Pictures of sweeps: what stands in them, where the border runs, and what cannot be drawn."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pytest
from PIL import Image
from stand_in_runs import StandIn, border_of_friction, made_result

from fem.case.definition import Case
from fem.core.errors import InputError
from fem.results.outcome import Status
from fem.results.result import Result
from fem.simulation.jam_modes import JamMode
from fem.study.plots import LEVELS, sweep_figure, sweep_plot
from fem.study.sweep import Sweep, sweep
from fem.view.palette import ALARM, INK


def words(made: Sweep, folder: Path) -> str:
    """All words of a picture."""
    with mpl.rc_context({"svg.fonttype": "none"}):
        text = sweep_plot(made, folder / "a.svg").read_text()
    return " ".join(re.findall(r">([^<>]+)</text>", text))


def border(made: Sweep, panel: int = 0) -> np.ndarray:
    """Points of the line that is drawn as the border, (n, 2)."""
    axes = sweep_figure(made).axes[panel]
    lines = [one for one in axes.collections if np.allclose(one.get_linewidth(), 2.2)]
    (line,) = lines
    return np.concatenate([path.vertices for path in line.get_paths()])


def test_a_line_tells_what_is_asked_and_the_strain(
    runs: StandIn, case_of: Callable[..., Case], tmp_path: Path
) -> None:
    made = sweep(case_of(12.0), {"friction": (0.0, 0.3, 7)})
    above, below = sweep_figure(made).axes
    line = next(one for one in above.lines if len(one.get_xdata()) == 7)
    assert np.allclose(line.get_xdata(), made.table.column("friction"))
    assert np.allclose(line.get_ydata(), made.table.column("asked_over_available"))
    assert above.get_yscale() == "log" and below.get_xlabel() == "friction"
    told = words(made, tmp_path)
    for part in (
        "small: 1 of 7 designs come out",
        "all that the motor has",
        "as it is",
        "jams, asks for at least",
    ):
        assert part in told


def test_choices_stand_beside_one_another(
    runs: StandIn, case_of: Callable[..., Case], tmp_path: Path
) -> None:
    made = sweep(case_of(20.0), {"strip.winding": ["equal", "opposite"]})
    assert {"equal", "opposite"} <= set(words(made, tmp_path).split())


def test_the_border_of_a_map_runs_where_all_of_the_motor_is_asked_for(
    runs: StandIn, case_of: Callable[..., Case]
) -> None:
    made = sweep(case_of(20.0), {"friction": (0.05, 0.2, 6), "casing": (6.0, 8.0, 5)})
    drawn = border(made)
    exact = [border_of_friction(20.0, casing=casing) for casing in drawn[:, 1]]
    assert np.abs(drawn[:, 0] - exact).max() < 0.002, "linear between designs, on a logarithm"
    assert np.ptp(drawn[:, 1]) > 1.5


def test_a_map_has_a_scale_the_design_as_it_is_and_the_modes(
    runs: StandIn, case_of: Callable[..., Case], tmp_path: Path
) -> None:
    made = sweep(case_of(20.0), {"friction": (0.05, 0.25, 4), "casing": (6.0, 8.0, 3)})
    axes = sweep_figure(made).axes[0]
    (ring,) = [line for line in axes.lines if line.get_markersize() == 13]
    assert (ring.get_xdata()[0], ring.get_ydata()[0]) == (0.1, 7.0)
    hatched = [one for one in axes.collections if getattr(one, "hatches", [None])[0]]
    assert len(hatched) == 1
    told = words(made, tmp_path)
    assert "casing [mm]" in told and JamMode.COIL_LOCKS in told and "the design as it is" in told
    assert all(f"{level:g}" in told for level in LEVELS)


def test_strain_at_its_limit_is_a_line_where_there_is_any(
    runs: StandIn, case_of: Callable[..., Case], tmp_path: Path
) -> None:
    made = sweep(case_of(60.0), {"friction": (0.05, 0.25, 3), "thickness": (0.7, 1.2, 6)})
    axes = sweep_figure(made).axes[0]
    strained = [one for one in axes.collections if np.allclose(one.get_linewidth(), 1.3)]
    (line,) = strained
    assert mpl.colors.to_hex(line.get_edgecolor()[0]) == ALARM
    assert np.allclose(np.concatenate([path.vertices for path in line.get_paths()])[:, 1], 1.0, atol=0.01)
    assert "strain at the material's limit" in words(made, tmp_path)
    plain = sweep(case_of(60.0), {"friction": (0.05, 0.25, 3), "casing": (6.0, 8.0, 3)})
    assert "strain at" not in words(plain, tmp_path)


def test_three_keys_make_a_map_for_each_value_of_the_third(
    runs: StandIn, case_of: Callable[..., Case], tmp_path: Path
) -> None:
    made = sweep(
        case_of(20.0),
        {"friction": (0.05, 0.25, 3), "casing": (6.0, 8.0, 3), "strip.winding": ["equal", "opposite"]},
    )
    told = words(made, tmp_path)
    assert "strip.winding equal" in told and "strip.winding opposite" in told
    rings = [sum(line.get_markersize() == 13 for line in axes.lines) for axes in sweep_figure(made).axes[:2]]
    assert rings == [1, 0], "the design as it is belongs to one of them"


def test_designs_without_a_verdict_are_marked_and_leave_a_hole(
    runs: StandIn, case_of: Callable[..., Case], tmp_path: Path
) -> None:
    def trouble(case: Case) -> Result | None:
        return made_result(case, Status.NOT_CONVERGED, {}) if case.friction.strip > 0.2 else None

    runs.trouble = trouble
    made = sweep(case_of(20.0), {"friction": (0.05, 0.25, 5), "casing": (6.0, 8.0, 3)})
    axes = sweep_figure(made).axes[0]
    (silent,) = [line for line in axes.lines if line.get_marker() == "x"]
    assert set(silent.get_xdata()) == {0.25} and len(silent.get_xdata()) == 3
    assert "no verdict" in words(made, tmp_path)
    assert border(made)[:, 0].max() <= 0.2


def test_points_spread_evenly_make_a_map_too(runs: StandIn, case_of: Callable[..., Case]) -> None:
    made = sweep(case_of(20.0), {"friction": (0.05, 0.2), "casing": (6.0, 8.0)}, samples=48)
    drawn = border(made)
    exact = [border_of_friction(20.0, casing=casing) for casing in drawn[:, 1]]
    assert np.abs(drawn[:, 0] - exact).max() < 0.01


def test_a_picture_is_written_in_the_format_of_its_name(
    runs: StandIn, case_of: Callable[..., Case], tmp_path: Path
) -> None:
    made = sweep(case_of(20.0), {"friction": (0.05, 0.25, 4), "casing": (6.0, 8.0, 3)})
    picture = np.asarray(Image.open(sweep_plot(made, tmp_path / "a.png")).convert("RGB"))
    ink = np.array([int(INK[k : k + 2], 16) for k in (1, 3, 5)])
    assert picture.shape[0] > 600 and (np.abs(picture.astype(int) - ink).sum(axis=-1) < 12).sum() > 500
    assert sweep_plot(made, tmp_path / "a.pdf").read_bytes().startswith(b"%PDF")


def test_what_makes_no_picture_is_told(runs: StandIn, case_of: Callable[..., Case], tmp_path: Path) -> None:
    names = ("casing", "thickness", "friction", "motor")
    many = sweep(case_of(20.0), {name: (7.0 if name == "casing" else 0.7, 7.2 if name == "casing" else 0.8)
                                 for name in names}, samples=4)  # fmt: skip
    with pytest.raises(InputError, match="4 keys make no picture"):
        sweep_plot(many, tmp_path / "a.png")
    runs.trouble = lambda case: made_result(case, Status.NOT_CONVERGED, {})
    none = sweep(case_of(21.0), {"friction": (0.05, 0.25, 3)})
    with pytest.raises(InputError, match="nothing to draw"):
        sweep_plot(none, tmp_path / "a.png")
    assert math.isnan(none.table.rows[0].asked) and not list(tmp_path.glob("a.*"))


def test_few_designs_are_points_without_shades(runs: StandIn, case_of: Callable[..., Case]) -> None:
    made = sweep(case_of(20.0), {"friction": (0.05, 0.25, 2), "casing": (6.0, 8.0, 2)})
    few = replace(made, table=replace(made.table, rows=made.table.rows[:3]))
    assert len(sweep_figure(few).axes) == 1, "no scale of colours without shades"
