"""Charts show what the rows say; a page can find a state on the curve; no word is cut off."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import made_results
import numpy as np
import pytest
from svg_words import cut_off

from fem.report.chart import Chart, chart, small_chart, state_places
from fem.report.svg import number
from fem.results.curves import load_curve, run_curves
from fem.results.result import Result

RUNS = [made_results.deployed, made_results.jammed, made_results.pressed]


def torque_chart(result: Result) -> Chart:
    return chart(result, load_curve(result))


@pytest.mark.parametrize("make", RUNS)
def test_no_words_are_cut_off(make: Callable[[], Result]) -> None:
    result = make()
    for curve in run_curves(result):
        assert cut_off(chart(result, curve).drawing.text()) == []


def test_places_follow_the_axes() -> None:
    frame = torque_chart(made_results.deployed()).frame
    left, bottom = frame.place(frame.x[0], frame.y[0])
    right, top = frame.place(frame.x[1], frame.y[1])
    assert left < right <= frame.width and top < bottom <= frame.height
    middle = frame.place(np.mean(frame.x), np.mean(frame.y))  # type: ignore[arg-type]
    assert middle == pytest.approx(((left + right) / 2, (top + bottom) / 2))


def test_each_state_falls_on_its_row() -> None:
    result = made_results.jammed()
    rows = [int(np.argmin(np.abs(result.column("step") - shot.step))) for shot in result.snapshots]
    made = torque_chart(result)
    wanted = [
        made.frame.place(result.column("travel_mm")[row], result.column("torque_Nmm")[row]) for row in rows
    ]
    assert np.array(state_places(result, made)) == pytest.approx(np.array(wanted), abs=0.005)


def test_states_without_torque_have_no_place() -> None:
    result = made_results.deployed()
    path = dict(result.path) | {"torque_Nmm": np.full(result.rows, np.nan)}
    bare = replace(result, path=path)
    assert state_places(bare, torque_chart(bare)) == [[None, None]] * len(bare.snapshots)


def test_a_jam_and_the_bends_are_told() -> None:
    text = torque_chart(made_results.jammed()).drawing.text()
    assert "bend 2" in text and "jam: coil locks in" in text
    assert "the motor has 48 N mm" in text


def test_a_motor_far_stronger_is_told_but_not_drawn() -> None:
    result = made_results.deployed()
    path = dict(result.path) | {"motor_torque_Nmm": np.full(result.rows, 9000.0)}
    made = torque_chart(replace(result, path=path))
    assert "above this scale" in made.drawing.text()
    assert made.frame.y[1] < 100.0


def test_no_peak_is_lost_where_points_are_thinned() -> None:
    result = made_results.deployed()
    rows = 20_000
    torque = np.sin(np.linspace(0.0, 30.0, rows))
    torque[12_345] = 50.0
    path = {
        "step": np.arange(float(rows)), "phase": np.full(rows, 2.0),
        "travel_mm": np.linspace(80.0, 0.0, rows),
        "torque_Nmm": torque,
    }  # fmt: skip
    made = torque_chart(replace(result, path=path, bends=()))
    x, y = made.frame.place(float(path["travel_mm"][12_345]), 50.0)
    assert f"{number(x)} {number(y)}" in made.drawing.text()
    assert len(made.drawing.text()) < 40_000


def test_small_charts_share_their_axes() -> None:
    one, two = (
        small_chart(make(), (0.0, 90.0), (0.0, 60.0)) for make in (made_results.deployed, made_results.jammed)
    )
    assert one.frame == two.frame
    limit = one.frame.place(0.0, 48.0)[1]
    assert f"{number(one.frame.place(0.0, 0.0)[0])} {number(limit)}" in one.drawing.text(), "the motor's line"
    assert cut_off(two.drawing.text()) == []


def test_a_run_without_rows_still_draws() -> None:
    empty: Result = replace(made_results.deployed(), path={}, bends=())
    assert "torque" in torque_chart(empty).drawing.text()
