"""Where winding in and pushing out stand: the phase under way, states to go back to, how it ended."""

from __future__ import annotations

import math
from dataclasses import dataclass

from fem.results.result import Jam
from fem.simulation.recorder import Log, sense
from fem.simulation.stepper import SavedState


@dataclass(frozen=True)
class WindingOutcome:
    """How winding in and pushing out ended.

    retracted, deployed: reached; swallowed: the tip went inside; idle: turned a whole turn without travel;
    trouble: why a step could not be made ("" if none); wound: saved states on the way in, by travel; folded:
    the strip folded up; beyond: pushing out ended at a torque that no motor of this strip will have;
    unfinished: the time ran out before it came to its end.
    """

    retracted: bool
    deployed: bool
    swallowed: bool
    idle: bool
    trouble: str
    wound: tuple[tuple[float, SavedState], ...]
    folded: bool = False
    beyond: bool = False
    unfinished: bool = False

    @property
    def stopped(self) -> bool:
        """Whether it ended because the strip would go no further, of whatever motor."""
        return self.idle or self.folded or self.beyond


@dataclass
class PhaseUnderWay:
    """A phase that is not over: its first row, travel there [mm], axle angle of the last row [rad]; largest
    [rad]: longest step, inf: that of the run.
    """

    phase: float
    first_row: int
    start_travel: float
    last_angle: float
    largest: float = math.inf


@dataclass(frozen=True)
class Restart:
    """A state within a phase from which the run can be taken up with other steps: the phase as it was,
    travel [mm], number of rows, of states wound in, where the axle began to gather speed [rad], time [s], and
    the state.
    """

    under_way: PhaseUnderWay
    travel: float
    rows: int
    wound: int
    began: float
    time: float
    state: SavedState


@dataclass(frozen=True)
class Patience:
    """How many iterations an attempt may take before it comes to where another one stopped, told by the phase
    and the axle's angle [rad].
    """

    iterations: float
    phase: float
    angle: float

    def exhausted(self, row: dict[str, float]) -> bool:
        """Whether a row has not come so far with all of them."""
        if row["phase"] != self.phase:
            return row["phase"] < self.phase and row["iterations"] > self.iterations
        farther = sense(self.phase) * (row["axle_angle_rad"] - self.angle) > 0.0
        return not farther and row["iterations"] > self.iterations


@dataclass
class TravelSearch:
    """Looking for the safe travel: the jam of the run and its log, the saved states between which it lies,
    and the one that is being pushed out from.
    """

    jam: Jam | None
    log: Log
    low: int
    high: int
    trial: int | None = None
