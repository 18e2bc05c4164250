"""The loop over published checks: every registered check is complete, and a failing one stops nothing."""

from __future__ import annotations

import math

from fem.verification.published import Check
from fem.verification.verify import KNOWN_MISSES, SLOW, chosen, run_checks


def _check(name: str, compute, tolerance: float = 0.01) -> Check:
    return Check(name, "group", "shell", "nowhere", 2.0, tolerance, "none", compute)


def _broken() -> float:
    raise ValueError("no such shell")


def test_every_registered_check_names_its_source_and_reason() -> None:
    checks = chosen()
    assert {check.model for check in checks} >= {"material", "section", "rod", "shell"}
    for check in checks:
        assert check.source
        assert check.reason
        assert check.tolerance >= 0.0
    names = [check.name for check in checks]
    assert len(set(names)) == len(names)


def test_fast_leaves_out_only_the_long_ones_and_known_misses() -> None:
    left_out = {check.name for check in chosen()} - {check.name for check in chosen(fast=True)}
    assert left_out
    assert all(name.startswith((*SLOW, *KNOWN_MISSES)) for name in left_out)
    for beginning in (*SLOW, *KNOWN_MISSES):
        assert any(name.startswith(beginning) for name in left_out), beginning


def test_errors_are_judged_and_a_check_that_breaks_does_not_stop_the_rest() -> None:
    seen = []
    results = run_checks(
        checks=[
            _check("good", lambda: 2.01),
            _check("bad", lambda: 2.1),
            _check("broken", _broken),
            _check("nan", lambda: math.nan),
        ],
        progress=seen.append,
    )
    assert [result.ok for result in results] == [True, False, False, False]
    assert "no such shell" in results[2].source
    assert len(seen) == 4
