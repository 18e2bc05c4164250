"""Layers with extents: hand sums of classical lamination, and the same answers in bulk as point by point.

One isotropic layer: A = E t / (1 - nu^2), D = E t^3 / (12 (1 - nu^2)) (Timoshenko and Woinowsky-Krieger,
Theory of Plates and Shells, eq. 3, from memory). A layer off the mid-plane: parallel-axis rule.
"""

from __future__ import annotations

import numpy as np
import pytest

from fem.design.layup import Layer, Layup
from fem.design.material import Material

SOFT = Material.isotropic("soft", 80.0, 0.45, 1.2e-9, 0.1)
STEEL = Material.isotropic("steel", 200000.0, 0.3, 7.85e-9, 0.004)
PLY = Material("ply", 120000.0, 8000.0, 0.3, 4500.0, 1.6e-9, 0.01)

SPINE = Layup(
    (
        Layer(SOFT, 0.4),
        Layer(STEEL, 0.2, across=(-2.0, 2.0), elsewhere=SOFT),
        Layer(PLY, 0.3, angle=0.5, across=(-4.0, 1.0), along=(20.0, 60.0)),
    )
)


def test_single_layer() -> None:
    abd = Layup((Layer(STEEL, 0.2),)).laminate(0.0, 0.0)
    plate = 200000.0 / (1.0 - 0.09)
    assert abd.shape == (6, 6)
    assert abd[0, 0] == pytest.approx(plate * 0.2)
    assert abd[0, 1] == pytest.approx(0.3 * plate * 0.2)
    assert abd[3, 3] == pytest.approx(plate * 0.2**3 / 12.0)
    assert abd[5, 5] == pytest.approx(200000.0 / 2.6 * 0.2**3 / 12.0)
    assert abd[:3, 3:] == pytest.approx(np.zeros((3, 3)), abs=1e-9)


def test_void_keeps_the_heights_of_the_others() -> None:
    """Where the layer on the axle's side is missing, the other sits at z from -0.4 to 0 mm."""
    layup = Layup((Layer(SOFT, 0.4), Layer(SOFT, 0.4, across=(-2.0, 2.0))))
    plate = 80.0 / (1.0 - 0.45**2)
    outside, inside = layup.laminate(0.0, np.array([3.0, 0.0]))
    assert outside[0, 0] == pytest.approx(plate * 0.4)
    assert outside[0, 3] == pytest.approx(-plate * 0.4 * 0.2)
    assert outside[3, 3] == pytest.approx(plate * (0.4**3 / 12.0 + 0.4 * 0.2**2))
    assert inside[0, 3] == pytest.approx(0.0, abs=1e-12)
    assert inside[3, 3] == pytest.approx(plate * 0.8**3 / 12.0)


def test_order_is_from_the_face_away_from_the_axle() -> None:
    """B > 0 when the stiff layer is last, on the axle's side (z > 0)."""
    assert Layup((Layer(SOFT, 0.4), Layer(STEEL, 0.2))).laminate(0.0, 0.0)[0, 3] > 0.0
    assert Layup((Layer(STEEL, 0.2), Layer(SOFT, 0.4))).laminate(0.0, 0.0)[0, 3] < 0.0


def test_angle_turns_the_ply() -> None:
    along, across = (Layup((Layer(PLY, 1.0, angle=a),)).laminate(0.0, 0.0) for a in (0.0, 0.5 * np.pi))
    assert across[1, 1] == pytest.approx(along[0, 0])
    assert across[0, 0] == pytest.approx(along[1, 1])


def test_bulk_is_point_by_point() -> None:
    s, q = np.linspace(0.0, 80.0, 9)[:, None], np.linspace(-6.0, 6.0, 13)
    abd, mass = SPINE.laminate(s, q), SPINE.mass_per_area(s, q)
    assert abd.shape == (9, 13, 6, 6)
    assert mass.shape == (9, 13)
    for i in range(9):
        for j in range(13):
            stack = SPINE.stack_at(float(s[i, 0]), float(q[j]))
            one = np.zeros((6, 6))
            weight = 0.0
            for k, (material, angle) in enumerate(zip(stack.materials, stack.angles, strict=True)):
                if material is None:
                    continue
                low, high = stack.z_edges[k : k + 2]
                stiffness = material.plane_stress(angle)
                for a in (0, 1):
                    for b in (0, 1):
                        power = a + b + 1
                        part = stiffness * (high**power - low**power) / power
                        one[3 * a : 3 * a + 3, 3 * b : 3 * b + 3] += part
                weight += material.density * (high - low)
            assert abd[i, j] == pytest.approx(one, rel=1e-12, abs=1e-9)
            assert mass[i, j] == pytest.approx(weight, rel=1e-12)


def test_which_material_where() -> None:
    assert SPINE.stack_at(10.0, 0.0).materials == (SOFT, STEEL, None)
    assert SPINE.stack_at(10.0, 3.0).materials == (SOFT, SOFT, None)
    assert SPINE.stack_at(30.0, 0.0).materials == (SOFT, STEEL, PLY)
    assert SPINE.stack_at(30.0, 1.5).materials == (SOFT, STEEL, None)
    for edge in (-2.0, 2.0):  # both edges belong to the inside, so that a symmetric spine is symmetric
        assert SPINE.stack_at(10.0, edge).materials[1] is STEEL
    assert SPINE.stack_at(10.0, 0.0).z_edges == pytest.approx([-0.45, -0.05, 0.15, 0.45])
    assert SPINE.thickness == pytest.approx(0.9)


def test_mass_of_sheet_steel() -> None:
    """Sheet steel weighs 7.85 kg/m^2 for each millimetre (EN 10131 and sheet tables, from memory)."""
    assert Layup((Layer(STEEL, 1.0),)).mass_per_area(0.0, 0.0) * 1e3 * 1e6 == pytest.approx(7.85)


def test_breakpoints() -> None:
    assert SPINE.edges_across(6.0) == pytest.approx([-6.0, -4.0, -2.0, 1.0, 2.0, 6.0])
    assert SPINE.edges_across(3.0) == pytest.approx([-3.0, -2.0, 1.0, 2.0, 3.0])
    assert SPINE.edges_along(80.0) == pytest.approx([0.0, 20.0, 60.0, 80.0])
    assert SPINE.edges_along(50.0) == pytest.approx([0.0, 20.0, 50.0])
    twice = Layup((Layer(SOFT, 0.1, across=(-2.0, 2.0)), Layer(SOFT, 0.1, across=(-2.0, 2.0 + 1e-12))))
    assert twice.edges_across(6.0) == pytest.approx([-6.0, -2.0, 2.0, 6.0])


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Layer(SOFT, 0.0), r"thickness .*> 0 mm.* 0"),
        (
            lambda: Layer(SOFT, 0.4, across=(2.0, -2.0)),
            r"across .*\[2, -2\] mm",
        ),
        (lambda: Layer(SOFT, 0.4, along=(5.0, 5.0)), r"along .*\[5, 5\] mm"),
        (lambda: Layup(()), "layer"),
        (
            lambda: Layup((Layer(SOFT, 0.4), Layer(SOFT, 0.4, across=(7.0, 9.0)))).refuse_gaps(6.0, 80.0),
            r"across .*layer 2.* 7 to 9 mm.*-6 to 6 mm",
        ),
        (
            lambda: Layup((Layer(SOFT, 0.4, along=(-9.0, -7.0)), Layer(SOFT, 0.4))).refuse_gaps(6.0, 80.0),
            r"along .*layer 1.*-9 to -7 mm.*\b0 to 80 mm",
        ),
        (
            lambda: Layup(
                (Layer(SOFT, 0.4, along=(0.0, 50.0)), Layer(PLY, 0.4, across=(-3.0, 3.0)))
            ).refuse_gaps(6.0, 80.0),
            "s 50 to 80 mm, q -6 to -3 mm",
        ),
    ],
)
def test_impossible_layers(make: object, message: str) -> None:
    assert callable(make)
    with pytest.raises(ValueError, match=message):
        make()


def test_a_gap_filled_elsewhere_is_no_gap() -> None:
    layup = Layup((Layer(PLY, 0.4, along=(0.0, 50.0), elsewhere=SOFT), Layer(PLY, 0.4, across=(-3.0, 3.0))))
    layup.refuse_gaps(6.0, 80.0)
    assert np.all(np.linalg.eigvalsh(layup.laminate(np.array([70.0]), np.array([5.0]))) > 0.0)
