"""The shell term: compiled loops against plain numpy, finite differences, rigid motion, patch tests,
loads."""

from __future__ import annotations

import numpy as np
import pytest

from fem.core.errors import InputError
from fem.mesh.bicubic import build_grid
from fem.shell.constraints import clamped, hold, symmetric, unknowns
from fem.shell.energy import Shell, build_shell, differentiated, isotropic, stiffness
from fem.shell.kinematics import first_variation, second_variation, strains
from fem.shell.loads import edge_load, point_load, surface_load, weight
from fem.solvers.constraints import turn
from fem.solvers.newton import NewtonSettings, solve
from fem.solvers.static_problem import Structure
from fem.verification.shells import hemisphere

RADIUS = 9.0


def cylinder(p1, p2):
    """Along x, curved across with the given radius."""
    a = p2 / RADIUS
    z, o = np.zeros_like(a), np.ones_like(a)
    x = np.stack([p1, RADIUS * np.sin(a), RADIUS * (1 - np.cos(a))], -1)
    return x, np.stack([o, z, z], -1), np.stack([z, np.cos(a), np.sin(a)], -1), np.stack([z, z, z], -1)


def plane(p1, p2):
    z, o = np.zeros_like(p1), np.ones_like(p1)
    return (
        np.stack([p1, p2, z], -1),
        np.stack([o, z, z], -1),
        np.stack([z, o, z], -1),
        np.stack([z, z, z], -1),
    )


def _layered(p1, p2):
    base = isotropic(80.0, 0.4, 1.0)
    coupling = np.array([[5.0, 1.0, 0.3], [1.0, -4.0, 0.2], [0.3, 0.2, 1.0]])
    law = stiffness(base[:3, :3], coupling, base[3:, 3:])
    return law * (1.0 + 0.1 * (p1 > 3.0))[..., None, None]


@pytest.fixture(scope="module")
def shell() -> Shell:
    grid = build_grid(np.array([0.0, 2.0, 5.0, 6.5]), np.array([-6.0, -2.0, 1.0, 4.5]))
    return build_shell(grid, cylinder, _layered, density=1e-9)


@pytest.fixture(scope="module")
def bent(shell: Shell) -> np.ndarray:
    return shell.rest.ravel() + 0.05 * np.random.default_rng(0).standard_normal(shell.size)


def test_compiled_energy_and_gradient_equal_plain_numpy(shell: Shell, bent: np.ndarray) -> None:
    at = shell.frame(bent)
    strain = strains(at, shell.rest_metric)
    stress = np.einsum("eprs,eps->epr", shell.law, strain)
    force = np.einsum("epr,eprac,epai->eic", stress, first_variation(at), shell.grid.derivatives)
    gradient = np.zeros((shell.size // 3, 3))
    np.add.at(gradient, shell.grid.dofs, force)
    got = shell.evaluate(bent, 1)
    assert got.energy == pytest.approx(0.5 * float(np.sum(stress * strain)), rel=1e-12)
    assert np.allclose(got.gradient, gradient.ravel(), rtol=1e-10, atol=1e-10 * np.abs(gradient).max())


def test_compiled_tangent_equals_plain_numpy(shell: Shell, bent: np.ndarray) -> None:
    at = shell.frame(bent)
    stress = np.einsum("eprs,eps->epr", shell.law, strains(at, shell.rest_metric))
    first = first_variation(at)
    hessian = np.einsum("eprac,eprs,epsbd->epacbd", first, shell.law, first) + second_variation(at, stress)
    shape = shell.grid.derivatives
    reference = np.einsum("epai,epacbd,epbj->eicjd", shape, hessian, shape).reshape(-1, 48, 48)
    (block,) = shell.evaluate(bent, 2).blocks
    assert np.allclose(block.values, reference, rtol=1e-9, atol=1e-9 * np.abs(reference).max())


def test_gradient_and_tangent_by_finite_differences(shell: Shell, bent: np.ndarray) -> None:
    direction = np.random.default_rng(1).standard_normal(shell.size)
    h = 1e-5
    ahead, behind = shell.evaluate(bent + h * direction, 1), shell.evaluate(bent - h * direction, 1)
    here = shell.evaluate(bent, 2)
    assert (ahead.energy - behind.energy) / (2 * h) == pytest.approx(
        float(here.gradient @ direction), rel=1e-7
    )
    product = np.zeros(shell.size)
    (block,) = here.blocks
    np.add.at(product, block.dofs, np.einsum("eij,ej->ei", block.values, direction[block.dofs]))
    slope = (ahead.gradient - behind.gradient) / (2 * h)
    assert np.allclose(product, slope, atol=1e-6 * np.abs(slope).max())
    assert np.allclose(block.values, block.values.transpose(0, 2, 1))


def test_extrapolated_tangent_differs_by_the_quadratic_strain_of_the_step(
    shell: Shell, bent: np.ndarray
) -> None:
    still, moved = np.zeros(shell.size), 0.01 * np.random.default_rng(3).standard_normal(shell.size)
    (true,) = shell.evaluate(bent, 2).blocks
    assert np.array_equal(shell.extrapolated(bent, still)[0].values, true.values)
    full = shell.extrapolated(bent, moved)[0].values - true.values
    half = shell.extrapolated(bent, 0.5 * moved)[0].values - true.values
    assert np.allclose(full, 4.0 * half, atol=1e-9 * np.abs(true.values).max())


def test_rigid_motion_of_any_size_costs_nothing(shell: Shell) -> None:
    spin = turn(np.array([1.0, 2.0, -0.5]), 2.3)
    moved = shell.rest.reshape(-1, 4, 3) @ spin.T
    moved[:, 0] += [100.0, -50.0, 20.0]
    got = shell.evaluate(moved.ravel(), 1)
    stretched = shell.evaluate(1.001 * shell.rest.ravel(), 0)
    assert got.energy < 1e-20 * stretched.energy * 1e6
    assert np.abs(got.gradient).max() < 1e-10 * shell.law.max()


def test_patch_of_constant_stretch_and_of_constant_curvature() -> None:
    grid = build_grid(np.array([0.0, 1.0, 3.0, 4.0]), np.array([0.0, 0.7, 2.0]))
    shell = build_shell(grid, plane, isotropic(1000.0, 0.3, 0.1))
    x = shell.rest.copy()
    x[:, 0] *= 1.01
    assert np.allclose(shell.strains(x.ravel())[..., 0], (1.01**2 - 1) / 2, atol=1e-13)
    p1, p2 = grid.coordinates().T
    x = shell.rest.reshape(-1, 4, 3).copy()
    x[:, 0, 2], x[:, 1, 2], x[:, 2, 2], x[:, 3, 2] = 1e-4 * p1 * p2, 1e-4 * p2, 1e-4 * p1, 1e-4
    twist = shell.strains(x.ravel())[..., 5]
    assert np.allclose(twist, -2e-4, rtol=1e-6)


def test_bending_moment_of_a_pure_cylinder_has_plate_energy() -> None:
    # plate bent to a cylinder of radius 50: energy per area D k^2 / 2 (Timoshenko & Woinowsky-Krieger, eq.
    # 44)
    grid = build_grid(np.linspace(0.0, 20.0, 9), np.array([0.0, 2.0, 5.0]))
    shell = build_shell(grid, plane, isotropic(1000.0, 0.3, 0.2))
    p1, p2 = grid.coordinates().T
    a, z, o = p1 / 50.0, np.zeros_like(p1), np.ones_like(p1)
    x = np.stack(
        [
            np.stack([50 * np.sin(a), p2, 50 * (1 - np.cos(a))], -1),
            np.stack([np.cos(a), z, np.sin(a)], -1),
            np.stack([z, o, z], -1),
            np.zeros((p1.size, 3)),
        ],
        axis=1,
    )
    stiff = 1000.0 * 0.2**3 / (12 * (1 - 0.09))
    assert shell.evaluate(x.ravel(), 0).energy == pytest.approx(0.5 * stiff / 50.0**2 * 100.0, rel=1e-5)


def test_area_mass_and_weight_of_a_curved_sheet(shell: Shell) -> None:
    area = 6.5 * 10.5
    # one cubic spans .44 rad of arc here: the interpolated area is short by about (.44)^4/1000
    assert shell.area.sum() == pytest.approx(area, rel=1e-4)
    positions = np.tile([1.0, 0.0, 0.0, 0.0], 4)
    assert positions @ shell.mass().sum(axis=0) @ positions == pytest.approx(
        1e-9 * shell.area.sum(), rel=1e-12
    )
    force = weight(shell, np.array([0.0, 0.0, -9810.0])).force
    assert force[unknowns(np.arange(shell.grid.nodes), (0,), (2,))].sum() == pytest.approx(
        -9810e-9 * area, rel=1e-4
    )


def test_loads_do_the_work_of_their_resultant(shell: Shell) -> None:
    shift = np.zeros((shell.size // 3, 3))
    shift[0::4] = [0.3, -0.2, 0.5]
    force = np.array([1.0, 2.0, -3.0])
    work = float(np.array([0.3, -0.2, 0.5]) @ force)
    assert point_load(shell, (3.3, 0.2), force).force @ shift.ravel() == pytest.approx(work)
    assert edge_load(shell, "end", force).force @ shift.ravel() == pytest.approx(10.5 * work, rel=1e-4)
    assert surface_load(shell, force).force @ shift.ravel() == pytest.approx(10.5 * 6.5 * work, rel=1e-4)


def test_numerical_surface_derivatives() -> None:
    exact = cylinder(np.array([1.0, 2.0]), np.array([0.5, -3.0]))
    numeric = differentiated(lambda p1, p2: cylinder(p1, p2)[0], (6.5, RADIUS))(
        np.array([1.0, 2.0]), np.array([0.5, -3.0])
    )
    for a, b in zip(exact, numeric, strict=True):
        assert np.allclose(a, b, atol=1e-9)


def test_a_mesh_too_coarse_for_the_section_is_refused() -> None:
    grid = build_grid(np.array([0.0, 1.0]), np.array([-6.0, 0.0, 6.0]))
    with pytest.raises(InputError, match=r"too coarse across the surface.*use 2 times as many"):
        build_shell(grid, cylinder, isotropic(80.0, 0.4, 1.0))


def test_a_pole_is_refused_by_its_own_name() -> None:
    with pytest.raises(InputError, match=r"no normal at parameters \(1\.5708, 0\) and 10 more.*a hole"):
        hemisphere(hole=0.0)


def test_a_surface_that_is_no_number_is_refused() -> None:
    def torn(p1: np.ndarray, p2: np.ndarray) -> tuple[np.ndarray, ...]:
        value, *slopes = plane(p1, p2)
        return np.where(p1[:, None] > 0.9, np.nan, value), *slopes

    grid = build_grid(np.linspace(0.0, 1.0, 3), np.linspace(0.0, 1.0, 3))
    with pytest.raises(InputError, match=r"no normal at parameters \(1, 0\) and 2 more"):
        build_shell(grid, torn, isotropic(1.0, 0.3, 0.1))


def test_half_model_with_symmetry_equals_the_whole() -> None:
    law, results = isotropic(1000.0, 0.3, 0.2), []
    for half in (False, True):
        across = np.linspace(0.0 if half else -2.0, 2.0, 3 if half else 5)
        shell = build_shell(build_grid(np.linspace(0, 10, 6), across), plane, law)
        held = [clamped(shell, "start")] + ([symmetric(shell, "low", 1)] if half else [])
        structure = Structure(
            [shell], hold(shell, held), [edge_load(shell, "end", [0, 0, 0.02])], shell.weights
        )
        point = solve(
            structure, structure.ends.reduce(shell.rest.ravel()), 1.0, NewtonSettings(iterations=40)
        )
        assert point.stable
        results.append(
            shell.position(structure.ends.expand(point.u, 1.0), np.array([[10.0, 0.0], [10.0, 2.0]]))
        )
    assert results[0] == pytest.approx(results[1], abs=1e-9)


def test_unknown_edge_is_refused(shell: Shell) -> None:
    with pytest.raises(ValueError, match="edge must be one of start, end, low, high, got 'left'"):
        shell.grid.edge("left")
