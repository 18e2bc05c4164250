"""Strain phase by phase: what counts, what is only forced, and how it is said."""

from __future__ import annotations

import pytest

from fem.simulation.recorder import DEPLOY, RETRACT
from fem.simulation.strain_by_phase import PhaseStrain, in_words, over_strained, strain_by_phase


def row(phase: float, share: float, station: float = 7.0) -> dict[str, float]:
    return {
        "phase": phase, "strain_share": share, "strain_peak": 0.1 * share, "strain_station_mm": station,
        "travel_mm": 30.0,
    }  # fmt: skip


ROWS = [row(RETRACT, 0.2), row(RETRACT, 0.9, 0.2), row(DEPLOY, 0.6), row(DEPLOY, 1.3), row(DEPLOY, 4.0, 55.0)]


def named(phases: tuple[PhaseStrain, ...]) -> dict[str, float]:
    return {phase.name: phase.share for phase in phases}


def test_rows_after_the_jam_are_forced_and_do_not_count() -> None:
    through, jammed = strain_by_phase(ROWS, None), strain_by_phase(ROWS, 3)
    assert named(through) == {"retract": 0.9, "deploy": 4.0}
    assert named(jammed) == {"retract": 0.9, "deploy": 1.3, "forced": 4.0}
    assert [phase.counts for phase in jammed] == [True, True, False]
    assert named(strain_by_phase(ROWS[:2], 0)) == {"retract": 0.2, "forced": 0.9}
    assert strain_by_phase([], None) == ()


@pytest.mark.parametrize(("jam", "over"), [(None, True), (3, True), (2, False)])
def test_only_what_counts_makes_a_cycle_over_strained(jam: int | None, over: bool) -> None:
    assert over_strained(strain_by_phase(ROWS, jam)) == over


def test_the_words_give_share_and_place_of_each_phase() -> None:
    assert in_words(strain_by_phase(ROWS, 3)) == (
        "Strain against the material's limit: 90 % winding in (at the root), 130 % pushing out (7.0 mm from "
        "the root); 400 % forced on beyond the jam (55.0 mm from the root), which does not count."
    )
    assert in_words(strain_by_phase(ROWS[:3], None)) == "", "nothing passes the limit"
    quantity = strain_by_phase(ROWS, 3)[1].quantity
    assert (quantity.value, quantity.unit) == (1.3, "")
    assert "7.0 mm from the root" in quantity.note and "30.0 mm" in quantity.note
