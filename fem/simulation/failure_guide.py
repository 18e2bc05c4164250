"""What to know about a verdict: the entries of its mode, its status, and what comes on top of them."""

from __future__ import annotations

import itertools

from fem.results.outcome import OVER_STRAINED, SHARE_LIMIT, Condition, Outcome, Status
from fem.simulation.jam_modes import JamMode


def explain(text: str) -> Outcome | None:
    """The entry of a mode, status or condition by its text; None for one that nobody explains."""
    return next((one for one in itertools.chain(JamMode, Status, Condition) if one == text), None)


def explanations(status: str, mode: str | None, strain_share: float) -> tuple[Outcome, ...]:
    """Entries of a verdict: its mode (or its status), and over-strained where a limit is passed."""
    texts = [mode] if mode is not None else []
    if mode is None or status == Status.STALLED:
        texts.append(status)
    if strain_share > SHARE_LIMIT and status not in OVER_STRAINED:  # which says the same
        texts.append(Condition.OVER_STRAINED)
    return tuple(entry for text in texts if (entry := explain(text)) is not None)
