"""Strains and their variations against finite differences and against surfaces of known curvature."""

from __future__ import annotations

import numpy as np
import pytest

from fem.shell.kinematics import first_variation, frame, local_axes, rest_state, second_variation, strains

RNG = np.random.default_rng(4)
VECTORS = np.array([[1.0, 0.1, 0.2], [-0.1, 0.9, 0.3], [0.2, 0.1, 0.4], [0.0, -0.3, 0.5], [0.1, 0.2, -0.2]])
REST = np.array([1.1, 0.9, 0.05, 0.1, -0.2, 0.03])


def test_first_variation_by_finite_differences() -> None:
    variation, h = first_variation(frame(VECTORS)), 1e-6
    for a in range(5):
        for c in range(3):
            e = np.zeros((5, 3))
            e[a, c] = h
            slope = (strains(frame(VECTORS + e), REST) - strains(frame(VECTORS - e), REST)) / (2 * h)
            assert np.allclose(slope, variation[:, a, c], atol=1e-9)


def test_second_variation_by_finite_differences_and_symmetric() -> None:
    stress, h = RNG.standard_normal(6), 1e-6
    variation = second_variation(frame(VECTORS), stress)
    for a in range(5):
        for c in range(3):
            e = np.zeros((5, 3))
            e[a, c] = h
            ahead, behind = first_variation(frame(VECTORS + e)), first_variation(frame(VECTORS - e))
            slope = np.einsum("r,rbd->bd", stress, (ahead - behind) / (2 * h))
            assert np.allclose(slope, variation[:, :, a, c], atol=1e-8)
    flat = variation.reshape(15, 15)
    assert np.allclose(flat, flat.T, atol=1e-14)


def test_rigid_motion_strains_nothing() -> None:
    angle = 0.9
    spin = np.array([[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1.0]])
    rest = rest_state(frame(VECTORS))
    assert np.allclose(strains(frame(VECTORS @ spin.T), rest), 0.0, atol=1e-15)


def test_cylinder_of_radius_two_has_curvature_one_half() -> None:
    # x = (2 sin(p/2), p2, 2 cos(p/2)) at p = 0, outward normal a1 x a2 = +z there: b_11 = -1/2
    vectors = np.array([[1.0, 0, 0], [0, 1.0, 0], [0, 0, -0.5], [0, 0, 0], [0, 0, 0]])
    assert frame(vectors).b == pytest.approx([-0.5, 0.0, 0.0])


def test_local_axes_give_physical_strains_of_a_skew_frame() -> None:
    # the same small symmetric strain tensor seen through skew parameters
    vectors = np.zeros((5, 3))
    vectors[0], vectors[1] = [2.0, 0, 0], [0.7, 0.5, 0]
    tensor = np.array([[0.01, 0.004], [0.004, -0.02]])
    base = vectors[:2, :2]
    covariant = base @ tensor @ base.T
    parameters = np.array([covariant[0, 0], covariant[1, 1], 2 * covariant[0, 1]])
    assert local_axes(frame(vectors)) @ parameters == pytest.approx([0.01, -0.02, 0.008])
