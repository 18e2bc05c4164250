"""How a load curve is read: first peak, stiffness at the start, softening, a load that is reached."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from small_cases import small_case

from fem.design.loading import Press
from fem.results.columns import unit_of
from fem.simulation.fixtures import TESTS
from fem.simulation.load_curve import BenchRules, LoadCurve


def curve(load: list[float], way: list[float] | None = None, sign: float = 1.0, **more: object) -> LoadCurve:
    way = [0.1 * i for i in range(len(load))] if way is None else way
    loads, ways = (sign * np.array(values, dtype=float) for values in (load, way))
    return LoadCurve(ways, loads, {}, (), **more)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_first_peak_is_where_the_load_then_falls(sign: float) -> None:
    assert curve([0, 1, 2, 3], sign=sign).first_peak() is None
    assert curve([0, 1, 2, 1.95, 2.5], sign=sign).first_peak() is None  # a dip below the threshold
    assert curve([0, 1, 2, 1.0, 5.0, 1.0], sign=sign).first_peak() == 2
    assert curve([0.0]).first_peak() is None
    assert curve([]).first_peak() is None


def test_a_load_that_turns_against_the_push_is_no_peak() -> None:
    assert curve([0.0, -1.0, -2.0, -1.0]).first_peak() is None


def test_under_a_driven_load_the_first_peak_is_where_the_strip_jumps() -> None:
    assert curve([0, 1, 2, 3, 4], jumps=(2,)).first_peak() == 2
    assert curve([0, 2, 1, 3, 4], jumps=(3,)).first_peak() == 1


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_the_stiffness_is_the_slope_at_the_start_of_a_curved_path(sign: float) -> None:
    way = [0.0, 0.2, 0.46, 0.8, 1.24]
    load = [3.0 * x - 0.4 * x**2 for x in way]
    assert curve(load, way, sign).stiffness() == pytest.approx(3.0)
    load[1] *= 1.2
    assert curve(load, way, sign, first_steady=2).stiffness() == pytest.approx(3.0)
    assert math.isnan(curve(load[:4], way[:4], first_steady=2).stiffness())
    assert math.isnan(curve([0.0, 1.0, 2.0], [0.0, 1.0, 1.0]).stiffness())


def test_what_is_there_at_the_start_is_no_stiffness() -> None:
    way = [0.0, 0.1, 0.3, 0.6]
    assert curve([5.0 + 2.0 * x for x in way], way).stiffness() == pytest.approx(2.0)


def test_what_the_grips_carry_before_the_push_does_not_soften_it() -> None:
    assert not curve([-5.0, -4.0, -3.0, -2.0, -1.0, 0.0]).softened()
    assert curve([-5.0, -4.0, -3.0, -2.9, -2.85, -2.84]).softened()


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_load_counts_by_whether_it_works_against_the_push(sign: float) -> None:
    assert curve([-3.0, 1.0, 2.0], sign=sign).against == pytest.approx([-3.0, 1.0, 2.0])


def test_a_load_that_stops_growing_has_softened() -> None:
    assert curve([0.0, 1.0, 2.0, 2.2, 2.3, 2.31]).softened()
    assert not curve([0.0, 1.0, 2.0, 3.0, 3.9, 4.5]).softened()
    assert not curve([0.0, 1.0, 1.2]).softened()


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_load_counts_as_reached_only_before_the_station_has_gone_too_far(sign: float) -> None:
    rules = BenchRules(Press.control_column, Press.load_column, wanted=2.0, within=0.35)
    assert curve([0.0, 1.0, 1.5, 1.99], sign=sign).reaches(rules)  # to 1 %
    assert not curve([0.0, 1.0, 1.5, 1.9], sign=sign).reaches(rules)
    assert not curve([0.0, 0.5, 1.0, 1.5, 2.0], sign=sign).reaches(rules)
    assert not curve([]).reaches(rules)


def test_units_follow_the_names_of_the_columns(tmp_path: Path) -> None:
    assert [unit_of(name) for name in ("force_N", "moment_Nmm", "turn_rad", "pressed_mm")] == [
        "N", "N mm", "rad", "mm",
    ]  # fmt: skip
    for test in TESTS:
        rules = test.rules(small_case(tmp_path, f'kind = "{test.push.kind}"'))
        for name in (rules.control, rules.load):
            assert unit_of(name).replace(" ", "") == name.rsplit("_", 1)[1]
