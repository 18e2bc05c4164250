"""A strip as a shell: its mesh and surface, its layers, and the trials made with it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from thick_bends import Bar

from fem.core.errors import InputError
from fem.design.layup import Layer
from fem.design.material import Material
from fem.design.path import BendRun, Runs, Straight
from fem.design.section import Arc, Flat, FreeCurve
from fem.design.strip import Station, Strip
from fem.shell.fields import layer_fields, surface_strain
from fem.shell.static_drive import TrialSettings
from fem.shell.strip_shell import StripMesh, lines_across, strip_shell
from fem.shell.trials import PressAt, bend, coil, column, press

SOFT = Material.isotropic("soft", 80.0, 0.4, 1.2e-9, 0.2)
STIFF = Material.isotropic("stiff", 2000.0, 0.35, 1.2e-9, 0.02)
CURLED = FreeCurve(tuple((float(z), 3.0 * abs(z / 7.0) ** 4) for z in np.linspace(-7.0, 7.0, 7)))
"""Most of its turn is near the edges."""


@pytest.fixture
def flat(tmp_path: Path):
    strip = Strip(Runs((Straight(60.0),), 0.0), Flat(), 10.0, 1, (Layer(SOFT, 1.0),))
    return strip_shell(strip, StripMesh(along=6.0, across=2, half=True, cache=tmp_path))


@pytest.fixture
def flat_no_poisson(tmp_path: Path):
    material = Material.isotropic("plain", 80.0, 0.0, 1.2e-9, 0.2)
    strip = Strip(Runs((Straight(60.0),), 0.0), Flat(), 10.0, 1, (Layer(material, 1.0),))
    return strip_shell(strip, StripMesh(along=6.0, across=2, half=True, cache=tmp_path))


@pytest.fixture
def bent_strip() -> Strip:
    path = Runs((Straight(20.0), BendRun(np.radians(50.0), 25.0), Straight(20.0)), 4.0)
    stations = (Station(0.0, 8.0, 0.0), Station(15.0, 12.0, 1.0))
    layers = (Layer(SOFT, 0.6), Layer(STIFF, 0.4, np.radians(20.0), (-2.0, 2.0), None, SOFT))
    return Strip(path, Arc(9.0), 12.0, 1, layers, stations)


def test_rest_surface_mass_and_area_follow_the_strip(bent_strip: Strip, tmp_path: Path) -> None:
    model = strip_shell(bent_strip, StripMesh(cache=tmp_path))
    x = model.shell.rest.ravel()
    s, q = np.array([5.0, 17.0, 30.0, 55.0]), np.array([-3.0, 2.0, 5.0, 5.5])
    eta = q * bent_strip.width / bent_strip.width_at(s)
    assert np.allclose(
        model.shell.position(x, np.stack([s, eta], axis=1)), bent_strip.surface(s, q).X, atol=2e-3
    )
    across = np.linspace(-0.5, 0.5, 201)
    along = np.linspace(0.0, bent_strip.length, 801)
    width = bent_strip.width_at(along)
    at = bent_strip.surface(along[:, None], width[:, None] * across)
    density = np.linalg.norm(np.cross(at.X_s, at.X_q), axis=-1).mean(axis=1) * width
    assert model.shell.area.sum() == pytest.approx(np.trapezoid(density, along), rel=2e-3)
    assert (model.shell.density > 0.0).all()


def test_lines_of_nodes_lie_on_the_edges_of_layers(bent_strip: Strip, tmp_path: Path) -> None:
    model = strip_shell(bent_strip, StripMesh(cache=tmp_path))
    for edge in (-2.0, 0.0, 2.0):
        assert np.abs(model.shell.grid.across - edge).min() < 1e-9
    with pytest.raises(ValueError, match=r"name the station in StripMesh\.nodes"):
        model.station(33.333)
    named = strip_shell(bent_strip, StripMesh(cache=tmp_path, nodes=(33.333,)))
    assert named.shell.grid.stations[named.station(33.333)] == pytest.approx(33.333)


def test_too_few_elements_across_a_deep_section_are_refused(tmp_path: Path) -> None:
    strip = Strip(Runs((Straight(60.0),), 0.0), Arc(5.0), 12.0, 1, (Layer(SOFT, 1.0),))
    with pytest.raises(InputError, match="too coarse across the surface"):
        strip_shell(strip, StripMesh(across=2, cache=tmp_path))


@pytest.mark.parametrize("section", [Arc(12.0 / np.pi), Arc(6.0), Flat(), CURLED])
@pytest.mark.parametrize("half", [True, False])
@pytest.mark.parametrize("across", [(-1.0, 1.0), None])
def test_as_many_elements_across_as_keep_their_turn_below_what_is_asked(section, half, across) -> None:
    layers = (Layer(SOFT, 0.5), Layer(STIFF, 0.5, 0.0, across, None, SOFT if across else None))
    strip = Strip(Runs((Straight(60.0),), 0.0), section, 12.0, 1, layers)
    few = lines_across(strip, StripMesh(across=4, half=half))
    lines = lines_across(strip, StripMesh(across=4, half=half, turn=0.4))
    turns = np.abs(np.diff(strip.section_angle(0.0, lines)[0]))
    assert turns.max() <= 0.4
    assert turns.max() > 0.2 or np.array_equal(lines, few)
    for edge in strip.zone_edges_q():
        assert (half and edge < 0.0) or np.abs(lines - edge).min() < 1e-12
    assert lines[0] == (0.0 if half else -6.0)
    assert lines[-1] == 6.0


def test_laminate_sense_a_stiff_face_toward_the_axle_is_strained_less(tmp_path: Path) -> None:
    strip = Strip(Runs((Straight(60.0),), 0.0), Flat(), 10.0, 1, (Layer(SOFT, 0.5), Layer(STIFF, 0.5)))
    model = strip_shell(strip, StripMesh(along=6.0, across=2, half=True, cache=tmp_path))
    trial = bend(model, np.radians([10.0, 20.0]), TrialSettings())
    middle = np.abs(model.shell.grid.points[:, 0, 0] - 30.0) < 6.0
    faces = {field.height: field.strain[middle][..., 0] for field in layer_fields(model, trial.states[-1])}
    toward, away = np.abs(faces[0.5]).mean(), np.abs(faces[-0.5]).mean()
    # transformed section: neutral line (2000 * .125 + 80 * .375) / (2000 * .5 + 80 * .5) = .269 from the
    # stiff face
    assert toward / away == pytest.approx(0.269 / 0.731, rel=0.03)
    curvature = np.radians(20.0) / 60.0
    assert toward + away == pytest.approx(curvature * 1.0, rel=0.05)
    assert faces[0.5].mean() < 0.0  # curled toward the axle: that face shortens


def test_bending_moment_of_a_flat_strip_is_that_of_the_beam(flat) -> None:
    trial = bend(flat, np.radians([5.0, 10.0]), TrialSettings())
    assert trial.finished
    assert trial.snaps == ()
    curvature = np.radians(10.0) / 60.0
    beam = 80.0 * 10.0 / 12.0
    # between beam (free edges) and plate (wide): the section may curl, its ends may not
    assert beam < trial.moment[-1] / curvature < beam / (1 - 0.4**2)
    assert trial.energy[-1] == pytest.approx(0.5 * trial.moment[-1] * np.radians(10.0), rel=1e-3)
    assert trial.strain[-1] == pytest.approx(0.5 * curvature, rel=0.15)
    assert abs(trial.force[-1]).max() < 1e-4


def test_column_of_a_flat_strip_buckles_at_four_times_the_pinned_load(flat) -> None:
    euler = np.pi**2 * 80.0 * 10.0 / 12.0 / 60.0**2
    pinned = column(flat, [0.2, 1.0], TrialSettings(), ends="pinned")
    clamped = column(flat, [0.2, 1.0], TrialSettings())
    assert -pinned.force[-1, 0] == pytest.approx(1.01 * euler, rel=0.04)
    assert -clamped.force[-1, 0] == pytest.approx(4.0 * 1.01 * euler, rel=0.10)


def test_press_on_the_tip_of_a_flat_strip_is_the_cantilever(flat_no_poisson) -> None:
    # Bisshopp & Drucker 1945: w / L = .30172, u / L = .05643 at P L^2 / EI = 1
    load = 80.0 * 10.0 / 12.0 / 60.0**2
    trial = press(flat_no_poisson, [0.5 * load, load], PressAt(), TrialSettings())
    tip = flat_no_poisson.shell.position(trial.states[-1], np.array([[60.0, 0.0]]))[0]
    assert -tip[1] / 60.0 == pytest.approx(0.30172, rel=2e-3)
    assert 1.0 - tip[0] / 60.0 == pytest.approx(0.05643, rel=5e-3)


def test_layer_fields_are_hooke_and_name_their_heights(flat) -> None:
    trial = bend(flat, [0.1], TrialSettings())
    low, high = layer_fields(flat, trial.states[-1])
    assert (low.height, high.height) == (-0.5, 0.5)
    assert np.allclose(high.stress, high.strain @ SOFT.plane_stress().T)
    assert max(np.nanmax(low.share), np.nanmax(high.share)) == pytest.approx(
        np.abs(surface_strain(flat, trial.states[-1])).max() / 0.2, rel=1e-6
    )


@pytest.mark.parametrize("angle", [1.0, -1.0])
def test_a_layered_tight_bend_against_an_integral_along_its_fibres(angle: float, tmp_path: Path) -> None:
    young, edges, radius, turn = (1000.0, 60.0), (-0.5, 0.1, 0.5), 1.5, 1e-4
    layers = tuple(
        Layer(Material.isotropic(f"of {e:g}", e, 0.0, 1e-9, 1.0), b - a)
        for e, a, b in zip(young, edges[:-1], edges[1:], strict=True)
    )
    strip = Strip(Runs((BendRun(angle, radius),), 0.0), Flat(), 1.0, 1, layers)
    model = strip_shell(strip, StripMesh(across=2, half=True, cache=tmp_path))
    trial = coil(model, [turn], TrialSettings())
    bar, change = Bar(edges, young, angle / radius), turn / radius
    assert trial.moment[-1] / change == pytest.approx(bar.stiffness(), rel=1e-3)
    middle = len(model.shell.grid.dofs) // 2
    for field in layer_fields(model, trial.states[-1]):
        found = float(field.strain[middle, :, 0].mean())
        assert found == pytest.approx(bar.strain(change, field.height), rel=1e-3)


def test_natural_curvature_is_that_of_the_strip_on_the_shells_side(bent_strip: Strip, tmp_path: Path) -> None:
    uniform = replace(bent_strip, stations=())
    model = strip_shell(uniform, StripMesh(cache=tmp_path))
    s, q = np.moveaxis(model.shell.grid.points, -1, 0)
    own = -model.shell.natural_curvature  # the shell's normal points away from the axle
    assert own[..., 1] == pytest.approx(uniform.natural_curvature(s, q)[..., 1], abs=3e-4)
    assert own[..., 0] == pytest.approx(uniform.natural_curvature(s, q)[..., 0], abs=2e-3)
