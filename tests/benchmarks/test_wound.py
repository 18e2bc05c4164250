"""Contact and friction of the shell against published numbers; source, tolerance and reason are in the
registry.
"""

import pytest

from fem.verification.published import run_check
from fem.verification.winding import WOUND_CHECKS

QUICK = ("frictionless sleeve",)


@pytest.mark.parametrize(
    "check",
    [pytest.param(c, marks=() if c.name.startswith(QUICK) else pytest.mark.slow) for c in WOUND_CHECKS],
    ids=lambda c: c.name,
)
def test_published_value(check):
    found = run_check(check)
    assert found.ok, (
        f"{check.source}: {found.published:g}, computed {found.computed:g}, error {found.error:.2e}"
    )
