"""Remedies as concrete changes: every lever of a verdict has a size, moves its way, and fits the case."""

from __future__ import annotations

from pathlib import Path

import pytest
from demo_cases import FILES
from small_cases import motor, small_case

from fem.case.definition import read_case
from fem.case.variation import changed
from fem.results.outcome import OVER_STRAINED, Lever, Status
from fem.simulation.jam_modes import JamMode
from fem.study.moves import ALSO, SIZES, moves_for
from fem.study.parameters import parameter

YOURS = {"materials", "push.kind", "solver.turn", "solver.element"}
"""Keys of levers whose size only the maker knows, or that mend nothing of a strip."""
CYCLE = (Status.JAMMED, Status.STALLED, Status.SWALLOWED, *OVER_STRAINED, Status.DEPLOYED)


def levers() -> list[Lever]:
    found = [lever for mode in JamMode for lever in (*mode.entry.levers, *ALSO.get(mode, ()))]
    return found + [lever for status in CYCLE for lever in status.levers]


def test_every_lever_of_a_verdict_has_a_size_or_is_the_maker_s_own() -> None:
    assert {lever.key for lever in levers() if (lever.key, lever.way) not in SIZES} <= YOURS
    assert {(lever.key, lever.way) for lever in levers()} >= set(SIZES), "no size for a lever that is none"


@pytest.mark.parametrize("mode", list(JamMode))
def test_every_mode_has_several_moves_that_the_case_can_make(mode: JamMode, tmp_path: Path) -> None:
    runs = "{ straight = 10.0 }, { bend = 30.0, radius = 20.0 }, { straight = 20.0 }"
    case = small_case(tmp_path, runs=runs, friction=0.2, extra=motor(9.0))
    moves, untried = moves_for(case, Status.JAMMED, mode)
    assert len(moves) >= 3, [one.why for one in untried]
    for move in moves:
        changes = {}
        for name, value in move.values.items():
            changes |= parameter(case, name).changes(value)
        assert changed(case, changes).digest != case.digest
        assert "->" in move.text or "layer" in move.text


def test_numbers_move_the_way_their_lever_says(tmp_path: Path) -> None:
    case = small_case(tmp_path, friction=0.2, extra=motor(9.0))
    checked = 0
    for mode in JamMode:
        for move in moves_for(case, Status.JAMMED, mode)[0]:
            ((name, value), *_) = move.values.items()
            before = parameter(case, name).number
            way, _, key = move.words.partition(" ")
            if way in {"raise", "lower"} and " " not in key:  # a lever as such, not the words of a verdict
                assert (value > before) == (way == "raise"), move
                checked += 1
    assert checked >= 5


def test_a_move_that_a_case_cannot_make_in_full_is_made_in_part(tmp_path: Path) -> None:
    case = small_case(tmp_path, friction=0.2, extra=motor(9.0))
    tight = changed(case, {"axle.radius": 5.5})
    moves, _ = moves_for(tight, Status.DEPLOYED_STRAINED, "")
    axle = next(move for move in moves if "axle.radius" in move.values)
    assert 5.5 < axle.values["axle.radius"] < 1.2 * 5.5, "within the casing"


def test_what_is_strained_too_far_besides_is_offered_what_strains_less(tmp_path: Path) -> None:
    case = small_case(tmp_path, friction=0.2, extra=motor(9.0))
    alone, _ = moves_for(case, Status.JAMMED, JamMode.ROOT_FOLDS)
    more, untried = moves_for(case, Status.JAMMED, JamMode.ROOT_FOLDS, strained=True)
    assert more[: len(alone)] == alone
    assert {"axle.radius", "strip.root_opening"} <= {
        name for move in more[len(alone) :] for name in move.names
    }
    assert any(one.words == "change materials" for one in untried)


def test_what_there_is_nothing_of_is_told(tmp_path: Path) -> None:
    moves, untried = moves_for(small_case(tmp_path), Status.JAMMED, JamMode.MOTOR_TOO_WEAK)
    assert all("motor" not in move.values for move in moves)
    assert any("nothing there to move" in one.why for one in untried)
    _, untried = moves_for(small_case(tmp_path), Status.DEPLOYED_STRAINED, "")
    assert any("yours to choose" in one.why for one in untried)


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.stem)
def test_every_demonstration_case_can_make_the_moves_of_every_mode(file: Path) -> None:
    case = read_case(file)
    for mode in JamMode:
        moves, _ = moves_for(case, Status.JAMMED, mode)
        assert len(moves) >= 2, mode


def test_the_same_change_is_tried_once(tmp_path: Path) -> None:
    case = small_case(tmp_path, friction=0.2, extra=motor(9.0))
    for mode in JamMode:
        values = [move.values for move in moves_for(case, Status.JAMMED, mode)[0]]
        assert all(one not in values[:number] for number, one in enumerate(values))
