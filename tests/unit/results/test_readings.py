"""One state in words and numbers."""

from __future__ import annotations

import math
from dataclasses import replace

import made_results
import numpy as np
import pytest

from fem.results.readings import (
    headline,
    number,
    per_cent,
    state_of_bend,
    state_values,
    state_words,
    summary_headline,
)
from fem.results.result import Quantity


def test_a_state_is_told_by_its_label_or_by_what_is_done_and_its_travel() -> None:
    shot = made_results.snapshot("wound in; hardest", 82.0, 1)
    assert state_words(shot) == "wound in; hardest, travel 82.0 mm"
    assert state_words(replace(shot, label="")) == "winding in, travel 82.0 mm"
    assert state_words(replace(shot, label="end", phase=3)) == "end", "nothing travels on the bench"


@pytest.mark.parametrize(
    ("share", "text"), [(0.0, "0 %"), (0.5, "50 %"), (0.501, "51 %"), (1.0, "100 %"), (1.001, "101 %")]
)
def test_a_share_is_rounded_up_so_that_what_is_over_never_reads_100(share: float, text: str) -> None:
    assert per_cent(share) == text


def test_the_line_of_a_summary_is_that_of_the_result() -> None:
    made = replace(made_results.jammed(), quantities={"strain_share_peak": Quantity(1.5, "")})
    assert made.jam is not None
    assert summary_headline(made.summary()) == headline(made.status, made.jam.mode, 1.5)
    assert summary_headline(made_results.deployed().summary()) == made_results.deployed().status


def test_values_of_a_state_are_those_of_its_row() -> None:
    made = made_results.jammed()
    shot = made.snapshots[-1]
    row = made.row_of(shot)
    values = dict(state_values(made, shot))
    assert values["travel"] == "57.6 mm"
    assert values["axle wound"].endswith(" turns")
    assert values["torque"] == f"{made.path['torque_Nmm'][row]:.4g} N mm"
    assert values["the motor has"] == "48 N mm"
    assert list(values) == ["travel", "axle wound", "torque", "the motor has", "push at the slot"]


def test_a_state_on_the_bench_tells_load_and_control() -> None:
    made = made_results.pressed()
    path = {"step": np.arange(3.0), "pressed_mm": np.array([0.0, 1.5, 3.0]), "force_N": np.arange(3.0)}
    shot = replace(made.snapshots[0], step=1)
    bench = replace(made, path=path, snapshots=(shot,))
    assert state_values(bench, shot) == [("force", "1 N"), ("deflection", "1.5 mm")]


def test_without_rows_only_the_state_itself_tells() -> None:
    bare = replace(made_results.deployed(), path={})
    assert [name for name, _ in state_values(bare, bare.snapshots[0])] == ["travel", "axle wound"]


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [(12.3456, "mm", "12.35 mm"), (-2.0, "", "\N{MINUS SIGN}2"), (math.nan, "mm", "\N{EN DASH}"),
     (math.inf, "", "\N{EN DASH}")],
)  # fmt: skip
def test_numbers_for_reading(value: float, unit: str, text: str) -> None:
    assert number(value, unit) == text


def test_a_bend_belongs_to_the_state_nearest_to_its_row() -> None:
    made = made_results.deployed()
    shots = tuple(replace(made.snapshots[0], step=step, label="") for step in (0, 100, 300, 439))
    kept = replace(made, snapshots=shots)
    row = 312
    bend = replace(
        made.bends[0], travel_mm=float(made.path["travel_mm"][row]),
        peak_torque_Nmm=float(made.path["torque_Nmm"][row]),
    )  # fmt: skip
    assert state_of_bend(kept, bend) == 2
    assert state_of_bend(replace(kept, path={}), bend) is None
    assert state_of_bend(kept, replace(bend, travel_mm=math.nan)) is None
