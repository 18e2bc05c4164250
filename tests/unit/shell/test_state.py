"""States of a shell strip on a plain grid: the force on a section balances what acts beyond it."""

from __future__ import annotations

import numpy as np
import pytest
from rod_strips import SOFT

from fem.design.layup import Layer
from fem.design.path import Runs, Straight
from fem.design.section import Flat
from fem.design.strip import Strip
from fem.shell.state import section_force, strip_state
from fem.shell.static_drive import TrialSettings
from fem.shell.strip_shell import StripMesh, strip_shell
from fem.shell.trials import PressAt, press


@pytest.fixture(scope="module", params=[True, False])
def pressed(request, tmp_path_factory):
    """A cantilever bent far by a load at its tip; model, load, state."""
    strip = Strip(Runs((Straight(60.0),), 0.0), Flat(), 10.0, 1, (Layer(SOFT, 1.0),))
    mesh = StripMesh(along=6.0, across=2, half=request.param, cache=tmp_path_factory.mktemp("m"))
    model = strip_shell(strip, mesh)
    load = 4.0 * 80.0 * 10.0 / 12.0 / 60.0**2
    trial = press(model, [0.5 * load, load], PressAt(), TrialSettings())
    assert trial.finished
    return model, load, trial.states[-1]


def test_every_section_carries_the_load_beyond_it(pressed):
    model, load, x = pressed
    force = section_force(model, x)
    inner = force[model.shell.grid.stations < 55.0]
    # statics: nothing acts between a section and the load at the tip
    assert inner == pytest.approx(np.tile([0.0, -load, 0.0], (len(inner), 1)), abs=1e-6 * load)


def test_axial_force_is_the_part_of_it_along_the_strip(pressed):
    model, load, x = pressed
    state = strip_state(model, x)
    inner = state.station < 55.0
    assert np.ptp(state.heading) > 0.5
    assert state.axial_force[inner] == pytest.approx(-load * np.sin(state.heading[inner]), abs=1e-6 * load)
