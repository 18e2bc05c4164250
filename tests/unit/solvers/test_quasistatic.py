"""Snaps to the next static state: the von Mises truss, and a column that leaves its straight shape."""

from __future__ import annotations

import numpy as np
import pytest
from trusses import EA, L0, SPRING, Column, H, Push, exact, truss

from fem.solvers.constraints import Ends
from fem.solvers.newton import NewtonSettings
from fem.solvers.quasistatic import SettleSettings, follow_stable, settle
from fem.solvers.static_problem import Structure

TIGHT = SettleSettings(move=0.2, nudge=1e-3, newton=NewtonSettings(correction=1e-9, iterations=8))


def strain_energy(drop: float) -> float:
    """EA L0 e^2 of both bars with Green strain."""
    strain = ((H - drop) ** 2 - H**2) / (2 * L0**2)
    return EA * L0 * strain**2


def test_truss_snaps_through_to_the_inverted_state_and_loses_the_right_energy() -> None:
    structure, start = truss(1.0)
    course = follow_stable(structure, start, [2.0, 3.7, 4.0], TIGHT)
    assert course.finished
    (snap,) = course.snaps
    limit = 2 * EA * H**3 / (3 * np.sqrt(3) * L0**3)
    assert limit <= snap.level <= limit + 0.3 / 2**TIGHT.halvings + 1e-9
    drop = H - course.points[-1].u[0]
    assert drop > 2.0
    assert exact(drop) == pytest.approx(4.0, rel=1e-8)
    before = H * (1 - 1 / np.sqrt(3))
    after = H * (1 + 2 / np.sqrt(3))  # the other root of P(w) = limit load
    assert exact(after) == pytest.approx(limit, rel=1e-12)
    lost = strain_energy(before) - strain_energy(after) + limit * (after - before)
    assert snap.lost == pytest.approx(lost, rel=0.02)


def test_points_between_snaps_are_stable_and_at_rest() -> None:
    structure, start = truss(1.0)
    course = follow_stable(structure, start, list(np.linspace(0.5, 5.0, 10)), TIGHT)
    for point in course.points:
        assert point.stable
        assert abs(structure.gradient(point.u, point.level)).max() < 1e-6


def test_energy_falls_while_settling_and_the_state_is_static() -> None:
    structure, start = truss(1.0)
    rest = settle(structure, start, 4.5, TIGHT)
    assert rest.at_rest
    assert rest.message == "at rest"
    fallen = structure.energy(start, 4.5) - structure.energy(rest.point.u, 4.5)
    assert rest.lost == pytest.approx(fallen, rel=1e-9)
    assert rest.lost > 0.0


def test_column_on_its_unstable_straight_branch_is_left_sideways() -> None:
    structure = Structure([Column()], Ends(2), [Push()])
    course = follow_stable(structure, np.zeros(2), [1.5, 2.5], TIGHT)
    assert course.finished
    lean = abs(course.points[-1].u[0])
    assert SPRING * lean / np.sin(lean) == pytest.approx(2.5, rel=1e-6)


def test_too_few_steps_are_reported_in_words_not_as_a_state() -> None:
    structure, start = truss(1.0)
    few = SettleSettings(move=0.01, steps=3, newton=NewtonSettings(correction=1e-9, iterations=8))
    course = follow_stable(structure, start, [4.5], few)
    assert not course.finished
    assert "still moving after 3 steps" in course.message
    assert course.points == ()
