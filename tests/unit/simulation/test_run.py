"""From a case to its result: what is in it, that it is the same twice, how it reads when it fails."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from small_cases import motor, small_case

from fem.case.definition import Case, read_case
from fem.core.errors import InputError
from fem.results.outcome import Status
from fem.results.provenance import STAMP, code_digest
from fem.results.result import Result, read, write
from fem.simulation.half_width import wanted_travel
from fem.simulation.models import winding_model
from fem.simulation.retract_deploy import winding_program
from fem.simulation.run import run_case

RUNS = "{ straight = 16.0 }, { bend = 30.0, radius = 18.0 }, { straight = 20.0 }"


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> tuple[Case, Result]:
    """A strip with a bend, friction and a motor that is strong enough."""
    case = small_case(tmp_path_factory.mktemp("run"), runs=RUNS, friction=0.1, extra=motor(200.0))
    return case, run_case(case)


def test_a_run_ends_in_a_verdict_with_its_numbers(ran: tuple[Case, Result]) -> None:
    case, result = ran
    assert result.status == Status.DEPLOYED
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
    # what lies inside the slot at the start, off the axle's line, need not be drawn in
    wanted = wanted_travel(winding_program(winding_model(case, "rod")), case)
    assert case.travel - 0.01 < wanted <= result.path["travel_mm"].max()
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
    assert document["status"] == Status.DEPLOYED
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
    case = small_case(tmp_path, friction=0.4, extra=motor(14.0))
    result = run_case(case)
    assert result.status == Status.JAMMED
    jam = result.jam
    assert jam is not None
    assert jam.torque_Nmm > 14.0
    assert jam.torque_Nmm == result.quantities["jam_torque_Nmm"].value
    assert 0.0 <= jam.station_mm <= 45.0
    assert any("motor has 14.0 N mm" in line for line in jam.evidence)
    jammed = next(shot for shot in result.snapshots if "jam" in shot.label.split("; "))
    assert jammed.travel == jam.travel_mm
    assert jammed.layer_strain.shape == (1, *jammed.strain.shape)
    np.testing.assert_allclose(jammed.layer_strain[0], jammed.strain)
    assert np.nanmin(jammed.gap) < 0.05
    assert "the motor has 14.0 N mm" in result.sentence
    assert 0.0 <= result.quantities["safe_travel_mm"].value < case.travel


def test_what_cannot_be_run_is_refused(tmp_path: Path) -> None:
    case = small_case(tmp_path)
    with pytest.raises(InputError, match="no model named 'beam'; there are: rod, shell"):
        run_case(case, model="beam")


def test_a_bench_push_goes_the_same_way(tmp_path: Path) -> None:
    case = small_case(tmp_path, 'kind = "bend"\nangle = 20.0')
    seen: list[float] = []
    result = run_case(case, progress=lambda share, text: seen.append(share))
    assert result.status == Status.HELD
    assert result.provenance["case_digest"] == case.digest
    assert max(seen) == pytest.approx(1.0)


def test_an_end_without_convergence_keeps_the_path_and_is_no_jam(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from fem.simulation.retract_deploy import WindingProgram

    monkeypatch.setattr(
        WindingProgram, "deploy", lambda self, limit=math.inf: "contact forces did not settle in 6 rounds"
    )
    result = run_case(small_case(tmp_path, friction=0.1))
    assert result.status == Status.NOT_CONVERGED
    assert result.jam is None
    assert len(result.path["step"]) > 10
    assert "contact forces did not settle" in result.sentence


def test_a_result_carries_its_case_and_tells_its_origin(ran: tuple[Case, Result], tmp_path: Path) -> None:
    case, result = ran
    folder = write(result, tmp_path / "small")
    assert read_case(folder / "case.toml").digest == case.digest == result.provenance["case_digest"]
    told = json.loads((folder / "result.json").read_text())["provenance"]
    assert told["code_digest"] == code_digest()
    assert told["solver"]["element"] == 2.5
    assert set(told) >= {"numpy", "gmsh", "host", "machine", "date", "random_seed", "design_digest", "model"}
    assert set(STAMP) <= set(told)
