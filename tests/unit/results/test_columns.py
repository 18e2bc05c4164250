"""One list of columns: units, words, and which of them make the curve of a push."""

from __future__ import annotations

import ast
from pathlib import Path

import made_results
import pytest
from small_cases import small_case

from fem.design.loading import PUSHES, Winding
from fem.results import columns
from fem.results.columns import (
    COLUMNS,
    MOTOR,
    PUSH,
    TORQUE,
    TRAVEL,
    by_axle,
    column,
    control_and_load,
    find_control,
    to_tell,
    unit_of,
    words_of,
)
from fem.simulation.run import run_case

ROOT = Path(__file__).resolve().parents[3]
NAMES = {one.name for one in COLUMNS}


def test_every_column_says_what_it_is_and_is_listed_once() -> None:
    assert len(NAMES) == len(COLUMNS)
    assert all(one.about and one.words for one in COLUMNS)


def test_a_new_push_lists_its_columns_by_naming_them(monkeypatch: pytest.MonkeyPatch) -> None:
    class Twist:
        kind, control_column, load_column = "twist", "twist_rad", "moment_Nmm"

    monkeypatch.setattr(columns, "PUSHES", (*PUSHES, Twist, Twist))
    (new,) = [one for one in columns.of_pushes(columns.LISTED) if one.name not in NAMES]
    assert (new.name, new.title) == ("twist_rad", "twist [rad]")
    assert Twist.kind in new.about


def test_pure_numbers_are_those_that_have_no_unit() -> None:
    pure = {"step", "phase", "strain_peak", "strain_share", "audit_error", "stable", "iterations"}
    assert {one.name for one in COLUMNS if not one.unit} == pure


@pytest.mark.parametrize(
    ("name", "unit", "words"),
    [
        ("jam_torque_Nmm", "N mm", "jam torque"), ("curvature_peak_per_mm", "1/mm", "curvature peak"),
        ("axle_turns", "", "axle turns"), ("retract_push_peak_N", "N", "retract push peak"),
        ("stiffness_N_per_mm", "N/mm", "stiffness"), ("coil_outer_radius_mm", "mm", "coil outer radius"),
    ],
)  # fmt: skip
def test_a_name_tells_unit_and_words(name: str, unit: str, words: str) -> None:
    assert (unit_of(name), words_of(name)) == (unit, words)


@pytest.mark.parametrize("push", PUSHES)
def test_every_push_has_its_control_and_load(push: type) -> None:
    control, load = control_and_load(push.kind)
    assert {control.name, load.name} <= NAMES
    assert find_control([control.name, load.name, "step"]) == (control, load)
    assert by_axle(control) == issubclass(push, Winding)


def test_a_path_of_no_known_push_has_none() -> None:
    assert find_control(["step", TRAVEL.name]) is None
    with pytest.raises(KeyError):
        control_and_load("sideways")


def test_a_column_that_is_not_listed_is_told_by_its_name() -> None:
    made = column("ovality_mm")
    assert (made.title, made.unit, made.words) == ("ovality [mm]", "mm", "ovality")


def test_what_one_state_takes() -> None:
    assert to_tell(made_results.deployed().path) == (TORQUE, MOTOR, PUSH)
    bench = to_tell({"turn_rad": 0, "moment_Nmm": 0, "tip_x_mm": 0})
    assert [one.name for one in bench] == ["moment_Nmm", "turn_rad"]


@pytest.mark.parametrize("push", ['kind = "retract"\ntravel = 2.0', 'kind = "bend"\nangle = 5.0'])
def test_a_run_records_no_other_columns(tmp_path: Path, push: str) -> None:
    path = run_case(small_case(tmp_path, push)).path
    assert set(path) <= NAMES
    assert find_control(path) is not None


CONTROLS = {name for push in PUSHES for name in (push.control_column, push.load_column)}
OWN = {"axle_angle_rad", "torque_Nmm"}
"""Columns of the axle, which many tell of for their own sake."""


def test_no_other_module_spells_what_a_bench_push_prescribes_or_takes() -> None:
    found = []
    for file in sorted((ROOT / "fem").rglob("*.py")):
        name = file.relative_to(ROOT).as_posix()
        if name in {"fem/design/loading.py", "fem/results/columns.py"}:
            continue
        for node in ast.walk(ast.parse(file.read_text())):
            if isinstance(node, ast.Constant) and node.value in CONTROLS - OWN:
                found.append(f"{name}:{node.lineno}: {node.value}")
    assert found == []
