"""What is unusual is told by `check` with its numbers, and the case is read."""

from __future__ import annotations

import pytest
from sound_case import OF_KIND, SOUND, Write, changed

from fem.case.cautions import CAUTIONS, cautions
from fem.case.definition import read_case
from fem.case.estimate import derive

RUNS = SOUND[SOUND.index("runs = ") : SOUND.index("\n[strip.section]")]
ACROSS = "across = [-2.0, 2.0]"
POST = '[[obstacles]]\nkind = "cylinder"\n'
BACK = "runs = [{straight = 14.0}, {bend = 180.0, radius = 7.0}, {straight = 30.0}]"

UNUSUAL: list[tuple[str, str, str, tuple[str, ...]]] = [
    ("obstacle_in_the_way", "[push]", f"{POST}x = 20\ny = 0\nradius = 6\n[push]",
     ("2 mm deep", "obstacles[1]", "cylinder")),
    ("obstacle_in_the_way", "[push]", f"{POST}x = 11\ny = -6\nradius = 1\n[push]",
     ("slot", "1.4 of its 1.5 mm")),
    ("strip_against_the_casing", RUNS, BACK, ("the casing", "mm from the root")),
    ("slot_as_tight_as_the_strip", "gap = 1.5", "gap = 1.04", ("1.04 mm", "5 %", "1 mm")),
    ("slot_past_the_casing", "gap = 1.5", "gap = 10.0", ("0.5 mm outside", "9 mm")),
    ("lips_longer_than_the_slot", "gap = 1.5", "gap = 1.5\nlip = 3.0", ("3 mm", "15 mm", "10.5 mm")),
    ("narrower_than_thick", "width = 12.0", "width = 0.9", ("0.9 mm wide", "1 mm thick")),
    ("harder_rubbing_than_known", "[push]", "[friction]\nstrip = 1.5\n[push]", ("1.5",)),
]  # fmt: skip
"""Caution, what is written, what stands there instead, and facts that the sentence names."""


@pytest.mark.parametrize(("name", "old", "new", "facts"), UNUSUAL, ids=[name for name, *_ in UNUSUAL])
def test_what_is_unusual_is_told_and_read(
    write: Write, name: str, old: str, new: str, facts: tuple[str, ...]
) -> None:
    text = changed(old, new)
    if "width = 0.9" in new:
        text = text.replace(ACROSS, "across = [-0.2, 0.2]")
    case = read_case(write(text))
    told = [sentence for one in CAUTIONS if one.__name__ == name for sentence in one(case)]
    assert any(all(fact in sentence for fact in facts) for sentence in told), cautions(case)
    assert set(told) <= set(derive(case).remarks)


def test_every_caution_has_a_case() -> None:
    assert {one.__name__ for one in CAUTIONS} == {name for name, *_ in UNUSUAL}


def test_nothing_is_said_of_a_usual_case(write: Write) -> None:
    beside = f'[[obstacles]]\nkind = "bar"\n{OF_KIND["bar"]}\n[push]'
    assert cautions(read_case(write(SOUND))) == []
    assert cautions(read_case(write(changed("[push]", beside)))) == []
    # in the air nothing is in the way
    text = changed("[push]", f"{POST}x = 20\ny = 0\nradius = 6\n[push]")
    assert cautions(read_case(write(text.replace("retract-then-deploy", "bend")))) == []
