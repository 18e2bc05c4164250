"""From facts to the name of a jam: every mode, every region, and that what is said agrees with itself."""

from __future__ import annotations

from dataclasses import replace

import pytest
from case_keys import is_case_key

from fem.results.outcome import PRACTICE
from fem.simulation.jam_modes import Facts, JamMode, name_mode

QUIET = Facts(
    lift=4.0, coil_start=12.0, coil_end=20.0, slot=30.0, mouth=31.5, sharpest=2.0, curvature=0.24,
    casing_contact=1.0, wrap_contact=0.0, bend=0, compression=2.0, compression_station=17.0, sharp_limit=0.35,
)  # fmt: skip

CASES = {
    JamMode.ROOT_FOLDS: (replace(QUIET, sharpest=8.0, curvature=0.6), False, False),
    JamMode.FOLDS_BEFORE_SLOT: (replace(QUIET, sharpest=25.0, curvature=0.6), True, False),
    JamMode.FOLDS_OUTSIDE_SLOT: (replace(QUIET, sharpest=31.0, curvature=0.6), True, True),
    JamMode.BEND_STUCK: (replace(QUIET, bend=2), True, False),
    JamMode.COIL_LOCKS: (replace(QUIET, casing_contact=5.0), False, False),
    JamMode.MOTOR_TOO_WEAK: (QUIET, False, True),
    JamMode.STOPS_MOVING: (QUIET, False, False),
}
PLACES = {
    JamMode.ROOT_FOLDS: 8.0, JamMode.FOLDS_BEFORE_SLOT: 25.0, JamMode.FOLDS_OUTSIDE_SLOT: 31.0,
    JamMode.BEND_STUCK: 30.0, JamMode.COIL_LOCKS: 16.0, JamMode.MOTOR_TOO_WEAK: 17.0,
    JamMode.STOPS_MOVING: 17.0,
}  # fmt: skip


def test_every_mode_has_its_facts_here() -> None:
    assert list(JamMode) == list(CASES) == list(PLACES)


@pytest.mark.parametrize("mode", JamMode)
def test_facts_lead_to_their_mode_and_its_place(mode: JamMode) -> None:
    assert name_mode(*CASES[mode]) is mode
    assert mode.place(CASES[mode][0]) == PLACES[mode]


@pytest.mark.parametrize("mode", JamMode)
def test_each_mode_says_all_there_is_to_say(mode: JamMode) -> None:
    entry = mode.entry
    assert entry.seen and len(mode.remedies) >= 2
    assert not any(text.endswith(".") for text in (entry.seen, *mode.remedies))
    assert len(mode.happens) > 30 and mode.happens.endswith(".")
    assert PRACTICE in mode.bench and mode.bench.endswith(".")
    assert entry.fold == ("folds" in mode), "the text of a fold says that it folds, and of no other mode"
    assert all(is_case_key(lever.key) for lever in mode.levers)


def test_a_mode_is_its_text() -> None:
    assert str(JamMode.COIL_LOCKS) == f"{JamMode.COIL_LOCKS}" == JamMode.COIL_LOCKS.value
    assert JamMode(str(JamMode.COIL_LOCKS)) is JamMode.COIL_LOCKS


def test_a_root_fold_that_came_after_some_travel_is_no_root_jam() -> None:
    seen, _, _ = CASES[JamMode.ROOT_FOLDS]
    assert name_mode(seen, True, False) is JamMode.STOPS_MOVING


def test_a_bend_at_the_slot_does_not_count_before_anything_moved() -> None:
    assert name_mode(replace(QUIET, bend=1), False, False) is JamMode.STOPS_MOVING


def test_sharpness_below_the_limit_is_no_fold() -> None:
    assert name_mode(replace(QUIET, sharpest=8.0, curvature=0.34), False, False) is JamMode.STOPS_MOVING


@pytest.mark.parametrize(
    ("station", "words"),
    [
        (2.0, "at the root"), (8.0, "between axle and coil"), (15.0, "in the coil"),
        (25.0, "between coil and slot"), (31.0, "in the slot"), (40.0, "outside the slot"),
    ],
)  # fmt: skip
def test_regions_from_root_to_tip(station: float, words: str) -> None:
    assert replace(QUIET, sharpest=station).region() == words


MEANT = {
    "lower the friction": ("friction.strip", "lower"),
    "make the casing smaller": ("casing.radius", "lower"),
    "wind in less": ("push.left_out", "raise"),
    "radius larger": ("strip.path.runs", "raise"),
    "widen": ("slot.gap", "raise"),
    "shorten the slot": ("slot.length", "lower"),
    "round the lips": ("slot.lip", "raise"),
    "thin the strip": ("strip.layers.thickness", "lower"),
    "deepen the section": ("strip.section.radius", "lower"),
    "shallow": ("strip.section.radius", "raise"),
    "stiffen the root": ("strip.layers.along", "add"),
    "stronger motor": ("motor.stall_torque", "raise"),
    "higher gear ratio": ("motor.gear_ratio", "raise"),
    "move the slot nearer": ("casing.radius", "lower"),
    "guide the strip": ("obstacles", "change"),
    "remove what it runs into": ("obstacles", "change"),
}
"""Words of a remedy -> the key and the way that they mean."""


def test_the_levers_of_a_remedy_do_what_its_words_say() -> None:
    used = set()
    for remedy in (remedy for mode in JamMode for remedy in mode.entry.remedies):
        here = {words for words in MEANT if words in remedy.words}
        assert here, remedy.words
        for key, way in (MEANT[words] for words in here):
            assert any(lever.key == key and lever.way.startswith(way) for lever in remedy.levers), remedy
        used |= here
    assert used == set(MEANT)
