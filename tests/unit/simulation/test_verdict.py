"""Status, numbers and sentence drawn from made-up runs of winding in and pushing out."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from small_cases import small_case

from fem.case.definition import Case
from fem.design.loading import Retract
from fem.design.motor import Motor
from fem.results.outcome import Status
from fem.results.result import Jam, Quantity
from fem.simulation.jam_modes import JamMode
from fem.simulation.recorder import DEPLOY, RETRACT, Log
from fem.simulation.verdict import WindingRun, passages, quantities, sentence, status
from fem.simulation.winding_state import WindingOutcome

WENT_THROUGH = WindingOutcome(True, True, False, False, "", ())
JAM = Jam(JamMode.COIL_LOCKS, 12.0, 20.0, 45.0, ("seen",), ("lower the friction inside the casing",))


def row(phase: float, angle: float, travel: float, torque: float, **more: float) -> dict[str, float]:
    plain = {
        "phase": phase, "axle_angle_rad": angle, "travel_mm": travel, "torque_Nmm": torque,
        "push_N": 0.1 * torque, "strain_share": 0.2, "strain_peak": 0.03, "strain_station_mm": 3.0,
        "casing_contact_rad": 1.0, "curvature_peak_per_mm": 0.2, "stable": 1.0,
        "slot_station_mm": travel + 9.0,
    }  # fmt: skip
    return plain | more


def path(retract: list[float], deploy: list[float]) -> Log:
    """Torques along winding in (one a millimetre) and along pushing out."""
    rows = [row(RETRACT, 0.25 * i, float(i), torque) for i, torque in enumerate(retract)]
    depth = len(retract) - 1
    rows += [
        row(DEPLOY, 0.25 * (depth - i), float(depth - i), torque) for i, torque in enumerate(deploy, start=1)
    ]
    return Log(rows, [])


@pytest.fixture
def case(tmp_path: Path) -> Case:
    return small_case(
        tmp_path, extra="", runs="{ straight = 14.0 }, { bend = 20.0, radius = 20.0 }, { straight = 24.0 }"
    )


def with_motor(case: Case, torque: float) -> Case:
    return replace(case, motor=Motor(torque, 100.0, 1.0, 1.0))


def said(run: WindingRun, jam: Jam | None = None) -> tuple[str, str]:
    word = status(run, jam)
    return word, sentence(word, run, jam, quantities(run, jam))


def test_a_strip_that_went_through_is_deployed(case: Case) -> None:
    word, text = said(WindingRun(with_motor(case, 90.0), path([1, 5, 6, 4], [20, 12, 3]), WENT_THROUGH))
    assert word == Status.DEPLOYED
    assert (
        text
        == "Winds in with at most 6.0 N mm and comes out with at most 20.0 N mm; the motor has 90.0 N mm."
    )


@pytest.mark.parametrize("phase", [RETRACT, DEPLOY])
def test_a_cycle_strained_beyond_the_limit_is_never_plain_deployed(case: Case, phase: float) -> None:
    log = path([1, 5, 6, 4], [20, 12, 3])
    at = next(i for i, each in enumerate(log.rows) if each["phase"] == phase) + 1
    log.rows[at] |= {"strain_share": 1.204, "strain_peak": 0.18, "strain_station_mm": 0.1}
    run = WindingRun(case, log, WENT_THROUGH)
    word, text = said(run)
    assert word == Status.DEPLOYED_STRAINED
    way, other = ("winding in", "pushing out") if phase == RETRACT else ("pushing out", "winding in")
    assert f"121 % {way} (at the root)" in text and f"20 % {other} (3.0 mm from the root)" in text
    retract = replace(run, case=replace(case, push=Retract()))
    assert said(retract)[0] == Status.RETRACTED_STRAINED


def test_strain_is_told_phase_by_phase_and_what_is_forced_does_not_count(case: Case) -> None:
    log = path([1, 5, 6], [10, 45, 50])
    for at, share in ((1, 0.5), (4, 1.1), (5, 5.0)):
        log.rows[at] |= {"strain_share": share}
    run = WindingRun(with_motor(case, 30.0), log, WENT_THROUGH)
    numbers = quantities(run, JAM)
    assert [numbers[f"{name}_strain_share"].value for name in ("retract", "deploy", "forced")] == [
        0.5,
        1.1,
        5.0,
    ]
    assert numbers["strain_share_peak"].value == 1.1
    assert "does not count" in numbers["forced_strain_share"].note
    assert "does not count" not in numbers["deploy_strain_share"].note
    text = said(run, JAM)[1]
    assert "110 % pushing out" in text and "500 %" in text and text.endswith("which does not count.")


def test_winding_in_alone_is_retracted(case: Case) -> None:
    run = WindingRun(
        replace(case, push=Retract()), path([1, 5, 6], []), replace(WENT_THROUGH, deployed=False)
    )
    assert said(run) == (Status.RETRACTED, "Winds in with at most 6.0 N mm.")


def test_trouble_with_a_step_is_never_a_jam(case: Case) -> None:
    outcome = WindingOutcome(True, False, False, False, "contact forces did not settle in 6 rounds", ())
    run = WindingRun(case, path([1, 5], [20, 30]), outcome)
    assert run.jam_row() is None
    word, text = said(run)
    assert word == Status.NOT_CONVERGED
    assert "contact forces did not settle" in text
    assert "not a jam" in text
    assert "at travel" in text
    assert said(WindingRun(case, Log(), outcome))[0] == Status.NOT_CONVERGED


def test_a_tip_that_slips_inside(case: Case) -> None:
    run = WindingRun(case, path([1, 5], []), WindingOutcome(False, False, True, False, "", ()))
    word, text = said(run)
    assert word == Status.SWALLOWED
    assert "push.left_out" in text


@pytest.mark.parametrize("why", ["folded", "beyond"])
def test_a_strip_that_folds_up_or_asks_beyond_any_motor_jams_at_its_hardest_stable_row(
    case: Case, why: str
) -> None:
    outcome = replace(WENT_THROUGH, deployed=False, **{why: True})
    log = path([1, 5, 6], [10, 45, 99, 40])
    log.rows[5] |= {"stable": 0.0}
    run = WindingRun(case, log, outcome)
    assert run.jam_row() == 4
    assert said(run, JAM)[0] == Status.JAMMED
    stalled = WindingRun(case, path([1, 9, 6], []), replace(outcome, retracted=False))
    assert stalled.jam_row() == 1
    assert said(stalled, JAM)[0] == Status.STALLED


def test_a_jam_leaves_no_margin_however_strong_the_motor(case: Case) -> None:
    outcome = replace(WENT_THROUGH, deployed=False, folded=True)
    run = WindingRun(with_motor(case, 300.0), path([1, 5, 6], [10, 45, 40]), outcome)
    numbers = quantities(run, JAM)
    assert numbers["deploy_margin"].value == 0.0
    assert numbers["retract_margin"].value == pytest.approx(0.98)


def test_a_motor_too_weak_is_told_what_it_takes(case: Case) -> None:
    run = WindingRun(with_motor(case, 8.0), path([1, 5, 9, 10], [3]), WENT_THROUGH)
    numbers = quantities(run, JAM)
    assert numbers["motor_torque_needed_Nmm"].value == 10.0
    assert numbers["travel_to_choose_mm"].value == 1.0, "the last row before the motor has too little"
    assert "10.0 N mm" in said(run, JAM)[1] and "1 mm (push.travel)" in said(run, JAM)[1]
    log = path([1, 5, 9, 10], [3])
    log.rows[1] |= {"travel_mm": 40.0}  # and then it snaps out
    assert quantities(replace(run, log=log), JAM)["travel_to_choose_mm"].value == 2.0
    stuck = replace(run, outcome=replace(WENT_THROUGH, retracted=False, deployed=False, idle=True))
    assert "at least" in quantities(stuck, JAM)["motor_torque_needed_Nmm"].note
    forced = WindingRun(with_motor(case, 30.0), path([1, 5, 6], [10, 45, 50, 30]), WENT_THROUGH)
    assert quantities(forced, JAM)["motor_torque_needed_Nmm"].value == 50.0
    assert "motor_torque_needed_Nmm" not in quantities(WindingRun(case, run.log, WENT_THROUGH), None)


def test_a_tip_that_slips_inside_is_told_what_to_ask_for(case: Case) -> None:
    run = WindingRun(case, path([1, 5], []), WindingOutcome(False, False, True, False, "", ()))
    numbers = quantities(run, None) | {
        "travel_to_choose_mm": Quantity(19.0, "mm"), "left_out_to_choose_mm": Quantity(5.8, "mm"),
    }  # fmt: skip
    text = sentence(Status.SWALLOWED, run, None, numbers)
    assert "19 mm at most (push.travel)" in text and "5.8 mm outside (push.left_out)" in text


def test_travel_is_read_after_the_rest_and_what_moved_meanwhile_is_told(case: Case) -> None:
    log = path([1, 5, 6], [])
    log.rows.append(row(RETRACT, 0.5, 4.5, 4.0))  # the axle stands at .5 rad
    log.rows.append(row(RETRACT, 0.5, 5.75, 4.0))
    log.rows.append(row(DEPLOY, 0.4, 5.0, 4.0))
    run = WindingRun(case, log, WENT_THROUGH)
    assert run.turn_round == pytest.approx(3.75)
    numbers = quantities(run, None)
    assert numbers["turn_round_travel_mm"].value == pytest.approx(3.75)
    assert numbers["travel_wound_mm"].value == 5.75
    text = said(run)[1]
    assert "in by 3.8 mm more: 5.8 mm are wound in" in text
    assert f"{case.travel:.1f} mm were asked for" in text
    moving = WindingRun(case, path([1, 5, 6], [3]), WENT_THROUGH)
    assert math.isnan(moving.turn_round) and "turn_round_travel_mm" not in quantities(moving, None)
    assert "rested" not in said(moving)[1]


def test_idle_pushing_jams_at_the_hardest_row(case: Case) -> None:
    outcome = WindingOutcome(True, False, False, True, "", ())
    run = WindingRun(case, path([1, 5, 6], [10, 45, 40, 30]), outcome)
    assert run.jam_row() == 4
    word, text = said(run, JAM)
    assert word == Status.JAMMED
    assert text == (
        "Jams: coil locks in the casing, 12.0 mm from the root, at travel 20.0 mm and 45.0 N mm. "
        "Try: lower the friction inside the casing."
    )


def test_more_than_the_motor_has_jams_there_even_if_it_would_come_out(case: Case) -> None:
    run = WindingRun(with_motor(case, 30.0), path([1, 5, 6], [10, 45, 50, 30]), WENT_THROUGH)
    assert run.jam_row() == 4
    assert run.overloaded(4)
    assert not run.overloaded(3)
    word, text = said(run, JAM)
    assert word == Status.JAMMED
    assert "; the motor has 30.0 N mm; with about 50 N mm it might come out" in text


def test_the_safe_travel_is_told(case: Case) -> None:
    run = WindingRun(with_motor(case, 30.0), path([1, 5, 6], [10, 45]), WENT_THROUGH)
    numbers = quantities(run, JAM)
    numbers["safe_travel_mm"] = replace(numbers["jam_torque_Nmm"], value=17.9)
    assert "from 17 mm of travel it still comes out" in sentence(Status.JAMMED, run, JAM, numbers)


@pytest.mark.parametrize("idle", [True, False])
def test_a_motor_too_weak_to_wind_in_and_idle_turning_stall(case: Case, idle: bool) -> None:
    if idle:
        run = WindingRun(case, path([1, 5, 9, 7], []), WindingOutcome(False, False, False, True, "", ()))
    else:
        run = WindingRun(with_motor(case, 8.0), path([1, 5, 9, 10], [3]), WENT_THROUGH)
    assert run.jam_row() == 2
    word, text = said(run, JAM)
    assert word == Status.STALLED
    assert text.startswith("Winding in stops: coil locks in the casing")


def test_what_would_come_after_the_jam_is_not_counted(case: Case) -> None:
    log = path([1, 5, 6], [10, 45, 50])
    log.rows[-1] |= {"strain_share": 5.0, "strain_peak": 0.7}
    through = WindingRun(with_motor(case, 100.0), log, WENT_THROUGH)
    jammed = WindingRun(with_motor(case, 30.0), log, WENT_THROUGH)
    assert through.before_jam() == log.rows
    assert jammed.before_jam() == log.rows[:5]
    assert quantities(through, None)["strain_share_peak"].value == 5.0
    assert quantities(jammed, JAM)["strain_share_peak"].value == 0.2


def test_scatter_is_the_departure_from_the_running_mean(case: Case) -> None:
    smooth = WindingRun(case, path([float(i) for i in range(30)], []), WENT_THROUGH)
    assert smooth.scatter(15) < 1.01  # a straight rise: only the shortened means at the ends of the window
    jagged = [10.0 + 3.0 * (-1) ** i for i in range(30)]
    # mean of five alternating values is 10 +- 0.6
    fine = Log([row(RETRACT, 0.05 * i, float(i), torque) for i, torque in enumerate(jagged)], [])
    assert 2.3 < WindingRun(case, fine, WENT_THROUGH).scatter(15) < 6.1
    assert WindingRun(case, path([1, 5, 6], []), WENT_THROUGH).scatter(1) == 0.0


def test_idle_turn_is_the_turning_without_travel(case: Case) -> None:
    rows = [row(DEPLOY, 5.0 - 0.1 * i, 20.0, 10.0) for i in range(21)]
    assert WindingRun(case, Log(rows, []), WENT_THROUGH).idle_turn(20) == pytest.approx(2.0)
    moving = [row(DEPLOY, 5.0 - 0.1 * i, 20.0 - i, 10.0) for i in range(21)]
    assert WindingRun(case, Log(moving, []), WENT_THROUGH).idle_turn(20) is None
    assert WindingRun(case, Log(moving, []), WENT_THROUGH).moved_before(20) == pytest.approx(20.0)


def test_bends_are_timed_while_they_pass_the_slot(case: Case) -> None:
    mark = case.strip.path.bends[0]
    log = path([1.0] * 36, [2.0] * 35)
    inside = [
        i
        for i, r in enumerate(log.rows)
        if r["phase"] == DEPLOY and mark.start < r["slot_station_mm"] < mark.end
    ]
    log.rows[inside[2]] |= {"torque_Nmm": 33.0, "push_N": 4.0}
    log.rows[-1] |= {"torque_Nmm": 99.0}  # long after the bend
    (passed,) = passages(WindingRun(case, log, WENT_THROUGH))
    assert passed.bend == 1
    assert passed.peak_torque_Nmm == 33.0
    assert passed.peak_push_N == 4.0
    assert passed.station_mm == pytest.approx(0.5 * (mark.start + mark.end))
    assert passed.travel_mm == log.rows[inside[2]]["travel_mm"]


def test_a_bend_that_never_came_out_is_read_on_the_way_in_and_one_never_seen_is_left_out(case: Case) -> None:
    log = path([7.0] * 36, [])
    assert [passed.peak_torque_Nmm for passed in passages(WindingRun(case, log, WENT_THROUGH))] == [7.0]
    assert passages(WindingRun(case, path([7.0] * 3, []), WENT_THROUGH)) == ()


def test_numbers_of_the_motor(case: Case) -> None:
    run = WindingRun(with_motor(case, 40.0), path([10.0] * 9, [20.0] * 8), WENT_THROUGH)
    numbers = quantities(run, None)
    assert numbers["deploy_margin"].value == pytest.approx(0.5)
    assert numbers["retract_margin"].value == pytest.approx(0.75)
    # linear line: at half the stall torque half of 100 rpm, 7 x 0.25 rad
    assert numbers["deploy_time_s"].value == pytest.approx(7 * 0.25 / (50.0 * 2 * math.pi / 60), rel=1e-6)
    assert numbers["axle_turns"].value == pytest.approx(2.0 / (2 * math.pi))
    assert numbers["travel_wound_mm"].value == 8.0
    assert numbers["travel_left_mm"].value == 0.0
    assert "deploy_margin" not in quantities(replace(run, case=case), None)


def test_rows_worth_a_picture(case: Case) -> None:
    run = WindingRun(with_motor(case, 30.0), path([1, 5, 6], [10, 45, 50]), WENT_THROUGH)
    names = dict(run.named_rows(True))
    assert names == {
        "fully out": 0, "hardest while winding in": 2, "wound in": 2, "hardest while pushing out": 5,
        "end of pushing out": 5, "jam": 4,
    }  # fmt: skip
    assert "jam" not in dict(run.named_rows(False))
    assert WindingRun(case, Log(), WENT_THROUGH).named_rows(False) == []


def test_pictures_run_in_order_and_keep_the_named_rows(case: Case) -> None:
    run = WindingRun(with_motor(case, 30.0), path(range(40), range(40, 90)), WENT_THROUGH)
    shown = run.snapshot_rows(True, frames=10)
    rows = [row for _, row in shown]
    assert rows == sorted(set(rows))
    assert 10 <= len(rows) <= 16
    told = {word: row for words, row in shown for word in words.split("; ")}
    assert dict(run.named_rows(True)).items() <= told.items()
    assert WindingRun(case, Log(), WENT_THROUGH).snapshot_rows(False) == []


def test_pictures_are_spread_over_travel_and_turning(case: Case) -> None:
    run = WindingRun(case, path(range(101), []), WENT_THROUGH)
    rows = [row for _, row in run.snapshot_rows(False, frames=11)]
    assert max(np.diff(rows)) <= 12


def test_unstable_states_are_counted(case: Case) -> None:
    log = path([1, 5, 6], [])
    log.rows[1] |= {"stable": 0.0}
    numbers = quantities(WindingRun(case, log, WENT_THROUGH), None)
    assert numbers["unstable_states"].value == 1.0
    assert np.isfinite(numbers["curvature_peak_per_mm"].value)


def test_what_moves_the_wrong_way_has_not_moved(case: Case) -> None:
    rows = [row(DEPLOY, 5.0 - 0.1 * i, 20.0 + i, 10.0) for i in range(6)]
    assert WindingRun(case, Log(rows, []), WENT_THROUGH).moved_before(5) == pytest.approx(-5.0)
    winding = [row(RETRACT, 0.1 * i, float(i), 10.0) for i in range(6)]
    assert WindingRun(case, Log(winding, []), WENT_THROUGH).moved_before(5) == pytest.approx(5.0)
