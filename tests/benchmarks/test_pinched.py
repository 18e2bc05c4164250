"""The cylinder pinched between diaphragms: the table, and what a mesh study and another shell say of it.

INDEPENDENT comes from a Reissner-Mindlin shell (Naghdi's strains, finite rotations by two angles of the
director, shear factor 5/6), 24 x 24 cubic Lagrange elements on the same eighth of the cylinder, with nine
tenths of membrane and shear energy integrated at 3 x 3 points and the rest at 4 x 4 (Arnold & Brezzi 1997,
Math. Comp. 66:1), written down as an energy in NGSolve 6.2.2608 and solved at given moves of the loaded
point. Nothing of this program took part. Its linear compliance is 1.017 times that of Lindberg et al. 1969
for thin shells, the rest being shear under the point load.
"""

from __future__ import annotations

import numpy as np
import pytest

from fem.verification.pinched import PINCHED_CHECKS, TABLE, load_at, moves_at, pinched_far
from fem.verification.published import Check, run_check
from fem.verification.shells import curve_distance

pytestmark = pytest.mark.slow

INDEPENDENT = np.array(
    [
        (0.05, 9.639, -0.238), (0.075, 15.982, -0.968), (0.10, 23.776, -2.473), (0.125, 30.226, -3.614),
        (0.15, 44.305, 2.335), (0.175, 53.790, 8.805), (0.20, 58.250, 12.354), (0.25, 63.205, 16.456),
        (0.30, 66.643, 19.412), (0.35, 69.234, 21.680), (0.40, 71.465, 23.728), (0.45, 73.213, 25.314),
        (0.50, 74.618, 26.546), (0.55, 76.011, 27.872), (0.60, 77.211, 29.014), (0.65, 78.385, 30.181),
        (0.70, 79.451, 31.254), (0.75, 80.290, 32.019), (0.80, 81.080, 32.739), (0.85, 81.898, 33.544),
        (0.90, 82.708, 34.384), (0.95, 83.402, 35.067), (1.00, 84.040, 35.678),
    ]
)  # fmt: skip
RUN_IN = 0.1435
"""Its load at A = 36.208, where the table has .15; from its curve at steps of 1.2 in A."""
SHEAR = 12e3 / (2.0 * np.pi * 5.0 / 6.0 * 3e4 / 2.6)
"""P / (2 pi k G h): the scale of what shear adds at the load, times a logarithm of the mesh."""


# the misses are real; were one to vanish, the shell changed and this must be looked at
@pytest.mark.xfail(reason="known miss, see verify", strict=True)
@pytest.mark.parametrize("check", PINCHED_CHECKS, ids=lambda check: check.name)
def test_published_value(check: Check) -> None:
    result = run_check(check)
    assert result.error <= check.tolerance, f"{result.computed:.6g} against {check.published:.6g}"


def test_finer_elements_lead_away_from_the_table_under_the_load_and_settle() -> None:
    drops = [moves_at(pinched_far(n), TABLE[2:3, 0])[0, 0] for n in (24, 32, 40)]
    steps = np.diff(drops)
    assert TABLE[2, 1] < drops[0]
    assert 0.0 < 2.0 * steps[1] < steps[0]  # second order or better, as a point load on a thin shell allows
    assert 5.0 * steps[0] < drops[2] - TABLE[2, 1]


def test_the_second_formulation_runs_in_where_the_shell_does_and_before_the_table() -> None:
    ours = [load_at(pinched_far(n), 36.208) for n in (24, 32, 40)]
    assert ours[0] > ours[1] > ours[2]
    assert ours[2] == pytest.approx(RUN_IN, rel=0.01)
    assert max(ours[2], RUN_IN) < 0.97 * 0.15


def test_the_second_formulation_lets_the_side_settle_where_the_shell_does_and_beyond_the_table() -> None:
    far = [moves_at(pinched_far(n), TABLE[-1:, 0])[1, 0] for n in (24, 32, 40)]
    off = np.abs(np.array(far) - INDEPENDENT[-1, 2])
    assert off[0] > off[1] > off[2]
    assert off[2] < 0.01 * far[2]
    assert min(far[2], INDEPENDENT[-1, 2]) > 1.035 * TABLE[-1, 2]


def test_both_formulations_give_one_curve_but_for_shear_under_the_load() -> None:
    branch = pinched_far(40)
    assert curve_distance((branch[0], branch[2]), INDEPENDENT[:, (0, 2)]).max() < 0.01
    assert curve_distance((branch[0], branch[1]), INDEPENDENT[:, (0, 1)]).max() < 0.01
    more = INDEPENDENT[-1, 1] - moves_at(branch, TABLE[-1:, 0])[0, 0]
    assert SHEAR < more < 3.0 * SHEAR
