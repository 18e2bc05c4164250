"""Numbers read off a state of the shell: twist, waves of the edges, flattening."""

from __future__ import annotations

import numpy as np
import pytest
from small_cases import small_case

from fem.shell.measures import edge_wave, flattening, twist
from fem.shell.model import build_shell_model


@pytest.fixture(scope="module")
def case(tmp_path_factory):
    return small_case(tmp_path_factory.mktemp("case"))


@pytest.fixture(scope="module", params=[False, True])
def model(case, request):
    return build_shell_model(case, whole=request.param)


def changed(model, change):
    """State of the start with places changed by a function of (place, s, q)."""
    grid = model.body.shell.grid
    u = model.start.reshape(grid.stations.size, -1, 4, 3).copy()
    change(u[:, :, 0], grid.stations[:, None], grid.across[None, :])
    return model.state(u.ravel())


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
    model.walls.start(u)
    lost = flattening(model, state, model.walls.state(u, model.walls.record()), 20.0)
    assert lost["slot"] == pytest.approx(0.75, abs=0.01)
    assert lost["axle"] == pytest.approx(0.75, abs=0.01)
