"""From a finished run to its result: safe travel, intended path, audit per phase."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from small_cases import small_case

from fem.results.outcome import Status
from fem.results.result import Attempt
from fem.simulation import judge as winding
from fem.simulation.judge import (
    deepest_at_rest,
    how_computed,
    intended_path,
    safe_travel,
    to_choose,
)
from fem.simulation.run import run_case

RUNS = "{ straight = 16.0 }, { bend = 30.0, radius = 18.0 }, { straight = 20.0 }"


class Stub:
    """A program whose saved states come out up to a travel."""

    def __init__(self, deepest: float) -> None:
        self.deepest, self.tried = deepest, []
        self.recorder = self
        self.log = "kept"
        self.search = None


@pytest.mark.parametrize(("deepest", "expected"), [(13.0, 12.0), (100.0, 38.0), (-1.0, 0.0), (0.5, 0.0)])
def test_safe_travel_is_the_deepest_that_comes_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, deepest: float, expected: float
) -> None:
    case, program = small_case(tmp_path), Stub(deepest)
    saved = tuple((2.0 * i, 2.0 * i) for i in range(20))

    def comes_out(stub: Stub, state: float, kept: object, limit: float) -> bool:
        stub.tried.append(state)
        assert limit == math.inf
        return state <= stub.deepest

    monkeypatch.setattr(winding, "_comes_out", comes_out)
    outcome = type("Outcome", (), {"wound": saved})()
    assert safe_travel(case, program, outcome) == (expected, False)
    assert len(program.tried) <= 6
    assert program.log == "kept"


def test_a_coarser_answer_is_found_sooner(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    case = small_case(tmp_path)
    case = replace(case, push=replace(case.push, safe_travel_within=10.0))
    program = Stub(13.0)

    def comes_out(stub: Stub, state: float, kept: object, limit: float) -> bool:
        stub.tried.append(state)
        return state <= stub.deepest

    monkeypatch.setattr(winding, "_comes_out", comes_out)
    found, _ = safe_travel(
        case, program, type("Outcome", (), {"wound": tuple((2.0 * i, 2.0 * i) for i in range(20))})()
    )
    assert 3.0 <= found <= 13.0
    assert len(program.tried) <= 3


def test_the_intended_path_starts_below_the_axle(tmp_path: Path) -> None:
    case = small_case(tmp_path, runs=RUNS)
    path = intended_path(case)
    assert path[0] == pytest.approx([0.0, -4.4])
    assert np.hypot(*np.diff(path, axis=0).T).sum() == pytest.approx(case.strip.length, rel=1e-3)


class Saved:
    """A program whose saved states, by their travel, end elsewhere when the axle stands."""

    def __init__(self, rests: dict[float, tuple[float, float]], length: float) -> None:
        self.rests, self.model, self.recorder, self.stepper = rests, self, self, self
        self.length, self.zero, self.u, self.start, self.accepted = length, 6.0, 0.0, 0.0, 0
        self.snapping = False
        self.case, self.slot = self, type("Slot", (), {"length": 1.5})

    def restore(self, travel: float) -> None:
        self.u = self.start = travel

    def settle(self, time: float) -> None:
        rest, longest = self.rests[self.start]
        if time <= longest:
            self.u = rest
            self.accepted += 1

    def slot_station(self, u: float) -> float:
        return min(u + self.zero, self.length)


@pytest.mark.parametrize(
    ("rests", "deepest"),
    [
        ({10.0: 10.1, 12.0: 12.2, 14.0: 14.1}, 14.0),
        ({10.0: 10.1, 12.0: (12.2, 1.0), 14.0: (30.0, 1.0)}, 12.0),  # it snaps in, in short steps only
        ({10.0: 10.1, 12.0: (12.2, 0.0)}, 10.0),  # no step of its rest is known
        ({10.0: 10.1, 12.0: 13.4, 14.0: 30.0}, 12.0),  # the tip slips in while the axle stands
        ({10.0: 10.1, 12.0: 29.0, 14.0: 30.0}, 10.0),  # at 12 it ends within the slot
        ({10.0: 30.0}, math.nan),
    ],
)
def test_the_travel_to_choose_is_one_at_which_the_strip_stays(
    rests: dict[float, float | tuple[float, float]], deepest: float
) -> None:
    steps = {at: rest if isinstance(rest, tuple) else (rest, math.inf) for at, rest in rests.items()}
    outcome = type("Outcome", (), {"wound": tuple((travel, travel) for travel in rests)})()
    assert deepest_at_rest(Saved(steps, 36.0), outcome) == pytest.approx(deepest, nan_ok=True)


def test_what_to_ask_for_is_on_the_safe_side(tmp_path: Path) -> None:
    case = small_case(tmp_path)
    numbers = to_choose(case, 19.87)
    assert numbers["travel_to_choose_mm"].value == 19.0
    left_out = numbers["left_out_to_choose_mm"].value
    assert 0.0 <= left_out - (case.free_length - 19.0) < 0.1 + 1e-9
    assert to_choose(case, math.nan) == to_choose(case, 0.7) == {}


def test_a_tip_that_is_swallowed_stays_outside_with_the_length_it_is_told(tmp_path: Path) -> None:
    """The cure is tried: what the sentence says is asked for, and the tip stays outside."""
    runs = "{ straight = 25.0 }, { bend = 120.0, radius = 7.0 }"
    case = small_case(tmp_path, push='kind = "retract"\nleft_out = 0.0', runs=runs)
    result = run_case(case)
    assert result.status == Status.SWALLOWED
    left_out = result.quantities["left_out_to_choose_mm"].value
    assert f"{left_out:.1f} mm" in result.sentence
    cured = run_case(small_case(tmp_path, push=f'kind = "retract"\nleft_out = {left_out}', runs=runs))
    assert cured.status in (Status.RETRACTED, Status.RETRACTED_STRAINED)
    assert cured.quantities["travel_wound_mm"].value < case.free_length


AS_ASKED = Attempt("", math.nan, "", 12.0, "no step")
FINER = Attempt("solver.turn = 1.432", 9.25, "deploy", 12.5, "no step either")
MESH = Attempt("solver.element = 0.7", math.nan, "", 0.3, "")


@pytest.mark.parametrize(
    ("attempts", "said", "not_said"),
    [
        ((), [""], ["solver"]),
        (
            (AS_ASKED, FINER),
            ["solver.turn = 1.432 from 9.2 mm of travel (deploy)", "12.5 mm: no step either", "None"],
            ["Computed"],
        ),
        (
            (AS_ASKED, FINER, MESH),
            ["Computed with solver.element = 0.7:", "12.0 mm (no step)", "solver.turn = 1.432", "12.5 mm"],
            ["None"],
        ),
        (
            (AS_ASKED, replace(FINER, trouble="")),
            ["Computed with solver.turn = 1.432 from 9.2 mm of travel (deploy)"],
            ["so it did"],
        ),
    ],
)  # fmt: skip
def test_what_was_tried_and_what_helped_is_told(
    attempts: tuple[Attempt, ...], said: list[str], not_said: list[str]
) -> None:
    text = how_computed(attempts)
    assert all(words in text for words in said)
    assert not any(words in text for words in not_said)
