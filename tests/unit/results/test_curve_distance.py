"""Distance of curves: against closed forms, whatever the sampling."""

from __future__ import annotations

import numpy as np
import pytest

from fem.core.term import Array
from fem.results.curve_distance import departure, nearest, thinned


def peak(x: Array, place: float = 0.5, wide: float = 0.1) -> Array:
    return np.stack([x, np.exp(-(((x - place) / wide) ** 2))], axis=1)


def test_nearest_place_of_a_point_on_a_bent_line() -> None:
    corner = np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 2.0]])
    distance, place = nearest(np.array([[0.5, 0.3], [3.0, 1.0], [-3.0, -4.0], [2.5, -0.0]]), corner)
    assert distance == pytest.approx([0.3, 1.0, 5.0, 0.5])
    assert place == pytest.approx([0.25, 1.5, 0.0, 1.0])


def test_a_curve_of_one_point_and_of_a_point_twice() -> None:
    assert nearest(np.array([[3.0, 4.0]]), np.zeros((1, 2)))[0] == pytest.approx([5.0])
    assert nearest(np.array([[3.0, 4.0]]), np.zeros((2, 2)))[0] == pytest.approx([5.0])


def test_the_same_line_with_more_points_is_at_no_distance() -> None:
    rough = peak(np.linspace(0.0, 1.0, 20))
    places = np.linspace(0.0, 19.0, 19 * 7 + 1)
    fine = np.stack([np.interp(places, np.arange(20), column) for column in rough.T], axis=1)
    assert departure(rough, fine).distance < 1e-15


@pytest.mark.parametrize(("a", "b"), [(101, 83), (201, 167), (401, 333)])
def test_a_smooth_curve_sampled_elsewhere_departs_by_no_more_than_the_sag(a: int, b: int) -> None:
    """Sag k h^2 / 8 of the coarser one; the peak's curvature is 2 / wide^2."""
    sag = (2 / 0.1**2) * (1.0 / (b - 1)) ** 2 / 8
    apart = departure(peak(np.linspace(0.0, 1.0, a)), peak(np.linspace(0.0, 1.0, b)))
    assert 0.0 < apart.distance <= 1.01 * sag


def test_index_by_index_the_same_curve_would_be_far_away() -> None:
    even, uneven = np.linspace(0.0, 1.0, 200), np.linspace(0.0, 1.0, 200) ** 2
    assert np.abs(peak(even) - peak(uneven)).max() > 0.2
    assert departure(peak(even), peak(uneven)).distance < 0.003


@pytest.mark.parametrize("shift", [0.02, 0.05, -0.05])
def test_a_shifted_peak_is_found_where_it_is(shift: float) -> None:
    x = np.linspace(0.0, 1.0, 400)
    apart = departure(peak(x), peak(x, 0.5 + shift))
    assert 0.8 * abs(shift) < apart.distance <= abs(shift) + 1e-12
    for place in (apart.place_a, apart.place_b):
        assert abs(place / 399 - 0.5) < 0.2


def test_a_peak_that_only_one_has_is_found_either_way() -> None:
    x = np.linspace(0.0, 1.0, 400)
    flat, bump = np.stack([x, 0.0 * x], axis=1), peak(x, 0.7, 0.02) * [1.0, 0.3]
    for apart, with_bump in ((departure(flat, bump), "place_b"), (departure(bump, flat), "place_a")):
        assert apart.distance == pytest.approx(0.3, rel=1e-2)
        assert getattr(apart, with_bump) / 399 == pytest.approx(0.7, abs=0.01)


def test_a_curve_may_end_a_little_later_but_not_much() -> None:
    x = np.linspace(0.0, 1.0, 101)
    steep = np.stack([x, np.where(x > 0.98, 30.0 * (x - 0.98), 0.0)], axis=1)
    assert departure(steep, steep[:-2]).distance > 0.5
    assert departure(steep, steep[:-2], 0.05).distance == 0.0
    assert departure(steep[:-2], steep, 0.05).distance == 0.0
    early = departure(steep, steep[:-10], 0.05)
    assert early.distance > 0.5 and early.place_a == 100.0


def test_long_curves_are_looked_at_in_pieces() -> None:
    x = np.linspace(0.0, 1.0, 1500)
    assert departure(peak(x), peak(x) + np.array([0.0, 0.25])).distance == pytest.approx(0.25, abs=1e-3)


def test_thinning_keeps_ends_peaks_and_what_it_is_told_to() -> None:
    curve = peak(np.linspace(0.0, 1.0, 501))
    few = thinned(curve, [77], 40)
    assert len(few) == 40
    assert {0, 77, 250, 500} <= set(few.tolist())
    assert departure(curve, curve[few]).distance < 0.01


def test_thinning_a_straight_line_needs_its_ends_only() -> None:
    x = np.linspace(0.0, 1.0, 50)
    line = np.stack([x, 0.7 * x], axis=1)
    assert thinned(line, [], 40).tolist() == [0, 49]
