"""Contact and friction of the rod against published numbers; source, tolerance and its reason stand in the
registry.
"""

import pytest

from fem.verification.contact import CONTACT_CHECKS
from fem.verification.published import run_check


@pytest.mark.parametrize("check", CONTACT_CHECKS, ids=lambda c: c.name)
def test_published_value(check):
    found = run_check(check)
    assert found.ok, (
        f"{check.source}: {found.published:g}, computed {found.computed:g}, error {found.error:.2e}"
    )
