"""Every fault of a case file is told, all at once, where it stands; sound cases are frozen and digested."""

from __future__ import annotations

import dataclasses
import math
import re
from pathlib import Path
from typing import Any

import demo_cases
import pytest
from sound_case import SOUND, Write, changed, faults

from fem.case.definition import Case, read_case
from fem.design.environment import Axle, Casing, Friction, Slot, Weight
from fem.design.loading import PUSHES, Press, RetractDeploy
from fem.design.path import Through
from fem.design.section import Arc
from fem.design.settings import Settings

# ---- sound cases -------------------------------------------------------------------------------------------


def test_a_sound_case_is_read_into_frozen_objects_with_defaults(write: Write) -> None:
    case = read_case(write())
    assert (case.name, case.title, case.teaches) == ("boom", "a boom", "")
    assert case.strip.thickness == pytest.approx(1.0)
    assert case.strip.length == pytest.approx(
        26.0 + math.radians(40) * 25 + 14.0 + math.radians(30) * 30 + 22.0
    )
    assert isinstance(case.push, RetractDeploy)
    assert case.motor is None
    with pytest.raises(dataclasses.FrozenInstanceError):
        case.title = "other"  # type: ignore[misc]


def test_levels_and_lengths_follow_the_conventions(write: Write) -> None:
    case = read_case(write(changed("gap = 1.5", "gap = 1.5\nlength = 2.0\nheight = 0.3\n")))
    assert case.root_level == pytest.approx(-4.5)
    assert case.slot_level == pytest.approx(-4.2)
    assert case.slot_mouth == pytest.approx(11.0)
    assert case.free_length == pytest.approx(case.strip.length - 11.0)
    assert case.travel == pytest.approx(case.free_length - 5.0)


def test_degrees_become_radians(write: Write) -> None:
    text = changed('kind = "retract-then-deploy"', 'kind = "press"\ndirection = 90.0\nforce = 2')
    case = read_case(write(text + "[weight]\nacts = true\ndirection = 180\n[solver]\nturn = 3.0\n"))
    assert isinstance(case.push, Press)
    assert case.push.direction == pytest.approx(math.pi / 2)
    assert case.push.force == 2.0
    assert case.weight.acceleration() == pytest.approx((-9806.65, 0.0), abs=1e-9)
    assert case.settings.turn == pytest.approx(math.pi / 60)
    assert case.travel == 0.0


def test_winding_sets_the_sense(write: Write) -> None:
    assert read_case(write()).strip.sense == 1
    assert read_case(write(changed("width = 12.0", 'width = 12.0\nwinding = "opposite"'))).strip.sense == -1


def test_an_arc_may_be_given_by_its_depth(write: Write) -> None:
    section = read_case(write(changed("radius = 9.0\n[[", "depth = 1.927\n[["))).strip.section
    assert isinstance(section, Arc)
    assert section.radius == pytest.approx(9.0, rel=1e-3)


def test_a_path_may_run_through_points(write: Write) -> None:
    start = SOUND.index("runs =")
    text = (
        SOUND[:start]
        + "through = [[0, 0], [40, 5], [80, 30], [90, 60]]\n"
        + SOUND[SOUND.index("[strip.section]") :]
    )
    assert isinstance(read_case(write(text)).strip.path, Through)


def test_a_root_that_opens_and_a_taper(write: Write) -> None:
    text = changed("width = 12.0", "width = 12.0\nroot_opening = 10.0")
    strip = read_case(
        write(text + "[[strip.stations]]\nat = 60\nwidth = 12\n[[strip.stations]]\nat = 90\nwidth = 8\n")
    ).strip
    assert strip.depth_at(0.0)[0] == 0.0
    assert strip.depth_at(10.0)[0] == pytest.approx(1.0)
    assert strip.width_at(60.0) == pytest.approx(12.0)
    assert strip.width_at(95.0) == pytest.approx(8.0)


def test_materials_of_the_case(write: Write) -> None:
    text = changed('"tpu-95a"\nthickness', '"mine"\nthickness').replace(
        'elsewhere = "tpu-95a"', 'elsewhere = "ply"'
    )
    text += "[materials.mine]\nyoung = 80\npoisson = 0.45\nstrain_limit = 0.1\n"
    text += "[materials.ply]\nyoung_1 = 9000.0\nyoung_2 = 1000.0\npoisson_12 = 0.3\n"
    text += "shear_12 = 500.0\nstrain_limit = 0.01\n"
    layers = read_case(write(text)).strip.layers
    assert layers[0].material.young_1 == 80.0
    assert layers[1].elsewhere is not None
    assert layers[1].elsewhere.shear_12 == 500.0


@pytest.mark.parametrize("file", demo_cases.FILES, ids=demo_cases.NAMES)
def test_the_cases_that_come_along_are_sound_and_teach(file: Path) -> None:
    case = read_case(file)
    assert case.teaches.endswith(".")
    assert case.motor is not None


READ_BY_NAME = (Axle, Casing, Friction, Settings, Slot, Weight, *PUSHES)


@pytest.mark.parametrize("table", READ_BY_NAME)
def test_every_key_has_an_effect(table: type[Any]) -> None:
    """Some module that is not about reading cases looks at each field: a key that does nothing is a lie."""
    readers = [file for file in Path("fem").rglob("*.py") if file.parent.name != "case"]
    code = "\n".join(file.read_text() for file in readers)
    unread = [
        field.name for field in dataclasses.fields(table) if not re.search(rf"\w\.{field.name}\b", code)
    ]
    assert unread == []


# ---- digest ------------------------------------------------------------------------------------------------


def digest(file: Path) -> str:
    return read_case(file).digest


def test_wording_layout_and_written_defaults_do_not_change_the_digest(write: Write) -> None:
    first = read_case(write())
    again = read_case(
        write("# a comment\n" + changed('"a boom"', '"another title"').replace("12.0", "12"), "other")
    )
    assert again.digest == first.digest
    assert (
        digest(write(SOUND + f"[friction]\nstrip = 0.2\n[solver]\nelement = {Settings().element}\n"))
        == first.digest
    )


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("thickness = 0.6", "thickness = 0.61"),
        ('material = "pla"', 'material = "petg"'),
        ("bend = -30.0", "bend = 30.0"),
        ("radius = 9.0\n[slot]", "radius = 9.5\n[slot]"),
        ('kind = "retract-then-deploy"', 'kind = "retract"'),
        ("gap = 1.5", "gap = 1.5\nheight = 0.1"),
    ],
)
def test_a_change_of_design_changes_both_digests(write: Write, old: str, new: str) -> None:
    first, other = read_case(write()), read_case(write(changed(old, new)))
    assert other.digest != first.digest
    assert other.design_digest != first.design_digest


def test_numerical_settings_change_only_the_digest(write: Write) -> None:
    first, other = read_case(write()), read_case(write(SOUND + "[solver]\nelement = 2.125\n"))
    assert other.digest != first.digest
    assert other.design_digest == first.design_digest


def test_a_variant_has_the_digest_of_the_same_case_written_out(write: Write) -> None:
    write()
    variant = write('extends = "boom.toml"\n[slot]\ngap = 2.0\n', "variant")
    assert digest(variant) == digest(write(changed("gap = 1.5", "gap = 2.0"), "whole"))


# ---- all at once -------------------------------------------------------------------------------------------


def test_all_faults_come_at_once_in_the_order_of_the_file(write: Write) -> None:
    text = (
        changed("width = 12.0", 'width = "12"')
        .replace("radius = 4.0", "radius = 10.0")
        .replace("gap = 1.5", "gap = 0.2")
    )
    text = (
        text.replace("bend = 40.0, radius = 25.0", "bend = 40.0, radius = 0.1")
        + "[motor]\nefficiency = 2.0\n"
    )
    assert [fault.key for fault in faults(write(text))] == [
        "strip.width", "strip.path.runs[2].radius", "axle.radius", "slot.gap",
        "motor.no_load_speed", "motor.stall_torque", "motor.efficiency",
    ]  # fmt: skip


def test_a_fault_in_the_base_is_told_at_the_base(write: Write) -> None:
    write(changed("gap = 1.5", "gap = 0.5"))
    found = faults(write('extends = "boom.toml"\n[casing]\nradius = 2.0\n', "variant"))
    places = {fault.key: (Path(fault.file).name, fault.line) for fault in found}
    assert places["slot.gap"] == ("boom.toml", 23)
    assert places["axle.radius"] == ("boom.toml", 19)


def test_no_fault_is_told_twice(write: Write) -> None:
    found = faults(write(changed("thickness = 0.4", "thickness = -1").replace('"pla"', '"plaa"')))
    assert len(found) == len(set(found)) == 2


def test_one_case_object_per_file(write: Write) -> None:
    first, second = read_case(write()), read_case(write())
    assert isinstance(first, Case)
    assert first == second
