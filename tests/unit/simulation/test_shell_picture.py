"""What is read off a state of the wound shell: twist, edges, flattening, and which width was run and why."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from small_cases import motor, small_case

from fem.shell import symmetry as shell_symmetry
from fem.shell.model import ShellFields, build_shell_model
from fem.shell.symmetry import EVERY, SURE, Guard, SymmetryLostError
from fem.simulation import shell_run
from fem.simulation.recorder import RETRACT, Log, Observer
from fem.simulation.retract_deploy import Cycle, CycleOutcome
from fem.simulation.round_trip import ended_beyond
from fem.simulation.shell_picture import edge_wave, flattening, look, shape_of_mode, twist
from fem.simulation.shell_run import run_shell_winding


@pytest.fixture(scope="module")
def case(tmp_path_factory):
    return small_case(tmp_path_factory.mktemp("case"), extra=motor(100.0))


@pytest.fixture(scope="module", params=[False, True])
def model(case, request):
    return build_shell_model(case, whole=request.param)


def changed(model, change):
    """State of the start with places changed by a function of (place, s, q)."""
    grid = model.body.shell.grid
    u = model.start.reshape(grid.stations.size, -1, 4, 3).copy()
    change(u[:, :, 0], grid.stations[:, None], grid.across[None, :])
    return ShellFields(model.body).state(u.ravel())


def test_twist_is_the_angle_of_the_line_from_edge_to_edge(case):
    model = build_shell_model(case, whole=True)
    angle = 0.2

    def turn(place, s, q):
        y, z = place[..., 1].copy(), place[..., 2].copy()
        middle = y[:, y.shape[1] // 2, None]
        place[..., 1] = middle + np.cos(angle) * (y - middle) + np.sin(angle) * z
        place[..., 2] = np.cos(angle) * z - np.sin(angle) * (y - middle)

    assert twist(changed(model, turn)) == pytest.approx(np.full(model.body.shell.grid.stations.size, angle))
    assert np.abs(twist(changed(model, lambda *_: None))).max() < 1e-12


def test_edge_wave_sees_ripples_and_no_bow(model):
    rest = changed(model, lambda *_: None)

    def ripple(place, s, q):
        place[..., 1] += 0.1 * np.sin(2 * np.pi * s / 6.0) * (q / 5.0) ** 2

    def bow(place, s, q):
        place[..., 1] += 1e-3 * s**2 * (q / 5.0) ** 2

    assert edge_wave(rest, rest) == 0.0
    assert edge_wave(changed(model, ripple), rest) == pytest.approx(0.1, rel=0.25)
    assert edge_wave(changed(model, bow), rest) < 0.02


def test_flattening_is_the_height_lost(model):
    def press(place, s, q):
        middle = place[:, np.argmin(np.abs(q[0])), None, 1]
        place[..., 1] = middle + 0.25 * (place[..., 1] - middle)

    state = changed(model, press)
    u = model.start
    look(model, u)
    lost = flattening(model, state, u, 20.0)
    assert lost["slot"] == pytest.approx(0.75, abs=0.01)
    assert lost["axle"] == pytest.approx(0.75, abs=0.01)


def test_shape_of_the_softest_mode_covers_the_whole_width(model):
    mode = shape_of_mode(model, model.start)
    state = ShellFields(model.body).state(model.start)
    assert mode.shape == (state.station.size, state.across.size, 3)
    assert np.linalg.norm(mode, axis=-1).max() == pytest.approx(1.0)
    if model.body.half:
        assert mode[:, ::-1] * [1.0, 1.0, -1.0] == pytest.approx(mode)


def test_the_guard_is_sure_only_after_some_looks(case, monkeypatch):
    found = iter([1, 0, 1, 1, 1])
    monkeypatch.setattr(shell_symmetry, "twisting_now", lambda *_: next(found))
    guard = Guard()
    guard(None, None, 1, 0.1)
    assert guard.looked == 0
    guard(None, None, EVERY, 0.1)
    guard(None, None, EVERY + 1, 0.1)
    assert guard.seen == 0
    assert guard.sure == EVERY + 1
    for step in range(SURE - 1):
        guard(None, None, 2 * EVERY + step, 0.2)
    where = r"wound in by 0\.30 rad the whole width has 1 unstable mode"
    with pytest.raises(SymmetryLostError, match=where) as lost:
        guard(None, None, 2 * EVERY + SURE - 1, 0.3)
    assert lost.value.doubtful == EVERY + SURE - 2


def test_without_a_motor_nothing_is_beyond_it(case):
    free = SimpleNamespace(case=replace(case, motor=None))
    log = Log([{"torque_Nmm": 1e6}], [np.zeros(1)])
    assert ended_beyond(Cycle(free, None, Observer(free, None, log), None, None), 0) is None
    assert len(log.rows) == 1


def gone_astray(monkeypatch, torques):
    """Runs the shell without computing: after rows with these torques half the width is lost, three steps
    after the last sure one. Returns the models that were run.
    """
    ran = []

    def start(model):
        log = Log([{"torque_Nmm": torque} for torque in torques], [np.zeros(1) for _ in torques])
        return Cycle(model, None, Observer(model, None, log), None, None, ended={RETRACT: ""})

    def cycle(kept, depth, deploy, tell, keeper):
        ran.append(kept.model)
        if kept.model.watch is not None:
            raise SymmetryLostError("it twists", 3)
        return CycleOutcome(False, False, False, False, "nothing was run", ()), Log(), None

    monkeypatch.setattr(shell_run, "shell_cycle", start)
    monkeypatch.setattr(shell_run, "go_through", cycle)
    return ran


@pytest.mark.parametrize("later", [0.0, 2.0], ids=["motor suffices", "in doubt whether it did"])
def test_the_whole_width_is_run_where_the_half_would_go_astray(case, monkeypatch, later):
    stall = case.motor.axle_stall_torque
    ran = gone_astray(monkeypatch, [0.0, 0.9 * stall, later * stall, 0.0])
    result = run_shell_winding(case, lambda *_: None, 0.0, {})
    assert [model.body.half for model in ran] == [True, False]
    laminate = ran[1].body.shell.laminate[..., 0, 0]
    assert laminate.max() / laminate.min() == pytest.approx(1.002 / 0.998)
    assert "the whole width" in result.provenance["shell"]
    assert any("it twists" in line for line in result.warnings)


def test_beyond_the_motor_half_the_width_ends_the_push_where_it_would_go_astray(case, monkeypatch):
    stall, told = case.motor.axle_stall_torque, []
    ran = gone_astray(monkeypatch, [0.0, 2.0 * stall, 0.0, 7.0])
    monkeypatch.setattr(shell_run, "shell_numbers", lambda *_: {})
    monkeypatch.setattr(shell_run, "winding_result", lambda done, *rest: told.append((done, rest)))
    run_shell_winding(case, lambda *_: None, 0.0, {})
    assert len(ran) == 1
    (done, (_, _, provenance)), *_ = told
    assert [row["torque_Nmm"] for row in done.log.rows] == [0.0, 2.0 * stall]
    assert len(done.log.states) == 2
    assert done.outcome == CycleOutcome(True, False, False, False, "", ())
    assert "ended early: it twists" in provenance["shell"]
    assert any("ended early: it twists" in line for line in done.warnings)
