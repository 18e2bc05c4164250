"""Stress summed through the thickness: the same as the laminate for linear laws, and right for a softening
one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fem.design.curved_layers import curved_laminate
from fem.design.material import Material
from fem.mesh.bicubic import build_grid
from fem.shell.constraints import built_in, hold, rigid_edge
from fem.shell.energy import build_shell, isotropic
from fem.shell.nonlinear_layers import Hooke, LayeredShell, Ply, Softening
from fem.solvers.constraints import ABOUT_AXIS, ANY
from fem.solvers.newton import follow
from fem.solvers.static_problem import Structure
from fem.verification.shells import cylinder, flat

SOFT = Material.isotropic("soft", 80.0, 0.4, 1e-9, 0.1).plane_stress()
PLY = Material("ply", 2000.0, 300.0, 0.3, 120.0, 1e-9, 0.1).plane_stress(0.4)


@pytest.fixture
def grid():
    return build_grid(np.array([0.0, 2.0, 5.0]), np.array([-2.0, 1.0, 3.0]))


def _bent(shell) -> np.ndarray:
    return shell.rest.ravel() + 0.03 * np.random.default_rng(0).standard_normal(shell.size)


def test_linear_plies_give_the_laminate(grid) -> None:
    # the cylinder's normal a_1 x a_2 points away from its axis, which lies along parameter 1
    law = curved_laminate([-0.4, 0.1, 0.4], [SOFT, PLY], np.array([0.0, -1.0 / 9.0]))
    plain = build_shell(grid, cylinder(9.0), law)
    # the rest surface is interpolated over a third of a radian: its curvature is 1 / 9 within .5 %
    assert plain.natural_curvature[..., 1] == pytest.approx(np.full((4, 9), -1.0 / 9.0), rel=6e-3)
    exact = curved_laminate([-0.4, 0.1, 0.4], [SOFT, PLY], plain.natural_curvature)
    plain = replace(plain, laminate=exact)
    thick = LayeredShell(plain, [Ply(Hooke(SOFT), -0.4, 0.1), Ply(Hooke(PLY), 0.1, 0.4)], points=8)
    x = _bent(plain)
    a, b = plain.evaluate(x, 2), thick.evaluate(x, 2)
    assert b.energy == pytest.approx(a.energy, rel=1e-12)
    assert np.allclose(a.gradient, b.gradient, atol=1e-10 * np.abs(a.gradient).max())
    assert np.allclose(a.blocks[0].values, b.blocks[0].values, atol=1e-10 * np.abs(a.blocks[0].values).max())


def test_softening_gradient_and_tangent_by_finite_differences(grid) -> None:
    shell = build_shell(grid, cylinder(9.0), isotropic(1.0, 0.0, 1.0))
    term = LayeredShell(shell, [Ply(Softening(SOFT, 0.05), -0.4, 0.1), Ply(Softening(PLY, 0.1), 0.1, 0.4)])
    x, h = _bent(shell), 1e-6
    direction = np.random.default_rng(1).standard_normal(shell.size)
    ahead, behind = term.evaluate(x + h * direction, 1), term.evaluate(x - h * direction, 1)
    here = term.evaluate(x, 2)
    slope = (ahead.energy - behind.energy) / (2 * h)
    assert slope == pytest.approx(float(here.gradient @ direction), rel=1e-7)
    (block,) = here.blocks
    product = np.zeros(shell.size)
    np.add.at(product, block.dofs, np.einsum("eij,ej->ei", block.values, direction[block.dofs]))
    numeric = (ahead.gradient - behind.gradient) / (2 * h)
    assert np.allclose(product, numeric, atol=1e-6 * np.abs(numeric).max())


def test_softening_strip_bends_to_the_curvature_of_its_moment() -> None:
    # M(k) = integral of s(z k) z dz with s = E e / sqrt(1 + E e^2 / (2 w)), nu = 0: quadrature by numpy
    young, energy, thickness, curvature = 100.0, 0.02, 1.0, 0.05
    z = np.linspace(-0.5, 0.5, 20001)
    stress = young * z * curvature / np.sqrt(1.0 + 0.5 * young * (z * curvature) ** 2 / energy)
    moment = float(np.trapezoid(stress * z, z)) * 2.0
    linear = young / 12.0 * curvature * 2.0
    assert moment < 0.95 * linear
    shell = build_shell(
        build_grid(np.linspace(0, 20, 5), np.array([0.0, 2.0])), flat, isotropic(1.0, 0.0, 1.0)
    )
    law = Softening(np.diag([young, young, young / 2.0]), energy)
    term = LayeredShell(shell, [Ply(law, -0.5 * thickness, 0.5 * thickness)], points=6)
    body = rigid_edge(
        shell, "end", shift=(ANY, ANY, ANY), spin=ABOUT_AXIS, axis=(0.0, -1.0, 0.0), moment=moment
    )
    structure = Structure([term], hold(shell, [built_in(shell, "start", 2)], (body,)), [], shell.weights)
    path = follow(structure, structure.ends.reduce(shell.rest.ravel()), np.linspace(0.1, 1.0, 10))
    assert path.finished
    u = path.points[-1].u
    assert u[-1] == pytest.approx(curvature * 20.0, rel=5e-3)
