"""Where the computation stops and the strip does not, finer settings are tried; what helped is told."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from small_cases import CYCLE, Stopping, motor, small_case

from fem.case.definition import Case
from fem.core.checkpoint import Checkpoint, Stopped
from fem.design.settings import Settings
from fem.results.outcome import Status
from fem.results.result import Result, read, write
from fem.results.snapshot import PHASES
from fem.simulation import attempts, run
from fem.simulation.attempts import CHANGES, FINER_MESH, FINER_STEP, MORE_POINTS, PATIENCE, differences
from fem.simulation.recorder import DEPLOY, RETRACT
from fem.simulation.retract_deploy import LABORIOUS, WindingProgram
from fem.simulation.run import run_case
from fem.simulation.winding_state import Patience

STOPS_AT = 5.0
"""Travel [mm] at which pushing out is made to fail."""
NO_STEP = "no step could be made"
TURN = 0.05

Breaks = Callable[[WindingProgram], bool]

COARSE: dict[str, Breaks] = {
    "turn": lambda program: program.steps.largest > 0.6 * TURN,
    "element": lambda program: program.model.case.settings.element > 2.0,
    "contact_spacing": lambda program: program.model.case.settings.contact_spacing > 0.5,
    "nothing helps": lambda program: True,
}
"""Setting that helps -> which programs are too coarse."""


def make_fail(monkeypatch: pytest.MonkeyPatch, breaks: Breaks, phase: float = DEPLOY) -> None:
    """Let programs of that kind stop within a phase, as if no step could be made there."""
    sound = WindingProgram._unsound

    def unsound(program: WindingProgram) -> str:
        row = program.recorder.log.rows[-1]
        here = row["phase"] == phase and abs(row["travel_mm"] - STOPS_AT) < 1.0
        return NO_STEP if here and breaks(program) else sound(program)

    monkeypatch.setattr(WindingProgram, "_unsound", unsound)


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Case:
    return small_case(tmp_path_factory.mktemp("case"), CYCLE)


@pytest.fixture(scope="module")
def undisturbed(case: Case) -> Result:
    return run_case(case)


def test_a_run_that_needs_no_second_attempt_tells_of_none(undisturbed: Result) -> None:
    assert undisturbed.attempts == ()
    assert "solver." not in undisturbed.sentence


@pytest.mark.parametrize("helps", ["turn", "element", "contact_spacing"])
def test_the_first_setting_that_helps_gives_the_result(
    case: Case, undisturbed: Result, monkeypatch: pytest.MonkeyPatch, helps: str
) -> None:
    make_fail(monkeypatch, COARSE[helps])
    result = run_case(case)
    assert result.status == undisturbed.status == Status.DEPLOYED
    number = ["turn", "element", "contact_spacing"].index(helps) + 1
    assert [bool(one.trouble) for one in result.attempts] == [True] * number + [False]
    assert result.attempts[0].settings == "" and result.attempts[0].trouble == NO_STEP
    last = result.attempts[-1]
    assert f"solver.{helps} = " in last.settings and f"Computed with {last.settings}" in result.sentence
    assert result.provenance["solver"][helps] < vars(case.settings)[helps]
    for name in ("retract_torque_peak_Nmm", "travel_wound_mm"):
        old, new = (one.quantities[name].value for one in (undisturbed, result))
        assert new == pytest.approx(old, rel=0.05), name


def test_finer_steps_go_on_from_a_state_some_way_before(case: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    make_fail(monkeypatch, COARSE["turn"])
    result = run_case(case)
    _, second = result.attempts
    assert abs(result.attempts[0].travel_mm - STOPS_AT) < 2.0, "the last sound row before it"
    assert second.from_phase == PHASES[2]
    assert second.from_travel_mm > STOPS_AT + 1.0, "travel falls as it is pushed out"
    angle, phase = result.path["axle_angle_rad"], result.path["phase"]
    steps, after = np.abs(np.diff(angle)), phase[1:] == DEPLOY
    assert steps[~after].max() == pytest.approx(TURN), "winding in stands as it was"
    after &= result.path["travel_mm"][1:] < second.from_travel_mm
    assert steps[after].max() == pytest.approx(FINER_STEP * TURN)
    assert np.all(np.diff(result.path["time_s"]) > 0.0) and np.all(np.diff(result.path["step"]) == 1.0)


def test_trouble_soon_after_the_turn_round_winds_in_again(
    case: Case, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_fail(monkeypatch, COARSE["turn"], RETRACT)
    result = run_case(case)
    assert result.status == Status.DEPLOYED
    first, second = result.attempts
    assert second.from_phase == PHASES[1] and second.from_travel_mm < first.travel_mm
    phase = result.path["phase"]
    assert np.all(np.diff(phase) >= 0.0) and set(phase) == {RETRACT, DEPLOY}


def test_what_nothing_helps_is_numerical_and_tells_all_that_was_tried(
    case: Case, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    make_fail(monkeypatch, COARSE["nothing helps"])
    said: list[str] = []
    result = run_case(case, progress=lambda share, text: said.append(text))
    assert result.status == Status.NOT_CONVERGED
    assert len(result.attempts) == len(CHANGES) + 1 and all(one.trouble for one in result.attempts)
    for one in result.attempts[1:]:
        assert one.settings in result.sentence
        assert any(one.settings in text for text in said), "progress tells it"
    assert result.provenance["solver"] == vars(case.settings)
    kept = read(write(result, tmp_path / "kept"))
    assert repr(kept.attempts) == repr(result.attempts)
    assert kept.summary()["attempts"][0]["from_travel_mm"] is None


def test_a_strip_that_cannot_be_put_in_place_is_not_tried_with_other_steps(
    case: Case, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in (run, attempts):
        monkeypatch.setattr(module, "winding_program", lambda model, journal=None: NO_STEP)
    result = run_case(case)
    assert result.status == Status.NOT_CONVERGED and NO_STEP in result.sentence
    told = [one.settings for one in result.attempts]
    assert len(told) == len(CHANGES) and not any("turn" in settings for settings in told)


def test_a_motor_that_had_too_little_before_leaves_nothing_to_try(
    tmp_path: Path, undisturbed: Result, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The verdict stands: what lies beyond is only computed."""
    weak = 0.5 * undisturbed.quantities["retract_torque_peak_Nmm"].value
    make_fail(monkeypatch, COARSE["nothing helps"])
    result = run_case(small_case(tmp_path, CYCLE, extra=motor(weak)))
    assert result.status == Status.STALLED and result.attempts == ()


@pytest.mark.parametrize("helps", ["turn", "element"])
def test_attempts_in_pieces_are_the_undisturbed_ones(
    case: Case, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, helps: str
) -> None:
    """Killed and gone on with, again and again: the same floats, and no attempt is made twice."""
    make_fail(monkeypatch, COARSE[helps])
    whole = run_case(case)
    for _ in range(400):
        try:
            pieces = run_case(case, keeper=Checkpoint(tmp_path / "state", {"case": "a"}, Stopping(23)))
            break
        except Stopped:
            pass
    for name, column in whole.path.items():
        assert np.array_equal(column, pieces.path[name], equal_nan=True), name
    assert pieces.sentence == whole.sentence and pieces.quantities == whole.quantities
    assert repr(pieces.attempts) == repr(whole.attempts)


@pytest.mark.parametrize(
    ("phase", "angle", "iterations", "ends"),
    [
        (RETRACT, 3.0, 101.0, True),
        (RETRACT, 3.0, 99.0, False),
        (RETRACT, 5.1, 101.0, False),  # farther than where the other one stopped
        (DEPLOY, 3.0, 101.0, False),
    ],
)
def test_patience_ends_only_before_the_place_of_trouble(
    phase: float, angle: float, iterations: float, ends: bool
) -> None:
    row = {"phase": phase, "axle_angle_rad": angle, "iterations": iterations}
    assert Patience(100.0, RETRACT, 5.0).exhausted(row) == ends


def test_patience_of_pushing_out_counts_winding_in_too() -> None:
    patience = Patience(100.0, DEPLOY, 5.0)
    row = {"phase": RETRACT, "axle_angle_rad": 3.0, "iterations": 101.0}
    assert patience.exhausted(row)
    assert patience.exhausted(row | {"phase": DEPLOY, "axle_angle_rad": 5.1})
    assert not patience.exhausted(row | {"phase": DEPLOY, "axle_angle_rad": 4.9})


def test_an_attempt_without_end_is_given_up(case: Case, monkeypatch: pytest.MonkeyPatch) -> None:
    make_fail(monkeypatch, COARSE["nothing helps"])
    assert PATIENCE > 1.0
    monkeypatch.setattr(attempts, "PATIENCE", 0.1)
    result = run_case(case)
    assert [one.trouble for one in result.attempts[1:]] == [LABORIOUS] * 3


def test_settings_are_told_as_a_case_file_says_them() -> None:
    used = Settings()
    told = [differences(used, change.of(used)) for change in CHANGES]
    assert told[0] == f"solver.turn = {math.degrees(FINER_STEP * used.turn):.4g}"
    assert f"solver.element = {FINER_MESH * used.element:g}" in told[1]
    assert f"solver.element_fine = {FINER_MESH * used.element_fine:g}" in told[1]
    assert told[2] == f"solver.contact_spacing = {MORE_POINTS * used.contact_spacing:g}"
    assert differences(used, replace(used)) == ""
