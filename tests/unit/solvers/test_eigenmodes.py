"""Softest modes against dense eigenvalues (numpy), and as buckling modes of a shell column."""

from __future__ import annotations

import numpy as np
import pytest

from fem.mesh.bicubic import build_grid
from fem.shell.constraints import built_in, hold, symmetric
from fem.shell.energy import build_shell, isotropic
from fem.shell.loads import edge_load
from fem.solvers.eigenmodes import softest_modes
from fem.solvers.newton import NewtonSettings, solve
from fem.solvers.static_problem import Structure
from fem.verification.shells import flat


@pytest.fixture
def column() -> Structure:
    """Flat strip 100 x 10 x 1 (E 1000, nu 0), built in, pushed along itself by 1 N in all at level 1."""
    grid = build_grid(np.linspace(0, 100, 9), np.array([0.0, 5.0]))
    shell = build_shell(grid, flat, isotropic(1000.0, 0.0, 1.0))
    ends = hold(shell, [built_in(shell, "start", 2), symmetric(shell, "low", 1)])
    load = edge_load(shell, "end", np.array([-0.1, 0.0, 0.0]))
    return Structure([shell], ends, [load], shell.weights)


def _rest(structure: Structure) -> np.ndarray:
    return structure.ends.reduce(structure.terms[0].rest.ravel())


def test_values_are_the_dense_eigenvalues_nearest_zero(column: Structure) -> None:
    u = _rest(column)
    values, modes = softest_modes(column.tangent(u, 0.0), column.weights, 3)
    dense = column.tangent(u, 0.0).dense() / np.outer(column.weights, column.weights)
    exact = np.sort(np.linalg.eigvalsh(dense))[:3]
    assert values == pytest.approx(exact, rel=1e-6)
    assert np.abs(modes * column.weights).max(axis=1) == pytest.approx([1.0, 1.0, 1.0])


def test_softest_value_vanishes_at_the_euler_load(column: Structure) -> None:
    euler = np.pi**2 * 1000.0 * 10.0 / 12.0 / (4.0 * 100.0**2)  # built in at one end, free at the other
    at = []
    for level in (0.9 * euler, 1.1 * euler):
        u = solve(column, _rest(column), level, NewtonSettings()).u
        at.append(softest_modes(column.tangent(u, level), column.weights, 1)[0][0])
    crossing = euler * (0.9 + 0.2 * at[0] / (at[0] - at[1]))
    assert at[1] < 0.0 < at[0]
    assert crossing == pytest.approx(euler, rel=2e-3)
