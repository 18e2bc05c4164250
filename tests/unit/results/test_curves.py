"""The curves say what the rows say, for whatever was done to the strip."""

from __future__ import annotations

import math
from dataclasses import replace

import made_results
import numpy as np
import pytest

from fem.results.columns import COLUMNS, PUSH, TIME, TORQUE, TRAVEL, column
from fem.results.curves import axes, energy_curve, load_curve, motor_limit, place, run_curves
from fem.results.result import Quantity, Result
from fem.results.snapshot import PHASE_WORDS, PHASES
from fem.simulation.jam_modes import JamMode


def with_columns(result: Result, **columns: np.ndarray | float) -> Result:
    more = {name: np.broadcast_to(values, result.rows) for name, values in columns.items()}
    return replace(result, path=dict(result.path) | more)


def on_the_bench(control: str, load: str) -> Result:
    way = np.linspace(0.0, 2.0, 50)
    path = {"step": np.arange(50.0), "phase": np.full(50, 3.0), control: way, load: np.sin(way),
            "curvature_peak_per_mm": 0.1 * way, "work_in_Nmm": way**2}  # fmt: skip
    return replace(made_results.pressed(), path=path, bends=())


def test_in_and_out_are_lines_of_their_own() -> None:
    made = made_results.jammed()
    back = made.path["phase"] == 2
    winding, pushing = load_curve(made).lines
    assert (winding.kind, pushing.kind) == ("retract", "deploy")
    assert pushing.words == PHASE_WORDS["deploy"]
    np.testing.assert_array_equal(winding.y, made.path["torque_Nmm"][~back])
    np.testing.assert_array_equal(pushing.x, made.path["travel_mm"][back])


def test_bends_and_jam_are_marked_where_they_are() -> None:
    load, companion, _ = run_curves(made_results.jammed())
    (bend,) = load.marks
    assert (bend.words, bend.x, bend.y) == ("bend 2", 66.0, 52.0)
    assert companion.marks[0].y == 4.2
    assert load.jam is not None and (load.jam.x, load.jam.y) == (57.6, 84.1)
    assert load.jam.words == f"jam: {JamMode.COIL_LOCKS}, 41.0 mm from the root"
    assert load_curve(made_results.deployed()).jam is None


def test_a_bend_whose_travel_is_not_known_has_no_mark() -> None:
    made = made_results.jammed()
    unknown = replace(made, bends=(replace(made.bends[0], travel_mm=math.nan),))
    assert load_curve(unknown).marks == ()


def test_a_bench_push_is_drawn_by_its_own_columns() -> None:
    load, companion, energy = run_curves(on_the_bench("shortening_mm", "force_N"))
    assert (load.x_title, load.y_title) == ("shortening [mm]", "force [N]")
    assert companion.y_title == column("curvature_peak_per_mm").title
    assert energy.x_title == companion.x_title == load.x_title
    assert [line.kind for line in load.lines] == ["push"]
    assert load.motor is None and load.jam is None


def test_a_new_bench_push_gets_its_curves_from_its_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    """A push that no list of columns knows: its class alone says what it prescribes and what that takes."""
    from fem.results import columns

    class Twist:
        kind, control_column, load_column = "twist", "twist_rad", "twisting_moment_Nmm"

    monkeypatch.setattr(columns, "PUSHES", (*columns.PUSHES, Twist))
    assert Twist.control_column not in {one.name for one in COLUMNS}
    result = on_the_bench("twist_rad", "twisting_moment_Nmm")
    load, _, energy = run_curves(result)
    assert (load.x_title, load.y_title) == ("twist [rad]", "twisting moment [N mm]")
    assert energy.x_title == "twist [rad]"
    np.testing.assert_array_equal(load.lines[0].y, result.path["twisting_moment_Nmm"])


def test_without_travel_the_time_is_drawn() -> None:
    still = with_columns(made_results.deployed(), travel_mm=0.0)
    assert axes(still) == (TIME, TORQUE)
    assert load_curve(still).marks == () and load_curve(still).x_title == TIME.title


def test_a_run_without_rows_has_empty_curves() -> None:
    empty = replace(made_results.deployed(), path={}, bends=())
    assert [curve.lines for curve in run_curves(empty)] == [(), (), ()]
    assert place(empty, empty.snapshots[0]) is None


def test_energies_add_up_the_columns_of_an_entry() -> None:
    made = made_results.jammed()
    curve = energy_curve(made)
    lines = {line.kind: line for line in curve.lines}
    np.testing.assert_allclose(
        lines["damping"].y, made.path["loss_damping_Nmm"] + made.path["loss_numerical_Nmm"]
    )
    assert lines["stored"].y[0] == 0.0
    assert lines["work"].x[-1] == pytest.approx((82.0 + 82.0 - 57.6) / 4.2), "in and part of the way out"
    (turned,) = curve.marks
    assert turned.x == pytest.approx(82.0 / 4.2)
    assert "0.4 %" in curve.note


def test_the_motor_is_a_line_only_if_there_is_one() -> None:
    limit = motor_limit(made_results.deployed())
    assert limit is not None and limit.words == "the motor has 48 N mm"
    (line,) = limit.lines
    assert (line.x.tolist(), line.y.tolist()) == ([0.0, 82.0], [48.0, 48.0])
    assert motor_limit(with_columns(made_results.deployed(), motor_torque_Nmm=np.nan)) is None


def test_a_motor_that_slows_down_has_a_line_for_each_way() -> None:
    made = made_results.deployed()
    limit = motor_limit(with_columns(made, motor_torque_Nmm=np.linspace(60.0, 40.0, made.rows)))
    assert limit is not None and len(limit.lines) == 2 and limit.words == "the motor has 40 to 60 N mm"


def test_a_motor_far_too_strong_is_told_and_not_drawn() -> None:
    limit = motor_limit(with_columns(made_results.deployed(), motor_torque_Nmm=900.0))
    assert limit is not None and limit.lines == () and "above this scale" in limit.words


def test_the_motor_is_known_from_its_quantity_where_no_column_tells() -> None:
    made = with_columns(made_results.deployed(), motor_torque_Nmm=np.nan)
    named = replace(made, quantities={"motor_stall_torque_at_axle_Nmm": Quantity(50.0, "N mm")})
    limit = motor_limit(named)
    assert limit is not None and limit.least == 50.0


def test_each_state_falls_on_its_row() -> None:
    made = made_results.jammed()
    for shot in made.snapshots:
        row = int(np.argmin(np.abs(made.column("step") - shot.step)))
        assert place(made, shot) == (made.column(TRAVEL.name)[row], made.column(TORQUE.name)[row])


def test_every_line_has_a_look() -> None:
    from fem.view.palette import LINES

    kinds = {line.kind for curve in run_curves(made_results.jammed()) for line in curve.lines}
    assert kinds | set(PHASES) | {"motor"} <= set(LINES)
    assert load_curve(made_results.deployed()).y_title == TORQUE.title != PUSH.title
