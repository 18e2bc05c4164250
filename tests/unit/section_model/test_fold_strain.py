"""Strains by layer, pressed and coiled states, own coil, thick bends."""

import math

import numpy as np
import pytest
from thick_bends import Bar, flattened_face

from fem.core.errors import InputError
from fem.design.curved_layers import curved_laminate
from fem.design.layup import Stack
from fem.design.material import Material, laminate
from fem.section_model.fold_model import SectionProblem, SectionZone
from fem.section_model.fold_strain import (
    bistability,
    coil_strain,
    coiled_state,
    curved_bar,
    flattening_strain,
    free_coil,
    largest_share,
    layer_strains,
    opening,
    pressed,
    state_strains,
)
from fem.section_model.moment_curvature import moment_curve, rest_state, state_at

STEEL = Material.isotropic("steel", 210000.0, 0.3, 7.85e-9, 0.007)
SOFT = Material.isotropic("soft", 80.0, 0.45, 1.2e-9, 0.1)
PLY = Material("ply", 26600.0, 2970.0, 0.4, 1390.0, 1e-9, 0.01, strain_limit_2=0.004)


def arc(radius, width, layers, rest=0.0):
    return SectionProblem(
        (SectionZone(-0.5 * width, 0.5 * width, layers),),
        lambda q: (q / radius, np.full_like(q, 1.0 / radius)),
        rest,
    )


TAPE = arc(15.0, 23.56, Stack(np.array([-0.05, 0.05]), (STEEL,), (0.0,)))
LAYERED = arc(9.0, 12.0, Stack(np.array([-0.5, 0.1, 0.3]), (SOFT, PLY), (0.0, 0.3)), 0.04)


def test_flattening_a_tape_strains_its_faces_by_half_thickness_over_their_radius():
    faces = flattening_strain(TAPE)
    outer, inner = (flattened_face(15.0, 0.1, 0.3, z) for z in (-0.05, 0.05))
    # about t / 2 over the radius of the face, R -+ t / 2
    assert (outer, inner) == pytest.approx((-0.05 / 15.05, 0.05 / 14.95), rel=2e-3)
    assert [(f.layer, f.face, f.material) for f in faces] == [(0, "away", "steel"), (0, "axle", "steel")]
    assert faces[0].across == pytest.approx(outer, rel=1e-6)  # hollow toward the axle: that face stretches
    assert faces[1].across == pytest.approx(inner, rel=1e-6)
    assert faces[0].along == pytest.approx(0.0, abs=2e-6)  # nu t^2 / 12 R^2, as the middle contracts across
    assert faces[1].share == pytest.approx(inner / 0.007, rel=1e-6)


def test_a_coil_with_free_edges_stores_less_than_one_pressed_flat_and_least_of_its_branches():
    for radius in (8.0, 15.0, 40.0):
        free = free_coil(TAPE, radius)
        assert free.curvature == pytest.approx(1.0 / radius)
        assert free.energy < pressed(TAPE, 1.0 / radius).energy
        curve = moment_curve(TAPE, np.linspace(0.0, 2.0 / radius, 60))
        ways = [state_at(TAPE.model, each.nearest(1.0 / radius), 1.0 / radius).energy
                for each in (curve.loading, curve.returning)]  # fmt: skip
        assert free.energy == pytest.approx(min(ways), rel=1e-9)
    with pytest.raises(InputError, match="coil radius must be > 0 mm, got 0"):
        free_coil(TAPE, 0.0)


def test_coiling_toward_the_axle_compresses_the_face_toward_it():
    faces = {f.face: f for f in layer_strains(TAPE, pressed(TAPE, 0.1).strains)}
    assert faces["axle"].along == pytest.approx(-0.05 * 0.1, rel=5e-3)
    assert faces["away"].along == pytest.approx(0.05 * 0.1, rel=5e-3)


@pytest.mark.parametrize("problem", [TAPE, LAYERED], ids=["tape", "layered"])
def test_no_axial_force_and_no_force_across(problem):
    model, stack = problem.model, problem.zones[0].stack
    abd = curved_laminate(stack.z_edges, stack.plies, model.natural)
    held = pressed(problem, 0.12)
    bent = state_at(model, rest_state(model), 0.12)
    for strains in (held.strains, state_strains(model, bent)):
        v = strains.v
        free = np.einsum("gij,gj->gi", model.recovery, v)
        k_q = v[:, 2] - model.natural[:, 1] * free[:, 0]
        full = np.stack([v[:, 0], free[:, 0], free[:, 1], v[:, 1], k_q, 0.0 * v[:, 0]], axis=1)
        force = np.einsum("gi,gij->gj", full, abd)
        # what does work on e_q while the section's turn stays: force across less its moment's part
        force[:, 1] -= model.natural[:, 1] * force[:, 4]
        scale = np.abs(force[:, 0]).max() + np.abs(abd[0]).max() * np.abs(v).max()
        np.testing.assert_allclose(force[:, 1:3], 0.0, atol=1e-9 * scale)
        axial = model.weights @ (
            force[:, 0] * strains.lam / model.lam0**2 - _bending_pull(model, strains, force)
        )
        assert abs(axial) < 1e-8 * scale * problem.width


def _bending_pull(model, strains, force):
    """Share of the axial force from the moments: d(k_s)/d(stretch) M_s."""
    curvature_cos = -strains.v[:, 1] * model.lam0**2 + model.bend0  # lam w cos(phi)
    return curvature_cos / strains.lam / model.lam0**2 * force[:, 3]


def test_pressed_energy_is_a_minimum_over_the_stretch():
    held, model = pressed(LAYERED, 0.1), LAYERED.model
    flat = np.zeros_like(model.q)
    for stretch in (held.stretch - 1e-3, held.stretch + 1e-3):
        assert model.energy(model.strains(flat, -model.angle_q, stretch, 0.1)) > held.energy


def test_free_edges_cost_less_than_pressing_flat():
    model = TAPE.model
    for curvature in (-0.1, 0.05, 0.2):
        assert state_at(model, rest_state(model), curvature).energy < pressed(TAPE, curvature).energy


def test_coil_strain_starts_from_any_state_of_the_branch():
    curve = moment_curve(TAPE)
    one = coil_strain(TAPE, 12.0)
    other = coil_strain(TAPE, 12.0, start=curve.loading.nearest(1.0 / 12.0))
    assert largest_share(one).share == pytest.approx(largest_share(other).share, rel=1e-7)
    assert largest_share(one).share > 0.05 / 12.0 / 0.007
    with pytest.raises(InputError, match=r"radius .*> 0 mm.* 0"):
        coil_strain(TAPE, 0.0)


def test_every_face_of_every_layer_is_listed_and_empty_layers_are_not():
    faces = flattening_strain(LAYERED)
    assert [(f.layer, f.face) for f in faces] == [(0, "away"), (0, "axle"), (1, "away"), (1, "axle")]
    gap = arc(9.0, 12.0, Stack(np.array([-0.5, 0.1, 0.3]), (SOFT, None), (0.0, 0.0)))
    assert {f.layer for f in flattening_strain(gap)} == {0}


def test_opening_of_an_arc_is_chord_and_rise():
    chord, depth = opening(TAPE, rest_state(TAPE.model))
    half = 0.5 * 23.56 / 15.0
    assert chord == pytest.approx(2 * 15.0 * math.sin(half), rel=1e-10)
    assert depth == pytest.approx(15.0 * (1 - math.cos(half)), rel=1e-10)


def test_own_coil_carries_no_moment_and_is_stable():
    angles = tuple(math.radians(a) for a in (45, -45, 45, -45))
    problem = arc(25.0, 78.0, Stack(0.21 * np.arange(-2.0, 3.0), (PLY,) * 4, angles))
    curve = moment_curve(problem)
    state = coiled_state(curve, 1)
    assert state.moment == pytest.approx(0.0, abs=1e-6 * np.abs(curve.loading.moment).max())
    assert state.slope > 0.0
    assert state.energy > 0.0
    assert coiled_state(curve, -1) is None


def test_bistability_of_a_cross_ply_without_poisson_coupling_is_infinite():
    plain = Material("plain", 1000.0, 1000.0, 0.0, 500.0, 1e-9, 0.01)
    found = bistability(laminate([-0.5, 0.5], [plain.plane_stress()]))
    assert found.coil_ratio == math.inf
    assert found.measure == -math.inf


def test_curved_bar_stresses_balance_and_carry_the_moment():
    bar, radius, t = curved_bar(3.0, 1.0), 3.0, 1.0
    rho = np.linspace(radius - t / 2, radius + t / 2, 20001)
    stress = (bar.neutral_radius - rho) / (t * bar.offset * rho)  # unit moment and width
    force, moment = (
        np.sum(0.5 * (f[1:] + f[:-1])) * (rho[1] - rho[0]) for f in (stress, stress * (radius - rho))
    )
    assert force == pytest.approx(0.0, abs=1e-7)
    assert moment == pytest.approx(1.0, rel=1e-6)
    assert stress[0] == pytest.approx(6.0 / t**2 * bar.inner)
    assert stress[-1] == pytest.approx(-6.0 / t**2 * bar.outer)
    with pytest.raises(InputError, match=r"radius .*thickness"):
        curved_bar(0.4, 1.0)


@pytest.mark.parametrize("radius", [1.5, -1.5, 4.0])
def test_a_layered_bend_against_an_integral_along_its_fibres(radius):
    edges, young = (-0.5, 0.1, 0.5), (1000.0, 60.0)  # no lateral contraction: the section stays flat
    bar = Bar(edges, young, 1.0 / radius)
    layers = tuple(Material.isotropic(f"of {e:g}", e, 0.0, 1e-9, 1.0) for e in young)
    problem = SectionProblem(
        (SectionZone(-1.0, 1.0, Stack(np.array(edges), layers, (0.0, 0.0))),),
        lambda q: (0.0 * q, 0.0 * q),
        1.0 / radius,
    )
    rest = rest_state(problem.model)
    assert rest.slope == pytest.approx(2.0 * bar.stiffness(), rel=1e-6)
    change = 1e-5
    bent = state_at(problem.model, rest, 1.0 / radius + change)
    faces = layer_strains(problem, state_strains(problem.model, bent))
    heights = [edges[face.layer + (face.face == "axle")] for face in faces]
    assert [face.along for face in faces] == pytest.approx([bar.strain(change, z) for z in heights], rel=1e-4)


def test_a_bend_that_is_straightened_strains_its_fibres_over_their_own_length():
    # products of strains are left out: a third of the square of the strain; thin layers miss all of it
    radius = 20.0
    bar = Bar((-0.5, 0.5), (1000.0,), 1.0 / radius)
    plain = Material.isotropic("plain", 1000.0, 0.0, 1e-9, 1.0)
    problem = SectionProblem(
        (SectionZone(-1.0, 1.0, Stack(np.array([-0.5, 0.5]), (plain,), (0.0,))),),
        lambda q: (0.0 * q, 0.0 * q),
        1.0 / radius,
    )
    straight = pressed(problem, 0.0)
    # Winkler's E A e R; the energy left out is (t / 2R)^2
    exact = 0.5 * 1000.0 * 2.0 * curved_bar(radius, 1.0).offset / radius
    assert straight.energy == pytest.approx(exact * (1.0 - 0.25 / radius**2), rel=2e-5)
    faces = {face.face: face.along for face in layer_strains(problem, straight.strains)}
    for face, z in (("axle", 0.5), ("away", -0.5)):
        exact = bar.strain(-1.0 / radius, z)
        assert faces[face] == pytest.approx(exact, abs=0.4 * exact**2)
    assert faces["axle"] > 0.5 / radius > abs(faces["away"])
