"""Rows of a study: the same however far their runs went on; and the table as other programs read it."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable
from dataclasses import replace

import jsonschema
import pytest
from stand_in_runs import StandIn, made_result

from fem.case.definition import Case
from fem.case.study_tables import QUANTITIES
from fem.results.outcome import NoResult, Status
from fem.simulation.jam_modes import JamMode
from fem.simulation.run_context import Extent
from fem.study.record import Wanted, record_of
from fem.study.table import ASKED, Row, Table, numbers_of, row_of, stiffness_of, total_seconds, unknown

HEAD = Row({"friction": 0.1}, {"friction.strip": 0.1}, NoResult.BAD_INPUT)


def row(case: Case, beyond: float = 2.0, went_on_to: float = 2.0) -> Row:
    result = StandIn()(case, extent=Extent(went_on_to))
    return row_of(record_of(result, {}, Wanted(went_on_to), 1.0), Wanted(beyond), HEAD)


def test_what_comes_out_asks_for_what_it_took(case_of: Callable[..., Case]) -> None:
    one = row(case_of(40.0, friction=0.0))
    assert one.went and one.sound and not one.at_least
    assert one.asked == pytest.approx(10.0 / 40.0)
    assert one.number("deploy_margin") == pytest.approx(0.75)
    assert one.number("strain_share_working") == 0.8
    assert one.number("friction") == 0.1 and one.number("friction.strip") == 0.1
    assert math.isnan(one.number("nothing"))


def test_a_jam_that_more_torque_would_free_asks_for_that(case_of: Callable[..., Case]) -> None:
    one = row(case_of(8.0, friction=0.0))
    assert one.went is False and not one.at_least and one.mode == JamMode.COIL_LOCKS
    assert one.asked == pytest.approx(10.0 / 8.0)
    assert one.number("deploy_margin") == pytest.approx(-0.25)


def test_what_lies_beyond_reads_the_same_however_far_a_run_went_on(case_of: Callable[..., Case]) -> None:
    for torque in (3.0, 1.0):  # 3.3 times, which an ordinary run comes out with, and 10 times
        early, late = row(case_of(torque, friction=0.0)), row(case_of(torque, friction=0.0), went_on_to=5.0)
        assert early.asked == late.asked == 2.0 and early.at_least and late.at_least
        assert early.number("deploy_torque_peak_Nmm") == late.number("deploy_torque_peak_Nmm") == 2.0 * torque
        assert early.number("deploy_margin") == late.number("deploy_margin") == -1.0


def test_a_strip_that_stops_below_the_motor_s_torque_asks_for_more_than_there_is() -> None:
    numbers = {
        "retract_torque_peak_Nmm": 2.0, "deploy_torque_peak_Nmm": 4.0, "travel_left_mm": 9.0,
        "motor_stall_torque_at_axle_Nmm": 10.0, "deploy_margin": 0.0,
    }  # fmt: skip
    summary = {
        "status": Status.JAMMED, "jam": {"mode": JamMode.ROOT_FOLDS, "travel_mm": 9.0},
        "quantities": {name: {"value": value} for name, value in numbers.items()},
    }  # fmt: skip
    found, at_least = numbers_of(summary, 2.0)
    assert at_least and found[ASKED] == 2.0 and found["deploy_margin"] == -1.0
    assert found["deploy_torque_peak_Nmm"] == 4.0 and found["jam_travel_mm"] == 9.0


def test_without_a_motor_winding_in_is_the_measure() -> None:
    numbers = {"retract_torque_peak_Nmm": 2.0, "deploy_torque_peak_Nmm": 4.0, "travel_left_mm": 0.0}
    summary = {
        "status": Status.DEPLOYED, "jam": None,
        "quantities": {name: {"value": value} for name, value in numbers.items()},
    }  # fmt: skip
    assert numbers_of(summary, 2.0)[0][ASKED] == pytest.approx(4.0 / 40.0)


@pytest.mark.parametrize("status", [Status.NOT_CONVERGED, Status.OUT_OF_TIME, NoResult.BROKEN_OFF])
def test_a_run_without_a_verdict_says_nothing_about_the_design(status: str) -> None:
    summary = {"status": status, "jam": None, "quantities": {"retract_torque_peak_Nmm": {"value": 2.0}}}
    numbers, at_least = numbers_of(summary, 2.0)
    assert ASKED not in numbers and not at_least
    assert replace(HEAD, status=status).went is None and not replace(HEAD, status=status).sound


def test_a_swallowed_tip_did_not_come_out_and_asks_for_nothing_known() -> None:
    summary = {
        "status": Status.SWALLOWED,
        "jam": None,
        "quantities": {"retract_torque_peak_Nmm": {"value": 2.0}},
    }
    assert math.isnan(numbers_of(summary, 2.0)[0][ASKED])
    assert replace(HEAD, status=Status.SWALLOWED).went is False


def test_a_press_tells_the_stiffness_out(case_of: Callable[..., Case]) -> None:
    pressed = made_result(
        case_of(), Status.HELD, {"stiffness_N_per_mm": 0.2, "tip_sag_mm": 1.0, "other": 3.0}
    )
    assert stiffness_of(pressed.summary()) == {"stiffness_out_N_per_mm": 0.2, "tip_sag_mm": 1.0}


def table(case_of: Callable[..., Case]) -> Table:
    refused = replace(HEAD, sentence="casing.radius: too small", values={"friction": 9.0})
    rows = (row(case_of(40.0)), row(case_of(8.0)), refused)
    return Table("small", ("friction",), rows, 2.0)


def test_columns_are_equally_long_and_told(case_of: Callable[..., Case]) -> None:
    made = table(case_of)
    columns = made.columns()
    assert {len(values) for values in columns.values()} == {3} == {len(made)}
    assert list(columns)[:4] == ["friction", "status", "mode", ASKED]
    assert set(made.quantities) <= set(QUANTITIES)
    assert math.isnan(made.column(ASKED)[2]) and made.column("friction")[2] == 9.0


def test_comma_separated_values_hold_the_same(case_of: Callable[..., Case]) -> None:
    made = table(case_of)
    read = list(csv.DictReader(io.StringIO(made.csv())))
    assert [row["status"] for row in read] == [Status.DEPLOYED, Status.JAMMED, NoResult.BAD_INPUT]
    assert float(read[0][ASKED]) == made.rows[0].asked and read[2][ASKED] == ""
    assert read[2]["sentence"] == "casing.radius: too small"


def test_the_document_has_the_agreed_shape(case_of: Callable[..., Case]) -> None:
    number = {"type": "object", "required": ["value", "unit"]}
    run = {
        "type": "object", "required": ["values", "status", "quantities"],
        "properties": {"values": {"type": "object"}, "status": {"type": "string"},
                       "quantities": {"type": "object", "additionalProperties": number}},
    }  # fmt: skip
    jsonschema.validate(
        table(case_of).document(),
        {
            "type": "object", "required": ["schema", "case", "keys", "runs"],
            "properties": {"schema": {"const": 1}, "case": {"const": "small"},
                           "keys": {"const": ["friction"]}, "runs": {"type": "array", "items": run}},
        },
    )  # fmt: skip


def test_the_best_row_is_sound_and_asks_for_least(case_of: Callable[..., Case]) -> None:
    made = table(case_of)
    assert made.best() is made.rows[0]
    assert replace(made, rows=made.rows[1:]).best() is None


def test_what_it_took_and_what_is_not_known(case_of: Callable[..., Case]) -> None:
    made = table(case_of)
    assert total_seconds(replace(row, computed=True) for row in made) == 2.0
    assert total_seconds(made) == 0.0
    assert unknown([*made, made.rows[2]]) == [("bad input: casing.radius: too small", 2)]
