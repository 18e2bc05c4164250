"""Geometry that cannot exist is refused at the key that can mend it, with the numbers that do not fit."""

from __future__ import annotations

import math

import pytest
from sound_case import OF_KIND, SOUND, Write, changed, faults, has_fault

from fem.case.definition import read_case
from fem.case.rules import RULES
from fem.design.loading import PUSHES, Push

HAIRPIN = [
    *[[float(x), 0.0] for x in range(0, 41, 5)],
    *[
        [40.0 + 0.45 * math.sin(a / 8 * math.pi), 0.45 - 0.45 * math.cos(a / 8 * math.pi)]
        for a in range(1, 8)
    ],
    *[[float(x), 0.9] for x in range(40, -21, -5)],
]
"""A curve that turns back on itself with a radius of 0.45 mm."""

BEND, CASING = "bend = 40.0, radius = 25.0", "radius = 9.0\n[slot]"
SECTION, ACROSS, PUSH = "radius = 9.0\n[[", "across = [-2.0, 2.0]", 'kind = "retract-then-deploy"'
RUNS = SOUND[SOUND.index("runs = ") : SOUND.index("\n[strip.section]")]
MIDDLE = SOUND[SOUND.index("runs = ") : SOUND.index("\n[push]")]
STUB = MIDDLE.replace(RUNS, "runs = [{straight = 16.0}]").replace("gap = 1.5", "gap = 1.5\nlip = 5.0")
STATIONS = "[[strip.stations]]\nat = 20\n"
CURVE = 'kind = "curve"\npoints = [[-4, 1], [0, 0], [4, 1]]'
KNEE_POINTS = [[0.4 * math.sinh(0.34 * a), 0.4 * math.cosh(0.34 * a) - 0.4] for a in range(-11, 12)]
"""A section whose middle has a radius of 0.4 mm: a hyperbola of half axes .4 mm."""
KNEE = f'kind = "curve"\npoints = {KNEE_POINTS}'
TIGHT_GUIDE = f'[[obstacles]]\nkind = "guide"\n{OF_KIND["guide"].replace("gap = 2", "gap = 0.8")}\n[push]'
BENT_GUIDE = (
    TIGHT_GUIDE.replace("gap = 0.8", "gap = 2")
    .replace("angle = 30", "angle = 90")
    .replace("length = 20", "length = 2")
)
BAR, POST, FLOOR = (f'[[obstacles]]\nkind = "{kind}"\n' for kind in ("bar", "cylinder", "plane"))
TURNS = [math.pi * a / 8 for a in range(33)]
SPIRAL = [
    *[[float(x), 0.0] for x in range(0, 12, 3)],
    *[[12.0 + (6.0 - 0.08 * a) * math.sin(a), 6.0 - (6.0 - 0.08 * a) * math.cos(a)] for a in TURNS],
]
"""Two turns, each half a millimetre within the one before."""


def guide(keys: str) -> str:
    """A guide 2 mm wide with lips of 0.5 mm."""
    return f'[[obstacles]]\nkind = "guide"\n{keys}\ngap = 2\nlip = 0.5\n[push]'


LENGTHS = 'kind = "column"\nheld = "slot"\nfree_lengths = [20.0, 90.0]'

IMPOSSIBLE: list[tuple[str, str, str, str, tuple[str, ...]]] = [
    ("bends_wider_than_the_strip_is_thick", BEND, "bend = 40.0, radius = 0.4",
     "strip.path.runs[2].radius", ("0.4 mm", "0.5 mm")),
    ("curve_wider_than_the_strip_is_thick", RUNS, f"through = {HAIRPIN}", "strip.path.through", ("radius",)),
    ("bends_wider_than_the_section_rises", BEND, "bend = 40.0, radius = 1.8",
     "strip.path.runs[2].radius", ("1.8 mm", "1.93 mm")),
    ("bends_wider_than_the_section_rises", BEND, "bend = 40.0, radius = 2.4",
     "strip.path.runs[2].radius", ("2.4 mm", "1.93 mm", "0.5 mm")),
    ("section_thinner_than_it_is_round", SECTION, "radius = 0.3\n[[", "strip.section", ("0.3 mm",)),
    ("section_thinner_than_it_is_round", 'kind = "arc"\nradius = 9.0', KNEE,
     "strip.section", ("0.397 mm", "0.5 mm")),
    ("section_within_a_circle", SECTION, "radius = 1.9\n[[", "strip.section", ("361.9 degrees", "12 mm")),
    ("section_as_wide_as_the_strip", 'kind = "arc"\nradius = 9.0', CURVE, "strip.width", ("12 mm", "8.3")),
    ("layers_on_the_strip", ACROSS, "across = [-2.0, 7.0]",
     "strip.layers[2].across", ("[-2, 7]", "-6 to 6 mm")),
    ("layers_along_the_strip", ACROSS, "along = [10.0, 200.0]",
     "strip.layers[2].along", ("[10, 200]", "0 to 95")),
    ("stations_on_the_strip", "[axle]", "[[strip.stations]]\nat = 200\n[axle]",
     "strip.stations[1].at", ("200 mm",)),
    ("stations_on_the_strip", "[axle]", f"{STATIONS}[[strip.stations]]\nat = 10\n[axle]",
     "strip.stations[2].at", ("10 mm", "20 mm")),
    ("stations_on_the_strip", "[axle]", f"{STATIONS}width = 13\n[axle]",
     "strip.stations[1].width", ("13 mm", "strip.width", "12 mm")),
    ("root_opens_on_the_strip", "width = 12.0", "width = 12.0\nroot_opening = 99.0",
     "strip.root_opening", ("99 mm",)),
    ("axle_within_the_casing", "radius = 4.0", "radius = 9.0", "axle.radius", ("9 mm",)),
    ("axle_within_the_casing", "radius = 4.0", "radius = 8.5",
     "casing.radius", ("9 mm", "0.5 mm", "8.5 mm", "1 mm", "at least 9.5 mm")),
    ("slot_wider_than_the_strip", "gap = 1.5", "gap = 0.9", "slot.gap", ("0.9 mm", "more than 1 mm")),
    ("slot_within_the_casing", "gap = 1.5", "gap = 1.5\nheight = -6.0", "slot.height", ("-6 mm", "-10.5 mm")),
    ("strip_reaches_out", CASING, "radius = 120.0\n[slot]", "strip.path", ("95.1613 mm",)),
    ("coil_fits_the_casing", CASING, "radius = 6.5\n[slot]", "casing.radius", ("6.5 mm", "82.47 mm", "1 mm")),
    ("push_on_the_strip", PUSH, 'kind = "bend"\nstation = 120.0', "push.station", ("120 mm", "95.1613 mm")),
    ("column_on_the_strip", PUSH, 'kind = "column"\nshortening = 60.0', "push.shortening", ("60 mm",)),
    ("column_on_the_strip", PUSH, 'kind = "column"\nfree_length = 95.5',
     "push.free_length", ("95.5 mm", "95.1613 mm")),
    ("column_on_the_strip", PUSH, LENGTHS, "push.free_lengths[2]", ("90 mm", "84.6613 mm")),
    ("coil_wider_than_the_strip_is_thick", PUSH, 'kind = "coil"\nradius = 0.5', "push.radius", ("0.5 mm",)),
    ("travel_within_reach", PUSH, 'kind = "retract"\ntravel = 90.0', "push.travel", ("90 mm", "84.66 mm")),
    ("travel_within_reach", PUSH, 'kind = "retract"\nleft_out = 90.0',
     "push.left_out", ("90 mm", "84.66 mm")),
    ("guides_wider_than_the_strip", "[push]", TIGHT_GUIDE, "obstacles[1].gap", ("0.8 mm", "1 mm")),
    ("path_beside_itself", RUNS, "runs = [{straight = 20.0}, {bend = 330.0, radius = 8.0}, {straight = 40}]",
     "strip.path", ("crosses itself", "mm from the root")),
    ("obstacles_beside_the_strip", "[push]", f"{BAR}x = 20\ny = -10\nx2 = 20\ny2 = 5\nradius = 0.5\n[push]",
     "obstacles[1]", ("across", "20 mm from the root", "x = 20")),
    ("obstacles_outside_the_casing", "[push]", f"{BAR}x = -3\ny = 5\nx2 = 3\ny2 = 5\nradius = 1\n[push]",
     "obstacles[1]", ("the bar", "4 mm", "9 mm")),
    ("obstacles_outside_the_casing", "[push]", f"{POST}x = 3\ny = -4\nradius = 2\n[push]",
     "obstacles[1]", ("cylinder", "3 mm", "9 mm")),
    ("obstacles_outside_the_casing", "[push]", f"{BAR}x = 0\ny = 11\nx2 = 20\ny2 = 11\nradius = 4\n[push]",
     "obstacles[1]", ("the bar", "7 mm", "9 mm")),
    ("obstacles_outside_the_casing", "[push]", guide("x = 0\ny = 0\nheading = 0\nlength = 20\nangle = 0"),
     "obstacles[1]", ("the guide", "1 mm", "4 mm")),
    ("obstacles_outside_the_casing", "[push]", f"{FLOOR}x = 0\ny = -7\nfacing = 90\n[push]",
     "obstacles[1]", ("plane", "7 mm", "9 mm")),
    ("guides_wider_than_they_are_bent", "[push]", BENT_GUIDE,
     "obstacles[1].angle", ("90 degrees", "1.27 mm", "1.5 mm")),
    ("guides_wider_than_they_are_bent", "[push]",
     guide("x = 20\ny = -4.5\nheading = 0\nlength = 30\nangle = 345"),
     "obstacles[1].angle", ("345 degrees", "end", "beginning")),
    ("lips_of_guides_within_them", "[push]",
     guide("x = 20\ny = -4.5\nheading = 0\nlength = 0.4\nangle = 0"),
     "obstacles[1].lip", ("0.5 mm", "0.4 mm")),
    ("slot_clear_of_obstacles", "[push]", f"{POST}x = 11\ny = -4\nradius = 1\n[push]",
     "obstacles[1]", ("the cylinder", "the slot", "1.5 mm", "1 mm thick")),
    ("slot_clear_of_obstacles", "[push]", f"{FLOOR}x = 10\ny = 0\nfacing = 180\n[push]",
     "obstacles[1]", ("the plane", "the slot", "1.5 mm")),
    ("strip_of_a_sensible_length", RUNS, "runs = [{straight = 60000.0}, {straight = 60000.0}]",
     "strip.path", ("1.2e+05 mm", "100000 mm")),
    ("path_beside_itself", RUNS, f"through = {SPIRAL}", "strip.path", ("overlaps itself", "1 mm thick")),
    ("path_outside_the_casing", RUNS,
     "runs = [{straight = 20.0}, {bend = 180.0, radius = 4.0}, {straight = 40.0}]",
     "strip.path", ("back into the casing", "9 mm", "from the root")),
    ("obstacles_beside_the_strip", "[push]", f"{POST}x = 20\ny = -4.2\nradius = 3\n[push]",
     "obstacles[1]", ("the cylinder", "across", "20 mm from the root")),
    ("obstacles_beside_the_strip", "[push]", f"{FLOOR}x = 20\ny = 0\nfacing = 180\n[push]",
     "obstacles[1]", ("the plane", "across", "20 mm from the root")),
    ("obstacles_beside_the_strip", "[push]",
     guide("x = 20\ny = -8\nheading = 20\nlength = 30\nangle = 0"),
     "obstacles[1]", ("the guide", "across", "mm from the root")),
    ("strip_reaches_past_the_lips", MIDDLE, STUB, "slot.lip", ("5 mm", "18.94 mm", "16 mm")),
    ("slot_joins_the_casing", "gap = 1.5", "gap = 17.0", "slot.gap", ("17 mm", "4 mm outside", "9 mm")),
    ("lips_within_the_slot", "gap = 1.5", "gap = 1.5\nlip = 12.0", "slot.lip", ("12 mm", "9 mm")),
    ("slot_narrower_than_the_casing", "gap = 1.5", "gap = 18.0", "slot.gap", ("18 mm",)),
    ("fine_elements_are_finer", "[push]", "[solver]\nelement = 3.0\nelement_fine = 5.0\n[push]",
     "solver.element_fine", ("5 mm", "solver.element", "3 mm")),
]  # fmt: skip
"""Rule, what is written, what stands there instead, key, and facts that the message names."""


@pytest.mark.parametrize(
    ("rule", "old", "new", "key", "facts"),
    IMPOSSIBLE,
    ids=[f"{rule}-{key}: {facts}" for rule, *_, key, facts in IMPOSSIBLE],
)
def test_geometry_that_cannot_exist_is_refused_with_a_remedy(
    write: Write, rule: str, old: str, new: str, key: str, facts: tuple[str, ...]
) -> None:
    file = write(changed(old, new))
    has_fault(file, key, facts)
    assert all("; " in fault.message for fault in faults(file)), "every message ends in a remedy"


def test_every_rule_has_a_case_that_breaks_it() -> None:
    assert {rule.__name__ for rule in RULES} == {rule for rule, *_ in IMPOSSIBLE}


def test_a_zone_that_no_layer_fills_is_refused(write: Write) -> None:
    text = changed('elsewhere = "tpu-95a"\n', "").replace(
        "thickness = 0.6\n", "thickness = 0.6\nacross = [-6.0, 0.0]\n"
    )
    has_fault(write(text), "strip", ("2 to 6 mm",))


def test_obstacles_near_the_strip_and_in_the_air_are_none_of_a_rule_s_business(write: Write) -> None:
    # a guide that the strip comes into by its end holds it, however it bends
    held = guide("x = 12\ny = -4.5\nheading = 10\nlength = 30\nangle = 0")
    read_case(write(changed("[push]", held)))
    # a ceiling that a bend runs into at an angle turns it aside
    read_case(write(changed("[push]", f"{FLOOR}x = 0\ny = 12\nfacing = -90\n[push]")))
    under = f"{FLOOR}x = 0\ny = -9.5\nfacing = 90\n{BAR}x = 20\ny = -9\nx2 = 30\ny2 = -6\nradius = 1\n"
    read_case(write(changed("[push]", f"{under}[push]")))
    across = f"{BAR}x = 20\ny = -10\nx2 = 20\ny2 = 5\nradius = 0.5\n"
    read_case(write(changed(PUSH, 'kind = "bend"').replace("[push]", f"{across}[push]")))


AT_A_STATION = [push for push in PUSHES if "station" in push.__dataclass_fields__]


@pytest.mark.parametrize("push", AT_A_STATION, ids=lambda push: push.kind)
def test_a_station_of_any_push_lies_on_the_strip(write: Write, push: type[Push]) -> None:
    written = changed(PUSH, f'kind = "{push.kind}"\nstation = 120.0')
    has_fault(write(written), "push.station", ("120 mm", "95.1613 mm"))
