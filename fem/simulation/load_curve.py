"""What a push on the bench gave: load against what was driven, and the rules by which that curve is read.

However a push is made, slowly by the stepper or through static states, it leaves one `LoadCurve`, and one set
of rules (`BenchRules`, and the readings of the curve itself) says what came of it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from fem.core.term import Array
from fem.results.result import Quantity
from fem.simulation.strip_model import StripState

FALL = 0.05
"""Fall of a load, as a share of its peak, that counts as giving way."""


@dataclass(frozen=True)
class BenchRules:
    """What a push on the bench is judged by.

    control, load: columns of what is driven and of the load; buckles: giving way is buckling, a load that all
    but stops growing has given way too, and the result tells the critical force; wanted: load that is to be
    reached, within a control `within` of the start; names: other names for some numbers of the result;
    clamps: stations [mm] that rigid clamps hold; told, numbers: what follows from the case without the push.
    """

    control: str
    load: str
    buckles: bool = False
    wanted: float = math.inf
    within: float = math.inf
    names: Mapping[str, str] = field(default_factory=dict)
    clamps: tuple[float, ...] = ()
    told: tuple[str, ...] = ()
    numbers: Mapping[str, Quantity] = field(default_factory=dict)


@dataclass(frozen=True)
class LoadCurve:
    """Load against what was driven, a row per state, the first one before the push.

    control, load (n,); columns: (n,) each, energies and how the states were found, by their names in the
    path; states (n): shapes; contact (n): pressure [N/mm^2] and clearance [mm] on their grids, empty where
    nothing may touch; first_steady: first row whose load holds nothing of the start (the inertia of
    what is set in motion); jumps: rows after which the strip snapped under a load that could not fall,
    because it was the load that was driven; lost [N mm]: energy lost in snaps, nan where it is part of the
    ledger; trouble: why the push could not go on, "" if it did; cautions: what a reader of the result must
    know of how it was made; unfinished: the time ran out on the way.
    """

    control: Array
    load: Array
    columns: Mapping[str, Array]
    states: tuple[StripState, ...]
    contact: tuple[tuple[Array, Array], ...] = ()
    first_steady: int = 0
    jumps: tuple[int, ...] = ()
    lost: float = math.nan
    trouble: str = ""
    cautions: tuple[str, ...] = ()
    unfinished: bool = False

    def fields(self, row: int) -> dict[str, Array]:
        """Contact of a row as entries of a snapshot; none where nothing may touch."""
        return dict(zip(("contact", "gap"), self.contact[row], strict=True)) if self.contact else {}

    def stiffness(self) -> float:
        """Slope of the load at the start, drawn on from those of the first two steady steps, linearly; nan
        with fewer rows.
        """
        first = self.first_steady
        load, way = self.load[first : first + 3], self.control[first : first + 3]
        if load.size < 3 or np.any(np.diff(way) == 0.0):
            return math.nan
        near, far = np.diff(load) / np.diff(way)
        here, there = 0.5 * (way[:-1] + way[1:])
        return float(near + (near - far) * (here - self.control[0]) / (there - here))

    def first_peak(self) -> int | None:
        """Row of the first load along the push that then falls by more than FALL, or under which the strip
        snapped; None when there is none.
        """
        if not self.load.size:
            return None
        loads, best = self.against, 0
        for i, load in enumerate(loads):
            if i - 1 in self.jumps:
                return i - 1
            if load > loads[best]:
                best = i
            elif loads[best] > 0.0 and load < (1 - FALL) * loads[best]:
                return best
        return None

    def softened(self) -> bool:
        """Whether the load has all but stopped growing, as that of a buckled column does: drawn from the
        start to the end, it has less than half the slope of its start.
        """
        if self.load.size < 5 or self.control[-1] == 0.0:
            return False
        grown = self.load[-1] - self.load[0]  # with weight, grips carry something before anything is driven
        return bool(abs(grown / self.control[-1]) < 0.5 * abs(self.stiffness()))

    @property
    def against(self) -> Array:
        """Load (n,), > 0 where it works against the push."""
        return math.copysign(1.0, self.control[-1]) * self.load if self.load.size else self.load

    def reaches(self, rules: BenchRules) -> bool:
        """Whether the wanted load is reached, to 1 %, before the control has gone too far."""
        here = np.abs(self.control) <= rules.within * (1.0 + 1e-9)
        return bool(np.any(np.abs(self.load[here]) >= 0.99 * rules.wanted))
