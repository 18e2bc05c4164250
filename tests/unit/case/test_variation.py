"""A case given as a dictionary, or changed by copy, is the case that a file of that content would be."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from small_cases import small_case, small_text

from fem.case.definition import Case, case_from, read_case
from fem.case.keys import key_text
from fem.case.variation import changed, key_of
from fem.core.errors import CaseError, Fault
from fem.design.layup import Layer
from fem.design.loading import Bend, RetractDeploy
from fem.design.section import Arc

MORE = """
[motor]
stall_torque = 1.0
no_load_speed = 100.0
[[strip.layers]]
material = "pla"
thickness = 0.2
across = [-2.0, 2.0]
elsewhere = "soft"
[[obstacles]]
kind = "cylinder"
x = 60.0
y = -20.0
radius = 5.0
"""


@pytest.fixture
def case(tmp_path: Path) -> Case:
    return small_case(tmp_path, extra=MORE)


def faults(make: Callable[[], Case]) -> dict[str, Fault]:
    with pytest.raises(CaseError) as caught:
        make()
    assert len({fault.key for fault in caught.value.faults}) == len(caught.value.faults)
    return {fault.key: fault for fault in caught.value.faults}


# ---- from a dictionary -------------------------------------------------------------------------------------


def test_a_dictionary_gives_the_case_of_its_file(case: Case) -> None:
    made = case_from(tomllib.loads(small_text(extra=MORE)), "small")
    assert made == case
    assert made.text == case.text


def test_tuples_arrays_and_none_are_understood(case: Case) -> None:
    tables: dict[str, Any] = tomllib.loads(small_text(extra=MORE))
    tables["strip"]["layers"][1]["across"] = np.array([-2.0, 2.0])
    tables["strip"]["layers"] = tuple(tables["strip"]["layers"])
    tables["strip"]["width"] = np.float32(10.0)
    tables["strip"]["stations"] = tables["weight"] = None
    assert case_from(tables, "small") == case
    assert isinstance(tables["strip"]["layers"], tuple), "what was given stays as it was"


def test_faults_of_a_dictionary_come_all_at_once_with_key_and_name() -> None:
    tables: dict[str, Any] = tomllib.loads(small_text())
    tables["strip"]["width"] = "10"
    tables["slot"]["gap"] = 0.3
    tables["casing"] = {}
    tables["odd"] = object()
    found = faults(lambda: case_from(tables, "mine"))
    assert set(found) == {"strip.width", "casing.radius", "slot.gap", "odd"}
    assert {(fault.file, fault.line) for fault in found.values()} == {("mine", None)}


def test_a_dictionary_may_extend_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("base.toml").write_text(small_text())
    assert case_from({"extends": "base.toml", "slot": {"gap": 2.0}}).slot.gap == 2.0
    (fault,) = faults(lambda: case_from({"extends": "bass.toml"})).values()
    assert fault.key == "extends" and "bass.toml" in fault.message


# ---- changed by copy ---------------------------------------------------------------------------------------


def test_a_change_by_copy_is_what_the_file_would_be(case: Case, tmp_path: Path) -> None:
    new = changed(case, {"friction.strip": 0.3, "strip.layers[2].thickness": 0.5})
    file = tmp_path / "small.toml"
    file.write_text(
        case.text.replace("strip = 0.0", "strip = 0.3").replace("thickness = 0.2", "thickness = 0.5")
    )
    assert new == read_case(file)
    assert new.text == read_case(file).text
    assert new.digest != case.digest and new.design_digest != case.design_digest
    assert case.friction.strip == 0.0 and case.strip.layers[1].thickness == 0.2


def test_no_change_is_the_same_case(case: Case) -> None:
    assert changed(case, {}) == case
    other = changed(case, {}, "other")
    assert (other.name, other.digest) == ("other", case.digest)


def test_settings_change_the_digest_and_not_the_design(case: Case) -> None:
    new = changed(case, {"solver.element": np.float64(3.0)})
    assert new.settings.element == 3.0
    assert new.digest != case.digest and new.design_digest == case.design_digest


def test_tables_are_merged_lists_replaced_and_none_takes_out(case: Case) -> None:
    new = changed(case, {
        "friction": {"strip": 0.1}, "motor": None, "obstacles": [],
        "strip.path.runs": [{"straight": 30.0}, {"bend": 20.0, "radius": 30.0}],
        "strip.layers[2].across": None, "strip.layers[2].elsewhere": None,
    })  # fmt: skip
    assert (new.friction.strip, new.friction.wraps) == (0.1, case.friction.wraps)
    assert new.motor is None and new.obstacles == ()
    assert new.strip.length == pytest.approx(30.0 + np.radians(20.0) * 30.0)
    assert new.strip.layers[1].across is None and isinstance(new.strip.layers[1], Layer)


@pytest.mark.parametrize("order", [1, -1])
def test_what_excludes_another_replaces_it_in_any_order(case: Case, order: int) -> None:
    changes = [("push.angle", 10.0), ("push.kind", "bend"), ("strip.section.depth", 1.0)]
    changes += [("obstacles[1].x2", 70.0), ("obstacles[1].y2", -20.0), ("obstacles[1].radius", 1.0)]
    changes += [("obstacles[1].x", 60.0), ("obstacles[1].y", -20.0), ("obstacles[1].kind", "bar")]
    new = changed(case, dict(changes[::order]))
    assert isinstance(case.push, RetractDeploy) and new.push == Bend(angle=np.radians(10.0))
    assert isinstance(new.strip.section, Arc)
    assert float(new.strip.section.place(5.0).height) == pytest.approx(1.0)
    assert type(new.obstacles[0]).__name__ == "Bar"


def test_points_within_lists_can_be_reached(case: Case) -> None:
    curved = changed(case, {"strip.path.through": [[0, 0], [20, 0], [40, 5], [60, 10]]})
    assert changed(curved, {"strip.path.through[4][2]": 12.0}).content["strip.path"]["through"][3] == [60, 12]


def test_wrong_keys_and_values_have_the_faults_of_the_reader_all_at_once(case: Case, tmp_path: Path) -> None:
    wrong = {"friction.stripe": 0.2, "strip.layers[1].thickness": -1.0, "solver": 3, "motor.efficiency": 2.0}
    found = faults(lambda: changed(case, wrong, "wrong"))
    assert set(found) == {"friction.stripe", "strip.layers[1].thickness", "solver", "motor.efficiency"}
    assert {fault.file for fault in found.values()} == {"wrong"}
    file = tmp_path / "base.toml"
    file.write_text(case.text)
    variant = tmp_path / "variant.toml"
    variant.write_text(
        'extends = "base.toml"\nsolver = 3\n[friction]\nstripe = 0.2\n[motor]\nefficiency = 2.0\n'
    )
    for key, fault in faults(lambda: read_case(variant)).items():
        assert fault.message == found[key].message


@pytest.mark.parametrize(
    ("key", "facts"),
    [
        ("", ()),
        ("strip..width", ()),
        ("strip.layers[x].thickness", ()),
        ("strip.layers[-1].thickness", ()),
        ("strip.layers[3].thickness", ("2", "strip.layers[2]")),
        ("strip.stations[1].at", ("strip.stations",)),
        ("motor[1].efficiency", ("motor",)),
        ("strip.layers[" + "9" * 30 + "].thickness", ("no key",)),
        ("a" + ".a" * 60, ("no key",)),
    ],
)
def test_a_key_that_leads_nowhere_is_told_with_what_else_is_wrong(
    case: Case, key: str, facts: tuple[str, ...]
) -> None:
    found = faults(lambda: changed(case, {key: 1.0, "slot.gap": 0.5}))
    assert set(found) == {key, "slot.gap"}
    assert all(fact in found[key].message for fact in facts)


def test_values_without_end_and_odd_names_are_refused(case: Case) -> None:
    deep: list[Any] = []
    deep.append(deep)
    (fault,) = faults(lambda: changed(case, {"strip": {"a": deep}, "strip.b": {"a": 1}})).values()
    assert (fault.key, "deeper" in fault.message) == ("strip", True)
    assert "digits" in faults(lambda: changed(case, {"strip.width": 10**5000}))["strip.width"].message
    for name in ("../x", "a+shell", ""):
        assert "no name for a case" in faults(lambda name=name: changed(case, {}, name))[""].message


@pytest.mark.parametrize(
    "key", ["strip.layers[2].thickness", "title", 'materials."my soft".young', "a[1][2]"]
)
def test_a_key_is_written_as_faults_name_it(key: str) -> None:
    parts = key_of(key)
    assert parts is not None and key_text(parts) == key
