"""From case to shell: how finely it is meshed, half and whole width, the artificial mass."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from small_cases import small_case

from fem.case.definition import read_case
from fem.shell.model import build_shell_model, symmetric_strip
from fem.shell.motion import mirror_unknowns


@pytest.fixture(scope="module")
def case(tmp_path_factory):
    return small_case(tmp_path_factory.mktemp("case"))


@pytest.fixture(scope="module")
def model(case):
    return build_shell_model(case)


@pytest.mark.parametrize(("element", "fine"), [(1.5, 1.5), (1.0, 1.5), (3.0, 1.0)])
def test_elements_are_as_short_as_the_case_asks(case, element, fine):
    case = replace(case, settings=replace(case.settings, element=element, element_fine=fine))
    stations = build_shell_model(case).body.shell.grid.stations
    sizes, middles = np.diff(stations), 0.5 * (stations[1:] + stations[:-1])
    wound, shorter = case.travel + case.slot_mouth, min(element, fine)
    assert 0.7 * shorter < sizes[middles < wound].max() < 1.1 * shorter
    assert sizes.max() < 1.1 * max(shorter, 4 / 3 * element)


def small_text(folder):
    small_case(folder)
    return (folder / "small.toml").read_text()


def test_half_the_width_is_chosen_where_it_is_enough(case, model, tmp_path):
    assert symmetric_strip(case)
    assert model.body.half
    assert model.body.copies == 2
    assert mirror_unknowns(model.body).size > 0
    ply = (
        "[materials.ply]\nyoung_1 = 900.0\nyoung_2 = 100.0\npoisson_12 = 0.3\nshear_12 = 60.0\n"
        'density = 1.2e-9\nstrain_limit = 0.1\nsource = "made up for tests"\n'
    )
    file = tmp_path / "angled.toml"
    text = (case_text := small_text(tmp_path)).replace(
        "[axle]", '[[strip.layers]]\nmaterial = "ply"\nthickness = 0.2\nangle = 30.0\n[axle]'
    )
    assert text != case_text
    file.write_text(text + ply)
    assert not symmetric_strip(read_case(file))


def test_half_and_whole_width_see_the_same_forces(case, model):
    whole = build_shell_model(case, whole=True)
    assert whole.body.copies == 1
    assert whole.rise == pytest.approx(model.rise)
    assert whole.walls.points.area.sum() == pytest.approx(model.walls.points.area.sum())
    results = []
    for one in (model, whole):
        grid = one.body.shell.grid
        u = one.start.reshape(grid.stations.size, grid.across.size, 4, 3).copy()
        u[:, :, 0, 1] *= 0.97
        one.walls.start(u.ravel())
        ev = one.motion.total(u.ravel(), 1)
        force = ev.gradient.reshape(u.shape)[:, :, 0].sum(axis=(0, 1))
        results.append([ev.energy, force[0], force[1]])
    assert results[0] == pytest.approx(results[1], rel=2e-3)


def test_mass_is_that_of_the_whole_strip(model):
    ones = np.zeros((model.body.shell.grid.nodes, 4, 3))
    ones[:, 0, 0] = 1.0
    total = float(ones.ravel() @ (model.motion.mass_matrix @ ones.ravel()))
    flat = model.body.shell.laminate[..., 3, 3].max() * model.case.strip.width
    line = 12.0 * flat / model.case.strip.length**4
    assert total == pytest.approx(line * model.case.strip.length, rel=1e-2)
