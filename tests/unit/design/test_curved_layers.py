"""Layers curved by nature: strain of real offset surfaces, stiffness by integrals of their own, Winkler."""

from __future__ import annotations

import math

import numpy as np
import pytest
from thick_bends import Bar

from fem.core.errors import InputError
from fem.core.term import Array
from fem.design.curved_layers import curved_laminate, strain_at, strain_factors, with_turn_across
from fem.design.material import Material, condense, laminate

STEEL = Material.isotropic("steel", 210000.0, 0.3, 7.85e-9, 0.007)
SOFT = Material.isotropic("soft", 80.0, 0.45, 1.2e-9, 0.3)
PLY = Material("ply", 20000.0, 2000.0, 0.3, 900.0, 1.5e-9, 0.01)
EDGES = np.array([-0.5, -0.1, 0.2, 0.5])
PLIES = np.array([STEEL.plane_stress(), PLY.plane_stress(0.4), SOFT.plane_stress()])


def test_a_flat_sheet_has_the_digits_of_the_flat_laminate() -> None:
    flat = laminate(EDGES, PLIES).abd
    both = curved_laminate(EDGES, PLIES, np.array([[0.0, 0.0], [0.2, 0.0], [0.0, -0.1]]))
    assert np.array_equal(both[0], flat)
    assert not np.allclose(both[1], flat, rtol=1e-3)
    strains = np.random.default_rng(0).normal(size=(4, 6))
    assert np.array_equal(strain_at(strains, np.zeros((4, 2)), 0.3), strains[:, :3] + 0.3 * strains[:, 3:])
    assert np.array_equal(with_turn_across(flat, np.zeros(())), flat)


# ---- against the geometry ------------------------------------------------------------------------

ALONG, ACROSS = 3.0, -4.0  # radii of a barrel, centres of both curvatures on different sides
STEP = 2e-3


def _barrel(s: float, q: float) -> Array:
    """A surface whose curvatures at s = q = 0 are 1 / ALONG and 1 / ACROSS, lines of curvature s and q, with
    lengths of one there; the normal is +y.
    """
    angle, turn = q / ACROSS, s / ALONG
    height, side = ACROSS * (1.0 - math.cos(angle)), ACROSS * math.sin(angle)
    reach = ALONG - height
    return np.array([reach * math.sin(turn), ALONG - reach * math.cos(turn), side])


def _moved(s: float, q: float, size: float) -> Array:
    """The barrel after a small smooth move, the same for every size but for its amplitude."""
    move = np.array(
        [
            0.3 * s + 0.2 * q + 0.1 * s * q,
            0.2 * s * s - 0.3 * q * q + 0.25 * s * q + 0.1 * s,
            -0.2 * q + 0.15 * s,
        ]
    )
    return _barrel(s, q) + size * move


def _derivatives(size: float, s: float, q: float) -> tuple[Array, Array]:
    h = STEP
    along = (_moved(s + h, q, size) - _moved(s - h, q, size)) / (2 * h)
    across = (_moved(s, q + h, size) - _moved(s, q - h, size)) / (2 * h)
    return along, across


def _offset(size: float, s: float, q: float, z: float) -> Array:
    """A point at height z over the surface."""
    along, across = _derivatives(size, s, q)
    normal = np.cross(across, along)
    return np.asarray(_moved(s, q, size) + z * normal / np.linalg.norm(normal))


def _metric(size: float, z: float) -> Array:
    """First form (11, 22, 12) of the surface at height z."""
    h = STEP
    along = (_offset(size, h, 0.0, z) - _offset(size, -h, 0.0, z)) / (2 * h)
    across = (_offset(size, 0.0, h, z) - _offset(size, 0.0, -h, z)) / (2 * h)
    return np.array([along @ along, across @ across, along @ across])


def _second_form(size: float) -> Array:
    """Second form (11, 22, 12), > 0 where the centre lies along the normal."""
    h = STEP
    along, across = _derivatives(size, 0.0, 0.0)
    normal = np.cross(across, along)
    normal /= np.linalg.norm(normal)
    middle = _moved(0.0, 0.0, size)
    ss = (_moved(h, 0.0, size) + _moved(-h, 0.0, size) - 2 * middle) / h**2
    qq = (_moved(0.0, h, size) + _moved(0.0, -h, size) - 2 * middle) / h**2
    sq = (_derivatives(size, 0.0, h)[0] - _derivatives(size, 0.0, -h)[0]) / (2 * h)
    return np.array([ss @ normal, qq @ normal, sq @ normal])


@pytest.mark.parametrize("z", [-0.9, -0.3, 0.5, 1.0])
def test_strain_at_a_height_is_that_of_the_offset_surface(z: float) -> None:
    size, twice = 1e-5, np.array([1.0, 1.0, 2.0])
    assert _second_form(0.0)[:2] == pytest.approx([1.0 / ALONG, 1.0 / ACROSS], rel=1e-5)

    def rate(what) -> Array:
        return (what(size) - what(-size)) / (2 * size)

    middle = np.concatenate([0.5 * twice * rate(lambda a: _metric(a, 0.0)), -twice * rate(_second_form)])
    along, across = 1.0 - z / ALONG, 1.0 - z / ACROSS  # lengths at the height
    lengths = np.array([along**2, across**2, along * across])
    real = 0.5 * twice * rate(lambda a: _metric(a, z)) / lengths
    found = strain_at(middle, np.array([1.0 / ALONG, 1.0 / ACROSS]), z)
    assert found == pytest.approx(real, abs=2e-5 * np.abs(real).max())
    plain = middle[:3] + z * middle[3:]
    assert np.abs(plain - real).max() > 0.02 * np.abs(real).max()


def test_factors_say_what_strain_at_says() -> None:
    rng = np.random.default_rng(2)
    strains, curvature, z = rng.normal(size=(5, 6)), 0.3 * rng.normal(size=(5, 2)), 0.4 * rng.normal(size=5)
    factors, volume = strain_factors(curvature, z)
    scaled = factors * strains
    assert scaled[:, :3] + scaled[:, 3:] == pytest.approx(strain_at(strains, curvature, z))
    assert volume == pytest.approx((1.0 - z * curvature[:, 0]) * (1.0 - z * curvature[:, 1]))


# ---- stiffness -----------------------------------------------------------------------------------


def test_energy_is_the_integral_of_its_density_over_the_volume() -> None:
    curvature, strains = np.array([0.4, -0.2]), np.random.default_rng(1).normal(size=6)
    energy = 0.0
    for low, high, ply in zip(EDGES[:-1], EDGES[1:], PLIES, strict=True):
        cuts = np.linspace(low, high, 4001)
        z = 0.5 * (cuts[1:] + cuts[:-1])
        strain = strain_at(np.broadcast_to(strains, (len(z), 6)), curvature, z)
        volume = (1.0 - z * curvature[0]) * (1.0 - z * curvature[1]) * (cuts[1] - cuts[0])
        energy += float(0.5 * np.einsum("zi,ij,zj,z->", strain, ply, strain, volume))
    found = curved_laminate(EDGES, PLIES, curvature)
    assert 0.5 * strains @ found @ strains == pytest.approx(energy, rel=1e-7)
    assert np.allclose(found, found.T, rtol=1e-12)
    assert np.linalg.eigvalsh(found).min() > 0.0


def _bar_stiffness(edges: Array, young: list[float], radius: float) -> float:
    """Moment per width and change of the turn of a bar (nu 0), no axial force: what the laminate gives."""
    plies = [Material.isotropic("bar", e, 0.0, 1e-9, 1.0).plane_stress() for e in young]
    abd = curved_laminate(edges, plies, np.array([1.0 / radius, 0.0]))[np.ix_((0, 3), (0, 3))]
    turn = np.array([[1.0, 0.0], [-1.0 / radius, 1.0]])  # k = -d(turn) - K e
    return float(condense(turn.T @ abd @ turn, (1,))[0, 0])


@pytest.mark.parametrize("ratio", [0.8, 1.5, 2.5, 5.5])
def test_one_layer_is_winklers_curved_bar(ratio: float) -> None:
    # E A e R, e = R - t / ln(ro / ri) (Timoshenko, Strength of Materials II, from memory)
    offset = ratio - 1.0 / math.log((ratio + 0.5) / (ratio - 0.5))
    found = _bar_stiffness(np.array([-0.5, 0.5]), [1000.0], ratio)
    assert found == pytest.approx(1000.0 * offset * ratio, rel=1e-10 if ratio > 1.0 else 2e-5)


def test_the_error_left_without_it_is_of_second_order() -> None:
    # (R / t)^2 (E A e R / E I - 1) tends to 1/15, from the series of the logarithm
    found = [100.0**n * (12.0 * _bar_stiffness(np.array([-0.5, 0.5]), [1.0], 10.0**n) - 1.0) for n in (1, 2)]
    assert found == pytest.approx([1.0 / 15.0, 1.0 / 15.0], rel=2e-3)


@pytest.mark.parametrize("radius", [1.2, -1.2, 3.0, -20.0])
def test_layers_of_a_bend_against_an_integral_along_its_fibres(radius: float) -> None:
    edges, young = (-0.5, -0.2, 0.1, 0.5), [2000.0, 40.0, 600.0]
    exact = Bar(edges, tuple(young), 1.0 / radius).stiffness()
    assert _bar_stiffness(np.array(edges), young, radius) == pytest.approx(exact, rel=1e-6)
    flat = laminate(edges, [np.diag([e, e, 0.5 * e]) for e in young])
    thin = float(flat.reduced()[0, 0])
    assert abs(thin / exact - 1.0) > 1e-3


def test_turn_across_in_place_of_the_surfaces_curvature() -> None:
    curvature = np.array([0.1, 0.3])
    abd = curved_laminate(EDGES, PLIES, curvature)
    strains = np.random.default_rng(3).normal(size=6)
    own = strains.copy()
    own[4] -= 0.3 * strains[1]  # k_q = turn - K_q e_q
    assert strains @ with_turn_across(abd, np.array(0.3)) @ strains == pytest.approx(own @ abd @ own)


def test_a_sheet_that_reaches_its_centre_of_curvature_is_refused() -> None:
    for curvature in ([2.0, 0.0], [0.0, -2.5]):
        with pytest.raises(InputError, match=r"radius of 0\.[45].*\(1 mm\).*; make"):
            curved_laminate(EDGES, PLIES, np.array([curvature]))
    off_centre = curved_laminate([-0.5, 0.1], PLIES[:1], np.array([2.5, 0.0]))
    assert np.all(np.isfinite(off_centre))
