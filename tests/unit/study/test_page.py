"""The page of a sweep: nothing from outside, every design in its table, the reasons of those without one."""

from __future__ import annotations

import re
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import pytest
from stand_in_runs import StandIn, made_result

from fem.case.definition import Case
from fem.core.errors import InputError
from fem.results.outcome import Status
from fem.results.result import Result
from fem.study.page import sweep_page, write_sweep_page
from fem.study.sweep import sweep


class Seen(HTMLParser):
    """Words of a page by the element they stand in, and rows of its tables."""

    def __init__(self) -> None:
        super().__init__()
        self.rows: list[list[str]] = []
        self.words: list[str] = []
        self.sources: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "tr":
            self.rows.append([])
        self.sources += [value or "" for name, value in attrs if name in {"src", "href"}]

    def handle_data(self, data: str) -> None:
        if data.strip():
            self.words.append(data.strip())
            if self.rows:
                self.rows[-1].append(data.strip())


def seen(text: str) -> Seen:
    made = Seen()
    made.feed(text)
    return made


def test_every_design_stands_in_the_table(runs: StandIn, case_of: Callable[..., Case]) -> None:
    page = seen(sweep_page(sweep(case_of(20.0), {"friction": (0.0, 0.3, 4), "casing": (6.5, 7.5, 2)})))
    bodies = [row for row in page.rows if row and row[0] in {"0", "0.1", "0.2", "0.3"}]
    assert len(bodies) == 8
    first = next(row for row in bodies if row[:2] == ["0.3", "7.5"])
    assert first[2] == "jammed: coil locks in the casing" and "\N{GREATER-THAN OR EQUAL TO} 2" in first
    heads = next(row for row in page.rows if "verdict" in row)
    assert heads[:2] == ["friction", "casing [mm]"] and any(
        "hardest torque asked for" in head for head in heads
    )
    assert "small over friction and casing" in page.words
    assert any("Least is asked of the motor, 0.46" in line for line in page.words)


def test_the_page_needs_nothing_from_outside(runs: StandIn, case_of: Callable[..., Case]) -> None:
    text = sweep_page(sweep(case_of(20.0), {"friction": (0.0, 0.3, 4)}))
    assert all(source.startswith("data:") for source in seen(text).sources)
    assert not re.search(r"https?://(?!www\.w3\.org)", text)


def test_reasons_are_told_once_and_origin_and_cautions_stand_there(
    runs: StandIn, case_of: Callable[..., Case]
) -> None:
    def trouble(case: Case) -> Result | None:
        stuck = made_result(case, Status.NOT_CONVERGED, {}, sentence="<b>It</b> got stuck.")
        return stuck if case.friction.strip > 0.15 else None

    runs.trouble = trouble
    text = sweep_page(sweep(case_of(20.0), {"friction": (0.0, 0.3, 4)}))
    page = seen(text)
    assert sum("got stuck" in line for line in page.words) == 1 and "<b>It</b>" not in text
    assert any(line.startswith("2 of 4: not converged") for line in page.words)
    assert any("range of friction" in line for line in page.words)
    assert any("whips" in line for line in page.words), "the usual cautions"


def test_a_sweep_of_many_keys_is_a_page_without_a_picture(
    runs: StandIn, case_of: Callable[..., Case]
) -> None:
    ranges = {"casing": (6.8, 7.2), "thickness": (0.7, 0.8), "friction": (0.1, 0.2), "slot.gap": (1.5, 1.7)}
    page = seen(sweep_page(sweep(case_of(20.0), ranges, samples=4)))
    assert not any(source.startswith("data:image/png") for source in page.sources)
    assert "small over casing, thickness, friction and slot.gap" in page.words


def test_it_is_written_whole_or_told(runs: StandIn, case_of: Callable[..., Case], tmp_path: Path) -> None:
    made = sweep(case_of(20.0), {"friction": (0.0, 0.3, 4)})
    assert write_sweep_page(made, tmp_path / "a.html").read_text().rstrip().endswith("</html>")
    with pytest.raises(InputError, match="cannot be written"):
        write_sweep_page(made, tmp_path / "nowhere" / "a.html")
