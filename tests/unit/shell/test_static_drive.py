"""Driving a shell through states at rest: sections pressed flat before a trial, levels from the start on."""

from __future__ import annotations

import numpy as np
import pytest
from rod_strips import SOFT

from fem.design.layup import Layer
from fem.design.path import BendRun, Runs, Straight
from fem.design.section import Arc, Flat
from fem.design.strip import Strip
from fem.shell.state import strip_state
from fem.shell.static_drive import TrialSettings, flattened
from fem.shell.strip_shell import StripMesh, strip_shell
from fem.shell.trials import PressAt, press


def test_pressing_the_root_flat_leaves_it_flat_and_in_place(tmp_path):
    runs = (Straight(40.0), BendRun(np.radians(30.0), 30.0), Straight(20.0))
    strip = Strip(Runs(runs, 3.0), Arc(radius=9.0), 12.0, 1, (Layer(SOFT, 1.0),))
    model = strip_shell(strip, StripMesh(half=True, cache=tmp_path))
    x = flattened(model, (0,), TrialSettings())
    assert not isinstance(x, str)
    state = strip_state(model, x)
    assert np.abs(state.height[0]).max() < 1e-9
    assert np.abs(state.position[0]).max() < 1e-9
    assert state.heading[0] == pytest.approx(0.0, abs=1e-9)
    rest = strip_state(model, model.shell.rest.ravel())
    assert state.height[-1].max() == pytest.approx(
        rest.height[-1].max(), rel=0.02
    )  # a free tip keeps its shape
    # strain of pressing an arc flat: t / (2 R) across (and as much again times nu along, held by the root)
    assert state.strain[0].max() > 0.5 / 9.0 * 0.9


def test_a_level_of_nothing_is_the_state_before_the_trial_and_changes_no_other(tmp_path):
    strip = Strip(Runs((Straight(40.0),), 0.0), Flat(), 10.0, 1, (Layer(SOFT, 1.0),))
    model = strip_shell(strip, StripMesh(along=6.0, across=2, half=True, cache=tmp_path))
    heard: list[float] = []
    levels = np.array([0.0, 0.1, 0.2])
    trial = press(model, levels, PressAt(), TrialSettings(watch=heard.append))
    assert heard == levels.tolist()
    assert trial.states[0] == pytest.approx(model.shell.rest.ravel(), abs=1e-9)
    assert trial.energy[0] == pytest.approx(0.0, abs=1e-12)
    without = press(model, levels[1:], PressAt(), TrialSettings())
    assert np.array_equal(trial.states[1:], without.states)
