"""A shell that touches itself: pairs, derivatives, objectivity, balance of forces."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from rod_strips import SOFT, derivative_errors, renewed_error

from fem.contact.settings import ContactSettings
from fem.design.layup import Layer
from fem.design.path import Runs, Straight
from fem.design.section import Arc
from fem.design.strip import Strip
from fem.mesh.bicubic import shape_at
from fem.shell.kernels.pairs import shape_row
from fem.shell.self_contact import ShellSelfContact
from fem.shell.strip_shell import StripMesh, strip_shell
from fem.shell.surface_points import surface_points

SETTINGS = ContactSettings(stiffness=50.0, onset=0.05, slip=0.03, friction=0.3)


@pytest.fixture(scope="module")
def model(tmp_path_factory):
    strip = Strip(Runs((Straight(70.0),), 0.0), Arc(40.0), 12.0, 1, (Layer(SOFT, 1.0),))
    return strip_shell(strip, StripMesh(along=2.0, across=4, half=True, cache=tmp_path_factory.mktemp("m")))


def coil(model, pitch, inner=4.5, bow=0.02, seed=None, size=0.0):
    """A spiral about the origin that grows by `pitch` per turn, its section bowed by `bow` [1/mm]."""
    grid = model.shell.grid
    s = np.linspace(0.0, grid.stations[-1], 20001)
    growth = pitch / (2 * np.pi)
    angle = (np.sqrt(inner**2 + 2 * growth * s) - inner) / growth
    angle = np.interp(grid.stations, s, angle)
    radius = inner + growth * angle
    along = np.stack([np.cos(angle), np.sin(angle), 0 * angle], axis=1)
    inward = np.stack([-np.sin(angle), np.cos(angle), 0 * angle], axis=1)
    q = grid.across
    height, tilt = 0.5 * bow * q**2, bow * q
    u = np.zeros((len(s := grid.stations), len(q), 4, 3))
    out = -inward
    u[:, :, 0] = radius[:, None, None] * out[:, None] + height[None, :, None] * inward[:, None]
    u[:, :, 0, 2] = q
    stretch = 1 - height[None, :] / radius[:, None]
    u[:, :, 1] = stretch[..., None] * along[:, None]
    u[:, :, 2] = tilt[None, :, None] * inward[:, None] + np.array([0.0, 0.0, 1.0])
    u[:, :, 3] = -(tilt[None, :] / radius[:, None])[..., None] * along[:, None]
    if seed is not None:
        u += size * np.random.default_rng(seed).normal(size=u.shape) * model.shell.weights.reshape(u.shape)
    return u.ravel()


def wraps_of(model, settings=SETTINGS):
    grid = model.shell.grid
    points = surface_points(model, 1.0)
    return ShellSelfContact(points, grid, model.shell.size, model.strip.thickness, settings, 12.0)


def test_rows_are_those_of_the_element(model):
    grid = model.shell.grid
    at = np.array([[3.3, 0.4], [31.0, 5.9], [70.0, 6.0]])
    dofs, values = shape_at(grid, at)
    points = surface_points(model, 1.0)
    work = np.empty((2, 3, 2)), np.empty((2, 3, 2))
    for k in range(3):
        rows = np.empty((6, 16))
        cell = shape_row(grid.stations, grid.across, at[k], rows, *work)
        assert np.allclose(rows, values[k])
        assert np.array_equal(points.cells[cell].reshape(16, 3)[:, 0] // 3, dofs[k])


def test_pairs_are_feet_at_the_pitch(model):
    term = wraps_of(model)
    u = coil(model, 1.3, bow=0.0)
    term.start(u)
    paired = term.partner >= 0
    assert paired[term.points.stations < 30.0].all()
    gaps = term.gaps(u)[paired]
    assert gaps == pytest.approx(0.3 * np.ones(gaps.size), abs=0.02)
    assert (term.held[paired][:, 8] < 0.0).all()  # seen from the axle's side


@pytest.mark.parametrize("size", [0.0, 0.004])
def test_energy_gradient_and_tangent_agree(model, size):
    u = coil(model, 0.95, seed=1, size=size)
    term = wraps_of(model)
    term.start(u)
    moved = coil(model, 0.94, seed=2, size=size)
    term.hold(moved)
    term.hold(moved)
    assert (term.held[..., 0] > 0).sum() > 50
    first, second = derivative_errors(term, moved, np.random.default_rng(1).normal(size=u.size), 1e-7)
    assert first < 1e-5
    assert second < 1e-4


def test_wraps_begin_to_push_two_leads_apart(model):
    """Each face leads by as much; on the way the energy is that of the force."""
    u = coil(model, 0.95)
    term = wraps_of(model, replace(SETTINGS, lead=0.02, friction=0.0))
    term.start(u)
    paired = term.partner >= 0
    assert term.gaps(u)[paired].mean() == pytest.approx(0.95 - 1.0, abs=0.02)
    apart = coil(model, 1.03)  # 0.03 mm open, .01 mm within both leads
    term.hold(apart, fully=True)
    gaps = term.gaps(apart)[term.partner >= 0]
    assert np.median(gaps) == pytest.approx(0.03, abs=0.01)
    assert (gaps > 0.0).all()
    assert (term.forces(apart) > 0.0).sum() > 50
    assert np.array_equal(term.forces(apart) > 0.0, (term.partner >= 0) & (term.gaps(apart) < 0.04))
    first, second = derivative_errors(term, apart, np.random.default_rng(1).normal(size=u.size), 1e-7)
    assert first < 1e-5
    assert second < 1e-4


WAYS = {"rough": lambda model: np.random.default_rng(1).normal(size=model.shell.size) / model.shell.weights,
        "smooth": lambda model: coil(model, 0.95, bow=0.03) - coil(model, 0.93)}  # fmt: skip


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize(("friction", "error"), [(False, 1e-6), (True, 3e-3)])
def test_coupled_tangent_is_that_of_the_renewed_balance(model, way, friction, error):
    """With friction one small part is left out: slip is counted from another place as the foot glides."""
    u = coil(model, 0.95, seed=1, size=0.001)
    term = wraps_of(model, SETTINGS if friction else replace(SETTINGS, friction=0.0))
    term.start(u)
    moved = coil(model, 0.94, seed=1, size=0.001)
    assert renewed_error(term, moved, WAYS[way](model), 1e-7) < error


@pytest.mark.parametrize("bow", [0.02, 0.12])
def test_coupled_tangent_knows_what_tilted_wraps_do_to_friction(model, bow):
    term, u = wraps_of(model), coil(model, 0.9, bow=bow, seed=1, size=0.001)
    term.start(u)
    term.hold(u, fully=True)
    assert term.forces(u).max() > 0.0
    assert renewed_error(term, u, WAYS["rough"](model), 1e-7) < 1e-6


def beside_the_edge(model, beyond, pitch=0.85):
    """A coil whose first wrap is drawn out across until its outer line lies `beyond` mm past the edge of the
    next.
    """
    u = coil(model, pitch, seed=1, size=0.0005).reshape(-1, len(model.shell.grid.across), 4, 3)
    first = np.flatnonzero(model.shell.grid.stations < 20.0)
    edge = model.shell.grid.across[-1]
    u[first, :, 0, 2] *= (edge + beyond) / edge
    u[first, :, 2, 2] *= (edge + beyond) / edge
    return u.ravel()


def test_a_point_beyond_an_edge_is_pushed_away_from_it(model):
    """Nearest to a surface that ends is its edge: the gap is the distance from there."""
    term, u = wraps_of(model), beside_the_edge(model, 0.3)
    term.start(u)
    term.hold(u, fully=True)
    outer = (term.foot[..., 1] >= model.shell.grid.across[-1]) & (term.partner >= 0)
    outer &= term.points.stations[:, None] < 15.0
    at = np.argwhere(outer)
    assert len(at) > 3
    place = term.points.positions(u)
    for p, line in at:
        away = place[p, line] - model.shell.position(u, term.foot[p, line][None])[0]
        assert term.gaps(u)[p, line] == pytest.approx(np.linalg.norm(away) - model.strip.thickness, abs=1e-6)
        assert term.held[p, line, 1:4] == pytest.approx(away / np.linalg.norm(away), abs=1e-5)
    assert term.forces(u)[outer].max() > 0.0
    assert renewed_error(term, u, WAYS["rough"](model), 1e-7) < 1e-6


def test_a_point_that_leaves_a_surface_by_its_edge_feels_no_jump(model):
    forces = []
    for beyond in np.linspace(-0.02, 0.02, 9):
        term, u = wraps_of(model), beside_the_edge(model, beyond)
        term.start(u)
        term.hold(u, fully=True)
        forces.append(term.balance(u, 1).gradient)
    steps = np.abs(np.diff(forces, axis=0)).max(axis=1)
    assert steps.max() < 3.0 * np.median(steps)
    far = wraps_of(model)
    u = beside_the_edge(model, 2.0)
    far.start(u)
    far.hold(u, fully=True)
    beside = (far.foot[..., 1] >= model.shell.grid.across[-1]) & (far.points.stations[:, None] < 15.0)
    beside &= (far.partner >= 0) & (far.points.lines > 5.9)
    assert beside.any()
    assert far.forces(u)[beside].max() == 0.0


def test_forces_balance(model):
    u = coil(model, 0.95)
    term = wraps_of(model)
    term.start(u)
    moved = coil(model, 0.94)
    pull = term.balance(moved, 1).gradient.reshape(-1, 4, 3)
    total = pull[:, 0].sum(axis=0)
    assert np.abs(total[:2]).max() < 1e-9 * np.abs(pull).sum()


def test_turning_as_a_whole_is_no_slip(model):
    u = coil(model, 0.95)
    term = wraps_of(model)
    term.start(u)
    c, s = np.cos(0.4), np.sin(0.4)
    turned = (u.reshape(-1, 3) @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]]).T).ravel()
    term.hold(turned, fully=True)
    slide, _ = term.friction(turned)
    assert (term.held[..., 0] > 0).sum() > 50
    assert np.abs(slide).max() < 1e-9


def test_no_move_carries_a_wrap_through_the_next(model):
    u, closer = coil(model, 1.3), coil(model, 0.1)
    term = wraps_of(model)
    term.start(u)
    part = term.safe_fraction(u, closer - u)
    assert 0.0 < part < 1.0
    assert term.safe_fraction(u, 1e-3 * (closer - u)) == 1.0


def hairpin(model, apart, turn, crease=34.0):
    """A flat strip folded back on itself: legs that distance apart, turned left (1) or right (-1)."""
    s, q = model.shell.grid.stations, model.shell.grid.across
    radius = 0.5 * apart
    bend = np.clip((s - crease + 0.5 * np.pi * radius) / radius, 0.0, np.pi)
    into = np.minimum(s, crease - 0.5 * np.pi * radius)
    back = np.maximum(s - crease - 0.5 * np.pi * radius, 0.0)
    u = np.zeros((len(s), len(q), 4, 3))
    u[:, :, 0, 0] = (into + radius * np.sin(bend) - back)[:, None]
    u[:, :, 0, 1] = (turn * radius * (1.0 - np.cos(bend)))[:, None]
    u[:, :, 0, 2] = q
    u[:, :, 1, 0], u[:, :, 1, 1] = np.cos(bend)[:, None], turn * np.sin(bend)[:, None]
    u[:, :, 2, 2] = 1.0
    return u.ravel()


@pytest.mark.parametrize("turn", [1, -1], ids=["left", "right"])
def test_a_pair_born_in_a_step_keeps_the_side_it_was_born_on(model, turn):
    term = wraps_of(model)
    term.start(hairpin(model, 9.5, turn))
    legs = (term.points.stations > 6.0) & (term.points.stations < 20.0)
    assert (term.partner[legs] < 0).all()
    closed = hairpin(model, 1.3, turn)  # closer than a side can be told anew
    term.hold(closed)
    assert term.gaps(closed)[legs] == pytest.approx(0.3, abs=0.02)
    term.accept(closed)
    assert term.gaps(closed)[legs] == pytest.approx(0.3, abs=0.02)
    assert len(set(term.sides[legs].ravel())) == 1
