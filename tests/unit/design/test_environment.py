"""Dimensions around the strip, and which way weight pulls."""

from __future__ import annotations

import math

import pytest

from fem.design.environment import STANDARD_GRAVITY, Friction, Slot, Weight


def test_weight_acts_only_where_it_is_asked_to() -> None:
    assert Weight().acceleration() == (0.0, 0.0)
    assert Weight(True).acceleration() == pytest.approx((0.0, -9806.65), abs=1e-9)


@pytest.mark.parametrize("degrees", [0.0, 30.0, -120.0])
def test_weight_pulls_the_way_it_is_told(degrees: float) -> None:
    x, y = Weight(True, math.radians(degrees)).acceleration()
    assert math.hypot(x, y) == pytest.approx(STANDARD_GRAVITY)
    assert math.degrees(math.atan2(y, x)) == pytest.approx(degrees)


def test_what_a_case_leaves_out_can_be() -> None:
    assert Slot().gap > 0.0 and Slot().lip > 0.0
    assert Friction().strip == Friction().wraps
