"""The page is one file, small, without anything from outside, and its words are there without a script."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import made_results
import numpy as np
import pytest
from page_words import Reader, judged

from fem.case.definition import read_case
from fem.core.errors import InputError
from fem.report.page import page, put, write_page
from fem.report.wording import CAUTIONS
from fem.results.outcome import Status
from fem.results.result import Result
from fem.simulation.jam_modes import JamMode

ROOT = Path(__file__).resolve().parents[3]


def sixty() -> Result:
    result = made_results.jammed()
    travels = np.linspace(0.0, 82.0, 59)
    shots = tuple(made_results.snapshot("", float(travel), 1) for travel in travels)
    return replace(result, snapshots=(*shots, result.snapshots[-1]))


def test_sixty_states_stay_small(tmp_path: Path) -> None:
    size = write_page(sixty(), tmp_path / "run.html").stat().st_size
    assert 400_000 < size < 2_500_000


def test_nothing_comes_from_outside() -> None:
    text = page(made_results.jammed())
    assert all(link.startswith(("data:", "#")) for link in Reader(text).links)
    bare = text.replace("http://www.w3.org/2000/svg", "")
    assert not re.search(
        r"https?:|//[a-z0-9-]+\.[a-z]|url\(|@import|fetch\(|XMLHttp|WebSocket|import\(", bare
    )


def test_the_words_stand_without_a_script() -> None:
    result = judged()
    words = Reader(page(result)).words
    assert result.sentence in words and result.jam is not None
    for line in (*result.jam.evidence, *result.jam.remedies, *result.warnings, *CAUTIONS):
        assert line in words
    for line in (
        Status.JAMMED,
        "jams",
        "Scripts are off",
        "no 3-D",
        "case digest",
        "0f3a",
        "84.1 N mm",
    ):
        assert line in words


def test_explanations_of_a_known_mode_are_shown() -> None:
    result = made_results.jammed()
    assert result.jam is not None
    known = replace(result, jam=replace(result.jam, mode=JamMode.COIL_LOCKS))
    words = Reader(page(known)).words
    assert "as on a belt around a drum" in words and "friction.strip" in words


def test_what_a_case_says_cannot_break_the_page() -> None:
    evil = '</script><script>alert("1")</script><b>&'
    result = made_results.jammed()
    assert result.jam is not None
    result = replace(
        result, title=evil, sentence=evil, jam=replace(result.jam, mode=evil, remedies=(evil,)),
        provenance={"who": evil}, snapshots=tuple(replace(s, label=evil) for s in result.snapshots),
    )  # fmt: skip
    text = page(result)
    assert "<script>alert" not in text
    assert text.count("<script") == 3
    assert evil in Reader(text).words


def test_every_label_names_something_and_ids_are_unique() -> None:
    found = Reader(page(made_results.jammed()))
    assert len(found.ids) == len(set(found.ids))
    assert found.labels <= set(found.ids)


def test_the_script_gets_plain_numbers() -> None:
    text = page(made_results.deployed())
    about = json.loads(re.search(r'id="run-about">(.*?)</script>', text, re.S).group(1))  # type: ignore[union-attr]
    assert len(about["plot"]) == len(about["states"]) == 4
    assert len(about["ramp"]) == 64
    assert {wall["name"] for wall in about["walls"]} >= {"axle", "casing", "post"}


def test_the_rest_shape_of_a_case_is_used() -> None:
    case = read_case(ROOT / "cases" / "boom-soft.toml")
    assert "elements up to 1 mm" in page(made_results.deployed(), case)
    assert "elements up to" not in page(made_results.deployed())


def test_a_run_without_states_is_told_plainly(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="before its first state was kept"):
        write_page(replace(made_results.deployed(), snapshots=()), tmp_path / "x.html")
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"x\.html cannot be written"):
        put(tmp_path / "nowhere" / "x.html", "words")
