"""The rod: derivatives, objectivity, stiffness against the section model and against beam formulas."""

import numpy as np
import pytest
from rod_strips import (
    PLY,
    SOFT,
    STIFF,
    at_rest,
    bent_strip,
    derivative_errors,
    rough,
    small_rod,
    straight_strip,
    turned,
)
from skfem import Basis, MeshLine

from fem.design.layup import Layer
from fem.design.path import Runs, Straight
from fem.design.section import Arc, Flat, FreeCurve
from fem.design.strip import Strip
from fem.mesh.hermite_line import HermiteLine, hermite
from fem.rod.energy import RodEnergy, SnapTest, flat_amplitudes, length_weights
from fem.rod.section_tables import section_tables, width_rule
from fem.section_model.fold_model import SectionProblem
from fem.section_model.moment_curvature import moment_curve
from fem.verification.beams import Beam, Bench, UniformBending


@pytest.fixture(scope="module")
def rod():
    return small_rod(bent_strip())


def deep_section():
    """A section that even opening and edge bending cannot flatten: flat middle, steep flanks."""
    return FreeCurve(((-7.0, 3.5), (-5.5, 3.0), (-4.0, 0.4), (0.0, 0.0), (4.0, 0.4), (5.5, 3.0), (7.0, 3.5)))


def test_hermite_functions_reproduce_a_cubic_with_its_derivatives():
    size, t = 1.7, np.linspace(0.0, 1.0, 5)
    cubic = np.polynomial.Polynomial([0.3, -1.0, 0.5, 0.2])
    ends = [cubic(0.0), cubic.deriv()(0.0), cubic(size), cubic.deriv()(size)]
    for order, exact in enumerate((cubic, cubic.deriv(), cubic.deriv(2))):
        found = sum(value * functions[order] for value, functions in zip(ends, hermite(t, size), strict=True))
        assert found == pytest.approx(exact(t * size), abs=1e-12)


def test_line_element_gives_values_and_slopes_at_its_nodes():
    mesh = MeshLine(np.array([[0.0, 0.4, 1.5, 4.0]]))
    basis = Basis(mesh, HermiteLine(), intorder=5)
    x = basis.doflocs[0].copy()
    unknowns = np.where(np.arange(x.size) % 2 == 0, x**3, 3 * x**2)
    field = basis.interpolate(unknowns)
    at = np.asarray(basis.global_coordinates())[0]
    assert np.asarray(field) == pytest.approx(at**3, abs=1e-12)
    assert np.asarray(field.grad)[0] == pytest.approx(3 * at**2, abs=1e-12)
    assert np.asarray(field.hess)[0, 0] == pytest.approx(6 * at, abs=1e-11)


@pytest.mark.parametrize("breaks", [[], [-2.5, 2.5], [-4.0, -1.0, 1.0, 4.0]])
def test_width_rule_integrates_polynomials_up_to_any_place(breaks):
    half = np.array([5.0, 6.0])
    targets = np.outer(half, [0.0, 0.3, 0.77, 1.0])
    rule = width_rule(half, np.array(breaks), targets)
    for power in range(3):
        values = rule.q**power
        exact = half ** (power + 1) / (power + 1)
        assert np.sum(rule.weight * values, axis=1) == pytest.approx(exact)
        for matrix, places in ((rule.inner, rule.q), (rule.to, targets)):
            found = np.einsum("nij,nj->ni", matrix, values)
            assert found == pytest.approx(places ** (power + 1) / (power + 1), abs=1e-12)


@pytest.mark.parametrize(
    "strip",
    [
        bent_strip(),
        straight_strip(30.0),
        Strip(Runs((Straight(30.0),), 3.0), deep_section(), 12.0, -1, (Layer(SOFT, 0.8),)),
    ],
    ids=["bent, layered, tapered", "straight", "deep"],
)
def test_gradient_and_tangent_by_finite_differences(strip):
    rod = small_rod(strip, 12)
    energy = RodEnergy(rod)
    u = turned(rod, at_rest(rod), 0.7) + rough(rod, 0.3, 1)
    for seed in (2, 3):
        first, second = derivative_errors(energy, u, rough(rod, 1.0, seed))
        assert first < 1e-7
        assert second < 1e-7


def test_tangent_blocks_are_symmetric_and_lower_orders_agree(rod):
    energy, u = RodEnergy(rod), at_rest(rod) + rough(rod, 0.2, 5)
    whole = energy.evaluate(u, 2)
    (block,) = whole.blocks
    assert np.array_equal(block.values, block.values.transpose(0, 2, 1))
    assert energy.evaluate(u, 0).energy == whole.energy
    assert np.array_equal(energy.evaluate(u, 1).gradient, whole.gradient)
    assert energy.evaluate(u, 1).blocks == ()


def test_stresses_of_another_state_stand_in_the_geometric_part_alone(rod):
    energy, u, other = RodEnergy(rod), at_rest(rod) + rough(rod, 0.2, 5), at_rest(rod) + rough(rod, 0.1, 7)
    true, lent = energy.evaluate(u, 2), energy.evaluate_stressed(u, other)
    assert np.array_equal(energy.evaluate_stressed(u, u).blocks[0].values, true.blocks[0].values)
    assert np.array_equal(lent.gradient, true.gradient)
    # shortened along straight lines the strip would buckle at once; with the stresses of rest it would not
    short = 0.95 * at_rest(rod)
    lowest = [
        np.linalg.eigvalsh(energy.evaluate_stressed(short, where).blocks[0].values).min()
        for where in (short, at_rest(rod))
    ]
    assert lowest[0] < 0.0
    assert abs(lowest[1]) < 0.02 * abs(lowest[0])


def test_stresses_extrapolated_over_a_move_leave_out_what_is_quadratic_in_it(rod):
    energy, u, move = RodEnergy(rod), at_rest(rod) + rough(rod, 0.2, 5), rough(rod, 0.02, 7)
    true = energy.evaluate(u, 2)
    still = energy.evaluate_after(u, 0.0 * move)
    assert np.array_equal(still.blocks[0].values, true.blocks[0].values)
    far, near = (energy.evaluate_after(u, part * move) for part in (1.0, 0.5))
    assert np.array_equal(far.gradient, true.gradient)
    assert far.energy == true.energy
    left = [np.linalg.norm(ev.blocks[0].values - true.blocks[0].values) for ev in (far, near)]
    assert left[0] > 1e-6 * np.linalg.norm(true.blocks[0].values)
    assert left[0] / left[1] == pytest.approx(4.0, rel=0.1)


def test_rigid_motion_stores_no_energy(rod):
    energy, rest = RodEnergy(rod), at_rest(rod)
    still = energy.evaluate(rest, 1)  # not zero: cubics do not pass exactly through the bends
    moved = energy.evaluate(turned(rod, rest, 2.5, (30.0, -7.0)), 1)
    assert moved.energy == pytest.approx(still.energy, rel=1e-9)
    bent = rest + rough(rod, 0.2, 7)
    assert energy.evaluate(turned(rod, bent, -4.0, (3.0, 9.0)), 0).energy == pytest.approx(
        energy.evaluate(bent, 0).energy, rel=1e-10
    )
    assert still.energy < 1e-3 * energy.evaluate(bent, 0).energy


def test_rest_energy_of_the_interpolated_bends_vanishes_with_the_mesh():
    energies = []
    for elements in (96, 192, 384):
        rod = small_rod(bent_strip(), elements)
        energies.append(RodEnergy(rod).evaluate(at_rest(rod), 0).energy)
    # curvature of cubics is wrong by h^2, its energy by h^4
    assert energies[0] / energies[1] == pytest.approx(16.0, rel=0.2)
    assert energies[1] / energies[2] == pytest.approx(16.0, rel=0.1)


def test_pure_stretch_has_the_energy_of_a_bar():
    beam = Beam(50.0, 4.0, 0.5, 1000.0, 0.3)
    bench = Bench.build(beam, 5)
    stretched = bench.rest.reshape(-1, bench.rod.fields, 2).copy()
    stretched[:, 0] *= 1.001
    strain = 0.5 * (1.001**2 - 1)
    # free across: E, not E / (1 - nu^2)
    assert bench.energy.evaluate(stretched.ravel(), 0).energy == pytest.approx(
        0.5 * 1000 * 4 * 0.5 * strain**2 * 50
    )


@pytest.mark.parametrize("poisson", [0.0, 0.3, 0.45])
def test_a_narrow_strip_bends_like_a_beam_and_a_held_one_like_a_plate(poisson):
    # free edges curl: E I; kept from curling: E I / (1 - nu^2) (Timoshenko & Woinowsky-Krieger, sect. 11)
    beam = Beam(1.0, 4.0, 0.5, 1000.0, poisson)
    bending = UniformBending.build(beam)
    _, energy, moment = bending.solve(1e-5, bending.rest)
    assert moment == pytest.approx(beam.bending_stiffness * 1e-5, rel=1e-5)
    assert energy == pytest.approx(0.5 * moment * 1e-5, rel=1e-5)
    held = bending.shape(1e-5) @ bending.rest
    plate = bending.bench.energy.evaluate(held, 0).energy / bending.bench.rod.nodes[-1]
    assert plate == pytest.approx(energy / (1 - poisson**2), rel=1e-5)


def section_moments(problem, kappas):
    curve = moment_curve(problem, kappas).loading
    return np.array([curve.nearest(k).moment for k in kappas])


def test_even_bending_follows_the_section_model_for_the_soft_strip():
    # the section model has 22 shape functions across, the rod 2: 1.5 % up to a curvature of 1.5 / R
    beam = Beam(1.0, 12.0, 1.0, 80.0, 0.45, 0.0, 1 / 9.0)
    problem = SectionProblem.at_station(
        np.array([-6.0, 6.0]), lambda q: beam.stack_at(0.0, q), lambda q: (q / 9.0, np.full_like(q, 1 / 9.0))
    )
    for side in (1, -1):
        kappas = side * np.linspace(0.01, 1.5 / 9.0, 12)
        moments = UniformBending.build(beam).curve(kappas)[1]
        assert moments == pytest.approx(section_moments(problem, np.sort(kappas))[::side], rel=0.015)


def test_layers_act_on_the_side_they_are_on():
    # a stiff layer on one face of a curved section: the section model counts heights the same way
    layers = (Layer(SOFT, 0.6), Layer(STIFF, 0.2))
    moments = {}
    for order in (layers, layers[::-1]):
        strip = straight_strip(30.0, order)
        bench = _bench(strip)
        problem = SectionProblem.at_station(
            strip.zone_edges_q(),
            lambda q, strip=strip: strip.stack_at(5.0, q),
            lambda q: (q / 9.0, np.full_like(q, 1 / 9.0)),
        )
        kappas = np.array([0.002, 0.01])
        found = UniformBending(bench).curve(kappas)[1]
        assert found == pytest.approx(section_moments(problem, kappas), rel=0.01)
        moments[order[0].material.name] = found[0]
    assert abs(moments["soft"] / moments["stiff"] - 1.0) > 0.05


def _bench(strip):
    """A one-element rod of a strip, as `UniformBending` wants it."""
    short = Strip(Runs((Straight(30.0),), 3.0), strip.section, strip.width, strip.sense, strip.layers)
    from fem.rod.energy import build_rod, rest_state

    class Short:
        length, width, thickness = 0.012, short.width, short.thickness
        width_at, rest_arrays = staticmethod(short.width_at), staticmethod(short.rest_arrays)
        zone_edges_q, stack_at = staticmethod(short.zone_edges_q), staticmethod(short.stack_at)

    rod = build_rod(Short(), np.array([0.0, 0.012]))
    place = np.stack([rod.nodes, 0 * rod.nodes], axis=1)
    return Bench(
        Beam(0.012, short.width, short.thickness, 1.0),
        rod,
        rest_state(rod, place, 0 * rod.nodes),
        RodEnergy(rod),
    )


def test_angled_plies_couple_bending_and_twist_symmetrically_about_the_mid_line():
    strip = straight_strip(30.0, (Layer(PLY, 0.5, angle=0.5), Layer(PLY, 0.5, angle=-0.5)))
    tables = section_tables(strip, np.array([3.0, 9.0]), np.zeros((2, 0)), 2)
    assert np.allclose(tables.stiffness, tables.stiffness.transpose(0, 1, 3, 2))
    # couplings that are odd in q cancel between the halves
    assert np.allclose(tables.stiffness[..., 0, 1], 0.0, atol=1e-9 * tables.stiffness.max())
    assert np.linalg.eigvalsh(tables.stiffness).min() > 0.0


@pytest.mark.parametrize(("section", "modes"), [(Flat(), 3), (Arc(radius=9.0), 2), (deep_section(), 3)])
def test_every_section_can_be_pressed_flat(section, modes):
    rod = small_rod(Strip(Runs((Straight(30.0),), 3.0), section, 12.0, 1, (Layer(SOFT, 0.8),)), 6)
    assert rod.modes == modes
    tables = section_tables(rod.strip, np.array([10.0]), np.zeros((1, 0)), rod.modes)
    left = tables.angle[0] + tables.mode[0] @ flat_amplitudes(rod, 10.0)
    assert np.abs(left).max() <= 0.03 * max(np.abs(tables.angle).max(), 1e-9)


def test_unknowns_are_numbered_node_by_node_and_weighed_as_lengths(rod):
    assert rod.index(0, 0) == 0
    assert rod.index(-1, rod.fields - 1, 1) == rod.size - 1
    weights = length_weights(rod)
    assert weights[rod.index(3, 1)] == 1.0
    assert weights[rod.index(3, 0, 1)] == pytest.approx(rod.nodes[1])
    # an opening of 1/mm lifts a flat section's edge by width^2 / 8
    assert weights[rod.index(3, 2)] == pytest.approx(12.0**2 / 8)


def test_shape_at_reads_the_unknowns_at_any_station(rod):
    element, shape = rod.shape_at(np.array([0.0, 10.3, rod.nodes[-1]]))
    u = at_rest(rod)
    x = np.einsum("ni,ni->n", shape[:, 0], u[rod.dofs[element, :4]])
    assert x[[0, 2]] == pytest.approx(u[[rod.index(0, 0), rod.index(-1, 0)]])
    assert x[1] == pytest.approx(rod.strip.path.position(10.3)[0], abs=1e-3)


def test_a_node_that_turns_far_is_a_leap_and_one_that_moves_far_is_not(rod):
    u = at_rest(rod)
    for angle, leaps in ((0.49, False), (-0.51, True), (3.0, True)):
        there = u.copy().reshape(len(rod.nodes), rod.fields, 2)
        x, y = there[7, :2, 1]
        there[7, :2, 1] = x * np.cos(angle) - y * np.sin(angle), x * np.sin(angle) + y * np.cos(angle)
        there[:, 0, 0] += 40.0
        assert SnapTest(rod, 0.5)(u, there.ravel()) is leaps
