"""One state of a run in words and numbers: what it is, what it takes, which one a bend belongs to."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from fem.results.columns import TORQUE, TRAVEL, to_tell
from fem.results.outcome import SHARE_LIMIT
from fem.results.result import BendPassage, Result
from fem.results.snapshot import PHASE_WORDS, PHASES, Snapshot

PUSH = PHASES.index("push")


def headline(status: str, mode: str | None, strain_share: float) -> str:
    """A verdict in one line: status, how it jams, and by how much a limit of strain is passed."""
    over = f"; strain {per_cent(strain_share)} of the limit" if strain_share > SHARE_LIMIT else ""
    return status + (f": {mode}" if mode else "") + over


def summary_headline(summary: Mapping[str, Any]) -> str:
    """The same from the summary of a result, as `run --json` gives it."""
    jam, share = summary["jam"], summary["quantities"].get("strain_share_peak", {}).get("value")
    return headline(summary["status"], jam["mode"] if jam else None, math.nan if share is None else share)


def per_cent(share: float) -> str:
    """A share of a limit in whole per cent, rounded up: what is over the limit never reads 100 %."""
    return f"{math.ceil(100.0 * share - 1e-9)} %"


def state_words(shot: Snapshot) -> str:
    """What a state is: its label or what is being done, and the travel where the strip travels."""
    words = shot.label or PHASE_WORDS[PHASES[shot.phase]]
    return words if shot.phase == PUSH else f"{words}, travel {shot.travel:.1f} mm"


def state_values(result: Result, shot: Snapshot) -> list[tuple[str, str]]:
    """Names and values of a state with their units: how far it has come, and what that takes."""
    values = []
    if shot.phase != PUSH:
        values.append((TRAVEL.words, f"{shot.travel:.1f} mm"))
        values.append(("axle wound", f"{shot.axle_angle / math.tau:.2f} turns"))
    row = result.row_of(shot)
    for column in to_tell(result.path):
        value = float(result.column(column.name)[row]) if row >= 0 else math.nan
        if math.isfinite(value):
            values.append((column.words, number(value, column.unit)))
    return values


def number(value: float, unit: str = "", digits: int = 4) -> str:
    """A number for reading, with its unit and a true minus sign; a dash where there is none."""
    if not math.isfinite(value):
        return "\N{EN DASH}"
    return f"{value:.{digits}g} {unit}".strip().replace("-", "\N{MINUS SIGN}")


def state_of_bend(result: Result, bend: BendPassage) -> int | None:
    """Index of the kept state nearest to where a bend was hardest to get past the slot; None if unknown."""
    torque, travel = result.column(TORQUE.name), result.column(TRAVEL.name)
    away = np.abs(torque - bend.peak_torque_Nmm) + np.abs(travel - bend.travel_mm)
    if not (result.snapshots and np.isfinite(away).any()):
        return None
    step = float(result.column("step")[int(np.nanargmin(away))])
    return int(np.argmin([abs(shot.step - step) for shot in result.snapshots]))
