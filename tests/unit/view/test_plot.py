"""The curves show what the result says, and no text is cut off or lies on another."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import made_results
import numpy as np
import pytest
from matplotlib import image
from matplotlib.axes import Axes
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.text import Annotation, Text
from matplotlib.transforms import Bbox

from fem.results.outcome import Status
from fem.results.result import Result
from fem.simulation.jam_modes import JamMode
from fem.view.palette import LINES
from fem.view.plot import torque_figure, torque_plot


def many_bends() -> Result:
    made = made_results.deployed()
    bends = tuple(replace(made.bends[0], bend=k, travel_mm=12.0 + 9.0 * k) for k in range(1, 7))
    return replace(made, bends=bends)


def early_jam() -> Result:
    made = made_results.jammed()
    assert made.jam is not None
    return replace(made, jam=replace(made.jam, travel_mm=2.0, torque_Nmm=30.0))


def low_jam() -> Result:
    made = made_results.jammed()
    assert made.jam is not None
    return replace(made, jam=replace(made.jam, travel_mm=81.0, torque_Nmm=18.0))


def bend_test() -> Result:
    made = made_results.deployed()
    path = {
        "time_s": np.linspace(0.0, 2.0, 50), "phase": np.full(50, 3.0), "travel_mm": np.zeros(50),
        "torque_Nmm": np.linspace(0.0, 30.0, 50), "push_N": np.full(50, np.nan),
        "work_in_Nmm": np.arange(50.0),
    }  # fmt: skip
    return replace(made, path=path, bends=(), status=Status.HELD)


def on_the_bench() -> Result:
    made, way = made_results.deployed(), np.linspace(0.0, 2.0, 50)
    path = {
        "phase": np.full(50, 3.0), "shortening_mm": way, "force_N": 3.0 * np.sin(way),
        "curvature_peak_per_mm": 0.02 * way, "work_in_Nmm": way**2, "audit_error": np.full(50, 1e-4),
    }  # fmt: skip
    return replace(made, path=path, bends=(), status=Status.BUCKLED)


def no_steps() -> Result:
    return replace(
        made_results.deployed(), path={"travel_mm": np.empty(0)}, bends=(), status=Status.NOT_CONVERGED
    )


def long_words() -> Result:
    return replace(made_results.jammed(), sentence="It stops because " + "of one more reason and " * 16)


FULL = (made_results.deployed, made_results.jammed)
MADE = [*FULL, many_bends, early_jam, low_jam, bend_test, on_the_bench, no_steps, long_words]


def axes_of(result: Result) -> tuple[Figure, Axes, Axes, Axes]:
    figure = torque_figure(result)
    figure.draw_without_rendering()
    torque, push, energy = (axes for part in figure.subfigs for axes in part.axes)
    return figure, torque, push, energy


def texts(figure: Figure) -> Iterator[tuple[str, Bbox]]:
    unseen = set()  # labels of ticks beyond the end of an axis exist but are not drawn
    for axes in (axes for part in figure.subfigs for axes in part.axes):
        for axis in (axes.xaxis, axes.yaxis):
            low, high = sorted(axis.get_view_interval())
            unseen |= {tick.label1 for tick in axis.get_major_ticks() if not low <= tick.get_loc() <= high}
    for text in figure.findobj(Text):
        if text not in unseen and text.get_visible() and text.get_text().strip():
            # the arrow of an annotation may cross other things; its words may not
            extent = (
                Text.get_window_extent(text) if isinstance(text, Annotation) else text.get_window_extent()
            )
            yield text.get_text(), extent


@pytest.mark.parametrize("made", MADE)
def test_no_text_is_cut_off_or_covers_another(made: Callable[[], Result]) -> None:
    figure, *_ = axes_of(made())
    shown = list(texts(figure))
    assert len(shown) > 20
    for words, box in shown:
        assert box.x0 >= 0 and box.y0 >= 0, words
        assert box.x1 <= figure.bbox.x1 and box.y1 <= figure.bbox.y1, words
    for number, (words, box) in enumerate(shown):
        for other, another in shown[number + 1 :]:
            assert not box.padded(-1.0).overlaps(another.padded(-1.0)), f"{words!r} on {other!r}"


@pytest.mark.parametrize("made", MADE)
def test_curves_stay_within_their_axes(made: Callable[[], Result]) -> None:
    for axes in axes_of(made())[1:]:
        for line in axes.lines:
            points = axes.transData.transform(np.asarray(line.get_xydata(), dtype=float))
            points = points[np.isfinite(points).all(axis=1)]
            if len(points) > 2:
                box = axes.get_window_extent().padded(1.0)
                assert (points >= [box.x0, box.y0]).all() and (points <= [box.x1, box.y1]).all()


def test_curves_are_the_columns() -> None:
    made = made_results.jammed()
    _, torque, push, energy = axes_of(made)
    lines = {line.get_label(): line for line in torque.lines}
    back = made.path["phase"] == 2
    np.testing.assert_array_equal(lines["winding in"].get_ydata(), made.path["torque_Nmm"][~back])
    np.testing.assert_array_equal(lines["pushing out"].get_xdata(), made.path["travel_mm"][back])
    pushed = {line.get_label(): line for line in push.lines}
    np.testing.assert_array_equal(pushed["pushing out"].get_ydata(), made.path["push_N"][back])
    work = {line.get_label(): line for line in energy.lines}
    np.testing.assert_array_equal(work["work put in"].get_ydata(), made.path["work_in_Nmm"])
    lost = made.path["loss_damping_Nmm"] + made.path["loss_numerical_Nmm"]
    np.testing.assert_allclose(
        np.asarray(work["lost to damping and stepping"].get_ydata(), dtype=float), lost
    )
    turned = np.asarray(work["stored since the start"].get_xdata(), dtype=float)
    assert turned[-1] == pytest.approx((82.0 + 82.0 - 57.6) / 4.2)  # in and part of the way out


def test_a_bench_push_is_drawn_by_its_own_columns() -> None:
    made = on_the_bench()
    figure, load, curvature, energy = axes_of(made)
    for axes, name in ((load, "force_N"), (curvature, "curvature_peak_per_mm"), (energy, "work_in_Nmm")):
        drawn = next(line for line in axes.lines if len(np.atleast_1d(line.get_xdata())) == 50)
        np.testing.assert_array_equal(drawn.get_xdata(), made.path["shortening_mm"])
        np.testing.assert_array_equal(drawn.get_ydata(), made.path[name])
    assert load.get_ylabel() == "force [N]" and curvature.get_xlabel() == "shortening [mm]"
    assert curvature.get_ylabel() == "largest curvature [1/mm]"
    assert energy.get_xlabel() == "shortening [mm]"
    assert "not recorded" not in [words for words, _ in texts(figure)]


def test_axes_name_quantity_and_unit() -> None:
    _, torque, push, energy = axes_of(made_results.deployed())
    assert "[N mm]" in torque.get_ylabel() and "[N]" in push.get_ylabel() and "[N mm]" in energy.get_ylabel()
    assert "travel" in push.get_xlabel() and "[mm]" in push.get_xlabel() and "[rad]" in energy.get_xlabel()
    assert "[s]" in axes_of(bend_test())[2].get_xlabel()


def test_jam_and_bends_are_marked_where_they_are() -> None:
    figure, torque, push, _ = axes_of(made_results.jammed())
    marks = {
        (line.get_marker(), *map(float, np.ravel(np.asarray(line.get_xydata())))) for line in torque.lines
    }
    assert ("x", 57.6, 84.1) in marks
    assert ("o", 66.0, 52.0) in marks
    assert any(line.get_marker() == "o" and list(line.get_ydata()) == [4.2] for line in push.lines)
    words = " ".join(text.replace("\n", " ") for text, _ in texts(figure))
    assert f"jam: {JamMode.COIL_LOCKS}, 41.0 mm from the root" in words
    assert "bend 2: 52 N mm" in words and "boom-stiff: jammed" in words
    free = " ".join(text for text, _ in texts(axes_of(made_results.deployed())[0]))
    assert "jam" not in free and "bend 1: 27.7 N mm" in free


def limit_lines(axes: Axes) -> list[tuple[float, float]]:
    drawn = [line for line in axes.lines if line.get_gid() == "motor"]
    return [(float(np.min(line.get_ydata())), float(np.max(line.get_ydata()))) for line in drawn]


def motor(values: np.ndarray | float) -> Result:
    made = made_results.deployed()
    return replace(made, path=dict(made.path) | {"motor_torque_Nmm": np.broadcast_to(values, made.rows)})


def test_the_motor_is_drawn_only_if_there_is_one() -> None:
    assert limit_lines(axes_of(made_results.deployed())[1]) == [(48.0, 48.0)]
    assert limit_lines(axes_of(motor(np.nan))[1]) == []
    falling = np.linspace(60.0, 40.0, made_results.deployed().rows)
    ends = np.ravel(limit_lines(axes_of(motor(falling))[1]))
    assert len(ends) == 4 and min(ends) == 40.0 and max(ends) == 60.0


def test_a_motor_far_too_strong_does_not_flatten_the_curves() -> None:
    figure, torque, *_ = axes_of(motor(900.0))
    assert limit_lines(torque) == [] and torque.get_ylim()[1] < 100.0
    assert any("the motor has 900 N mm, above this scale" in words for words, _ in texts(figure))


def test_retract_and_deploy_differ_without_colour_and_with_little_of_it() -> None:
    """Differ in dash, in lightness and, simulated for red- and green-blind eyes, in colour.

    Matrices: Machado, Oliveira and Fernandes 2009 (IEEE TVCG 15:1291), severity 1, written from memory; their
    rows must add up to 1, since grey stays grey.
    """
    retract, deploy = LINES["retract"], LINES["deploy"]
    assert retract.dashes != deploy.dashes
    luminance = np.array([0.2126, 0.7152, 0.0722])  # IEC 61966-2-1
    linear = [np.array(to_rgb(look.colour)) ** 2.2 for look in (retract, deploy)]
    assert abs(luminance @ linear[0] - luminance @ linear[1]) > 0.1
    for matrix in (
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    ):
        np.testing.assert_allclose(np.sum(matrix, axis=1), 1.0, atol=2e-6)
        assert np.linalg.norm(np.array(matrix) @ (linear[0] - linear[1])) > 0.25


def test_the_file_is_a_whole_picture(tmp_path: Path) -> None:
    file = torque_plot(made_results.jammed(), tmp_path / "torque.png")
    pixels = image.imread(file)
    assert pixels.shape[0] > 1000 and pixels.shape[1] > 1200
    dark = (pixels[..., :3].sum(axis=-1) < 2.2).mean()
    assert 0.01 < dark < 0.25
    assert [entry.name for entry in tmp_path.iterdir()] == ["torque.png"]


def test_a_failed_drawing_leaves_the_old_picture(tmp_path: Path) -> None:
    (tmp_path / "torque.png").write_bytes(b"old")
    broken = replace(made_results.jammed(), bends=("no bend",))  # type: ignore[arg-type]
    with pytest.raises(AttributeError):
        torque_plot(broken, tmp_path / "torque.png")
    assert (tmp_path / "torque.png").read_bytes() == b"old"
    assert [entry.name for entry in tmp_path.iterdir()] == ["torque.png"]
