"""Half the width of a shell is run as long as it is enough; what is run then, and why."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from small_cases import motor, small_case

from fem.shell.symmetry import SymmetryLostError
from fem.simulation import attempts, half_width, run
from fem.simulation.kept_contact import StateRecord
from fem.simulation.models import winding_model
from fem.simulation.recorder import RETRACT, Log, Recorder
from fem.simulation.retract_deploy import WindingProgram, ended_beyond_motor
from fem.simulation.run import run_winding
from fem.simulation.run_context import RunContext
from fem.simulation.winding_state import WindingOutcome


@pytest.fixture(scope="module")
def case(tmp_path_factory):
    return small_case(tmp_path_factory.mktemp("case"), extra=motor(100.0))


def program_with(model, torques):
    """A program that has rows with these torques and does nothing."""
    log = Log(
        [{"torque_Nmm": torque} for torque in torques],
        [np.zeros(1) for _ in torques],
        [StateRecord() for _ in torques],
    )
    return WindingProgram(model, None, Recorder(model, log), None, None)


def test_without_a_motor_nothing_is_beyond_it(case):
    program = program_with(SimpleNamespace(case=replace(case, motor=None)), [1e6])
    assert ended_beyond_motor(program, 0) is None
    assert len(program.recorder.log.rows) == 1


def test_only_half_a_width_is_watched(case):
    model = winding_model(case, "shell")
    assert model.body.half
    assert model.guard is not None
    assert not hasattr(winding_model(case, "rod"), "guard")


def gone_astray(monkeypatch, torques):
    """Runs the shell without computing: after rows with these torques half the width is lost, three steps
    after the last sure one. Returns the models that were run.
    """
    ran = []

    def started(model, journal=None):
        program = program_with(model, torques)
        program.ended = {RETRACT: ""}
        return program

    def wind(program, depth, deploy, progress, keeper):
        ran.append(program.model)
        if program.model.guard is not None:
            raise SymmetryLostError("it twists", 3)
        return WindingOutcome(False, False, False, False, "nothing was run", ()), Log(), None

    for module in (run, half_width):
        monkeypatch.setattr(module, "winding_program", started)
    monkeypatch.setattr(half_width, "wind", wind)
    monkeypatch.setattr(attempts, "CHANGES", ())  # one attempt is all that is looked at
    return ran


@pytest.mark.parametrize("later", [0.0, 2.0], ids=["motor suffices", "in doubt whether it did"])
def test_the_whole_width_is_run_where_the_half_would_go_astray(case, monkeypatch, later):
    stall = case.motor.axle_stall_torque
    ran = gone_astray(monkeypatch, [0.0, 0.9 * stall, later * stall, 0.0])
    result = run_winding(case, "shell", RunContext())
    assert [model.body.half for model in ran] == [True, False]
    laminate = ran[1].body.shell.laminate[..., 0, 0]
    assert laminate.max() / laminate.min() == pytest.approx(1.002 / 0.998)
    assert "the whole width" in result.provenance["shell"]
    assert any("it twists" in line for line in result.warnings)


def test_beyond_the_motor_half_the_width_ends_the_push_where_it_would_go_astray(case, monkeypatch):
    stall, seen = case.motor.axle_stall_torque, []
    ran = gone_astray(monkeypatch, [0.0, 2.0 * stall, 0.0, 7.0])
    monkeypatch.setattr(run, "winding_result", lambda done, context: seen.append(done))
    run_winding(case, "shell", RunContext())
    assert len(ran) == 1
    (done,) = seen
    assert [row["torque_Nmm"] for row in done.log.rows] == [0.0, 2.0 * stall]
    assert len(done.log.states) == 2
    assert done.outcome == WindingOutcome(True, False, False, False, "", ())
    assert "ended early: it twists" in done.model.provenance["shell"]
    assert any("ended early: it twists" in line for line in done.model.warnings)
