"""What a run is given beside its case: whom it tells how far it is, where it is kept, its origin."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from fem.core.checkpoint import NOWHERE, Keeper

Progress = Callable[[float, str], None]
"""Hears how far a run has come: share from 0 to 1, and what it does."""


def _silent(share: float, text: str) -> None:
    """Tell nobody."""


@dataclass(frozen=True)
class Extent:
    """How much is computed beyond the verdict of winding in and pushing out.

    beyond: times the motor's torque at which winding in or pushing out ends, if that comes before its own
    bound; safe_travel: whether it is looked for where the case asks for it; states: whether states of the
    strip are kept to look at. Steps up to where it ends are those of the whole run, to the last digit.
    """

    beyond: float = math.inf
    safe_travel: bool = True
    states: bool = True


WHOLE = Extent()


@dataclass(frozen=True)
class RunContext:
    """progress: hears how far the run has come; keeper: where it is kept as it goes, and found to go on from;
    provenance: where its numbers come from; began [s of `time.perf_counter`]; extent: how much is wanted
    beyond the verdict.
    """

    progress: Progress = _silent
    keeper: Keeper = NOWHERE
    provenance: Mapping[str, object] = field(default_factory=dict)
    began: float = field(default_factory=time.perf_counter)
    extent: Extent = WHOLE

    @property
    def seconds(self) -> float:
        """Time since the run began [s]."""
        return time.perf_counter() - self.began
