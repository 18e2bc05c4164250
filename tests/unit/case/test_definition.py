"""Every fault of a case file is told, all at once, where it stands; sound cases are frozen and digested."""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from fem.case.definition import Case, read_case
from fem.case.rules import RULES
from fem.case.template import starter
from fem.core.errors import CaseError
from fem.design.environment import Axle, Casing, Friction, Slot, Weight
from fem.design.loading import PUSHES, Press, RetractDeploy
from fem.design.material import LIBRARY
from fem.design.obstacle import OBSTACLES
from fem.design.path import Through
from fem.design.section import SECTIONS, Arc
from fem.design.settings import Settings

SOUND = """\
title = "a boom"
[strip]
width = 12.0
[strip.path]
runs = [{ straight = 26.0 }, { bend = 40.0, radius = 25.0 }, { straight = 14.0 }, { bend = -30.0, radius = 30.0 },
  { straight = 22.0 }]
[strip.section]
kind = "arc"
radius = 9.0
[[strip.layers]]
material = "tpu-95a"
thickness = 0.6
[[strip.layers]]
material = "pla"
thickness = 0.4
across = [-2.0, 2.0]
elsewhere = "tpu-95a"
[axle]
radius = 4.0
[casing]
radius = 9.0
[slot]
gap = 1.5
[push]
kind = "retract-then-deploy"
"""

Write = Callable[..., Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def written(text: str = SOUND, name: str = "boom", **changes: str) -> Path:
        file = tmp_path / f"{name}.toml"
        file.write_text(text)
        return file

    return written


def changed(old: str, new: str) -> str:
    assert SOUND.count(old) == 1, old
    return SOUND.replace(old, new)


def told(file: Path) -> list[str]:
    """Faults of a file as they are printed, without the folder."""
    with pytest.raises(CaseError) as caught:
        read_case(file)
    return [str(fault).replace(f"{file.parent}/", "") for fault in caught.value.faults]


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
    text += "[materials.ply]\nyoung_1 = 9000.0\nyoung_2 = 1000.0\npoisson_12 = 0.3\nshear_12 = 500.0\nstrain_limit = 0.01\n"
    layers = read_case(write(text)).strip.layers
    assert layers[0].material.young_1 == 80.0
    assert layers[1].elsewhere is not None
    assert layers[1].elsewhere.shear_12 == 500.0


OF_KIND: dict[str, str] = {
    "plane": "x = 0\ny = -40\nfacing = 90",
    "cylinder": "x = 60\ny = -20\nradius = 5",
    "bar": "x = 60\ny = -20\nx2 = 70\ny2 = -20\nradius = 1",
    "guide": "x = 20\ny = -4\nheading = 0\nlength = 20\nangle = 30\ngap = 2\nlip = 0.5",
}


@pytest.mark.parametrize("obstacle", OBSTACLES)
def test_every_obstacle_can_be_written_and_is_needed_in_full(write: Write, obstacle: type[Any]) -> None:
    kind = obstacle.__name__.lower()
    table = f'[[obstacles]]\nkind = "{kind}"\n{OF_KIND[kind]}\n'
    (made,) = read_case(write(SOUND + table)).obstacles
    assert isinstance(made, obstacle)
    assert made.walls(0.0)
    missing = told(write(SOUND + f'[[obstacles]]\nkind = "{kind}"\n'))
    assert len(missing) == sum(field.default is dataclasses.MISSING for field in dataclasses.fields(obstacle))


@pytest.mark.parametrize("push", PUSHES)
def test_every_push_can_be_written_with_its_defaults(write: Write, push: type[Any]) -> None:
    assert isinstance(read_case(write(changed('"retract-then-deploy"', f'"{push.kind}"'))).push, push)


def test_the_guide_turns_degrees_into_radians(write: Write) -> None:
    (guide,) = read_case(write(SOUND + f'[[obstacles]]\nkind = "guide"\n{OF_KIND["guide"]}\n')).obstacles
    assert guide.angle == pytest.approx(math.pi / 6)  # type: ignore[attr-defined]


def test_the_starter_is_sound_and_names_every_choice(write: Write) -> None:
    text = starter("my-boom")
    assert read_case(write(text)).title == "My boom"
    for name in [kind.kind for kind in (*SECTIONS, *PUSHES)] + [kind.__name__.lower() for kind in OBSTACLES]:
        assert f'"{name}"' in text
    for material in LIBRARY:
        assert material.name in text


def test_the_options_of_the_starter_are_sound_too(write: Write) -> None:
    """Every commented key is switched on; keys that exclude the written ones are left out."""
    lines = []
    for line in starter("my-boom").splitlines():
        option = re.match(r"# (\[+[a-z.-]+\]+|[a-z_]+ = [^ ])", line)
        lines.append(line[2:] if option and not line.startswith(("# through", "# extends")) else line)
    case = read_case(write("\n".join(lines)))
    assert case.obstacles
    assert case.strip.stations
    assert case.strip.layers[0].elsewhere is not None


@pytest.mark.parametrize("file", sorted(Path("cases").rglob("*.toml")), ids=lambda file: file.stem)
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


# ---- faults of types, names and ranges ---------------------------------------------------------------------


WRONG = [
    ("width = 12.0", 'width = "12.0"', 'boom.toml:3: strip.width: must be a number in mm, got "12.0" (a text); write 12.0 without quotes'),
    ("width = 12.0", "width = true", "boom.toml:3: strip.width: must be a number in mm, got true (a truth value)"),
    ("width = 12.0", "width = inf", "boom.toml:3: strip.width: must be a finite number in mm, got inf; write the value itself"),
    ("width = 12.0", "width = nan", "boom.toml:3: strip.width: must be a finite number in mm, got nan; write the value itself"),
    ("width = 12.0", "width = 2020-01-01", "boom.toml:3: strip.width: must be a number in mm, got 2020-01-01 (a date or time)"),
    ("width = 12.0", "width = -12.0", "boom.toml:3: strip.width: must be > 0 mm, got -12; write a larger number"),
    ("width = 12.0", "width = [1, 2]", "boom.toml:3: strip.width: must be a number in mm, got [1, 2]"),
    ("width = 12.0", "", "boom.toml:2: strip.width: is missing; write width = ... (a number in mm)"),
    ("width = 12.0", "width = 12.0\nwidht = 3", 'boom.toml:4: strip.widht: unknown key, perhaps "width"; known here: width,'),
    ('title = "a boom"', "", "boom.toml: title: is missing; write title = ... (a text in quotes)"),
    ('title = "a boom"', 'title = " "', "boom.toml:1: title: must say what the case is, got an empty text"),
    ('title = "a boom"', 'title = "x"\nslott = 1', 'boom.toml:2: slott: unknown key, perhaps "slot"; known here:'),
    ('title = "a boom"\n', 'title = "a boom"\nmotor = 4.0\n', "boom.toml:2: motor: must be a table, got 4; write [motor] and its keys below"),
    ('kind = "arc"', 'kind = "ark"', 'boom.toml:8: strip.section.kind: unknown kind "ark", perhaps "arc"; known: "flat", "arc", "curve"'),
    ('kind = "arc"', "", 'boom.toml:7: strip.section.kind: is missing; write one of "flat", "arc", "curve"'),
    ('kind = "arc"', "kind = 3", 'boom.toml:8: strip.section.kind: must be a text, one of "flat", "arc", "curve", got 3'),
    ('material = "pla"', 'material = "pal"', 'boom.toml:14: strip.layers[2].material: unknown material "pal", perhaps "pla"; known: tpu-85a,'),
    ("thickness = 0.4", "thickness = 0.0", "boom.toml:15: strip.layers[2].thickness: must be > 0 mm, got 0; write a larger number"),
    ("across = [-2.0, 2.0]", "across = [2.0, -2.0]", "strip.layers[2].across: must rise from its first to its second number, got [2, -2]"),
    ("across = [-2.0, 2.0]", "across = [2.0]", "strip.layers[2].across[2]: must be two numbers [from, to] in mm, got [2]"),
    ("across = [-2.0, 2.0]", "across = 2.0", "strip.layers[2].across: must be two numbers [from, to] in mm, got 2"),
    ("across = [-2.0, 2.0]", "", "strip.layers[2].elsewhere: has no meaning for a layer without across or along"),
    ("bend = 40.0, ", "bend = 0, ", "boom.toml:5: strip.path.runs[2].bend: must turn by at least 0.01 degrees, or the run is a straight, got 0"),
    ("bend = 40.0, radius = 25.0", "bend = 40.0", "boom.toml:5: strip.path.runs[2].radius: is missing; write radius = ... (a number in mm)"),
    ("{ straight = 22.0 }", "{ strait = 22.0 }", "boom.toml:6: strip.path.runs[5]: must be {straight = mm} or {bend = degrees, radius = mm}, got a table with strait"),
    ("{ straight = 22.0 }", "7", "boom.toml:6: strip.path.runs[5]: must be a table, got 7"),
    ("{ straight = 22.0 }]", "{ straight = 22.0 }]\ntransition = 30.0", "strip.path: run 2 (bend) is 17.45 mm long but the transitions"),
    ("{ straight = 22.0 }]", "{ straight = 22.0 }]\nthrough = []", "strip.path: gives both runs and through; keep one of them"),
    ("radius = 9.0\n[[", "radius = 9.0\ndepth = 2.0\n[[", "strip.section: gives both radius and depth; keep one of them"),
    ("gap = 1.5", "gap = 1.5\nlip = -1", "boom.toml:24: slot.lip: must be > 0 mm, got -1"),
    ("[slot]", "[friction]\nstrip = 5\n[slot]", "friction.strip: must be <= 3, got 5; write a smaller number"),
    ("[slot]", "[motor]\nstall_torque = 1\nefficiency = 1.5\n[slot]", "motor.efficiency: must be <= 1, got 1.5"),
    ("[slot]", "[motor]\nstall_torque = 1\nefficiency = 1.5\n[slot]", "motor.no_load_speed: is missing; write no_load_speed = ... (a number in rpm)"),
    ("[slot]", "[solver]\nturn = 100\n[slot]", "solver.turn: must be <= 90 degrees, got 100"),
    ("[slot]", "[solver]\nslip = 0\n[slot]", "solver.slip: must be > 0 mm, got 0; write a larger number"),
    ("[slot]", '[solver]\nwraps_touch = "yes"\n[slot]', 'solver.wraps_touch: must be true or false, got "yes" (a text)'),
    ("[slot]", "[[slot]]", "slot: must be a table, got [a table with gap]; write [slot] and its keys below"),
    ("[push]", "[[obstacles]]\nx = 1\n[push]", 'obstacles[1].kind: is missing; write one of "plane", "cylinder", "bar", "guide"'),
    ("[push]", "[obstacles]\nx = 1\n[push]", "obstacles: must be a list of tables, got a table with x; write [[obstacles]] once for each"),
    ("[push]", "[materials]\nx = 1\n[push]", "materials.x: must be a table, got 1; write [materials.x] with young, poisson and strain_limit"),
    ("[push]", "[materials.x]\nyoung = 2e9\npoisson = 0.6\n[push]", "materials.x.young: must be <= 2e+06 MPa, got 2000000000"),
    ("[push]", "[materials.x]\nyoung = 2e9\npoisson = 0.6\n[push]", "materials.x.poisson: must be <= 0.5, got 0.6"),
    ("[push]", "[materials.x]\nyoung = 2e9\npoisson = 0.6\n[push]", "materials.x.strain_limit: is missing"),
    ("[push]", "[materials.x]\nyoung_1 = 1\nyoung_2 = 100\npoisson_12 = 0.5\nshear_12 = 1\nstrain_limit = 1\n[push]", "materials.x: material x: poisson_12 squared must be <"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "fault"), WRONG, ids=[fault[:60] for *_, fault in WRONG])
def test_one_wrong_value_is_one_clear_sentence(write: Write, old: str, new: str, fault: str) -> None:
    found = told(write(changed(old, new)))
    assert any(fault in message for message in found), found


@pytest.mark.parametrize(("table", "needed"), [
    ("strip", "write [strip] with"), ("strip.path", "write [strip.path] with"), ("strip.section", "write [strip.section] with"),
    ("strip.layers", "the strip needs at least one layer"), ("axle", "write [axle] with"), ("casing", "write [casing] with"),
])  # fmt: skip
def test_a_missing_table_is_one_fault(write: Write, table: str, needed: str) -> None:
    keep, out = [], False
    for line in SOUND.splitlines():
        header = re.match(r"\[+([a-z.]+)\]+", line)
        if header:
            out = header.group(1) == table or header.group(1).startswith(f"{table}.")
        if not out:
            keep.append(line)
    (fault,) = told(write("\n".join(keep)))
    assert f"{table}: " in fault
    assert needed in fault


# ---- geometry that cannot exist ----------------------------------------------------------------------------

HAIRPIN = [
    *[[float(x), 0.0] for x in range(0, 41, 5)],
    *[
        [40.0 + 0.45 * math.sin(a / 8 * math.pi), 0.45 - 0.45 * math.cos(a / 8 * math.pi)]
        for a in range(1, 8)
    ],
    *[[float(x), 0.9] for x in range(40, -21, -5)],
]
"""A curve that turns back on itself with a radius of 0.45 mm."""

IMPOSSIBLE = [
    ("bends_wider_than_the_strip_is_thick", "bend = 40.0, radius = 25.0", "bend = 40.0, radius = 0.4",
     "boom.toml:5: strip.path.runs[2].radius: a bend to 0.4 mm is tighter than half the strip's thickness (0.5 mm)"),
    ("curve_wider_than_the_strip_is_thick", "runs = [{ straight = 26.0 }, { bend = 40.0, radius = 25.0 }, { straight = 14.0 }, { bend = -30.0, radius = 30.0 },\n  { straight = 22.0 }]",
     f"through = {HAIRPIN}", "strip.path.through: the curve bends to a radius of"),
    ("bends_wider_than_the_section_rises", "bend = 40.0, radius = 25.0", "bend = 40.0, radius = 1.8",
     "strip.path.runs[2].radius: a bend to 1.8 mm has its centre within the section, whose edges rise 1.93 mm"),
    ("section_thinner_than_it_is_round", "radius = 9.0\n[[", "radius = 0.3\n[[", "strip.section: an arc of 0.3 mm is tighter than half"),
    ("section_within_a_circle", "radius = 9.0\n[[", "radius = 1.9\n[[", "strip.section: the section turns 361.9 degrees over the width of 12 mm"),
    ("section_as_wide_as_the_strip", 'kind = "arc"\nradius = 9.0', 'kind = "curve"\npoints = [[-4, 1], [0, 0], [4, 1]]',
     "strip.width: is 12 mm but the points of the section span 8.3"),
    ("layers_on_the_strip", "across = [-2.0, 2.0]", "across = [-2.0, 7.0]", "strip.layers[2].across: [-2, 7] leaves the strip, which reaches from -6 to 6 mm"),
    ("layers_along_the_strip", "across = [-2.0, 2.0]", "along = [10.0, 200.0]", "strip.layers[2].along: [10, 200] leaves the strip, which reaches from 0 to 95"),
    ("stations_on_the_strip", "[axle]", "[[strip.stations]]\nat = 200\n[axle]", "strip.stations[1].at: 200 mm is beyond the tip"),
    ("stations_on_the_strip", "[axle]", "[[strip.stations]]\nat = 20\n[[strip.stations]]\nat = 10\n[axle]", "strip.stations[2].at: 10 mm does not follow 20 mm"),
    ("stations_on_the_strip", "[axle]", "[[strip.stations]]\nat = 20\nwidth = 13\n[axle]", "strip.stations[1].width: 13 mm is wider than strip.width = 12 mm"),
    ("root_opens_on_the_strip", "width = 12.0", "width = 12.0\nroot_opening = 99.0", "strip.root_opening: 99 mm is longer than the strip"),
    ("axle_within_the_casing", "radius = 4.0", "radius = 9.0", "axle.radius: 9 mm is not smaller than the casing's 9 mm"),
    ("axle_within_the_casing", "radius = 4.0", "radius = 8.5", "casing.radius: 9 mm leaves 0.5 mm beside the axle of 8.5 mm for a strip 1 mm thick; write at least 9.5 mm"),
    ("slot_wider_than_the_strip", "gap = 1.5", "gap = 0.9", "boom.toml:23: slot.gap: 0.9 mm does not pass a strip 1 mm thick; write more than 1 mm"),
    ("slot_within_the_casing", "gap = 1.5", "gap = 1.5\nheight = -6.0", "slot.height: -6 mm puts the slot's centre -10.5 mm from the axle's centre"),
    ("strip_reaches_out", "radius = 9.0\n[slot]", "radius = 120.0\n[slot]", "strip.path: the strip is 95.1613 mm long and ends within casing and slot"),
    ("coil_fits_the_casing", "radius = 9.0\n[slot]", "radius = 6.5\n[slot]", "casing.radius: 6.5 mm has room for 82.47 mm of strip 1 mm thick around the axle"),
    ("push_on_the_strip", 'kind = "retract-then-deploy"', 'kind = "bend"\nstation = 120.0', "push.station: 120 mm is beyond the tip at 95.1613 mm"),
    ("column_on_the_strip", 'kind = "retract-then-deploy"', 'kind = "column"\nshortening = 60.0', "push.shortening: 60 mm is half of the free length"),
    ("column_on_the_strip", 'kind = "retract-then-deploy"', 'kind = "column"\nfree_length = 95.5', "push.free_length: 95.5 mm is beyond the tip at 95.1613 mm from the root"),
    ("column_on_the_strip", 'kind = "retract-then-deploy"', 'kind = "column"\nheld = "slot"\nfree_lengths = [20.0, 90.0]', "push.free_lengths[2]: 90 mm is beyond the tip at 84.6613 mm from the slot's mouth"),
    ("coil_wider_than_the_strip_is_thick", 'kind = "retract-then-deploy"', 'kind = "coil"\nradius = 0.5', "push.radius: a coil of 0.5 mm to the middle of the thickness leaves the inner face no radius"),
    ("travel_within_reach", 'kind = "retract-then-deploy"', 'kind = "retract"\ntravel = 90.0', "push.travel: 90 mm is more than the 84.66 mm of strip outside the slot"),
    ("travel_within_reach", 'kind = "retract-then-deploy"', 'kind = "retract"\nleft_out = 90.0', "push.left_out: 90 mm is all of the 84.66 mm"),
    ("guides_wider_than_the_strip", "[push]", f'[[obstacles]]\nkind = "guide"\n{OF_KIND["guide"].replace("gap = 2", "gap = 0.8")}\n[push]', "obstacles[1].gap: 0.8 mm does not pass a strip 1 mm thick"),
    ("fine_elements_are_finer", "[push]", "[solver]\nelement = 3.0\nelement_fine = 5.0\n[push]", "solver.element_fine: 5 mm is coarser than solver.element = 3 mm"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("rule", "old", "new", "fault"),
    IMPOSSIBLE,
    ids=[f"{rule}-{fault[:40]}" for rule, *_, fault in IMPOSSIBLE],
)
def test_geometry_that_cannot_exist_is_refused_with_a_remedy(
    write: Write, rule: str, old: str, new: str, fault: str
) -> None:
    found = told(write(changed(old, new)))
    assert any(fault in message for message in found), found
    assert all("; " in message for message in found), "every message ends in a remedy"


def test_every_rule_has_a_case_that_breaks_it() -> None:
    assert {rule.__name__ for rule in RULES} == {rule for rule, *_ in IMPOSSIBLE}


def test_a_layer_gap_is_refused(write: Write) -> None:
    text = changed('elsewhere = "tpu-95a"\n', "").replace(
        "thickness = 0.6\n", "thickness = 0.6\nacross = [-6.0, 0.0]\n"
    )
    assert any("no layer fills" in message for message in told(write(text)))


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
    places = [message.split(": ")[1] for message in told(write(text))]
    assert places == [
        "strip.width", "strip.path.runs[2].radius", "axle.radius", "slot.gap",
        "motor.no_load_speed", "motor.stall_torque", "motor.efficiency",
    ]  # fmt: skip


def test_a_fault_in_the_base_is_told_at_the_base(write: Write) -> None:
    write(changed("gap = 1.5", "gap = 0.5"))
    found = told(write('extends = "boom.toml"\n[casing]\nradius = 2.0\n', "variant"))
    assert any(message.startswith("boom.toml:23: slot.gap") for message in found)
    assert any(message.startswith("boom.toml:19: axle.radius") for message in found)


def test_no_fault_is_told_twice(write: Write) -> None:
    found = told(write(changed("thickness = 0.4", "thickness = -1").replace('"pla"', '"plaa"')))
    assert len(found) == len(set(found)) == 2


def test_one_case_object_per_file(write: Write) -> None:
    first, second = read_case(write()), read_case(write())
    assert isinstance(first, Case)
    assert first == second
