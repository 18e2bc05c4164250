"""Plane-stress laws, laminates and the library."""

import math

import numpy as np
import pytest

from fem.core.errors import InputError
from fem.design.material import (
    LIBRARY,
    Material,
    condense,
    free_shape,
    known,
    laminate,
    rod_reduced,
    shore_modulus,
)

PLY = Material("ply", 40000.0, 8000.0, 0.3, 3500.0, 1.8e-9, 0.02, strain_limit_2=0.005)
STEEL = Material.isotropic("steel", 210000.0, 0.3, 7.85e-9, 0.007)


def _turned_stress(stress, angle):
    """Stress (s, q, sq) of a tensor given in axes turned by `angle` from s toward q."""
    c, s = math.cos(angle), math.sin(angle)
    turn = np.array([[c, -s], [s, c]])
    full = turn @ np.array([[stress[0], stress[2]], [stress[2], stress[1]]]) @ turn.T
    return np.array([full[0, 0], full[1, 1], full[0, 1]])


@pytest.mark.parametrize("angle", [0.0, 0.3, -1.1, math.pi / 2])
def test_plane_stress_turns_like_a_tensor(angle):
    strain = np.array([0.001, -0.0004, 0.0007])
    c, s = math.cos(angle), math.sin(angle)
    turn = np.array([[c, -s], [s, c]])
    full = turn.T @ np.array([[strain[0], strain[2] / 2], [strain[2] / 2, strain[1]]]) @ turn
    own = np.array([full[0, 0], full[1, 1], 2 * full[0, 1]])
    expected = _turned_stress(PLY.plane_stress() @ own, angle)
    np.testing.assert_allclose(PLY.plane_stress(angle) @ strain, expected, rtol=1e-12)


def test_uniaxial_stress_gives_young_and_poisson():
    strain = np.linalg.solve(PLY.plane_stress(), [10.0, 0.0, 0.0])
    np.testing.assert_allclose(strain, [10.0 / 40000.0, -0.3 * 10.0 / 40000.0, 0.0], atol=1e-18)


def test_isotropic_does_not_care_about_the_angle():
    np.testing.assert_allclose(STEEL.plane_stress(0.7), STEEL.plane_stress(), atol=1e-9)
    assert STEEL.is_isotropic
    assert not PLY.is_isotropic


def test_homogeneous_laminate_is_a_plate():
    t, plate = 0.4, STEEL.plane_stress()
    layers = laminate([-t / 2, -0.05, 0.1, t / 2], [plate] * 3)
    np.testing.assert_allclose(layers.A, plate * t, atol=1e-9)
    np.testing.assert_allclose(layers.B, 0.0, atol=1e-9)
    np.testing.assert_allclose(layers.D, plate * t**3 / 12, atol=1e-9)


def test_laminate_energy_is_the_sum_through_the_thickness():
    z, angles = np.array([-0.5, -0.1, 0.4]), (0.4, -0.9)
    plies = [PLY.plane_stress(angle) for angle in angles]
    strain, bend = np.array([1e-3, 2e-3, -1e-3]), np.array([3e-3, -1e-3, 2e-3])
    points, weights = np.polynomial.legendre.leggauss(4)
    energy = 0.0
    for low, high, ply in zip(z, z[1:], plies, strict=False):
        for point, weight in zip(points, weights, strict=True):
            here = strain + (0.5 * (low + high) + 0.5 * (high - low) * point) * bend
            energy += 0.25 * (high - low) * weight * here @ ply @ here
    both = np.concatenate([strain, bend])
    assert 0.5 * both @ laminate(z, plies).abd @ both == pytest.approx(energy, rel=1e-12)


def test_reduced_bending_stiffness_has_no_membrane_force():
    layers = laminate([-0.5, 0.0, 0.5], [PLY.plane_stress(0.5), STEEL.plane_stress()])
    bend = np.array([1e-3, 2e-3, 3e-3])
    strain = -np.linalg.solve(layers.A, layers.B @ bend)
    np.testing.assert_allclose(layers.A @ strain + layers.B @ bend, 0.0, atol=1e-9)
    np.testing.assert_allclose(layers.reduced() @ bend, layers.B @ strain + layers.D @ bend, rtol=1e-12)
    np.testing.assert_allclose(condense(layers.abd, (3, 4, 5)), layers.reduced(), rtol=1e-10)


def test_rod_stiffness_leaves_no_force_across_and_stays_positive():
    abd = laminate([-0.5, 0.0, 0.5], [PLY.plane_stress(0.5), STEEL.plane_stress()]).abd
    kept = rod_reduced(np.array([abd, 2 * abd]))
    assert kept.shape == (2, 5, 5)
    np.testing.assert_allclose(kept[1], 2 * kept[0])
    given = np.array([1e-3, 2e-3, 1e-3, -1e-3, 5e-4])
    across = -(abd[1, [0, 2, 3, 4, 5]] @ given) / abd[1, 1]
    full = np.insert(given, 1, across)
    np.testing.assert_allclose(kept[0] @ given, (abd @ full)[[0, 2, 3, 4, 5]], rtol=1e-10)
    assert np.linalg.eigvalsh(kept[0]).min() > 0.0


def test_free_shape_of_equal_strains_is_a_plain_stretch():
    strain = np.array([2e-3, 1e-3, 0.0])
    stretch, bend = free_shape(
        [0.0, 0.3, 1.0], [STEEL.plane_stress(), PLY.plane_stress(0.3)], [strain, strain]
    )
    np.testing.assert_allclose(stretch, strain, atol=1e-15)
    np.testing.assert_allclose(bend, 0.0, atol=1e-15)


def test_strain_share_principal_for_isotropic_own_axes_for_a_ply():
    shear = np.array([[0.0, 0.0, 0.007]])
    np.testing.assert_allclose(STEEL.strain_share(shear), 0.5)
    pure = np.array([0.002, 0.0, 0.0])
    assert PLY.strain_share(pure) == pytest.approx(0.1)
    assert PLY.strain_share(pure, math.pi / 2) == pytest.approx(0.4)


def test_impossible_materials_are_refused_with_all_reasons():
    with pytest.raises(InputError, match=r"young_1 .*-1.*density .*nan"):
        Material("odd", -1.0, 1.0, 0.3, 1.0, math.nan, 0.01)
    with pytest.raises(InputError, match=r"poisson_12 .*young_1/young_2 = 0\.1"):
        Material("odd", 1.0, 10.0, 0.5, 1.0, 1e-9, 0.01)
    with pytest.raises(InputError, match=r"poisson .*\(-1, 0\.5\].*0\.6"):
        Material.isotropic("odd", 1.0, 0.6, 1e-9, 0.01)


def test_laminate_needs_one_stiffness_between_two_heights():
    with pytest.raises(InputError, match=r"3 .*2 "):
        laminate([0.0, 0.1, 0.2], [STEEL.plane_stress()])


@pytest.mark.parametrize("material", LIBRARY, ids=lambda m: m.name)
def test_library_values_have_source_and_spread_that_holds_them(material):
    assert {"young_1", "poisson_12", "density", "strain_limit", "friction"} <= {
        f.quantity for f in material.facts
    }
    for fact in material.facts:
        assert getattr(material, fact.quantity) == fact.value
        assert fact.low <= fact.value <= fact.high
        assert fact.source
    assert material.source
    assert material.caveat
    assert known(material.name) is material


def test_library_names_are_unique_and_unknown_names_list_them():
    assert len({m.name for m in LIBRARY}) == len(LIBRARY)
    with pytest.raises(InputError, match=r"felt.*tpu-85a"):
        known("felt")


def test_library_rubbers_lie_between_the_hardness_formulas():
    for name, hardness in (("tpu-85a", 85.0), ("tpu-90a", 90.0), ("tpu-95a", 95.0)):
        assert min(shore_modulus(hardness)) <= known(name).young_1 <= max(shore_modulus(hardness))
    assert known("tpu-70d").young_1 == pytest.approx(shore_modulus(70.0, "D")[1], rel=5e-3)


def test_shore_scale_is_a_or_d():
    assert math.isnan(shore_modulus(50.0, "D")[0])
    with pytest.raises(InputError, match=r"A or D.* C"):
        shore_modulus(50.0, "C")
