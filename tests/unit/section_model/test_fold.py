"""Folds: the peak, Maxwell's construction, the sense."""

import numpy as np
import pytest

from fem.design.layup import Stack
from fem.design.material import Material
from fem.section_model.fold import fold, steady_fold
from fem.section_model.fold_model import SectionProblem, SectionZone
from fem.section_model.moment_curvature import moment_curve, rest_state, state_at

STEEL = Material.isotropic("steel", 210000.0, 0.3, 7.85e-9, 0.007)
HARD = Material.isotropic("hard", 2900.0, 0.34, 1.2e-9, 0.02)
CARD = Material.isotropic("card", 1000.0, 0.3, 1e-9, 0.02)


def one_layer(material, thickness):
    return Stack(np.array([-0.5, 0.5]) * thickness, (material,), (0.0,))


def arc(radius, width, layers, rest=0.0):
    return SectionProblem(
        (SectionZone(-0.5 * width, 0.5 * width, layers),),
        lambda q: (q / radius, np.full_like(q, 1.0 / radius)),
        rest,
    )


TAPE = arc(15.0, 23.56, one_layer(STEEL, 0.1))
TAPE_CURVE = moment_curve(TAPE)
SNAPPY = arc(20.0, 101.0, one_layer(CARD, 0.74), rest=0.005)  # nearly closed and slightly bent: it jumps
SNAPPY_CURVE = moment_curve(SNAPPY)


def test_peak_is_the_largest_moment_of_a_fine_curve():
    for direction in (1, -1):
        found = fold(TAPE_CURVE, direction)
        fine = moment_curve(TAPE, found.peak_curvature * np.linspace(0.97, 1.03, 301))
        assert found.peak_moment == pytest.approx(np.max(fine.loading.moment * direction), rel=1e-8)
        assert found.peak_moment >= np.max(fine.loading.moment * direction) * (1 - 1e-12)


def test_names_of_the_senses():
    assert [fold(TAPE_CURVE, direction).sense for direction in (1, -1)] == ["equal", "opposite"]


@pytest.mark.parametrize("direction", [1, -1])
def test_common_tangent_has_equal_moments_and_equal_areas(direction):
    found = steady_fold(TAPE_CURVE, direction)
    rest = rest_state(TAPE.model)
    near = state_at(TAPE.model, rest, found.straight_curvature)
    far = state_at(TAPE.model, TAPE_CURVE.loading.nearest(found.fold_curvature), found.fold_curvature)
    assert near.moment * direction == pytest.approx(found.moment, rel=1e-8)
    assert far.moment * direction == pytest.approx(found.moment, rel=1e-8)
    dense = np.sort(np.geomspace(abs(found.straight_curvature), abs(found.fold_curvature), 1500) * direction)
    states = moment_curve(TAPE, dense).outward(direction)
    k, moment = states.curvature[1:] * direction, states.moment[1:] * direction
    excess = np.sum(0.5 * (moment[1:] + moment[:-1] - 2 * found.moment) * np.diff(k))
    assert abs(excess) < 1e-4 * found.moment * (k[-1] - k[0])


def test_rigid_straight_part_uses_energy_equal_to_moment_times_curvature():
    found = fold(TAPE_CURVE, -1).steady_rigid
    far = state_at(TAPE.model, TAPE_CURVE.loading.nearest(found.fold_curvature), found.fold_curvature)
    assert found.straight_curvature == 0.0
    assert far.energy == pytest.approx(found.moment * abs(found.fold_curvature), rel=1e-9)


def test_a_shallow_fall_has_its_tangent_away_from_rest():
    """Thick wall, opposite sense: the straight part is bent far from rest, so no tangent leaves from rest."""
    curve = moment_curve(arc(9.0, 12.0, one_layer(HARD, 0.6)))
    found = fold(curve, -1)
    assert np.isnan(found.steady_rigid.moment)
    assert abs(found.steady.straight_curvature) > 0.3 * abs(found.peak_curvature)
    assert found.valley_moment < found.steady.moment < found.peak_moment


def test_a_curve_that_ends_too_early_has_no_steady_fold():
    found = fold(moment_curve(TAPE, np.linspace(0.0, 0.003, 40)), 1)
    assert found.peak_moment > 300.0
    assert np.isnan(found.steady.moment)
    assert np.isnan(found.fold_radius)


def test_no_state_before_the_snap_has_more_than_the_peak():
    found, away = fold(SNAPPY_CURVE, 1), SNAPPY_CURVE.outward(1)
    assert found.snaps
    assert found.peak_moment >= away.moment[: int(np.flatnonzero(away.snapped)[0])].max()


def test_peak_of_a_branch_that_ends_where_the_moment_rises():
    plain = Material.isotropic("plain", 1000.0, 0.0, 1e-9, 0.02)
    problem = arc(20.0, 92.0, one_layer(plain, 0.74), rest=0.005)
    curve = moment_curve(problem)
    away, found = curve.outward(1), fold(curve, 1)
    jump = int(np.flatnonzero(away.snapped)[0])
    assert np.all(np.diff(away.moment[:jump]) > 0.0)
    fine = moment_curve(problem, np.linspace(away.curvature[jump - 1], away.curvature[jump], 101)).outward(1)
    before = fine.moment[: int(np.flatnonzero(fine.snapped)[0])]
    assert before.max() * (1 - 1e-9) <= found.peak_moment < 1.02 * before.max()


def test_a_flat_strip_never_folds():
    flat = SectionProblem(
        (SectionZone(-6.0, 6.0, one_layer(STEEL, 0.5)),), lambda q: (np.zeros_like(q), np.zeros_like(q))
    )
    assert fold(moment_curve(flat), 1) is None
    assert fold(moment_curve(flat), -1) is None
