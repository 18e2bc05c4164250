"""From a finished run to its result: safe travel, intended path, audit per phase."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from small_cases import small_case

from fem.simulation import judge as winding
from fem.simulation.judge import energy_audit, intended_path, safe_travel
from fem.simulation.recorder import DEPLOY, RETRACT, Log

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
    assert safe_travel(case, program, outcome) == expected
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
    found = safe_travel(
        case, program, type("Outcome", (), {"wound": tuple((2.0 * i, 2.0 * i) for i in range(20))})()
    )
    assert 3.0 <= found <= 13.0
    assert len(program.tried) <= 3


def test_the_intended_path_starts_below_the_axle(tmp_path: Path) -> None:
    case = small_case(tmp_path, runs=RUNS)
    path = intended_path(case)
    assert path[0] == pytest.approx([0.0, -4.4])
    assert np.hypot(*np.diff(path, axis=0).T).sum() == pytest.approx(case.strip.length, rel=1e-3)


def balance(phase: float, work: float, stored: float, friction: float, gap: float) -> dict[str, float]:
    return {
        "phase": phase, "work_in_Nmm": work, "energy_strain_Nmm": stored, "energy_contact_Nmm": 0.0,
        "energy_kinetic_Nmm": 0.0, "loss_friction_Nmm": friction, "loss_damping_Nmm": 0.0,
        "loss_numerical_Nmm": 0.0, "audit_closure_Nmm": gap,
    }  # fmt: skip


def test_the_balance_is_judged_phase_by_phase() -> None:
    rows = [
        balance(RETRACT, 0.0, 0.0, 0.0, 0.0), balance(RETRACT, 10.0, 6.0, 4.0, 0.1),
        balance(DEPLOY, 10.0, 6.0, 4.0, 0.1), balance(DEPLOY, 60.0, 0.0, 59.6, 0.4),
    ]  # fmt: skip
    audit = energy_audit(Log(rows, []))
    assert audit["retract"]["largest_error"] == pytest.approx(0.1 / 10.0)
    assert audit["deploy"]["largest_error"] == pytest.approx(0.3 / 50.0)
    assert audit["deploy"]["friction_Nmm"] == 59.6
    assert audit["closure_error"] == pytest.approx(0.01)
    assert energy_audit(Log())["closure_error"] == 0.0
