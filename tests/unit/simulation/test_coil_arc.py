"""Where a long strip is no uniform arc: between the curvatures of the straight part and of the fold."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest
from small_cases import small_case

from fem.case.definition import Case
from fem.design.loading import Coil
from fem.results.outcome import Status
from fem.section_model.fold import fold
from fem.section_model.moment_curvature import moment_curve
from fem.section_model.summary import section_problem
from fem.simulation.coil_arc import uneven_arc
from fem.simulation.run import run_case

DEEP: dict[str, object] = {"width": 14.0, "section_radius": 9.0, "thickness": 0.4, "young": 300.0}
YOUNG, NU, THICKNESS, WIDTH, RADIUS = 300.0, 0.45, 0.4, 14.0, 9.0


@pytest.fixture
def case(tmp_path: Path) -> Case:
    return small_case(tmp_path, **DEEP, runs="{ straight = 60.0 }")


def test_a_flat_strip_is_a_uniform_arc_at_any_radius(tmp_path: Path) -> None:
    flat = small_case(tmp_path, section_radius=5000.0)
    assert all(uneven_arc(flat, radius) is None for radius in (5.0, 20.0, 80.0))


def test_it_is_uneven_between_the_fold_and_the_straight_part(case: Case) -> None:
    found = fold(moment_curve(section_problem(case.strip, 30.0)), 1)
    assert found is not None
    tight, wide = found.fold_radius, 1.0 / found.steady.straight_curvature
    assert uneven_arc(case, 0.98 * tight) is None
    assert uneven_arc(case, 1.02 * tight) is not None
    assert uneven_arc(case, 0.98 * wide) is not None
    assert uneven_arc(case, 1.02 * wide) is None


def test_both_moments_are_told_and_the_steady_one_is_that_of_a_long_fold(case: Case) -> None:
    uneven = uneven_arc(case, 20.0)
    assert uneven is not None
    numbers = uneven.quantities()
    even, steady = numbers["moment_uniform_Nmm"].value, numbers["moment_steady_Nmm"].value
    assert f"{even:.3g} N mm" in uneven.sentence() and f"{steady:.3g} N mm" in uneven.sentence()
    # fold of a thin curved strip in equal sense: (1 - nu) D alpha (Seffen & Pellegrino 1999, Proc. R. Soc. A
    # 455:1003, from memory), alpha the turn of the section; free edges take a little of that in a thick strip
    plate = YOUNG * THICKNESS**3 / 12 / (1 - NU**2)
    assert steady == pytest.approx((1 - NU) * plate * WIDTH / RADIUS, rel=0.1)
    assert even != pytest.approx(steady, rel=0.05)


def test_a_bend_that_is_opened_folds_away_and_takes_moments_the_other_way(tmp_path: Path) -> None:
    bent = small_case(tmp_path, **DEEP, runs="{ bend = 40.0, radius = 60.0 }, { straight = 30.0 }")
    uneven = uneven_arc(bent, 100.0)
    assert uneven is not None
    assert uneven.place.bend == 1
    even, steady = (number.value for number in uneven.quantities().values())
    assert even < steady < 0.0
    assert "away from the axle in places" in uneven.sentence()


@pytest.mark.slow
def test_a_long_strip_wound_there_carries_the_steady_moment(tmp_path: Path) -> None:
    long = small_case(tmp_path, **DEEP, runs="{ straight = 120.0 }")
    result = run_case(replace(long, push=Coil(radius=16.0)), "rod")
    assert any("no uniform arc" in text for text in result.warnings)
    steady = result.quantities["moment_steady_Nmm"].value
    assert result.status == Status.SNAPPED
    assert result.quantities["moment_end_Nmm"].value == pytest.approx(steady, rel=0.03)
    assert math.isfinite(result.quantities["moment_uniform_Nmm"].value)
    # the fold has the fold's radius, not that of the coil
    assert result.path["curvature_peak_per_mm"][-1] > 1.2 / 16.0


def test_a_tight_coil_says_nothing(tmp_path: Path) -> None:
    short = small_case(tmp_path, **DEEP, runs="{ straight = 40.0 }")
    result = run_case(replace(short, push=Coil(radius=5.0)), "rod")
    assert not any("uniform arc" in text for text in result.warnings)
    assert "moment_steady_Nmm" not in result.quantities
