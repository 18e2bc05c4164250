"""Arc-length on problems with closed forms: the von Mises truss, and a column on a rotational spring.

Truss with Green strain: limit load 2 EA h^3 / (3 sqrt 3 L0^3) at w = h (1 - 1/sqrt 3). Column of length 1 on
a rotational spring k and an axial spring c: bifurcation at P = k, buckled branch P = k a / sin a.
"""

from __future__ import annotations

import numpy as np
import pytest
from trusses import EA, L0, SPRING, Column, H, Push, exact, truss

from fem.solvers.arc_length import ArcSettings, critical_mode, follow_branch, switch_branch
from fem.solvers.constraints import Ends
from fem.solvers.newton import NewtonSettings
from fem.solvers.static_problem import Structure

TIGHT = NewtonSettings(correction=1e-9, iterations=10)


def test_truss_curve_and_both_limit_points() -> None:
    structure, start = truss(1.0)
    branch = follow_branch(
        structure, start, ArcSettings(0.05, most=0.15, newton=TIGHT), lambda p: p.u[0] < -1.3
    )
    assert branch.finished
    for point in branch.points:
        assert point.level == pytest.approx(exact(H - point.u[0]), rel=1e-7, abs=1e-7)
    up, down = branch.events
    limit = 2 * EA * H**3 / (3 * np.sqrt(3) * L0**3)
    assert (up.kind, down.kind) == ("limit point", "limit point")
    assert up.level == pytest.approx(limit, rel=1e-4)
    assert down.level == pytest.approx(-limit, rel=1e-4)
    assert H - up.u[0] == pytest.approx(H * (1 - 1 / np.sqrt(3)), abs=0.01)


def test_stability_changes_exactly_between_the_limit_points() -> None:
    structure, start = truss(1.0)
    branch = follow_branch(
        structure, start, ArcSettings(0.05, most=0.15, newton=TIGHT), lambda p: p.u[0] < -1.3
    )
    for point in branch.points:
        drop = H - point.u[0]
        assert point.stable == (abs(H - drop) > H / np.sqrt(3))


def test_sampled_curve_is_close_to_the_exact_one_between_points() -> None:
    structure, start = truss(1.0)
    branch = follow_branch(
        structure, start, ArcSettings(0.05, most=0.15, newton=TIGHT), lambda p: p.u[0] < -1.3
    )
    height, level = branch.sample(np.array([1.0]))
    assert np.max(np.abs(level - exact(H - height))) < 1e-3 * 3.8


def test_column_bifurcation_is_found_and_its_branch_entered() -> None:
    structure = Structure([Column()], Ends(2), [Push()])
    branch = follow_branch(
        structure, np.zeros(2), ArcSettings(0.004, most=0.004, newton=TIGHT), lambda p: p.level > 2.5
    )
    (event,) = branch.events
    assert event.kind == "bifurcation"
    assert event.level == pytest.approx(SPRING, rel=1e-4)
    value, mode = critical_mode(structure, event.u, event.level)
    assert abs(value) < 1e-3
    assert np.abs(mode) == pytest.approx([1.0, 0.0], abs=1e-6)
    settings = ArcSettings(0.05, most=0.1, newton=TIGHT)
    found = switch_branch(structure, event, 0.1, settings)
    assert found is not None
    point, direction = found
    buckled = follow_branch(
        structure, point.u, settings, lambda p: abs(p.u[0]) > 1.0, level=point.level, toward=direction
    )
    assert buckled.finished
    for item in buckled.points:
        lean = item.u[0]
        assert item.level == pytest.approx(SPRING * lean / np.sin(lean), rel=1e-7)
        assert item.stable


def test_a_walk_that_cannot_start_says_so() -> None:
    structure, _ = truss(1.0)
    settings = ArcSettings(0.05, newton=NewtonSettings(iterations=1, correction=1e-14))
    branch = follow_branch(structure, np.array([0.9]), settings, lambda p: True)
    assert not branch.finished
    assert branch.message.startswith("no equilibrium at the start")
