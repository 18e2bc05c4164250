"""States of a shell strip on a plain grid: shape at rest, the force on a section."""

from __future__ import annotations

import numpy as np
import pytest
from rod_strips import SOFT

from fem.design.layup import Layer
from fem.design.path import BendRun, Runs, Straight
from fem.design.section import Arc, Flat
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


def boom() -> Strip:
    """A soft strip with a bend, hollow toward the axle."""
    runs = (Straight(40.0), BendRun(np.radians(30.0), 30.0), Straight(20.0))
    return Strip(Runs(runs, 3.0), Arc(radius=9.0), 12.0, 1, (Layer(SOFT, 1.0),))


@pytest.mark.parametrize("half", [True, False])
def test_rest_state_on_the_grid_is_the_strip(tmp_path, half):
    strip = boom()
    model = strip_shell(strip, StripMesh(half=half, cache=tmp_path))
    state = strip_state(model, model.shell.rest.ravel())
    assert np.allclose(state.position, strip.path.position(state.station), atol=1e-9)
    assert np.allclose(state.heading, strip.path.heading(state.station), atol=1e-9)
    assert state.across[0] == pytest.approx(-6.0)
    height, lateral = strip.section_place(state.station[:, None], state.across)
    assert np.allclose(state.height, height, atol=1e-6)
    assert np.allclose(state.lateral, lateral, atol=1e-6)
    bend = strip.path.bends[0]
    inside = (state.station > bend.start + 8.0) & (state.station < bend.end - 8.0)
    assert state.curvature[inside] == pytest.approx(strip.path.curvature(state.station[inside]), rel=0.02)
    assert np.abs(state.strain).max() < 1e-12
