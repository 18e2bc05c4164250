"""Layers and materials against published numbers; source, tolerance and its reason stand in the registry."""

import pytest

from fem.verification.published import run_check
from fem.verification.sections import CHECKS

GROUPS = ("layers", "hardness")


@pytest.mark.parametrize("check", [c for c in CHECKS if c.group in GROUPS], ids=lambda c: c.name)
def test_published_value(check):
    found = run_check(check)
    assert found.ok, (
        f"{check.source}: {found.published:g}, computed {found.computed:g}, error {found.error:.2e}"
    )
