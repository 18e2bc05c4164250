"""Winding in and pushing out: a small strip goes through it, idle turning is told from slack."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from small_cases import small_case

from fem.case.definition import read_case
from fem.results.outcome import Status
from fem.rod.model import RodModel, build_rod_model
from fem.simulation.recorder import DEPLOY, RETRACT, Log
from fem.simulation.retract_deploy import (
    ABSURD,
    ABSURD_STRAIN,
    ARRIVED,
    FINE,
    HOPELESS,
    IDLE_TURN,
    REST_TIME,
    SAVE_EVERY,
    WindingProgram,
    slack,
    wind,
    winding_program,
)
from fem.simulation.stepper import Stepper
from fem.simulation.verdict import WindingRun, status
from fem.simulation.winding_state import PhaseUnderWay, WindingOutcome

Ran = tuple[RodModel, WindingOutcome, Log, list[float]]


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> Ran:
    """A frictionless strip, in and out."""
    case = small_case(tmp_path_factory.mktemp("cycle"))
    model = build_rod_model(case)
    shares: list[float] = []
    outcome, log, _ = wind(
        winding_program(model), case.travel, True, lambda share, text: shares.append(share)
    )
    return model, outcome, log, shares


def test_a_small_frictionless_coil_winds_in_and_comes_out(ran: Ran) -> None:
    model, outcome, log, _ = ran
    assert outcome.retracted
    assert outcome.deployed
    assert not outcome.idle
    assert not outcome.swallowed
    assert outcome.trouble == ""
    travel, phase = log.column("travel_mm"), log.column("phase")
    assert travel[0] == 0.0
    assert travel[phase == RETRACT].max() >= model.case.travel
    assert abs(travel[-1]) <= ARRIVED
    turned = np.diff(log.column("axle_angle_rad")[phase == RETRACT])
    turning = int(np.argmax(turned == 0.0))
    assert turning > 0 and np.all(turned[:turning] > 0), "then the axle rests"
    assert np.all(turned[turning:] == 0.0)
    assert np.all(np.diff(log.column("axle_angle_rad")[phase == DEPLOY]) < 0)


def test_what_is_wound_in_is_what_the_axle_takes_up(ran: Ran) -> None:
    # a coil of mean radius between axle and casing takes up radius x angle
    model, _, log, _ = ran
    row = log.rows[int(np.argmax(log.column("travel_mm")))]
    angle, casing, axle = row["axle_angle_rad"], model.case.casing.radius, model.case.axle.radius
    assert axle * angle < row["travel_mm"] < casing * angle + 2 * casing


def test_without_friction_nothing_is_rubbed_away_and_the_energy_comes_back(ran: Ran) -> None:
    _, _, log, _ = ran
    assert np.all(log.column("loss_friction_Nmm") == 0.0)
    last = log.rows[-1]
    lost = last["loss_damping_Nmm"] + last["loss_numerical_Nmm"]
    assert lost > 0.0
    stored = log.column("energy_strain_Nmm") + log.column("energy_contact_Nmm")
    # deployed again, almost nothing is stored of what was
    assert stored[-1] - stored[0] < 0.1 * stored.max()
    closure = log.column("work_in_Nmm") - (stored - stored[0]) - log.column("energy_kinetic_Nmm")
    closure -= log.column("loss_damping_Nmm") + log.column("loss_numerical_Nmm")
    scale = max(log.column("work_in_Nmm").max(), stored.max())
    assert np.abs(closure).max() < 0.02 * scale


def test_the_strip_stays_between_axle_and_casing(ran: Ran) -> None:
    model, _, log, _ = ran
    assert log.column("smallest_gap_mm").min() > -0.15 * model.rod.strip.thickness
    assert log.column("curvature_peak_per_mm").max() < 1.5 / (model.case.axle.radius + 0.4)


def test_progress_runs_from_nothing_to_all(ran: Ran) -> None:
    shares = ran[3]
    assert shares[0] < 0.02
    assert max(shares) == 1.0
    assert all(0.0 <= share <= 1.0 for share in shares)


def test_states_are_saved_on_the_way_in_by_travel(ran: Ran) -> None:
    _, outcome, _, _ = ran
    travels = [travel for travel, _ in outcome.wound]
    assert len(travels) > 5
    assert np.all(np.diff(travels) > SAVE_EVERY)


def test_a_shorter_travel_stops_there(tmp_path: Path) -> None:
    case = small_case(tmp_path, push='kind = "retract"\ntravel = 8.0')
    model = build_rod_model(case)
    outcome, log, _ = wind(winding_program(model), case.travel, False, lambda share, text: None)
    assert outcome.retracted
    assert not outcome.deployed
    assert set(log.column("phase")) == {RETRACT}
    resting = [row for row in log.rows if row["axle_angle_rad"] == log.rows[-1]["axle_angle_rad"]]
    before, rest = resting[0], resting[-1]
    assert len(resting) > 1, "the last rows are those of the strip coming to rest"
    assert 8.0 <= before["travel_mm"] < 8.0 + 1.5 * FINE, (
        "without friction nothing snaps in: met by short steps"
    )
    assert rest["travel_mm"] == pytest.approx(8.0, abs=0.5)


def test_a_strip_that_is_too_short_is_swallowed(tmp_path: Path) -> None:
    case = small_case(tmp_path)
    model = build_rod_model(case)
    # more than there is outside the slot
    outcome, log, _ = wind(winding_program(model), 60.0, True, lambda share, text: None)
    assert outcome.swallowed
    assert not outcome.retracted
    assert log.rows[-1]["slot_station_mm"] == pytest.approx(45.0)


def test_slack_is_what_a_wound_length_loses_in_angle_between_axle_and_casing(tmp_path: Path) -> None:
    model = build_rod_model(small_case(tmp_path, thickness=0.01))
    # a thin strip: length / axle radius - length / casing radius
    assert slack(model, 20.0) == pytest.approx(20.0 / 4.0 - 20.0 / 7.0, rel=0.01)
    assert slack(model, 0.0) == 0.0
    thick = build_rod_model(small_case(tmp_path))
    assert slack(thick, 20.0) < slack(model, 20.0)
    assert slack(thick, 2000.0) >= 0.0


def idle_program(folder: Path) -> WindingProgram:
    program = winding_program(build_rod_model(small_case(folder)))
    assert isinstance(program, WindingProgram)
    return program


@pytest.mark.parametrize("phase", [RETRACT, DEPLOY])
def test_turning_without_travel_is_idle_only_beyond_the_slack(tmp_path: Path, phase: float) -> None:
    program = idle_program(tmp_path)
    inside = 25.0
    limit = IDLE_TURN + (math.pi if phase == RETRACT else slack(program.model, inside))
    sign = 1.0 if phase == RETRACT else -1.0

    def rows(turn: float, travel: float) -> list[dict[str, float]]:
        return [
            {
                "axle_angle_rad": sign * part * turn,
                "travel_mm": sign * part * travel,
                "slot_station_mm": inside,
            }
            for part in np.linspace(0.0, 1.0, 41)
        ]

    program.recorder.log.rows = rows(1.1 * limit, 0.0)
    assert program._idle(0, phase)
    program.recorder.log.rows = rows(0.95 * limit, 0.0)
    assert not program._idle(0, phase)
    program.recorder.log.rows = rows(1.1 * limit, 3.0)
    assert not program._idle(0, phase)
    # moving the wrong way is no progress
    program.recorder.log.rows = rows(1.1 * limit, -3.0)
    assert program._idle(0, phase)


def test_pushing_ends_early_when_it_asks_for_far_too_much(tmp_path: Path) -> None:
    program = idle_program(tmp_path)
    assert program.retract(10.0) == ""
    # without friction the coil pushes itself out: less than 2 N mm holds it back
    assert program.deploy(limit=-2.0) == "beyond"
    assert program.recorder.log.rows[-1]["torque_Nmm"] > -2.0


def test_a_tail_that_snaps_in_comes_to_rest_in_pieces(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    settle, tried = Stepper.settle, []

    def only_short(stepper: Stepper, time: float) -> None:
        tried.append(time)
        if time < 1.0:
            settle(stepper, time)

    monkeypatch.setattr(Stepper, "settle", only_short)
    program = idle_program(tmp_path)
    assert program.retract(8.0) == ""
    rows = program.recorder.log.rows
    resting = [row for row in rows if row["axle_angle_rad"] == rows[-1]["axle_angle_rad"]]
    assert tried[0] == REST_TIME and len(resting) > 5
    assert resting[-1]["time_s"] - resting[0]["time_s"] == pytest.approx(REST_TIME)
    assert resting[-1]["energy_kinetic_Nmm"] < 1e-3 * resting[0]["energy_kinetic_Nmm"]
    tried.clear()
    program.deploy(limit=1e-3)
    assert tried == [], "it is at rest already"


def test_a_strip_that_cannot_come_to_rest_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Stepper, "settle", lambda stepper, time: None)
    program = idle_program(tmp_path)
    assert program.retract(8.0) == ""
    rows = program.recorder.log.rows
    assert rows[-1]["axle_angle_rad"] > rows[-2]["axle_angle_rad"]


def test_a_tip_that_slips_in_while_the_axle_rests_is_swallowed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    program = idle_program(tmp_path)
    turned = program._turn_axle

    def then_inside(*args: Any) -> str:
        end = turned(*args)
        monkeypatch.setattr(program.model.__class__, "length", property(lambda model: 0.0))
        return end

    monkeypatch.setattr(program, "_turn_axle", then_inside)
    assert program.retract(8.0) == "swallowed"


def test_a_push_without_a_motor_ends_at_many_times_what_winds_in(tmp_path: Path) -> None:
    program = idle_program(tmp_path)
    assert program.retract(10.0) == ""
    hardest = max(row["torque_Nmm"] for row in program.recorder.log.rows)
    assert program.hardest_in == hardest > 0.0
    here = PhaseUnderWay(DEPLOY, 0, 0.0, 0.0)
    assert not program._beyond({"torque_Nmm": 0.99 * HOPELESS * hardest}, here)
    assert program._beyond({"torque_Nmm": 1.01 * HOPELESS * hardest}, here)
    program.hardest_in = 0.0  # in a program that wound nothing in nothing can be said
    assert not program._beyond({"torque_Nmm": 1e9}, here)


@pytest.mark.parametrize("phase", [RETRACT, DEPLOY])
def test_a_strip_bent_about_half_its_thickness_has_folded_up(tmp_path: Path, phase: float) -> None:
    """Geometry of a sheet: its inner face is as long as 1 - kappa t / 2 times its middle."""
    program = idle_program(tmp_path)
    half = 0.5 * program.model.case.strip.thickness
    row = program.recorder.log.rows[-1] | {"phase": phase, "travel_mm": 5.0}
    here = PhaseUnderWay(phase, 0, 5.0, 0.0)

    def end(curvature: float, strain: float) -> str:
        return program._end_of(row | {"curvature_peak_per_mm": curvature, "strain_peak": strain}, here, 30.0)

    assert end(1.01 / half, 1.01) == "folded"
    assert end(1.01 / half, 9.0) == "folded", "an event of the strip before it is one of the model"
    assert end(0.99 / half, 0.99) == ""
    assert end(0.5 / half, 1.01 * ABSURD_STRAIN) == ABSURD


def test_energy_from_nowhere_ends_a_run_as_numerical(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    model = build_rod_model(small_case(tmp_path, friction=0.2))
    stored = Stepper._stored

    def jumps(stepper: Stepper, *args: Any) -> Any:
        made = stored(stepper, *args)
        late = stepper.accepted > 40  # as if a pair of faces were found on the wrong side of each other
        return replace(made, contact=made.contact + 1000.0) if late else made

    monkeypatch.setattr(Stepper, "_stored", jumps)
    outcome, log, _ = wind(winding_program(model), 20.0, True, lambda share, text: None)
    assert "energy came from nowhere" in outcome.trouble
    assert not outcome.retracted and len(log.rows) < 45
    assert max(row["energy_contact_Nmm"] for row in log.rows) < 1000.0  # what came after means nothing


@pytest.mark.parametrize("entry", ["contact", "friction"])
def test_energy_that_drifts_away_ends_a_run_as_numerical(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, entry: str
) -> None:
    model = build_rod_model(small_case(tmp_path, friction=0.2))
    stored, taken = Stepper._stored, Stepper._take

    def made(stepper: Stepper, *args: Any) -> Any:
        """One hundredth of all work more in each step: far from what a single step is not allowed."""
        found = stored(stepper, *args)
        more = 0.01 * stepper.ledger.scale * max(0, stepper.accepted - 20)
        return replace(found, contact=found.contact + more)

    def lost(stepper: Stepper, *args: Any) -> None:
        taken(stepper, *args)
        stepper.ledger.friction += 0.01 * stepper.ledger.scale * (stepper.accepted > 20)

    if entry == "contact":
        monkeypatch.setattr(Stepper, "_stored", made)
    else:
        monkeypatch.setattr(Stepper, "_take", lost)
    outcome, log, _ = wind(winding_program(model), 20.0, True, lambda share, text: None)
    assert "energies no longer add up" in outcome.trouble
    assert not outcome.retracted and 25 < len(log.rows) < 40
    assert abs(log.rows[-1]["audit_error"]) < 0.1


def test_the_first_row_beyond_the_motor_lies_just_beyond_it(tmp_path: Path) -> None:
    free = build_rod_model(small_case(tmp_path, friction=0.2))
    _, log, _ = wind(winding_program(free), free.case.travel, True, lambda share, text: None)
    push = [row["torque_Nmm"] for row in log.rows if row["phase"] == DEPLOY]
    # hardest in the last row, which other steps reach a little earlier or later: well below that
    stall = 0.5 * max(push)
    first = next(torque for torque in push if torque > stall)
    motor = f"[motor]\nstall_torque = {stall}\nno_load_speed = 100.0"
    model = build_rod_model(small_case(tmp_path, friction=0.2, extra=motor))
    _, log, _ = wind(winding_program(model), model.case.travel, True, lambda share, text: None)
    rows = [row for row in log.rows if row["phase"] == DEPLOY]
    over = next(row["torque_Nmm"] for row in rows if row["torque_Nmm"] > stall)
    assert first > 1.02 * stall  # without a motor, steps went over that torque
    assert over <= 1.01 * stall


def test_winding_in_ends_at_many_times_what_the_motor_has(tmp_path: Path) -> None:
    motor = "[motor]\nstall_torque = 0.05\nno_load_speed = 100.0"
    model = build_rod_model(small_case(tmp_path, friction=0.2, extra=motor))
    given = model.case.motor
    assert given is not None
    outcome, log, _ = wind(winding_program(model), 20.0, True, lambda share, text: None)
    torques = [row["torque_Nmm"] for row in log.rows]
    assert not outcome.retracted and not outcome.trouble
    assert torques[-1] > HOPELESS * given.axle_stall_torque > max(torques[:-1])
    assert status(WindingRun(model.case, log, outcome), None) == Status.STALLED


def test_a_push_beyond_the_motor_is_given_up_when_it_is_hopeless_or_too_laborious() -> None:
    case = read_case(Path("cases/boom-soft.toml"))
    motor = case.motor
    assert motor is not None
    weak, strong = 0.9 * motor.axle_stall_torque, 1.1 * motor.axle_stall_torque
    before = [{"torque_Nmm": 0.0, "iterations": 50.0}, {"torque_Nmm": strong, "iterations": 100.0}]
    log = SimpleNamespace(rows=before)
    seen = SimpleNamespace(log=log)
    model = SimpleNamespace(case=case)
    program = SimpleNamespace(model=model, recorder=seen, limit=np.inf, hardest_in=2.0, beyond=np.inf)

    def given_up(torque: float, iterations: float, phase: float = DEPLOY) -> bool:
        row = {"torque_Nmm": torque, "iterations": iterations}
        log.rows = [*before, row]
        return WindingProgram._beyond(program, row, PhaseUnderWay(phase, 0, 0.0, 0.0))  # type: ignore[arg-type]

    assert not given_up(strong, 299.0)
    assert given_up(strong, 301.0)
    assert given_up(6.0 * motor.axle_stall_torque, 101.0)
    program.beyond = 2.0  # as a study wants it
    assert given_up(2.1 * motor.axle_stall_torque, 101.0)
    assert not given_up(1.9 * motor.axle_stall_torque, 101.0)
    program.beyond = np.inf
    before[1]["torque_Nmm"] = weak
    assert not given_up(weak, 4000.0)
    assert not given_up(6.0 * motor.axle_stall_torque, 1e6, RETRACT), "winding in may cost what it does"
    assert given_up(21.0 * motor.axle_stall_torque, 101.0, RETRACT)
    program.limit = 0.5 * motor.axle_stall_torque
    assert given_up(weak, 101.0)
    program.limit, model.case = np.inf, replace(case, motor=None)
    assert not given_up(39.0, 1e6)
    assert given_up(41.0, 101.0)
