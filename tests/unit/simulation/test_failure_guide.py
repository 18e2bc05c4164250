"""A verdict gets the explanations of its mode, its status and what comes on top."""

from __future__ import annotations

import itertools

import pytest

from fem.results.outcome import OVER_STRAINED, Condition, NoResult, Status
from fem.simulation.failure_guide import explain, explanations
from fem.simulation.jam_modes import JamMode

NOTHING = float("nan")


def test_a_jam_is_explained_by_its_mode_and_what_comes_on_top() -> None:
    found = explanations(Status.JAMMED, JamMode.COIL_LOCKS, 1.3)
    assert found == (JamMode.COIL_LOCKS, Condition.OVER_STRAINED)


def test_a_status_without_a_jam_is_explained_by_itself() -> None:
    assert explanations(Status.DEPLOYED, None, NOTHING) == (Status.DEPLOYED,)


@pytest.mark.parametrize("status", sorted(OVER_STRAINED))
def test_a_cycle_beyond_the_limit_is_explained_once(status: Status) -> None:
    assert explanations(status, None, 1.3) == (status,)


def test_a_stall_is_explained_by_both() -> None:
    found = explanations(Status.STALLED, JamMode.MOTOR_TOO_WEAK, 0.2)
    assert found == (JamMode.MOTOR_TOO_WEAK, Status.STALLED)


def test_a_case_without_a_result_has_nothing_to_explain() -> None:
    assert explanations(NoResult.BAD_INPUT, None, NOTHING) == ()


@pytest.mark.parametrize("one", list(itertools.chain(JamMode, Status, Condition)), ids=str)
def test_every_entry_is_found_by_its_text(one: str) -> None:
    assert explain(str(one)) is one
