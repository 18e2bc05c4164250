"""One set of rules for all load curves, of rod and shell: status, numbers, sentence, warnings."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from small_cases import small_case

from fem.case.definition import Case
from fem.design.loading import Bend, Column, Press
from fem.results.outcome import Status
from fem.rod.model import build_rod_model
from fem.simulation.bench_judge import IN_THE_AIR, WRAPS_CROSS, BenchRun, bench_result
from fem.simulation.load_curve import BenchRules, LoadCurve
from fem.simulation.run_context import RunContext

COLUMN = BenchRules(Column.control_column, Press.load_column, buckles=True)
PRESS = BenchRules(
    Press.control_column, Press.load_column, wanted=2.0, within=1.0, names={"force_peak_N": "snap_load_N"}
)
BEND = BenchRules(Bend.control_column, Bend.load_column)
SNAPS, SOFTENS, GROWS = [0.0, 1.0, 1.8, 1.2, 1.0, 0.9], [0.0, 1.0, 1.4, 1.5, 1.5, 1.5], [0.0, 1, 2, 3, 4, 5]


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory) -> Case:
    return small_case(tmp_path_factory.mktemp("case"))


@pytest.fixture(scope="module")
def state(case: Case) -> object:
    model = build_rod_model(case, surrounded=False)
    return model.state(model.start)


def made(case: Case, state: object, rules: BenchRules, load: list[float], **more: object) -> BenchRun:
    run = {name: more.pop(name) for name in ("in_the_air",) if name in more}
    control = np.asarray(more.pop("control", 0.1 * np.arange(len(load))))
    columns = {"energy_strain_Nmm": np.arange(len(load)) * 1.0, "audit_error": np.zeros(len(load))}
    columns |= more.pop("columns", {})
    curve = LoadCurve(control, np.array(load, dtype=float), columns, (state,) * len(load), **more)
    return BenchRun(case, "rod", rules, curve, **run)


@pytest.mark.parametrize(
    ("rules", "load", "word"),
    [
        (COLUMN, SNAPS, Status.BUCKLED), (COLUMN, SOFTENS, Status.BUCKLED), (COLUMN, GROWS, Status.HELD),
        (BEND, SNAPS, Status.SNAPPED), (BEND, SOFTENS, Status.HELD), (BEND, GROWS, Status.HELD),
        (PRESS, SNAPS, Status.SNAPPED), (PRESS, SOFTENS, Status.TOO_SOFT), (PRESS, GROWS, Status.HELD),
    ],
)  # fmt: skip
def test_the_status_follows_from_the_curve(
    case: Case, state: object, rules: BenchRules, load: list[float], word: str
) -> None:
    result = bench_result(made(case, state, rules, load), RunContext())
    assert result.status == word
    assert len(result.path["step"]) == len(load)
    np.testing.assert_array_equal(result.path[rules.load], load)
    labels = [shot.label for shot in result.snapshots]
    assert labels == ["start", "end", *(["peak load"] if load is SNAPS else [])]
    if rules is COLUMN:
        critical = result.quantities["critical_force_N"].value
        assert math.isnan(critical) if word == Status.HELD else critical == pytest.approx(max(load))


def test_trouble_comes_before_all_else(case: Case, state: object) -> None:
    result = bench_result(made(case, state, PRESS, SNAPS, trouble="no way on"), RunContext())
    assert result.status == Status.NOT_CONVERGED
    assert "no way on" in result.sentence
    assert len(result.path["step"]) == len(SNAPS)


def test_a_push_that_never_began_is_a_result_too(case: Case) -> None:
    none = np.zeros(0)
    curve = LoadCurve(none, none, {"audit_error": none}, (), trouble="the grips did not close")
    result = bench_result(BenchRun(case, "shell", COLUMN, curve), RunContext())
    assert result.status == Status.NOT_CONVERGED
    assert result.path == {} and result.snapshots == () and result.quantities == {}


def test_numbers_have_the_names_of_their_push(case: Case, state: object) -> None:
    numbers = bench_result(made(case, state, PRESS, SNAPS), RunContext()).quantities
    assert numbers["snap_load_N"].value == 1.8 and numbers["snap_load_N"].note == "at 0.2 mm"
    assert numbers["force_end_N"].value == 0.9 and "force_peak_N" not in numbers
    moment = bench_result(made(case, state, BEND, SNAPS), RunContext()).quantities["moment_peak_Nmm"]
    assert (moment.unit, moment.note) == ("N mm", "at 0.2 rad")


def test_a_jump_under_a_driven_load_is_told_with_the_number(case: Case, state: object) -> None:
    result = bench_result(made(case, state, PRESS, GROWS, jumps=(2,), lost=0.3), RunContext())
    assert result.status == Status.SNAPPED
    assert result.quantities["snap_load_N"].value == 2.0
    assert "the load itself was driven" in result.quantities["snap_load_N"].note
    assert result.energy_audit == {"lost_in_snaps_Nmm": 0.3, "closure_error": 0.0}


def test_what_a_reader_must_know_is_told(case: Case, state: object) -> None:
    def lines(**more: object) -> tuple[str, ...]:
        return bench_result(made(case, state, BEND, GROWS, **more), RunContext()).warnings

    assert lines(in_the_air=False) == ()
    assert lines() == (IN_THE_AIR,)
    assert lines(cautions=("coarse",)) == (IN_THE_AIR, "coarse")
    turns = np.linspace(0.0, 7.0, len(GROWS))
    assert lines(control=turns) == (IN_THE_AIR, WRAPS_CROSS)
    assert lines(control=turns, in_the_air=False) == ()
    open_balance = {"audit_error": np.array([0.0, 0.0, 0.0, -0.031, 0.0, 0.01])}
    assert any("3.1 %" in line for line in lines(columns=open_balance))


def test_strain_beyond_the_limit_is_told(case: Case, tmp_path: Path) -> None:
    model = build_rod_model(small_case(tmp_path, strain_limit=0.01), surrounded=False)
    strained = model.start.reshape(len(model.rod.nodes), model.rod.fields, 2).copy()
    strained[:, 0] *= 1.012
    state = model.state(strained.ravel())
    result = bench_result(made(case, state, BEND, GROWS), RunContext())
    share = float(state.strain_share.max())
    assert share > 1.0
    assert result.quantities["strain_share_peak"].value == share
    assert any(f"strain reaches {share:.2f} times" in line for line in result.warnings)
