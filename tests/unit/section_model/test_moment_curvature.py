"""Moment curves: consistency with the energy, convergence, frame, snaps."""

import numpy as np
import pytest

from fem.design.layup import Stack
from fem.design.material import Material
from fem.section_model.fold_model import SectionProblem, SectionZone
from fem.section_model.moment_curvature import ladder, moment_curve, rest_state, state_at

STEEL = Material.isotropic("steel", 210000.0, 0.3, 7.85e-9, 0.007)
SOFT = Material.isotropic("soft", 80.0, 0.45, 1.2e-9, 0.1)
HARD = Material.isotropic("hard", 2900.0, 0.34, 1.2e-9, 0.02)
CARD = Material.isotropic("card", 1000.0, 0.3, 1e-9, 0.02)


def one_layer(material, thickness):
    return Stack(np.array([-0.5, 0.5]) * thickness, (material,), (0.0,))


def arc(radius, width, layers, rest=0.0, modes=22):
    return SectionProblem(
        (SectionZone(-0.5 * width, 0.5 * width, layers),),
        lambda q: (q / radius, np.full_like(q, 1.0 / radius)),
        rest,
        modes,
    )


def spine(modes=22, reach=2.0):
    """Soft strip with a hard layer over part of the width, in a bend."""
    soft = Stack(np.array([-0.5, -0.1, 0.1, 0.5]), (SOFT, SOFT, SOFT), (0.0, 0.0, 0.0))
    hard = Stack(soft.z_edges, (SOFT, HARD, SOFT), soft.angles)
    zones = (SectionZone(-6.0, -reach, soft), SectionZone(-reach, 2.0, hard), SectionZone(2.0, 6.0, soft))
    return SectionProblem(zones, lambda q: (q / 9.0, np.full_like(q, 1.0 / 9.0)), 0.05, modes)


TAPE = arc(15.0, 23.56, one_layer(STEEL, 0.1))
TAPE_CURVE = moment_curve(TAPE)
SNAPPY = arc(20.0, 101.0, one_layer(CARD, 0.76), rest=0.005)  # nearly closed and slightly bent: it jumps
SNAPPY_CURVE = moment_curve(SNAPPY)


def test_moment_is_the_slope_of_the_energy_along_the_branch_to_second_order():
    errors = []
    for n in (401, 801, 1601):
        curve = moment_curve(TAPE, np.linspace(-0.02, 0.02, n)).loading
        slope = (curve.energy[2:] - curve.energy[:-2]) / (curve.curvature[2:] - curve.curvature[:-2])
        errors.append(np.abs(slope - curve.moment[1:-1]).max() / np.abs(curve.moment).max())
    assert errors[1] / errors[2] > 3.5
    assert errors[2] < 1e-3


@pytest.mark.parametrize("curvature", [-0.05, -0.0006, 0.0009, 0.08])
def test_moment_and_slope_by_small_steps(curvature):
    start = TAPE_CURVE.loading.nearest(curvature)
    h = 1e-4 * abs(curvature)
    low, at, high = (state_at(TAPE.model, start, curvature + i * h) for i in (-1, 0, 1))
    assert (high.energy - low.energy) / (2 * h) == pytest.approx(at.moment, rel=1e-5)
    assert (high.moment - low.moment) / (2 * h) == pytest.approx(at.slope, rel=1e-5)


def test_every_state_is_stationary_and_stable():
    for curve in (TAPE_CURVE, SNAPPY_CURVE):
        scale = np.abs(curve.loading.energy).max()
        for state in curve.loading.states[::5]:
            gradient, hessian, *_ = curve.model.derivatives(state.x, state.curvature)
            assert np.linalg.eigvalsh(hessian).min() > 0.0
            assert 0.5 * gradient @ np.linalg.solve(hessian, gradient) < 1e-10 * scale


def test_rest_is_unbent_and_its_slope_is_the_initial_stiffness():
    state = rest_state(SNAPPY.model)
    assert state.curvature == SNAPPY.rest_curvature
    assert state.moment == pytest.approx(0.0, abs=1e-9)
    assert SNAPPY_CURVE.initial_stiffness == pytest.approx(state.slope)
    assert SNAPPY_CURVE.loading.states[SNAPPY_CURVE.rest_index].energy == pytest.approx(0.0, abs=1e-15)


def test_flat_strip_is_a_beam():
    width, t = 2.0, 0.5
    flat = SectionProblem(
        (SectionZone(-0.5 * width, 0.5 * width, one_layer(STEEL, t)),),
        lambda q: (np.zeros_like(q), np.zeros_like(q)),
    )
    curve = moment_curve(flat, np.array([-1e-4, 1e-4]))
    assert curve.initial_stiffness == pytest.approx(210000.0 * width * t**3 / 12.0, rel=1e-6)
    assert curve.loading.moment[-1] == pytest.approx(1e-4 * curve.initial_stiffness, rel=1e-5)


@pytest.mark.parametrize("make", [lambda n: arc(15.0, 23.56, one_layer(STEEL, 0.1), modes=n),
                                  spine, lambda n: spine(n, reach=3.0)],
                         ids=["tape", "spine", "one-sided spine"])  # fmt: skip
def test_error_falls_exponentially_with_the_number_of_polynomials(make):
    kappas = np.array([-0.3, -0.1, -0.03, 0.08, 0.1, 0.3])
    fine = moment_curve(make(44), kappas).loading.moment
    errors = [
        np.abs(moment_curve(make(n), kappas).loading.moment - fine).max() / np.abs(fine).max()
        for n in (8, 14, 22)
    ]
    assert errors[1] < 0.2 * errors[0]
    assert errors[2] < max(0.2 * errors[1], 1e-9)
    assert errors[2] < 1e-6


def test_where_zero_of_q_lies_does_not_matter():
    layers = one_layer(STEEL, 0.1)
    shifted = SectionProblem(
        (SectionZone(-8.0, 15.56, layers),), lambda q: ((q - 3.78) / 15.0, np.full_like(q, 1 / 15.0))
    )
    kappas = np.array([-0.06, -0.002, 0.002, 0.06])
    one, other = moment_curve(TAPE, kappas), moment_curve(shifted, kappas)
    np.testing.assert_allclose(other.loading.moment, one.loading.moment, rtol=1e-6, atol=1e-6)


def test_turned_over_strip_has_the_opposite_curve():
    other = moment_curve(arc(-15.0, 23.56, one_layer(STEEL, 0.1)), -TAPE_CURVE.loading.curvature)
    np.testing.assert_allclose(other.loading.moment[::-1], -TAPE_CURVE.loading.moment, rtol=1e-7, atol=1e-7)


def test_a_snap_leaves_two_branches_that_differ_only_between_the_jumps():
    loading, returning = SNAPPY_CURVE.loading, SNAPPY_CURVE.returning
    away, home = loading.curvature[loading.snapped > 0], returning.curvature[returning.snapped > 0]
    assert away.size == 1
    assert home.size == 1
    assert home[0] < away[0]
    between = (loading.curvature > home[0]) & (loading.curvature < away[0])
    outside = (loading.curvature > away[0]) | (loading.curvature < home[0])
    assert np.all(np.abs(loading.moment - returning.moment)[between] > 1e-3)
    np.testing.assert_allclose(loading.energy[outside], returning.energy[outside], rtol=1e-8, atol=1e-12)


def test_a_snap_loses_energy_and_the_stable_branch_is_the_lower():
    loading = SNAPPY_CURVE.loading
    i = int(np.flatnonzero(loading.snapped)[0])
    before, after = loading.states[i - 1], loading.states[i]
    step = after.curvature - before.curvature
    assert after.energy < before.energy + before.moment * step
    lower = np.minimum(loading.energy, SNAPPY_CURVE.returning.energy)
    np.testing.assert_array_equal(SNAPPY_CURVE.stable.energy, lower)


def test_ladder_holds_rest_and_reaches_what_is_asked():
    kappas = ladder(TAPE, reach=0.5, count=10)
    assert kappas.size == 21
    assert kappas[10] == 0.0
    assert kappas[-1] == pytest.approx(0.5)
    bent = ladder(SNAPPY)
    assert np.min(np.abs(bent)) == 0.0
    assert np.min(np.abs(bent - SNAPPY.rest_curvature)) < 1e-12
    assert np.all(np.diff(bent) > 0.0)
