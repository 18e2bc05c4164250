"""Steps of the rod by few tangents: the same states as by many, corrections that learn."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from small_cases import small_case

from fem.rod.model import RodModel, build_rod_model
from fem.rod.motion import RodMotion
from fem.simulation.assembly import assemble
from fem.simulation.stepper import StepSize, Trip
from fem.solvers.implicit_dynamics import Motion


def wound(folder: Path, kind: type[Motion]) -> tuple[RodModel, Trip, int]:
    """A small strip wound in, with how many tangents were factorised."""
    model = build_rod_model(small_case(folder, friction=0.2))
    old = model.motion
    model.motion = kind(
        old.plain,
        old.heldterms,
        old.mass,
        old.size,
        old.group,
        old.fixed,
        old.places,
        old.settings,
        old.ahead,
    )
    factors, factorise = [], model.motion.matrix.factor_general
    model.motion.matrix.factor_general = lambda blocks: factors.append(1) or factorise(blocks)
    trip = assemble(model, model.clamp())
    assert isinstance(trip, Trip)
    assert trip.advance(1.5, StepSize(0.05, 0.05, 1e-6), lambda now: False)
    return model, trip, len(factors)


def test_old_factors_lead_to_the_same_states_with_fewer_tangents(tmp_path: Path) -> None:
    model, few, factors = wound(tmp_path, RodMotion)
    _, many, often = wound(tmp_path, Motion)
    assert few.accepted == many.accepted  # the same steps
    places = model.motion.places
    moved = np.abs(few.u - many.u)[places].max()
    assert moved < 20 * model.motion.settings.settled  # of some 30 steps, each settled to that
    assert few.force == pytest.approx(many.force, rel=0.01)
    assert factors < 0.9 * often


def test_corrections_learn_the_tangent_as_broyden_does() -> None:
    """Applied to a linear system of n unknowns with a wrong inverse, Broyden's method ends after 2 n steps at
    most (Gay 1979, SIAM J. Numer. Anal. 16:623; from memory).
    """
    rng = np.random.default_rng(5)
    n = 4
    tangent = np.eye(n) + 0.3 * rng.normal(size=(n, n))
    answer, motion = rng.normal(size=n), SimpleNamespace(places=np.ones(n, dtype=bool))
    u = np.zeros(n)
    taken = [tangent @ (answer - u)]  # the old factors: those of the identity
    u = u + taken[0]
    for _ in range(2 * n - 1):
        rest = tangent @ (answer - u)
        if np.linalg.norm(rest) < 1e-12:
            break
        taken.append(RodMotion._secant(motion, taken, rest))
        u = u + taken[-1]
    assert u == pytest.approx(answer, abs=1e-8)
    repeated = answer - np.linalg.matrix_power(np.eye(n) - tangent, 2 * n) @ answer
    assert np.abs(repeated - answer).max() > 1e-4  # without learning
