"""Numbers beside their limits: order, words, and what is not known."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import made_results
import numpy as np
import pytest

from fem.case.definition import read_case
from fem.report.wording import (
    Margin,
    case_in_words,
    layer_strains,
    margins,
    models_compared,
    run_quality,
    verdict_line,
)
from fem.results.outcome import Status
from fem.results.result import Attempt, Quantity, Result

ROOT = Path(__file__).resolve().parents[3]
CASE = read_case(ROOT / "cases" / "boom-spine.toml")


def numbers(**values: float) -> Result:
    return replace(
        made_results.jammed(), quantities={name: Quantity(value, "") for name, value in values.items()}
    )


def test_margins_are_shares_of_the_limit_the_tightest_first() -> None:
    rows = margins(
        numbers(
            retract_torque_peak_Nmm=25.0, deploy_torque_peak_Nmm=150.0, motor_stall_torque_at_axle_Nmm=100.0,
            strain_share_peak=0.9, travel_wound_mm=80.0, safe_travel_mm=60.0,
        )
    )  # fmt: skip
    assert [(row.name, round(row.left, 3), row.word) for row in rows] == [
        ("travel", -0.333, "over the limit"),
        ("torque pushing out", 0.0, "jams"),
        ("strain", 0.1, "tight"),
        ("torque winding in", 0.75, "enough"),
        ("torque pushing out, forced", -0.5, "does not count"),
    ]


def test_a_jam_leaves_nothing_however_strong_the_motor() -> None:
    result = numbers(deploy_torque_peak_Nmm=84.1, motor_stall_torque_at_axle_Nmm=600.0)
    (row,) = margins(result)
    assert result.jam is not None and result.jam.torque_Nmm == 84.1
    assert (row.name, row.value, row.left_text, row.word) == (
        "torque pushing out",
        "84.1 N mm",
        "none",
        "jams",
    )
    assert result.jam.mode in row.note and "57.6 mm" in row.note


def test_a_stop_while_winding_in_is_the_margin_of_winding_in() -> None:
    result = replace(numbers(retract_torque_peak_Nmm=84.1, deploy_torque_peak_Nmm=3.0), status=Status.STALLED)
    assert [(row.name, row.word) for row in margins(result)] == [
        ("torque winding in", "jams"), ("torque pushing out", "no limit given"),
    ]  # fmt: skip


def test_strain_of_each_phase_is_a_margin_and_what_does_not_count_comes_last() -> None:
    rows = margins(
        replace(
            numbers(strain_share_peak=1.3),
            quantities={
                "strain_share_peak": Quantity(1.3, ""),
                "retract_strain_share": Quantity(0.8, "", "of the material's limit, at the root"),
                "deploy_strain_share": Quantity(1.301, ""), "forced_strain_share": Quantity(4.0, ""),
            },
        )
    )  # fmt: skip
    assert [(row.name, row.value, row.word) for row in rows] == [
        ("strain pushing out", "131 %", "over the limit"), ("strain winding in", "80 %", "tight"),
        ("strain, forced beyond the jam", "400 %", "does not count"),
    ]  # fmt: skip
    assert rows[1].note == "at the root"


@pytest.mark.parametrize(
    ("result", "told"),
    [
        (replace(numbers(strain_share_peak=0.9), jam=None, status=Status.DEPLOYED), str(Status.DEPLOYED)),
        (
            replace(numbers(strain_share_peak=1.002), jam=None, status=Status.DEPLOYED_STRAINED),
            f"{Status.DEPLOYED_STRAINED}; strain 101 % of the limit",
        ),
        (
            numbers(strain_share_peak=2.0),
            f"{Status.JAMMED}: {made_results.jammed().jam.mode}; strain 200 % of the limit",
        ),
    ],
)
def test_a_verdict_in_one_line_says_by_how_much_the_limit_is_passed(result: Result, told: str) -> None:
    assert verdict_line(result) == told


def test_attempts_are_told_with_the_quality() -> None:
    attempts = (
        Attempt("", math.nan, "", 12.0, "no step"),
        Attempt("solver.turn = 1.4", 9.0, "deploy", 0.3, ""),
    )
    rows = dict(run_quality(replace(made_results.deployed(), attempts=attempts), None))
    assert rows["computed with settings of the case"] == "stopped at 12.0 mm: no step"
    assert rows["computed with solver.turn = 1.4"] == "this result"


def test_without_a_motor_torque_has_no_margin() -> None:
    (row,) = margins(numbers(retract_torque_peak_Nmm=25.0))
    assert math.isnan(row.left) and row.word == "no limit given" and row.limit == "no motor given"
    assert row.left_text == "\N{EN DASH}"


def test_a_margin_of_nothing_is_tight_not_over() -> None:
    assert Margin("x", "", "", 0.0).word == "tight"


def test_strain_by_layer_names_the_worst_state_and_place() -> None:
    result = made_results.deployed()
    shots = []
    for k, shot in enumerate(result.snapshots):
        strain = np.full((3, *shot.height.shape), 0.01)
        strain[1] = np.nan
        strain[1, 40:60, 4] = 0.002 * (k + 1)
        strain[2, 30, 0] = 0.03 if k == 2 else 0.01
        shots.append(replace(shot, layer_strain=strain))
    rows = layer_strains(replace(result, snapshots=tuple(shots)), CASE)
    assert [row.number for row in rows] == [1, 2, 3]
    assert rows[2].strain == pytest.approx(0.03) and rows[2].state.startswith("wound in, travel ")
    assert rows[2].station == pytest.approx(result.snapshots[0].station[30])
    assert rows[2].share == pytest.approx(0.03 / 0.15), "strain_limit of soft-print in boom-soft.toml"
    assert math.isnan(rows[1].share), "two materials in one layer have no common limit"


def test_no_layers_no_rows() -> None:
    assert layer_strains(made_results.deployed(), CASE) == []
    assert layer_strains(made_results.deployed(), None) == []


def test_an_open_energy_balance_is_told_loudly() -> None:
    result = replace(made_results.deployed(), energy_audit={"closure_error": 0.05})
    assert "does NOT close" in dict(run_quality(result, None))["energy balance"]
    assert "closes" in dict(run_quality(made_results.deployed(), None))["energy balance"]


def test_two_models_side_by_side() -> None:
    rod = numbers(deploy_torque_peak_Nmm=110.0)
    shell = replace(numbers(deploy_torque_peak_Nmm=100.0), model="shell", status=Status.DEPLOYED)
    assert models_compared(rod, shell) == [
        ("status", Status.JAMMED, Status.DEPLOYED, "DIFFERS"), ("deploy torque peak", "110", "100", "+9 %")
    ]  # fmt: skip


def test_the_case_in_words() -> None:
    said = " ".join(case_in_words(CASE))
    for words in ("12 mm wide", "1 mm thick", "in 3 layers", "40° at R 25 mm and 30° at R 30 mm",
                  "130.6 N mm", "retract-then-deploy", "6 mm stay outside", "toward the axle"):  # fmt: skip
        assert words in said
