"""From a case to its result: what is in it, that it is the same twice, how it reads when it fails."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from small_cases import motor, small_case

from fem import run as run_module
from fem.case import Case
from fem.errors import InputError
from fem.result import Result, read, write
from fem.run import intended_path, run_case, safe_travel

RUNS = "{ straight = 16.0 }, { bend = 30.0, radius = 18.0 }, { straight = 20.0 }"


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> tuple[Case, Result]:
    """A strip with a bend, friction and a motor that is strong enough."""
    case = small_case(tmp_path_factory.mktemp("run"), runs=RUNS, friction=0.1, extra=motor(200.0))
    return case, run_case(case)


def test_a_run_ends_in_a_verdict_with_its_numbers(ran: tuple[Case, Result]) -> None:
    case, result = ran
    assert result.status == "deployed"
    assert result.model == "rod"
    assert result.jam is None
    assert result.case_name == case.name
    names = set(result.quantities)
    assert names >= {
        "retract_torque_peak_Nmm", "deploy_torque_peak_Nmm", "deploy_margin", "deploy_time_s",
        "travel_wound_mm", "strain_share_peak", "axle_turns",
    }  # fmt: skip
    assert all(math.isfinite(quantity.value) for quantity in result.quantities.values())
    assert [passed.bend for passed in result.bends] == [1]
    assert result.energy_audit["closure_error"] < 0.03


def test_the_path_has_a_row_per_step_and_the_moments_pictures_need(ran: tuple[Case, Result]) -> None:
    case, result = ran
    lengths = {len(column) for column in result.path.values()}
    assert len(lengths) == 1
    assert result.path["travel_mm"].max() >= case.travel
    peak = result.quantities["deploy_torque_peak_Nmm"].value
    out = result.path["phase"] == 2.0
    assert result.path["torque_Nmm"][out].max() == peak
    labels = [shot.label for shot in result.snapshots]
    assert labels[0] == "fully out"
    assert "hardest while pushing out" in labels
    for shot in result.snapshots:
        assert shot.position.shape == (121, 2)
        assert {wall["name"] for wall in shot.obstacles} == {
            "axle",
            "casing",
            "slot, axle side",
            "slot, far side",
        }
        assert np.all(shot.contact >= 0.0)
    # something presses on something while the strip is wound in
    assert next(shot for shot in result.snapshots if shot.label == "wound in").contact.max() > 0.0


def test_a_result_is_written_and_read_back(ran: tuple[Case, Result], tmp_path: Path) -> None:
    _, result = ran
    folder = write(result, tmp_path / "small")
    document = json.loads((folder / "result.json").read_text())
    assert document["status"] == "deployed"
    assert {
        "schema",
        "case",
        "model",
        "sentence",
        "quantities",
        "jam",
        "bends",
        "energy_audit",
        "seconds",
    } <= set(document)
    assert set(document["quantities"]["deploy_torque_peak_Nmm"]) >= {"value", "unit"}
    assert set(document["bends"][0]) >= {"bend", "station_mm", "peak_torque_Nmm", "peak_push_N"}
    assert document["provenance"]["case_digest"] == ran[0].digest
    again = read(folder)
    assert again.status == result.status
    assert again.path["torque_Nmm"] == pytest.approx(result.path["torque_Nmm"], rel=1e-6)


def test_the_same_case_twice_gives_identical_numbers(ran: tuple[Case, Result]) -> None:
    case, result = ran
    again = run_case(case)
    assert again.sentence == result.sentence
    for name, column in result.path.items():
        assert np.array_equal(column, again.path[name], equal_nan=True), name


def test_a_weak_motor_jams_with_evidence_and_a_safe_travel(tmp_path: Path) -> None:
    case = small_case(tmp_path, friction=0.2, extra=motor(8.0))
    result = run_case(case)
    assert result.status == "jammed"
    jam = result.jam
    assert jam is not None
    assert jam.torque_Nmm > 8.0
    assert jam.torque_Nmm == result.quantities["jam_torque_Nmm"].value
    assert 0.0 <= jam.station_mm <= 45.0
    assert any("motor has 8.0 N mm" in line for line in jam.evidence)
    assert result.snapshots[-1].label == "jam"
    assert result.snapshots[-1].travel == jam.travel_mm
    assert "the motor has 8.0 N mm" in result.sentence
    assert 0.0 <= result.quantities["safe_travel_mm"].value < case.travel


class Stub:
    """A cycle whose saved states come out up to a travel."""

    def __init__(self, deepest: float) -> None:
        self.deepest, self.tried = deepest, []
        self.observer = self
        self.log = "kept"


@pytest.mark.parametrize(("deepest", "expected"), [(13.0, 12.0), (100.0, 38.0), (-1.0, 0.0), (0.5, 0.0)])
def test_safe_travel_is_the_deepest_that_comes_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, deepest: float, expected: float
) -> None:
    case, cycle = small_case(tmp_path), Stub(deepest)
    saved = tuple((2.0 * i, 2.0 * i) for i in range(20))

    def comes_out(stub: Stub, state: float, kept: object, limit: float) -> bool:
        stub.tried.append(state)
        assert limit == math.inf
        return state <= stub.deepest

    monkeypatch.setattr(run_module, "_comes_out", comes_out)
    outcome = type("Outcome", (), {"wound": saved})()
    assert safe_travel(case, cycle, outcome) == expected
    assert len(cycle.tried) <= 6
    assert cycle.log == "kept"


def test_a_coarser_answer_is_found_sooner(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    case = small_case(tmp_path)
    case = replace(case, push=replace(case.push, safe_travel_within=10.0))
    cycle = Stub(13.0)

    def comes_out(stub: Stub, state: float, kept: object, limit: float) -> bool:
        stub.tried.append(state)
        return state <= stub.deepest

    monkeypatch.setattr(run_module, "_comes_out", comes_out)
    found = safe_travel(
        case, cycle, type("Outcome", (), {"wound": tuple((2.0 * i, 2.0 * i) for i in range(20))})()
    )
    assert 3.0 <= found <= 13.0
    assert len(cycle.tried) <= 3


def test_what_cannot_be_run_is_refused(tmp_path: Path) -> None:
    case = small_case(tmp_path)
    with pytest.raises(InputError, match="no model named 'beam'; there are: rod, shell"):
        run_case(case, model="beam")
    with pytest.raises(InputError, match="shell model does not wind in"):
        run_case(case, model="shell")


def test_a_bench_push_goes_the_same_way(tmp_path: Path) -> None:
    case = small_case(tmp_path, 'kind = "bend"\nangle = 20.0')
    seen: list[float] = []
    result = run_case(case, progress=lambda share, text: seen.append(share))
    assert result.status == "held"
    assert result.provenance["case_digest"] == case.digest
    assert max(seen) == pytest.approx(1.0)


def test_the_intended_path_starts_below_the_axle(tmp_path: Path) -> None:
    case = small_case(tmp_path, runs=RUNS)
    path = intended_path(case)
    assert path[0] == pytest.approx([0.0, -4.4])
    assert np.hypot(*np.diff(path, axis=0).T).sum() == pytest.approx(case.strip.length, rel=1e-3)


def test_an_end_without_convergence_keeps_the_path_and_is_no_jam(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from fem.cycle import Cycle

    monkeypatch.setattr(Cycle, "deploy", lambda self, limit=math.inf: "friction did not settle in 6 rounds")
    result = run_case(small_case(tmp_path, friction=0.1))
    assert result.status == "not converged"
    assert result.jam is None
    assert len(result.path["step"]) > 10
    assert "friction did not settle" in result.sentence
