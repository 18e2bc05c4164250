"""How far a strip is strained on its way in, on its way out, and where it is forced on beyond a jam.

Up to a jam is what the device goes through, and what counts for the verdict: winding in, and pushing out with
the torque there is. What lies beyond is computed as if the motor were stronger.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from fem.results.outcome import SHARE_LIMIT
from fem.results.readings import per_cent
from fem.results.result import AT_ROOT, Quantity
from fem.simulation.recorder import DEPLOY, RETRACT


@dataclass(frozen=True)
class PhaseStrain:
    """Largest strain of a phase as a share of a material's limit: name of the phase in quantities and in
    words, the strain itself, its station [mm] from the root, travel [mm]; counts: for the verdict.
    """

    name: str
    words: str
    share: float
    strain: float
    station: float
    travel: float
    counts: bool

    @property
    def over(self) -> bool:
        """Whether the limit is passed."""
        return self.share > SHARE_LIMIT

    @property
    def place(self) -> str:
        """Where it is, in words."""
        return "at the root" if self.station < AT_ROOT else f"{self.station:.1f} mm from the root"

    @property
    def quantity(self) -> Quantity:
        """As a number of a result."""
        counts = "" if self.counts else ", does not count: beyond the jam"
        note = f"of the material's limit, {self.place}, at travel {self.travel:.1f} mm{counts}"
        return Quantity(self.share, "", note)


def strain_by_phase(rows: Sequence[Mapping[str, float]], jam_row: int | None) -> tuple[PhaseStrain, ...]:
    """The largest strain of each phase that a run has rows of; `jam_row`: where it jams, None: nowhere."""
    end = len(rows) if jam_row is None else jam_row + 1
    made = []
    for name, words, part, counts in (
        ("retract", "winding in", [row for row in rows[:end] if row["phase"] == RETRACT], True),
        ("deploy", "pushing out", [row for row in rows[:end] if row["phase"] == DEPLOY], True),
        ("forced", "forced on beyond the jam", rows[end:], False),
    ):
        if part:
            worst = max(part, key=lambda row: row["strain_share"])
            station, travel = worst["strain_station_mm"], worst["travel_mm"]
            made.append(
                PhaseStrain(name, words, worst["strain_share"], worst["strain_peak"], station, travel, counts)
            )
    return tuple(made)


def over_strained(phases: Sequence[PhaseStrain]) -> bool:
    """Whether the limit is passed in what counts for the verdict."""
    return any(phase.over and phase.counts for phase in phases)


def in_words(phases: Sequence[PhaseStrain]) -> str:
    """How far the limit is passed, phase by phase, and what of it counts; "" where it is nowhere."""
    if not any(phase.over for phase in phases):
        return ""
    told = [f"{per_cent(phase.share)} {phase.words} ({phase.place})" for phase in phases if phase.counts]
    text = f"Strain against the material's limit: {', '.join(told)}"
    beyond = [phase for phase in phases if not phase.counts and phase.over]
    for phase in beyond:
        text += f"; {per_cent(phase.share)} {phase.words} ({phase.place}), which does not count"
    return text + "."
