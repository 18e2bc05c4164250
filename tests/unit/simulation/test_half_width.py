"""Half the width of a shell is run as long as it is enough; what is run then, and why."""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np
import pytest
from small_cases import CYCLE, motor, small_case

from fem.shell.symmetry import SymmetryLostError
from fem.simulation import attempts, half_width, run
from fem.simulation.half_width import wanted_travel, with_whole_width
from fem.simulation.kept_contact import StateRecord
from fem.simulation.models import winding_model
from fem.simulation.recorder import DEPLOY, RETRACT, Log, Recorder
from fem.simulation.resumed import taken_up
from fem.simulation.retract_deploy import WindingProgram, ended_beyond_motor, wind, winding_program
from fem.simulation.run import run_winding
from fem.simulation.run_context import RunContext
from fem.simulation.winding_state import WindingOutcome

QUIET = lambda share, text: None  # noqa: E731 - no progress in tests


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
    assert "it twists; from the start" in result.provenance["shell"], "no state was kept"
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


@dataclass
class LostAt:
    """Loses the symmetry at an accepted step of a phase, sure until three steps before."""

    phase: float
    step: int
    deploying: bool = False
    steps: int = 0

    def __call__(self, model, u, accepted, control):  # noqa: ARG002
        """Counts the steps of the phase: the axle turns back while pushing out."""
        before, self.control = getattr(self, "control", 0.0), control
        self.deploying = self.deploying or control < before
        self.steps += self.deploying == (self.phase == DEPLOY)
        if self.steps == self.step:
            raise SymmetryLostError("it is said to twist", 3)

    def finding(self):
        return "nothing"


@pytest.fixture(scope="module")
def touching_case(tmp_path_factory):
    """A strip that lies on itself and rubs, and never twists."""
    folder = tmp_path_factory.mktemp("touching")
    runs = "{ straight = 75.0 }"
    return small_case(folder, CYCLE, friction=0.1, solver="turn = 11.0", runs=runs)


@pytest.mark.slow
@pytest.mark.parametrize("phase", [RETRACT, DEPLOY])
def test_a_strip_that_does_not_twist_goes_on_alike_with_the_whole_width(touching_case, phase, monkeypatch):
    """With the same steps: rows of the half and of the whole that took over from it. Later their steps are
    no longer of one length: how many iterations a step takes hangs on rounding.
    """
    monkeypatch.setattr(half_width, "SKEW", 0.0)
    half = replace(winding_model(touching_case, "shell"), guard=LostAt(phase, 40))
    program = winding_program(half)
    depth = wanted_travel(program, touching_case)
    with pytest.raises(SymmetryLostError) as lost:
        wind(program, depth, True, QUIET)
    whole, started = with_whole_width(half, program, lost.value)
    assert not whole.body.half
    assert "it is said to twist; from " in whole.width
    assert "before it half of it, mirrored" in whole.width
    rows = len(started.recorder.log.rows)
    assert 20 < rows <= len(program.recorder.log.rows) - 2, "it begins where it was still sure"
    for name in ("axle_angle_rad", "travel_mm", "torque_Nmm"):
        before = program.recorder.log.column(name)[:rows]
        assert np.array_equal(started.recorder.log.column(name), before), name
    half.guard = None
    back = next(each for each in reversed(program.restarts) if each.rows == rows)
    (one, mine, _), (two, theirs, _) = (
        wind(each, depth, phase == DEPLOY, QUIET) for each in (taken_up(program, back), started)
    )
    assert one == replace(two, wound=one.wound)
    assert two.retracted
    alike = rows + 10
    for name in ("axle_angle_rad", "travel_mm", "torque_Nmm", "loss_friction_Nmm", "energy_contact_Nmm"):
        a, b = mine.column(name)[:alike], theirs.column(name)[:alike]
        assert a == pytest.approx(b, abs=1e-3 * np.abs(a).max()), name
    peaks = [each.column("torque_Nmm").max() for each in (mine, theirs)]
    assert peaks[1] == pytest.approx(peaks[0], rel=0.01)
    grid = whole.body.shell.grid
    sideways = theirs.states[-1].reshape(grid.stations.size, -1, 4, 3)[:, grid.across.size // 2, 0, 2]
    # in its plane, up to twice what a step is settled to
    assert np.abs(sideways).max() < 2.0 * whole.motion.settings.settled
    for record in theirs.contacts:
        assert whole.walls.fits(record.walls)
        assert whole.wraps.fits(record.wraps)
