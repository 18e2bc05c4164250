"""A comparison of a computed number with a published one, as data.

A check names what is computed, where the number stands, how far apart the two may be and why. "Computed from
the formula" in a source means the digits follow from the cited formula rather than from a printed table;
"from memory" that it was recalled, not looked up. Published numbers never come from this program itself.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

BISSHOPP = "Bisshopp & Drucker 1945 (Q. Appl. Math. 3:272)"
EYTELWEIN = "belt friction, Eytelwein 1808: T2 = T1 exp(mu theta), computed from the formula"
SLEEVE = "Bigoni, Dal Corso, Bosi & Misseroni 2015 (Mech. Mater. 80:368), F = M^2 / (2 E I), from memory"
SZE = "Sze, Liu & Lo 2004 (Finite Elem. Anal. Des. 40:1551)"
WUEST = "Wuest 1954 (ZAMM 34:444)"
"""Works that checks of several modules name."""


@dataclass(frozen=True)
class Check:
    """One comparison: error = |computed - published|, over |published| if `relative`; ok up to tolerance.

    reason: why that tolerance. group: checks to list under one heading.
    """

    name: str
    group: str
    model: str
    source: str
    published: float
    tolerance: float
    reason: str
    compute: Callable[[], float]
    relative: bool = True


@dataclass(frozen=True)
class CheckResult:
    """A check carried out; seconds of wall time (a shared curve counts for the first check that needs it)."""

    name: str
    group: str
    source: str
    model: str
    published: float
    computed: float
    error: float
    tolerance: float
    ok: bool
    seconds: float


def run_check(check: Check) -> CheckResult:
    """Compute and compare; a number that is not finite is never ok."""
    start = time.perf_counter()
    computed = float(check.compute())
    error = abs(computed - check.published) / (abs(check.published) if check.relative else 1.0)
    return CheckResult(
        check.name, check.group, check.source, check.model, check.published, computed, error, check.tolerance,
        bool(error <= check.tolerance), time.perf_counter() - start,
    )  # fmt: skip
