"""Points of a study: grids, low-discrepancy sets, and the way between values and the unit cube."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import qmc

from fem.case.study_tables import Vary
from fem.core.errors import InputError
from fem.study.samples import (
    at,
    grid,
    line,
    point_shares,
    point_values,
    rounded,
    share_of,
    sobol,
    sobol_shares,
)

GAP = Vary("slot.gap", 1.2, 1.8)
STEPPED = Vary("casing.radius", 7.0, 9.0, step=0.25)
CHOICE = Vary("strip.winding", choices=("equal", "opposite"))


def test_a_grid_has_every_combination_once() -> None:
    made = grid([(GAP, 3), (CHOICE, None)])
    assert len(made) == 6
    assert made[0] == {"slot.gap": 1.2, "strip.winding": "equal"}
    assert made[-1] == {"slot.gap": 1.8, "strip.winding": "opposite"}
    assert {point["slot.gap"] for point in made} == {1.2, 1.5, 1.8}


def test_a_line_ends_at_both_ends_and_holds_what_can_be_made() -> None:
    assert line(STEPPED, 6) == (7.0, 7.5, 7.75, 8.25, 8.5, 9.0)
    assert len(line(STEPPED, 40)) == 9, "each value once"
    assert line(GAP)[0] == 1.2 and line(GAP)[-1] == 1.8


def test_steps_that_do_not_fit_stay_within_the_range() -> None:
    uneven = Vary("a", 1.0, 2.0, step=0.3)
    assert rounded(uneven, 2.0) == 1.9 and rounded(uneven, 0.0) == 1.0


def test_values_go_to_the_unit_cube_and_back() -> None:
    ranges = (GAP, STEPPED, CHOICE)
    for shares in sobol_shares(3, 16):
        values = point_values(ranges, shares)
        assert point_values(ranges, point_shares(ranges, values)) == values
    assert share_of(GAP, 1.5) == pytest.approx(0.5)
    assert at(CHOICE, 1.0) == "opposite" and at(CHOICE, 0.0) == "equal"


def test_a_low_discrepancy_set_is_the_same_again_and_grows_by_its_end() -> None:
    few, many = sobol([GAP, STEPPED], 8), sobol([GAP, STEPPED], 32)
    assert few == sobol([GAP, STEPPED], 8) and many[:8] == few
    assert few != sobol([GAP, STEPPED], 8, seed=2)


def test_it_fills_the_cube_more_evenly_than_chance() -> None:
    """Discrepancy as scipy measures it (centred L2)."""
    chance = [qmc.discrepancy(np.random.default_rng(seed).random((64, 3))) for seed in range(5)]
    assert qmc.discrepancy(sobol_shares(3, 64)) < 0.5 * min(chance)


def test_too_many_runs_are_refused() -> None:
    with pytest.raises(InputError, match="40000 runs are more than"):
        grid([(GAP, 200), (Vary("a", 0.0, 1.0), 200)])
    with pytest.raises(InputError, match="must be from 1"):
        sobol([GAP], 0)
