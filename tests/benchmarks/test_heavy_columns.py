"""Columns under their own weight against classical numbers; source, tolerance, reason: the registry."""

import pytest

from fem.verification.heavy_columns import HEAVY_CHECKS, leans
from fem.verification.published import run_check


@pytest.mark.parametrize("check", HEAVY_CHECKS, ids=lambda c: c.name)
def test_published_value(check):
    found = run_check(check)
    assert found.ok, (
        f"{check.source}: {found.published:g}, computed {found.computed:g}, error {found.error:.2e}"
    )


@pytest.mark.parametrize("model", ["rod", "shell"])
def test_a_column_heavier_than_it_can_bear_falls_over_before_it_is_pushed(model):
    # Greenhill 1881: q L^3 / (E I) = 7.837
    assert leans(model, 7.6) < 2e-3
    assert leans(model, 8.1) > 0.2
