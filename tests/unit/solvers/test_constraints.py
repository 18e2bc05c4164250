"""Ends: maps from free to full unknowns and their derivatives by finite differences."""

from __future__ import annotations

import numpy as np
import pytest

from fem.mesh.bicubic import build_grid, shape_at
from fem.shell.constraints import clamped_edge, hinged, hold, plane_edge, rigid_edge, symmetric
from fem.shell.energy import Shell, build_shell, isotropic
from fem.solvers.constraints import ABOUT_AXIS, ANY, DRIVEN, HELD, Ends, RigidBody, turn
from fem.solvers.static_problem import Structure
from fem.verification.shells import cylinder


@pytest.fixture(scope="module")
def shell() -> Shell:
    grid = build_grid(np.array([0.0, 1.5, 4.0]), np.array([0.0, 1.0, 2.5]))
    return build_shell(grid, cylinder(9.0), isotropic(80.0, 0.3, 0.5))


def _mixed(shell: Shell) -> Ends:
    """A plane end that turns, the opposite edge on a body free to move and spin, one edge hinged."""
    plane = plane_edge(
        shell, "start", np.eye(3), axis=(0.0, 1.0, 0.3), angle=0.5, free_shift=(True, False, True)
    )
    body = rigid_edge(shell, "end", shift=(ANY, DRIVEN, HELD), travel=(0.0, 0.3, 0.0), spin=ANY)
    return hold(shell, [hinged(shell, "low")], (plane, body))


def test_push_forward_is_the_derivative_of_expand(shell: Shell) -> None:
    ends, rng, h = _mixed(shell), np.random.default_rng(0), 1e-6
    u = ends.reduce(shell.rest.ravel()) + 0.1 * rng.standard_normal(ends.reduced_size)
    step = rng.standard_normal(ends.reduced_size)
    ahead, behind = ends.expand(u + h * step, 0.8), ends.expand(u - h * step, 0.8)
    assert np.allclose((ahead - behind) / (2 * h), ends.push_forward(u, 0.8, step), atol=1e-8)


def test_pull_back_is_its_transpose(shell: Shell) -> None:
    ends, rng = _mixed(shell), np.random.default_rng(1)
    u, step = rng.standard_normal(ends.reduced_size), rng.standard_normal(ends.reduced_size)
    gradient = rng.standard_normal(ends.size)
    left = float(gradient @ ends.push_forward(u, 0.4, step))
    assert left == pytest.approx(float(ends.pull_back(u, 0.4, gradient) @ step), rel=1e-12)


def test_rest_is_recovered_at_level_zero(shell: Shell) -> None:
    ends = _mixed(shell)
    assert np.allclose(ends.expand(ends.reduce(shell.rest.ravel()), 0.0), shell.rest.ravel(), atol=1e-12)


def test_structure_tangent_with_all_kinds_of_ends(shell: Shell) -> None:
    structure = Structure([shell], _mixed(shell), [], shell.weights)
    rng, h = np.random.default_rng(2), 1e-6
    u = structure.ends.reduce(shell.rest.ravel()) + 0.02 * rng.standard_normal(structure.size)
    step = rng.standard_normal(structure.size)
    slope = (structure.gradient(u + h * step, 0.5) - structure.gradient(u - h * step, 0.5)) / (2 * h)
    product = structure.tangent(u, 0.5).multiply(step)
    assert np.allclose(product, slope, atol=1e-5 * np.abs(slope).max())


def test_kept_components_of_a_plane_end_stay(shell: Shell) -> None:
    free = plane_edge(shell, "end", np.eye(3))
    kept = plane_edge(shell, "end", np.eye(3), kept=(1,))
    assert kept.unknowns == free.unknowns - 1
    p = np.ones(kept.unknowns)
    assert kept.vectors_at(p, 0.0)[0, 1] == pytest.approx(kept.vectors[0, 1])


def test_section_of_a_plane_end_stays_plane_and_square(shell: Shell) -> None:
    end = plane_edge(shell, "end", np.eye(3), angle=0.7)
    vectors = end.vectors_at(np.random.default_rng(3).standard_normal(end.unknowns), 1.0)
    normal = turn(np.array([0.0, 0.0, 1.0]), 0.7)[:, 0]
    away = (vectors[end.points] - vectors[end.points][0]) @ normal
    assert np.allclose(away, 0.0, atol=1e-12)
    slopes = vectors[~(end.points | end.along)]
    assert np.allclose(np.cross(slopes, normal), 0.0, atol=1e-12)


def test_clamp_of_a_curved_edge_lets_it_stretch_but_not_turn(shell: Shell) -> None:
    clamp = clamped_edge(shell, "low")
    ends = hold(shell, [], (clamp,))
    u = ends.reduce(shell.rest.ravel())
    u[ends.slots[0]] = 0.05 * np.random.default_rng(4).standard_normal(clamp.unknowns)
    moved = ends.expand(u, 0.0)
    s = np.linspace(0.0, 4.0, 7)
    dofs, values = shape_at(shell.grid, np.stack([s, np.zeros_like(s)], axis=1))
    normals = []
    for x in (shell.rest, moved.reshape(-1, 3)):
        first, second = (np.einsum("mi,mic->mc", values[:, k], x[dofs]) for k in (1, 2))
        normal = np.cross(first, second)
        normals.append(normal / np.linalg.norm(normal, axis=1, keepdims=True))
    assert np.allclose(
        shell.position(moved, np.array([[2.0, 0.0]])), shell.position(shell.rest, np.array([[2.0, 0.0]]))
    )
    assert np.allclose(normals[0], normals[1], atol=1e-8)
    assert not np.allclose(moved, shell.rest.ravel(), atol=1e-3)


def test_reactions_of_both_ends_balance(shell: Shell) -> None:
    bodies = (
        rigid_edge(shell, "start"),
        rigid_edge(shell, "end", spin=DRIVEN, axis=(0.0, 1.0, 0.0), angle=0.2),
    )
    structure = Structure([shell], hold(shell, [], bodies), [], shell.weights)
    u = structure.ends.reduce(shell.rest.ravel())
    for _ in range(12):
        u = u - structure.tangent(u, 1.0).factorise().solve(structure.gradient(u, 1.0))
    assert np.abs(structure.gradient(u, 1.0)).max() < 1e-7
    (force_a, moment_a), (force_b, moment_b) = (structure.reaction(u, 1.0, k) for k in (0, 1))
    assert force_a == pytest.approx(-force_b, abs=1e-7)
    arm = np.array(bodies[1].centre) - np.array(bodies[0].centre)
    assert moment_a + moment_b + np.cross(arm, force_b) == pytest.approx(np.zeros(3), abs=1e-6)


def test_symmetric_edge_keeps_its_plane_and_its_slope(shell: Shell) -> None:
    ends = hold(shell, [symmetric(shell, "low", 1)])
    x = ends.expand(ends.reduce(shell.rest.ravel()) + 0.5, 0.0).reshape(-1, 4, 3)[shell.grid.edge("low")]
    assert np.allclose(x[:, 0, 1], 0.0)
    assert np.allclose(x[:, 1, 1], 0.0)
    assert np.allclose(x[:, 2, [0, 2]], shell.rest.reshape(-1, 4, 3)[shell.grid.edge("low")][:, 2, [0, 2]])


def test_unknown_words_are_refused() -> None:
    plain = (np.zeros((1, 3), dtype=np.int64), np.zeros((1, 3)), np.array([True]), (0.0, 0.0, 0.0))
    with pytest.raises(ValueError, match=r"shift\[1\] must be HELD, DRIVEN or ANY, got 'loose'"):
        RigidBody(*plain, shift=(HELD, "loose", HELD))
    with pytest.raises(ValueError, match="spin must be"):
        RigidBody(*plain, spin="loose")
    assert RigidBody(*plain, spin=ABOUT_AXIS, moment=2.0).loads() == pytest.approx([2.0])
