"""The bicubic rectangle: it reproduces bicubic polynomials and their derivatives, on graded and long
meshes."""

from __future__ import annotations

import numpy as np
import pytest
from skfem import Basis, ElementQuadBFS, MeshQuad

from fem.mesh.bicubic import BicubicRectangle, build_grid, hermite, shape_at


def _cubic(s, q):  # value, s, q, sq, ss, qq of (1 + 2 s - s^3)(q^2 - 0.3 q^3)
    f, f1, f2 = 1 + 2 * s - s**3, 2 - 3 * s**2, -6 * s
    g, g1, g2 = q**2 - 0.3 * q**3, 2 * q - 0.9 * q**2, 2 - 1.8 * q
    return f * g, f1 * g, f * g1, f1 * g1, f2 * g, f * g2


GRID = build_grid(np.array([0.0, 0.4, 1.0, 1.1]), np.array([-1.0, -0.2, 0.5]))


def _interpolant(grid):
    s, q = grid.coordinates().T
    value, first, second, mixed, _, _ = _cubic(s, q)
    x = np.empty(4 * grid.nodes)
    for kind, column in enumerate((value, first, second, mixed)):
        x[grid.nodal[kind]] = column
    return x


def test_bicubic_polynomial_is_reproduced_with_all_derivatives() -> None:
    x = _interpolant(GRID)
    s, q = GRID.points[..., 0], GRID.points[..., 1]
    value, first, second, mixed, ss, qq = _cubic(s, q)
    assert np.allclose(np.einsum("epi,ei->ep", GRID.values, x[GRID.dofs]), value, atol=1e-13)
    computed = np.einsum("epdi,ei->dep", GRID.derivatives, x[GRID.dofs])
    for row, exact in zip(computed, (first, second, ss, qq, mixed), strict=True):
        assert np.allclose(row, exact, atol=1e-11)


def test_point_evaluation_agrees_with_the_polynomial() -> None:
    points = np.array([[0.0, -1.0], [0.37, 0.1], [1.1, 0.5], [0.4, -0.2]])
    dofs, values = shape_at(GRID, points)
    got = np.einsum("mri,mi->rm", values, _interpolant(GRID)[dofs])
    value, first, second, mixed, ss, qq = _cubic(points[:, 0], points[:, 1])
    for row, exact in zip(got, (value, first, second, ss, qq, mixed), strict=True):
        assert np.allclose(row, exact, atol=1e-11)


def test_point_outside_is_refused() -> None:
    with pytest.raises(ValueError, match=r"parameter 0 must lie in \[0, 1.1\]"):
        shape_at(GRID, np.array([[2.0, 0.0]]))


def test_agrees_with_the_stock_element_on_a_unit_mesh() -> None:
    mesh = MeshQuad.init_tensor(np.linspace(0, 1, 3), np.linspace(0, 1, 3))
    ours, stock = (Basis(mesh, e, intorder=5) for e in (BicubicRectangle(), ElementQuadBFS()))
    for k in range(16):
        assert np.allclose(ours.basis[k][0].hess, stock.basis[k][0].hess, atol=1e-9)


def test_second_derivatives_keep_their_digits_on_a_long_strip() -> None:
    grid = build_grid(np.linspace(0.0, 300.0, 61), np.linspace(-6.0, 6.0, 7))
    s, q = grid.coordinates().T
    x = np.zeros(4 * grid.nodes)
    for kind, column in enumerate((s**3 * q / 1e6, 3 * s**2 * q / 1e6, s**3 / 1e6, 3 * s**2 / 1e6)):
        x[grid.nodal[kind]] = column
    computed = np.einsum("epi,ei->ep", grid.derivatives[:, :, 2], x[grid.dofs])
    exact = 6 * grid.points[..., 0] * grid.points[..., 1] / 1e6
    assert np.max(np.abs(computed - exact)) < 1e-11 * np.max(np.abs(exact)) + 1e-13


def test_hermite_ends() -> None:
    shape = hermite(np.array([0.0, 1.0]))
    assert np.allclose(shape[0], [[1, 0], [0, 0]])
    assert np.allclose(shape[1], [[0, 0], [1, 0]])


def test_cells_number_the_elements() -> None:
    """In the order of the nodes they change no digit; in another order the elements are the same ones."""
    cells = np.array([[0, 3, 4, 1], [1, 4, 5, 2], [3, 6, 7, 4], [4, 7, 8, 5], [6, 9, 10, 7], [7, 10, 11, 8]])
    same = build_grid(GRID.stations, GRID.across, cells)
    for name, value in vars(GRID).items():
        np.testing.assert_array_equal(getattr(same, name), value)
    order = np.array([4, 0, 5, 2, 1, 3])
    other = build_grid(GRID.stations, GRID.across, cells[order])
    for name in ("dofs", "values", "derivatives", "points", "weights"):
        np.testing.assert_array_equal(getattr(other, name), getattr(GRID, name)[order])
    np.testing.assert_array_equal(other.nodal, GRID.nodal)


def test_area_is_exact_and_grid_lines_must_increase() -> None:
    assert GRID.weights.sum() == pytest.approx(1.1 * 1.5, rel=1e-14)
    with pytest.raises(ValueError, match="increasing"):
        build_grid(np.array([0.0, 0.0]), np.array([0.0, 1.0]))
