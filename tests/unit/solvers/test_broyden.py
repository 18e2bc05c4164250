"""Corrections by old factors with what they have taught, against Broyden's update written out as a matrix."""

from __future__ import annotations

import numpy as np

from fem.core.term import Array
from fem.solvers.broyden import learned

RANDOM = np.random.default_rng(3)
TANGENT = np.eye(5) + 0.2 * RANDOM.standard_normal((5, 5))
OLD = np.eye(5)
"""What the old factors are of, and what they should be of."""
EVERYWHERE = np.ones(5, dtype=np.bool_)


def broyden(count: int) -> tuple[list[Array], Array, Array]:
    """Steps of Broyden's first method on A x = b from 0: the steps, what remains after them by the old
    factors, and the next step by the updated matrix.
    """
    right = RANDOM.standard_normal(5)
    matrix, x, steps = OLD.copy(), np.zeros(5), []
    step = np.linalg.solve(matrix, right)
    for _ in range(count):
        steps.append(step)
        x = x + step
        rest = right - TANGENT @ x
        # B' = B + (y - B s) s' / s's with y = A s; here y - B s = -rest after a full step
        matrix = matrix + np.outer(TANGENT @ step - matrix @ step, step) / (step @ step)
        step = np.linalg.solve(matrix, rest)
    return steps, np.linalg.solve(OLD, rest), step


def test_the_next_step_is_that_of_the_updated_matrix() -> None:
    for count in (1, 2, 4):
        steps, rest, following = broyden(count)
        correction, share = learned(steps, rest, EVERYWHERE)
        assert np.allclose(correction / (1.0 - share), following, rtol=1e-12)


def test_lengths_are_those_of_the_marked_unknowns() -> None:
    places = np.array([True, True, False, True, False])
    step, rest = RANDOM.standard_normal(5), RANDOM.standard_normal(5)
    correction, share = learned([step], rest, places)
    assert np.array_equal(correction, rest), "one step has taught nothing but its own share"
    assert share == float(step[places] @ rest[places]) / float(step[places] @ step[places])
