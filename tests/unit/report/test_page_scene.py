"""What the page decodes is the snapshot, within the step of its two-byte numbers."""

from __future__ import annotations

import base64
from dataclasses import replace
from pathlib import Path

import made_results
import numpy as np
import pytest

from fem.case.definition import read_case
from fem.report import page_scene
from fem.report.page_scene import FAR_GAP, pack, quantities, unpack_places, unpack_quantity
from fem.results.result import Result
from fem.simulation.jam_modes import JamMode

ROOT = Path(__file__).resolve().parents[3]


@pytest.fixture(params=[made_results.deployed, made_results.jammed, made_results.pressed])
def result(request: pytest.FixtureRequest) -> Result:
    made: Result = request.param()
    return made


def test_places_come_back_within_half_a_step(result: Result) -> None:
    packed = pack(result, None)
    surface = np.stack([shot.surface() for shot in result.snapshots])
    step = np.array(packed.about["size"]) / 65534
    error = np.abs(unpack_places(packed) - surface)
    assert (error <= 0.5001 * step).all()
    assert error.max() < 0.002, "mm: far below what is seen"


def test_values_come_back_and_missing_ones_stay_missing(result: Result) -> None:
    gap = np.where(np.arange(result.snapshots[0].height.size).reshape(result.snapshots[0].height.shape) % 3,
                   np.nan, 0.7)  # fmt: skip
    shots = tuple(replace(shot, gap=gap) for shot in result.snapshots)
    packed = pack(replace(result, snapshots=shots), None)
    back = unpack_quantity(packed, "gap")
    assert np.array_equal(np.isnan(back[0]), np.isnan(gap))
    assert np.nanmax(np.abs(back[0] - gap)) < 1e-4
    share = np.stack([100 * shot.strain_share for shot in shots])
    assert np.abs(unpack_quantity(packed, "strain") - share).max() <= 0.51 * np.ptp(share) / 65534


def test_the_text_is_the_bytes(result: Result) -> None:
    packed = pack(result, None)
    assert base64.b64decode(packed.text) == packed.data
    n, m, states = 121, 9, len(result.snapshots)
    numbers = states * (3 * n * m + sum(n * m if q["perPoint"] else n for q in packed.about["quantities"]))
    assert len(packed.data) == 2 * numbers


def test_what_nobody_recorded_is_left_out() -> None:
    result = made_results.deployed()
    assert "gap" not in [one["name"] for one in pack(result, None).about["quantities"]]


def test_flattening_is_against_the_rest_section_of_the_case() -> None:
    """An arc of 12 mm at R 9 mm rises by 9 (1 - cos(12/18)); a section pressed flat has lost all of it."""
    case = read_case(ROOT / "cases" / "boom-soft.toml")
    base = made_results.deployed().snapshots[0]
    station = np.linspace(0.0, case.strip.length, base.station.size)
    rise = 9.0 * (1.0 - np.cos(12.0 / 18.0))
    half = np.broadcast_to(0.5 * rise * np.linspace(-1, 1, 9) ** 2, base.height.shape)
    shots = [replace(base, station=station, height=height) for height in (half, 0.0 * half)]
    lost = next(one for one in quantities(shots, case) if one.name == "flattening").values
    assert lost[0] == pytest.approx(np.full(station.size, 50.0), abs=0.5)
    assert lost[1] == pytest.approx(np.full(station.size, 100.0))


def test_a_flat_strip_cannot_flatten() -> None:
    result = made_results.deployed()
    shots = tuple(replace(shot, height=0.0 * shot.height) for shot in result.snapshots)
    packed = pack(replace(result, snapshots=shots), None)
    assert "flattening" not in [one["name"] for one in packed.about["quantities"]]


def test_change_of_curvature_is_signed_for_the_probe_and_plain_for_the_eye() -> None:
    result = made_results.deployed()
    packed = pack(result, None)
    signed, size = unpack_quantity(packed, "curving"), unpack_quantity(packed, "bending")
    assert signed[0] == pytest.approx(np.zeros(signed.shape[1]), abs=1e-4)
    assert np.abs(np.abs(signed) - size).max() < 1e-4 * max(1.0, size.max())


def test_small_clearance_is_the_dark_end() -> None:
    result = made_results.deployed()
    shots = tuple(replace(shot, gap=0.1 + 0.0 * shot.height) for shot in result.snapshots)
    gap = next(one for one in quantities(shots, None) if one.name == "gap")
    assert gap.dark_low and gap.high == FAR_GAP and gap.unit == "mm"


def test_a_run_too_large_keeps_every_second_station_and_the_tip(monkeypatch: pytest.MonkeyPatch) -> None:
    result = made_results.deployed()
    whole = pack(result, None)
    monkeypatch.setattr(page_scene, "MOST_NUMBERS", len(whole.data) // 2 * 0.6)
    half = pack(result, None)
    assert half.about["stations"][:3] == whole.about["stations"][:6:2]
    assert half.about["stations"][-1] == whole.about["stations"][-1]
    assert len(half.data) < 0.6 * len(whole.data)


def test_states_on_different_grids_are_refused() -> None:
    result = made_results.deployed()
    mixed = replace(result, snapshots=(*result.snapshots, made_results.long_lamp().snapshots[0]))
    with pytest.raises(ValueError, match="different grids"):
        pack(mixed, None)


def test_a_run_without_states_is_refused() -> None:
    with pytest.raises(ValueError, match="no state of the strip was kept"):
        pack(replace(made_results.deployed(), snapshots=()), None)


def test_it_starts_at_the_jam() -> None:
    result = made_results.jammed()
    about = pack(result, None).about
    assert about["states"][about["start"]]["words"].startswith("jam, travel 57.6 mm, ")
    assert about["jam"] == {
        "station": 41.0,
        "place": "41.0 mm from the root",
        "mode": JamMode.COIL_LOCKS,
    }
