"""When the energies of a push no longer add up: what follows is then no motion of the strip."""

from __future__ import annotations

from collections.abc import Mapping

BROKEN_SHARE = 0.1
BROKEN = f"within one step energy came from nowhere, more than {100 * BROKEN_SHARE:g} %: contact jumped"
DRIFTED = f"the energies no longer add up: {100 * BROKEN_SHARE:g} % of all work came or went unaccounted for"


def unsound(before: Mapping[str, float], now: Mapping[str, float], gained: float, scale: float) -> str:
    """Why what follows a row is no motion of this strip: energy made at once, or bit by bit; "" if it is.

    before, now: the row before it and the row; gained [N mm]: what time stepping made so far; scale [N mm]:
    what energies are judged by.
    """
    left, lost = (now[name] - before[name] for name in ("audit_closure_Nmm", "loss_numerical_Nmm"))
    if abs(left) + max(0.0, -lost) > BROKEN_SHARE * scale:
        return BROKEN
    return DRIFTED if abs(now["audit_closure_Nmm"]) + gained > BROKEN_SHARE * scale else ""
