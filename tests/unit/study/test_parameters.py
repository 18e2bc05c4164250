"""What names of a study mean in a case, and what is told of names that mean nothing."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from small_cases import motor, small_case

from fem.case.study_tables import Vary
from fem.case.variation import changed
from fem.core.errors import InputError
from fem.study.parameters import NAMED, parameter, value_at, vary_from_text

TWO_BENDS = (
    "{ straight = 10.0 }, { bend = 20.0, radius = 20.0 }, { bend = -30.0, radius = 15.0 }, { straight = 9.0 }"
)


def test_a_key_stands_for_itself_with_its_present_value(tmp_path: Path) -> None:
    case = small_case(tmp_path, extra=motor(9.0))
    casing = parameter(case, "casing.radius")
    assert (casing.present, casing.number, casing.unit) == (7.0, 7.0, "mm")
    assert casing.changes(8.0) == {"casing.radius": 8.0}
    assert parameter(case, "slot.lip").present == 0.5, "a default"
    assert parameter(case, "strip.layers[1].thickness").present == 0.8
    assert parameter(case, "materials.soft.young").present == 80.0
    winding = parameter(case, "strip.winding")
    assert winding.present == "equal" and math.isnan(winding.number)


def test_a_key_that_a_case_leaves_out_can_be_given(tmp_path: Path) -> None:
    case = small_case(tmp_path)
    assert parameter(case, "push.travel").present is None
    assert parameter(case, "strip.section.depth").present is None
    assert value_at(case, "nothing.at.all") is None


@pytest.mark.parametrize("name", list(NAMED))
def test_every_name_changes_the_case(name: str, tmp_path: Path) -> None:
    case = small_case(tmp_path, runs=TWO_BENDS, friction=0.2, extra=motor(9.0))
    one = parameter(case, name)
    assert changed(case, one.changes(one.present)).digest == case.digest, "its present value changes nothing"
    other = changed(case, one.changes(1.1 * one.number))
    assert other.digest != case.digest
    assert parameter(other, name).number == pytest.approx(1.1 * one.number)


def test_names_for_several_keys_keep_their_proportions(tmp_path: Path) -> None:
    case = changed(small_case(tmp_path, friction=0.2), {"friction.wraps": 0.1})
    assert parameter(case, "friction").changes(0.4) == {"friction.strip": 0.4, "friction.wraps": 0.2}
    layers = [{"material": "soft", "thickness": 0.6}, {"material": "soft", "thickness": 0.2}]
    two = changed(case, {"strip.layers": layers})
    assert parameter(two, "thickness").changes(1.2) == {
        "strip.layers[1].thickness": 0.9, "strip.layers[2].thickness": 0.3,
    }  # fmt: skip


def test_the_bend_is_the_one_that_turns_farthest(tmp_path: Path) -> None:
    one = parameter(small_case(tmp_path, runs=TWO_BENDS), "bend")
    assert (one.present, one.changes(18.0)) == (15.0, {"strip.path.runs[3].radius": 18.0})


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("casing.radios", 'unknown key, perhaps "radius"'),
        ("frction", "perhaps .*friction"),
        ("slot", "is nothing of a case that can change"),
        ("strip.layers[3].thickness", "the last is strip.layers"),
        ("friction.strip.deeper", "must be a number"),
        ("bend", "no bend"),
        ("motor", "no motor"),
        ("a b.c", "is nothing of a case"),
    ],
)
def test_a_name_that_means_nothing_is_told(name: str, words: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=words):
        parameter(small_case(tmp_path), name)


def test_ranges_of_the_command_line() -> None:
    assert vary_from_text("friction=0.05:0.25:6") == (Vary("friction", 0.05, 0.25), 6)
    assert vary_from_text("slot.gap=1.2:1.8") == (Vary("slot.gap", 1.2, 1.8), None)
    chosen, count = vary_from_text("strip.winding=equal,opposite")
    assert chosen.choices == ("equal", "opposite") and count is None
    assert vary_from_text("slot.gap=1.2,1.5,2")[0].choices == (1.2, 1.5, 2)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("friction", "names no range"),
        ("=1:2", "names no range"),
        ("friction=1:b", "is no range of numbers"),
        ("friction=1:2:3:4", "has 4 parts"),
        ("friction=2:1:5", "the range is empty"),
        ("friction=1:2:1", "1 points make no range"),
        ("slot.gap=1.5", "at least 2 values"),
    ],
)
def test_what_is_no_range_is_told(text: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        vary_from_text(text)
