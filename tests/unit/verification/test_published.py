"""The machinery of checks, and what every entry of the registry must carry."""

import math
from dataclasses import replace

import pytest

from fem.verification.published import Check, run_check
from fem.verification.sections import CHECKS

CHECK = Check("six", "sums", "section", "arithmetic", 6.0, 0.01, "exact", lambda: 6.03)


def test_error_is_relative_or_absolute():
    assert run_check(CHECK).error == pytest.approx(0.005)
    assert run_check(CHECK).ok
    absolute = run_check(replace(CHECK, relative=False))
    assert absolute.error == pytest.approx(0.03)
    assert not absolute.ok


def test_a_number_that_is_not_finite_is_never_ok():
    for value in (math.nan, math.inf):
        assert not run_check(replace(CHECK, compute=lambda value=value: value)).ok


def test_sign_checks_have_no_room():
    sign = replace(CHECK, published=1.0, tolerance=0.0, compute=lambda: -1.0)
    assert not run_check(sign).ok
    assert run_check(replace(sign, compute=lambda: 1.0)).ok


def test_registry_names_are_unique_and_every_check_is_sourced():
    assert len({check.name for check in CHECKS}) == len(CHECKS)
    for check in CHECKS:
        assert check.source
        assert check.reason
        assert check.group
        assert math.isfinite(check.published)
        assert 0.0 <= check.tolerance <= 0.02


@pytest.mark.parametrize("group", sorted({check.group for check in CHECKS}))
def test_every_group_notices_a_wrong_number(group):
    check = next(c for c in CHECKS if c.group == group and c.published != 0.0)
    wrong = check.published * (1.0 + 3.0 * max(check.tolerance, 0.01))
    assert run_check(check).ok
    assert not run_check(replace(check, published=wrong)).ok
