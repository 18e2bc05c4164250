"""From facts to the name of a jam: every mode, every region, what is said about it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from small_cases import small_case

from fem.rod.fields import RodFields
from fem.rod.model import build_rod_model
from fem.simulation.assembly import assemble
from fem.simulation.failure import AT_SLOT, MODES, Facts, evidence, facts, name_mode, place_of

QUIET = Facts(
    lift=4.0, coil_start=12.0, coil_end=20.0, slot=30.0, mouth=31.5, sharpest=2.0, curvature=0.24,
    casing_contact=1.0, wrap_contact=0.0, bend=0, compression=2.0, compression_station=17.0, sharp_limit=0.35,
)  # fmt: skip

CASES = {
    "root span folds": (replace(QUIET, sharpest=8.0, curvature=0.6), False, False),
    "strip folds before the slot": (replace(QUIET, sharpest=25.0, curvature=0.6), True, False),
    "strip folds outside the slot": (replace(QUIET, sharpest=31.0, curvature=0.6), True, True),
    "bend does not pass the slot": (replace(QUIET, bend=2), True, False),
    "coil locks in the casing": (replace(QUIET, casing_contact=5.0), False, False),
    "motor too weak": (QUIET, False, True),
    "strip stops moving": (QUIET, False, False),
}


def test_every_mode_is_in_the_table_of_cases() -> None:
    assert [mode.name for mode in MODES] == list(CASES)


@pytest.mark.parametrize("name", CASES)
def test_facts_lead_to_their_mode_with_words_and_remedies(name: str) -> None:
    mode = name_mode(*CASES[name])
    assert mode.name == name
    assert mode.explanation
    assert len(mode.remedies) >= 2
    assert mode.fold == ("folds" in name)
    assert not any(text.endswith(".") for text in (mode.explanation, *mode.remedies))


def test_a_root_fold_that_came_after_some_travel_is_no_root_jam() -> None:
    seen, _, _ = CASES["root span folds"]
    assert name_mode(seen, True, False).name == "strip stops moving"


def test_a_bend_at_the_slot_does_not_count_before_anything_moved() -> None:
    assert name_mode(replace(QUIET, bend=1), False, False).name == "strip stops moving"


def test_sharpness_below_the_limit_is_no_fold() -> None:
    assert name_mode(replace(QUIET, sharpest=8.0, curvature=0.34), False, False).name == "strip stops moving"


@pytest.mark.parametrize(
    ("station", "words"),
    [
        (2.0, "at the root"), (8.0, "between axle and coil"), (15.0, "in the coil"),
        (25.0, "between coil and slot"), (31.0, "in the slot"), (40.0, "outside the slot"),
    ],
)  # fmt: skip
def test_regions_from_root_to_tip(station: float, words: str) -> None:
    assert replace(QUIET, sharpest=station).region() == words


def test_a_jam_is_marked_where_it_is() -> None:
    places = {name: place_of(name_mode(*case), case[0]) for name, case in CASES.items()}
    assert places["root span folds"] == 8.0
    assert places["strip folds before the slot"] == 25.0
    assert places["coil locks in the casing"] == 16.0
    assert places["bend does not pass the slot"] == 30.0
    assert places["motor too weak"] == places["strip stops moving"] == 17.0


def test_evidence_gives_the_numbers() -> None:
    lines = evidence(replace(QUIET, bend=2, wrap_contact=7.0), 40.0, 25.0, 4.2)
    text = "\n".join(lines)
    assert "0.240 /mm (radius 4.2 mm) at 2.0 mm from the root, at the root" in text
    assert "1.0 rad and on itself over 7 mm" in text
    assert "2.00 N at 17.0 mm" in text
    assert "asked for 40.0 N mm, motor has 25.0 N mm" in text
    assert "turned 4.2 rad while the strip did not move" in text
    assert "bend 2 stands at the slot" in text
    assert len(evidence(QUIET, 40.0, None, None)) == 3


def test_facts_of_an_assembled_strip(tmp_path: Path) -> None:
    runs = "{ straight = 8.0 }, { bend = 20.0, radius = 20.0 }, { straight = 30.0 }"
    case = small_case(tmp_path, runs=runs)
    model = build_rod_model(case)
    trip = assemble(model, model.clamp())
    assert not isinstance(trip, str)
    assert model.walls is not None
    fields = RodFields.build(model.rod, model.rod.nodes, 3)
    mark = case.strip.path.bends[0]
    inside = facts(case, fields.state(trip.u), model.walls, None, trip.u, mark.end + AT_SLOT - 0.1)
    beyond = facts(case, fields.state(trip.u), model.walls, None, trip.u, mark.end + AT_SLOT + 0.1)
    assert (inside.bend, beyond.bend) == (1, 0)
    assert inside.mouth == pytest.approx(inside.slot + case.slot.length)
    assert inside.sharp_limit == pytest.approx(1.5 / 4.4)
    assert inside.wrap_contact == 0.0
    # nothing is wound: no coil lies on the casing, and nothing pushes
    assert inside.casing_contact < 0.5
    assert inside.compression < 0.5
