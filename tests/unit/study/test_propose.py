import math

import numpy as np
import pytest
from scipy import integrate, stats

from fem.study.propose import Axis, Told, drawn_in, features, log_improvement, propose, snapped

FREE = (Axis(), Axis())


def told(points: np.ndarray) -> list[Told]:
    """Least distance from (.7, .2), with x >= .75 as a bound."""
    return [
        Told(point, (float(np.hypot(point[0] - 0.7, point[1] - 0.2)),), (0.75 - float(point[0]),))
        for point in points
    ]


def searched(axes: tuple[Axis, ...], count: int, seed: int = 1) -> list[Told]:
    known: list[Told] = []
    while len(known) < count:
        known += told(propose(axes, known, 2, seed))
    return known


def test_expected_improvement_is_that_of_the_integral():
    for mean in (-2.0, 0.3, 3.0, 12.0):
        deviation, best = 0.8, 0.5
        density = stats.norm(mean, deviation).pdf
        integral = integrate.quad(
            lambda y, density=density: (0.5 - y) * density(y), best - 30.0, best, points=[best - 1.0, mean]
        )[0]
        found = log_improvement(best, np.array([mean]), np.array([deviation]))[0]
        assert found == pytest.approx(math.log(integral), rel=1e-3)
    far = log_improvement(0.0, np.array([40.0, 80.0]), np.ones(2))
    assert np.isfinite(far).all() and far[1] < far[0]


def test_values_are_drawn_in_only_far_away_and_keep_their_order():
    values = np.array([-0.1, 0.0, 0.1, 1.0, 1e6])
    moved = drawn_in(values, 0.0, 0.5)
    assert (np.diff(moved) > 0.0).all() and moved[1] == 0.0
    assert moved[-1] < 20.0
    assert drawn_in(np.zeros(3), 0.0, 0.5) == pytest.approx(np.zeros(3))


def test_the_best_lies_on_the_bound_and_is_found():
    best = min((each for each in searched(FREE, 24) if each.kept), key=lambda each: each.costs[0])
    assert best.point == pytest.approx([0.75, 0.2], abs=0.01)


def test_the_same_is_proposed_after_an_interruption():
    known = searched(FREE, 12)
    again = searched(FREE, 6)
    again += told(np.array([each.point for each in known[6:]]))
    np.testing.assert_array_equal(propose(FREE, known, 2, 1), propose(FREE, again, 2, 1))
    assert not np.array_equal(propose(FREE, [], 2, 1), propose(FREE, [], 2, 2))


def test_a_batch_holds_different_new_points():
    known = searched(FREE, 10)
    found = propose(FREE, known, 4, 1)
    every = np.vstack([found, *[each.point for each in known]])
    apart = np.abs(every[:, None] - every[None]).max(axis=2) + np.eye(len(every))
    assert len(found) == 4 and apart.min() >= 1e-5


def test_steps_and_names_are_kept_to():
    axes = (Axis((0.0, 0.25, 0.5, 0.75, 1.0)), Axis((1 / 6, 0.5, 5 / 6), unordered=True))
    known = searched(axes, 12)
    for each in known:
        assert each.point[0] in axes[0].levels and each.point[1] in axes[1].levels
    best = min((each for each in known if each.kept), key=lambda each: each.costs[0])
    assert best.point == pytest.approx([0.75, 1 / 6])
    rest = 15 - len(known)
    assert len(propose(axes, known, 9, 1)) == rest  # there are no more than fifteen


def test_names_are_equally_far_from_each_other():
    axis = Axis((1 / 6, 0.5, 5 / 6), unordered=True)
    seen = features((axis,), np.array([[1 / 6], [0.5], [5 / 6]]))
    apart = np.linalg.norm(seen[:, None] - seen[None], axis=2)
    assert apart[~np.eye(3, dtype=bool)] == pytest.approx(np.ones(6))
    np.testing.assert_array_equal(snapped((axis,), np.array([[0.3], [2.0]])), [[1 / 6], [5 / 6]])


def test_where_runs_fail_few_are_tried():
    def outcome(points: np.ndarray) -> list[Told]:
        return [Told(point) if point[0] < 0.75 else told(point[None])[0] for point in points]

    known = outcome(propose(FREE, [], 12, 3))
    assert any(each.failed for each in known)
    late = []
    for _ in range(6):
        late += outcome(propose(FREE, known + late, 2, 3))
    assert sum(each.failed for each in late) <= 0.4 * len(late)


def test_what_is_not_admissible_is_never_proposed():
    def may(point: np.ndarray) -> bool:
        return bool(point[1] > 0.5)

    known: list[Told] = []
    for _ in range(8):
        known += told(propose(FREE, known, 2, 1, may))
    assert all(each.point[1] > 0.5 for each in known)
    assert len(propose(FREE, known, 2, 1, lambda point: False)) == 0


def test_two_costs_spread_along_their_front():
    def outcome(points: np.ndarray) -> list[Told]:
        # the front of x and 1 - x is every x at y = 0
        return [Told(p, (p[0] + p[1] ** 2, 1.0 - p[0] + p[1] ** 2)) for p in points]

    known: list[Told] = []
    for _ in range(15):
        known += outcome(propose(FREE, known, 2, 1))
    near = [each.point[0] for each in known if each.point[1] < 0.1]
    assert min(near) < 0.15 and max(near) > 0.85
    assert max(np.diff(sorted(near))) < 0.4


def test_different_numbers_of_bounds_are_refused():
    known = [Told(np.zeros(2), (1.0,), (0.0,)), Told(np.ones(2), (1.0,))] * 5
    with pytest.raises(ValueError, match="different numbers"):
        propose(FREE, known, 1)
