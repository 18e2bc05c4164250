"""The curve of a run: its marks lie on it, its words do not lie on each other."""

from __future__ import annotations

from dataclasses import replace

import made_results
import numpy as np
import pytest

from fem.results.result import Result
from fem.view.canvas import Canvas
from fem.view.colour import rgb
from fem.view.palette import INWARD, OUTWARD
from fem.view.playback import Playback
from fem.view.side_panel import FOOT, CurvePanel, Layout
from fem.view.torque_trace import Trace

BOX = (10.0, 10.0, 890.0, 190.0)


def drawn(*results: Result) -> tuple[Trace, np.ndarray]:
    trace, canvas = Trace(results, BOX), Canvas((900, 200))
    trace.draw(canvas)
    return trace, canvas.picture().astype(int)


def test_the_mark_is_where_the_run_is_and_found_again() -> None:
    result = made_results.deployed()
    trace, _ = drawn(result)
    for state, shot in enumerate(result.snapshots):
        row = result.row_of(shot)
        spot = trace.place(0, state)
        assert spot == trace.at(result.column("travel_mm")[row], result.column("torque_Nmm")[row])
    spot = trace.place(0, 2)
    assert spot is not None
    assert trace.nearest(spot[0] + 2, spot[1] - 2) == 2
    assert trace.nearest(spot[0], 500.0) is None


def test_both_ways_are_drawn_on_their_curves() -> None:
    """At 50 mm the made-up way out is half as much again as the way in: colours at those heights."""
    result = made_results.deployed()
    trace, pixels = drawn(result)
    travel, torque, phase = (result.column(name) for name in ("travel_mm", "torque_Nmm", "phase"))
    for number, colour in ((1, INWARD), (2, OUTWARD)):
        own = phase == number
        value = np.interp(50.0, np.sort(travel[own]), torque[own][np.argsort(travel[own])])
        x, y = (round(part) for part in trace.at(50.0, float(value)))
        near = pixels[y - 2 : y + 3, x - 2 : x + 3].reshape(-1, 3)
        assert np.abs(near - rgb(colour).astype(int)).sum(axis=1).min() < 40


def test_words_do_not_lie_on_curves_or_on_each_other() -> None:
    """Drawn twice, with and without the bends and the motor's words: nothing dark may be overwritten."""
    result = made_results.deployed()
    bare = replace(result, bends=(), path=dict(result.path) | {"motor_torque_Nmm": np.full(440, np.nan)})
    boxes: list[tuple[float, ...]] = []
    plain = Canvas.text

    def noted(canvas: Canvas, place: tuple[float, float], words: str, *more: object) -> object:
        box = plain(canvas, place, words, *more)  # type: ignore[arg-type]
        if words.startswith(("bend", "the motor")):
            boxes.append(box)
        return box

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Canvas, "text", noted)
        drawn(result)
    _, pixels = drawn(bare)
    assert len(boxes) == 3
    for number, (left, top, right, bottom) in enumerate(boxes):
        beneath = pixels[int(top) + 2 : int(bottom) - 2, int(left) : int(right)]
        assert np.mean(beneath.min(axis=-1) < 180) < 0.01
        assert BOX[0] <= left and right <= BOX[2]
        for other in boxes[number + 1 :]:
            assert right <= other[0] or other[2] <= left or bottom <= other[1] or other[3] <= top


def test_a_push_on_the_bench_is_load_against_what_drives_it() -> None:
    path = {
        "step": np.arange(5.0), "phase": np.full(5, 3.0), "time_s": np.arange(5.0),
        "turn_rad": np.linspace(0.0, 1.5, 5), "moment_Nmm": np.array([0.0, 2.0, 3.0, 2.5, 2.6]),
    }  # fmt: skip
    trace, _ = drawn(replace(made_results.pressed(), path=path, bends=()))
    assert (trace.curve.x_title, trace.curve.y_title) == ("turn of the end [rad]", "moment [N mm]")


def test_without_a_curve_there_is_no_mark() -> None:
    result = made_results.deployed()
    trace, _ = drawn(replace(result, path={}, bends=()))
    assert trace.place(0, 0) is None and trace.nearest(400.0, 100.0) is None


def test_the_slider_lies_below_the_curve_and_knows_its_ends() -> None:
    foot = CurvePanel(Playback(made_results.deployed()), (), 700)
    left, top, right, _ = foot.track
    assert (foot.share(left), foot.share(right)) == pytest.approx((0.0, 1.0))
    assert foot.on_slider(top) and not foot.on_slider(foot.trace.inner[3])
    assert foot.picture(Playback(made_results.deployed()), [0]).shape == (FOOT, 700, 3)


@pytest.mark.parametrize("size", [(1280, 800), (760, 560), (2560, 1400)])
def test_the_parts_of_a_window_fill_it_and_do_not_overlap(size: tuple[int, int]) -> None:
    layout = Layout(*size)
    boxes = (layout.head, layout.side, layout.foot, layout.scene)
    areas = [(right - left) * (bottom - top) for left, top, right, bottom in boxes]
    assert min(areas) > 0 and sum(areas) == size[0] * size[1]
    for number, (left, top, right, bottom) in enumerate(boxes):
        for other in boxes[number + 1 :]:
            assert right <= other[0] or other[2] <= left or bottom <= other[1] or other[3] <= top
