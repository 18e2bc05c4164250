"""What a search found as one page that opens offline: old beside new in drawings, curves and numbers."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np

from fem.case.definition import Case
from fem.case.estimate import derive
from fem.contact.surroundings import surrounding_walls
from fem.report.chart import ChartFrame, draw, span
from fem.report.drawing import developed, section, surroundings
from fem.report.page import css, environment, put
from fem.report.wording import CAUTIONS
from fem.results.columns import TORQUE, TRAVEL
from fem.results.curves import Curve, Line, lines_by_phase
from fem.results.readings import number
from fem.study.found_design import changed_values, columns, compared, sentences
from fem.study.search_result import Optimised
from fem.study.table import Row
from fem.study.trial import Trial, told_of


def write_found_page(made: Optimised, file: Path | str) -> Path:
    """Write the page, whole or not at all; return its file. Raises InputError where the disk refuses."""
    return put(Path(file), found_page(made))


def found_page(made: Optimised) -> str:
    """The text of the page."""
    sides = [("as it is", made.terms.case, made.present)]
    new = made.best_case()
    if new is not None and made.best is not None:
        sides.append(("new", new, made.best))
    word = "a design that meets its goal" if made.met else "nearest to its goal"
    told = [
        (
            line.name.replace("_", " "),
            [number(value, line.unit) for value in line.values],
            line.asked,
            line.kept,
        )
        for line in compared(made)
    ]
    return environment().get_template("found.html").render(
        heading=f"{made.terms.case.name}: {word}",
        css=css("report.css"), met=made.met, lines=list(sentences(made)),
        changes=[(key, _text(old), _text(new), unit) for key, old, new, unit in changed_values(made)],
        heads=[name for name, _ in columns(made)],
        verdicts=[trial.row.verdict for _, trial in columns(made)],
        numbers=told, drawings=_drawings(sides),
        tried=[(count, told_of(trial, made.terms), trial.met) for count, trial in enumerate(made.trials, 1)],
        cautions=CAUTIONS,
    )  # fmt: skip


def _text(value: Any) -> str:
    return number(value) if isinstance(value, float) else str(value)


def _drawings(sides: list[tuple[str, Case, Trial]]) -> list[tuple[str, list[tuple[str, str]]]]:
    """Drawings of both designs, pair by pair, as text."""
    pairs: list[tuple[str, list[tuple[str, Any]]]] = [
        ("Torque against travel", _curves([(side, trial.row) for side, _, trial in sides])),
        ("Section at rest", [(side, section(case, derive(case).section_station)) for side, case, _ in sides]),
        ("Rest path and surroundings", [(side, _around(case)) for side, case, _ in sides]),
        ("The strip laid flat", [(side, developed(case)) for side, case, _ in sides]),
    ]
    return [(caption, [(side, one.text()) for side, one in pair]) for caption, pair in pairs]


def _around(case: Case) -> Any:
    places = case.strip.path.position(np.linspace(0.0, case.strip.length, 200))
    walls = tuple(wall.drawing() for wall in surrounding_walls(case, 0.0))
    return surroundings(case, walls, places + np.array([0.0, case.root_level]))


def _curves(rows: list[tuple[str, Row]]) -> list[tuple[str, Any]]:
    """Torque of each row against travel, on common axes, with what the motor has."""
    lines = [_lines(row) for _, row in rows]
    every = [line for one in lines for line in one]
    stall = [row.number("motor_stall_torque_at_axle_Nmm") for _, row in rows]
    tops = [np.array([value]) for value in stall if math.isfinite(value)]
    frame = ChartFrame(
        TRAVEL.title, TORQUE.title, span([line.x for line in every], 0.0),
        span([*(line.y for line in every), *tops], 0.0),
    )  # fmt: skip
    made = []
    for (side, _), own, has in zip(rows, lines, stall, strict=True):
        limit = Line("motor", "the motor has", np.array(frame.x), np.array([has, has]))
        shown = (*own, limit) if math.isfinite(has) else own
        curve = Curve("torque against travel", frame.x_title, frame.y_title, TORQUE.unit, shown)
        made.append((side, draw(frame, curve, f"torque against travel, {side}").drawing))
    return made


def _lines(row: Row) -> tuple[Line, ...]:
    """Winding in and pushing out, as they are kept."""
    return lines_by_phase(*(np.array(row.path.get(name, ())) for name in ("phase", TRAVEL.name, TORQUE.name)))
