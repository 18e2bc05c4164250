"""Newton on a two-bar truss with known answers, and on ends carried by rigid bodies.

Exact answers of the truss: von Mises truss with Green strain, P = EA (h - w)(2 h w - w^2) / L0^3.
"""

from __future__ import annotations

import numpy as np
import pytest
from trusses import Bars, H, Load, exact, truss

from fem.solvers.constraints import ABOUT_AXIS, ANY, Ends, RigidBody, rotation, turn
from fem.solvers.newton import NewtonSettings, follow, solve
from fem.solvers.static_problem import Structure


def test_truss_follows_the_closed_form_below_its_limit() -> None:
    structure, start = truss(1.0)
    path = follow(structure, start, [1.0, 2.0, 3.0, 3.7], NewtonSettings(correction=1e-10))
    assert path.finished
    for point in path.points:
        assert exact(H - point.u[0]) == pytest.approx(point.level, rel=1e-9)
        assert point.stable


def test_beyond_the_limit_load_is_not_called_a_solution_on_the_same_branch() -> None:
    structure, start = truss(1.0)
    path = follow(structure, start, [3.9], NewtonSettings(correction=1e-10, largest=0.2))
    assert not path.finished
    assert "on the way to 3.9" in path.message
    assert 3.7 < float(path.message.split()[3].rstrip(":")) < 3.791980


def test_truss_on_the_falling_branch_is_unstable() -> None:
    structure, _ = truss(1.0)
    point = solve(structure, np.array([0.2]), exact(0.8), NewtonSettings(correction=1e-10))
    assert point.converged
    assert point.negative == 1
    assert not point.stable


@pytest.mark.parametrize("vector", [[0.0, 0.0, 0.0], [0.01, -0.02, 0.005], [0.4, 1.1, -0.7], [2.0, 1.0, 2.0]])
def test_rotation_and_its_derivatives(vector: list[float]) -> None:
    p, h = np.array(vector), 1e-5
    matrix, first, second = rotation(p)
    assert np.allclose(matrix @ matrix.T, np.eye(3), atol=1e-12)
    if np.linalg.norm(p):
        assert np.allclose(matrix, turn(p, float(np.linalg.norm(p))), atol=1e-12)
    for i, e in enumerate(np.eye(3)):
        ahead, behind = rotation(p + h * e), rotation(p - h * e)
        assert np.allclose(first[i], (ahead[0] - behind[0]) / (2 * h), atol=1e-8)
        assert np.allclose(second[i], (ahead[1] - behind[1]) / (2 * h), atol=1e-8)


@pytest.mark.parametrize("spin", [ABOUT_AXIS, ANY])
def test_gradient_and_tangent_with_a_rigid_body_by_finite_differences(spin: str) -> None:
    rng = np.random.default_rng(2)
    rest = rng.standard_normal((5, 3)) * 2.0
    pairs = [(0, 1), (0, 2), (1, 2), (1, 3), (2, 3), (0, 3), (3, 4), (2, 4), (1, 4), (0, 4)]
    body = RigidBody(
        np.array([[9, 10, 11], [12, 13, 14]]),
        rest[3:],
        np.array([True, True]),
        (0.3, 0.1, -0.2),
        shift=(ANY, "held", ANY),
        spin=spin,
        axis=(1.0, 2.0, 0.5),
        force=(0.5, 0.0, 1.0),
        moment=2.0 if spin == ABOUT_AXIS else 0.0,
    )
    ends = Ends(15, np.array([0, 1, 2]), rest[0], np.array([0.1, 0.0, 0.2]), (body,))
    structure = Structure([Bars(rest, pairs, 10.0)], ends, [Load(rng.standard_normal(15))])
    u = ends.reduce(rest.ravel()) + 0.2 * rng.standard_normal(structure.size)
    h, level = 1e-6, 0.7
    gradient, tangent = structure.gradient(u, level), structure.tangent(u, level).dense()
    for k in range(structure.size):
        e = np.zeros(structure.size)
        e[k] = h
        slope = (structure.energy(u + e, level) - structure.energy(u - e, level)) / (2 * h)
        assert slope == pytest.approx(gradient[k], rel=1e-6, abs=1e-6)
        column = (structure.gradient(u + e, level) - structure.gradient(u - e, level)) / (2 * h)
        assert np.allclose(column, tangent[:, k], rtol=1e-6, atol=1e-6)


def test_reaction_of_a_turned_body_balances_the_moment_on_it() -> None:
    rest = np.array([[0.0, 0.0, 0.0], [0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [1.0, 1.0, 0.0]])
    body = RigidBody(
        np.array([[6, 7, 8], [9, 10, 11]]),
        rest[2:],
        np.array([True, True]),
        (2.0, 0.5, 0.0),
        shift=(ANY, ANY, "held"),
        spin=ABOUT_AXIS,
        force=(0.0, 0.2, 0.0),
        moment=0.3,
    )
    ends = Ends(12, np.arange(6), rest[:2].ravel(), bodies=(body,))
    structure = Structure([Bars(rest, [(0, 2), (1, 3), (0, 3), (1, 2)], 50.0)], ends)
    path = follow(structure, ends.reduce(rest.ravel()), [1.0], NewtonSettings(correction=1e-10))
    force, moment = structure.reaction(path.points[-1].u, 1.0, 0)
    assert force == pytest.approx([0.0, 0.2, 0.0], abs=1e-9)
    assert moment[2] == pytest.approx(0.3, abs=1e-9)


def test_wrong_body_settings_are_refused() -> None:
    with pytest.raises(ValueError, match="free to turn about its axis"):
        RigidBody(np.zeros((1, 3), dtype=np.int64), np.zeros((1, 3)), np.array([True]), (0, 0, 0), moment=1.0)
