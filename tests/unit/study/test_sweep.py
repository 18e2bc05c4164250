"""A design over ranges: the points, the table, the best; and what is told of ranges that cannot be."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from stand_in_runs import StandIn, border_of_friction, push_of

from fem.case.definition import Case
from fem.case.study_tables import Vary
from fem.core.errors import InputError
from fem.results.outcome import NoResult, Status
from fem.study.study import Study
from fem.study.sweep import designs_of, ranges_of, sweep, swept
from fem.study.table import ASKED

ASKED_OF = '\n[[vary]]\nkey = "casing.radius"\nlow = 6.5\nhigh = 7.5\n'


def test_a_grid_is_run_and_told_row_by_row(runs: StandIn, case_of: Callable[..., Case]) -> None:
    made = sweep(case_of(20.0), {"friction": (0.0, 0.2, 5), "casing.radius": (6.5, 7.5, 3)})
    assert len(made.table) == 15 == len(runs.made)
    assert made.table.names == ("friction", "casing.radius")
    expected = [min(2.0, push_of(case) / 20.0) for case in runs.made]
    assert np.allclose(made.table.column(ASKED), expected)
    border = [border_of_friction(20.0, casing=row.number("casing.radius")) for row in made.table]
    assert [row.went for row in made.table] == [
        row.number("friction") <= limit for row, limit in zip(made.table, border, strict=True)
    ]


def test_the_best_is_a_case(runs: StandIn, case_of: Callable[..., Case]) -> None:
    made = sweep(case_of(20.0), {"friction": (0.05, 0.2, 4), "strip.winding": ["equal", "opposite"]})
    assert made.best is not None and made.best.values["friction"] == 0.05
    best = made.best_case()
    assert best is not None and best.friction.strip == 0.05 and best.digest == made.best.digest
    none = sweep(case_of(1.0), {"friction": (0.05, 0.2, 2)})
    assert none.best is None and none.best_case() is None


def test_a_case_may_say_itself_what_varies(runs: StandIn, case_of: Callable[..., Case]) -> None:
    made = sweep(case_of(20.0, ASKED_OF))
    assert [row.values["casing.radius"] for row in made.table] == [6.5, 6.75, 7.0, 7.25, 7.5]
    assert made.ranges == (Vary("casing.radius", 6.5, 7.5),)


def test_points_spread_evenly_in_place_of_a_grid(runs: StandIn, case_of: Callable[..., Case]) -> None:
    made = sweep(case_of(20.0), {"friction": (0.0, 0.2), "casing.radius": (6.5, 7.5)}, samples=8)
    shares = (made.table.column("friction") / 0.2 * 8).astype(int)
    assert sorted(shares) == list(range(8)), "each eighth has one"
    again = sweep(case_of(20.0), {"friction": (0.0, 0.2), "casing.radius": (6.5, 7.5)}, samples=16)
    assert again.table.rows[:8] != () and len(runs.made) == 16, "the first eight were there"


def test_a_frame_is_made_of_its_columns(runs: StandIn, case_of: Callable[..., Case]) -> None:
    columns = sweep(case_of(20.0), {"friction": (0.0, 0.2, 3)}).table.columns()
    assert columns["friction"] == [0.0, 0.1, 0.2] and columns["status"] == [
        Status.DEPLOYED,
        Status.DEPLOYED,
        Status.JAMMED,
    ]


@pytest.mark.parametrize(
    ("vary", "words"),
    [
        ({"casing.radios": (6.0, 7.0)}, 'unknown key, perhaps "radius"'),
        ({"casing": (7.0, 6.0)}, "the range is empty"),
        ({"casing": [7.0]}, "at least 2 values"),
        (dict.fromkeys(("casing", "thickness", "friction", "motor"), (1.0, 2.0)), "grid of 4 keys"),
        ({"casing": (7.0, 8.0, 20000)}, "more than the 10000"),
        (None, "nothing to vary"),
    ],
)
def test_what_cannot_be_swept_is_told_before_anything_is_run(
    vary: dict[str, tuple[float, ...]] | None, words: str, runs: StandIn, case_of: Callable[..., Case]
) -> None:
    with pytest.raises(InputError, match=words):
        sweep(case_of(20.0), vary)
    assert not runs.made


def test_ranges_of_the_command_line_stand_before_those_of_the_case(case_of: Callable[..., Case]) -> None:
    case = case_of(20.0, ASKED_OF)
    assert ranges_of(case, ["friction=0.1:0.2:3"]) == [(Vary("friction", 0.1, 0.2), 3)]
    assert ranges_of(case, []) == [(Vary("casing.radius", 6.5, 7.5), None)]
    with pytest.raises(InputError, match="given twice"):
        ranges_of(case, ["friction=0.1:0.2:3", "friction=0.1:0.3:3"])


def test_many_keys_are_met_by_points(case_of: Callable[..., Case]) -> None:
    names = ("casing", "thickness", "friction", "motor")
    assert len(designs_of([(Vary(name, 1.0, 2.0), None) for name in names], samples=12)) == 12


def test_a_sweep_that_was_stopped_has_the_rows_it_has(runs: StandIn, case_of: Callable[..., Case]) -> None:
    with Study(case_of(20.0)) as study:
        study.observer.stopping = True  # type: ignore[misc]
        made = swept(study, [(Vary("friction", 0.0, 0.2), 3)])
    assert {str(row.status) for row in made.table} == {NoResult.STOPPED} and not runs.made
