"""Charts show what the rows say; a page can find a state on the curve; no word is cut off."""

from __future__ import annotations

from dataclasses import replace

import made_results
import numpy as np
import pytest
from svg_words import cut_off

from fem.report.chart import energy_chart, moments, place_text, push_chart, small_chart, torque_chart
from fem.report.svg import number
from fem.results.result import Result

RUNS = [made_results.deployed, made_results.jammed, made_results.pressed]


@pytest.mark.parametrize("make", RUNS)
@pytest.mark.parametrize("chart", [torque_chart, push_chart, energy_chart])
def test_no_words_are_cut_off(make: object, chart: object) -> None:
    drawing = chart(make()).drawing  # type: ignore[operator]
    assert cut_off(drawing.text()) == []


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
    chart = torque_chart(result)
    wanted = [
        chart.frame.place(result.column("travel_mm")[row], result.column("torque_Nmm")[row]) for row in rows
    ]
    assert np.array(moments(result, chart)) == pytest.approx(np.array(wanted))


def test_states_without_torque_have_no_place() -> None:
    result = made_results.deployed()
    path = dict(result.path) | {"torque_Nmm": np.full(result.rows, np.nan)}
    bare = replace(result, path=path)
    assert place_text(moments(bare, torque_chart(bare))) == [[None, None]] * len(bare.snapshots)


def test_a_jam_and_the_bends_are_told() -> None:
    text = torque_chart(made_results.jammed()).drawing.text()
    assert "bend 2" in text and "jam: coil locks in" in text
    assert "the motor has 48 N mm" in text


def test_a_motor_far_stronger_is_told_but_not_drawn() -> None:
    result = made_results.deployed()
    path = dict(result.path) | {"motor_torque_Nmm": np.full(result.rows, 9000.0)}
    chart = torque_chart(replace(result, path=path))
    assert "above this scale" in chart.drawing.text()
    assert chart.frame.y[1] < 100.0


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
    chart = torque_chart(replace(result, path=path, bends=()))
    x, y = chart.frame.place(float(path["travel_mm"][12_345]), 50.0)
    assert f"{number(x)} {number(y)}" in chart.drawing.text()
    assert len(chart.drawing.text()) < 40_000


def test_small_charts_share_their_axes() -> None:
    one, two = (
        small_chart(make(), (0.0, 90.0), (0.0, 60.0)) for make in (made_results.deployed, made_results.jammed)
    )
    assert one.frame == two.frame
    assert cut_off(two.drawing.text()) == []


def test_a_run_without_rows_still_draws() -> None:
    empty: Result = replace(made_results.deployed(), path={}, bends=())
    assert "torque" in torque_chart(empty).drawing.text()
