"""What is kept of a run: small, the same when read back, and of use to those it serves only."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from stand_in_runs import StandIn

from fem.case.definition import Case
from fem.results.outcome import Status
from fem.results.provenance import UNFINISHED, stamp
from fem.results.result import Result, write
from fem.study.record import (
    ROWS,
    Record,
    Wanted,
    read_record,
    record_of,
    record_of_run,
    thinned,
    write_record,
)

STAMP = {"case_digest": "a", "model": "rod"}


def result_of(case: Case, **more: object) -> Result:
    return replace(StandIn()(case), **more)


def test_a_record_is_read_back_as_it_was(case_of: Callable[..., Case], tmp_path: Path) -> None:
    made = record_of(result_of(case_of()), STAMP, Wanted(limit=math.inf), 1.5)
    write_record(made, tmp_path / "a.json")
    assert read_record(tmp_path / "a.json") == made


def test_its_path_is_thin_and_loses_no_peak(case_of: Callable[..., Case]) -> None:
    result = result_of(case_of())
    torque = np.sin(np.arange(5000.0)) + np.where(np.arange(5000) == 3210, 100.0, 0.0)
    long = {name: np.resize(values, 5000) for name, values in result.path.items()} | {"torque_Nmm": torque}
    path = thinned(replace(result, path=long))
    assert len(path["torque_Nmm"]) <= ROWS + 2 and {len(values) for values in path.values()} == {
        len(path["torque_Nmm"])
    }
    assert max(path["torque_Nmm"]) == pytest.approx(torque.max(), rel=1e-5)
    assert min(path["torque_Nmm"]) == pytest.approx(torque.min(), rel=1e-5)
    assert thinned(replace(result, path={})) == {}


def test_five_hundred_take_little_room(case_of: Callable[..., Case], tmp_path: Path) -> None:
    result = result_of(case_of())
    generator = np.random.default_rng(1)
    long = {name: generator.random(4000) * 123.0 for name in (*result.path, "strain_share")}
    write_record(record_of(replace(result, path=long), STAMP, Wanted(), 1.0), tmp_path / "a.json")
    assert 500 * (tmp_path / "a.json").stat().st_size < 20e6


def test_what_is_no_record_is_none(tmp_path: Path) -> None:
    file = tmp_path / "a.json"
    assert read_record(file) is None
    for text in ("", "{", "[]", '{"schema": 1}', '{"schema": 99}', "null", '{"schema": 1, "wanted": 3}'):
        file.write_text(text)
        assert read_record(file) is None


def test_a_damaged_one_is_none(case_of: Callable[..., Case], tmp_path: Path) -> None:
    file = tmp_path / "a.json"
    write_record(record_of(result_of(case_of()), STAMP, Wanted(), 1.0), file)
    whole = json.loads(file.read_text())
    for name in whole:
        file.write_text(json.dumps({key: value for key, value in whole.items() if key != name}))
        assert read_record(file) is None, name


def test_whom_a_record_serves(case_of: Callable[..., Case]) -> None:
    jammed = record_of(result_of(case_of(5.0)), STAMP, Wanted(2.0), 1.0)
    assert jammed.serves(STAMP, Wanted(2.0)) and jammed.serves(STAMP, Wanted(1.5))
    assert not jammed.serves(STAMP, Wanted(5.0)), "it ended too soon"
    assert not jammed.serves(STAMP, Wanted(2.0, safe_travel=True)), "nobody looked for it"
    assert not jammed.serves(STAMP | {"case_digest": "b"}, Wanted(2.0))
    out = record_of(result_of(case_of(500.0)), STAMP, Wanted(2.0), 1.0)
    assert out.serves(STAMP, Wanted(2.0, safe_travel=True)), "what comes out has none to look for"


def test_one_whose_time_ran_out_serves_who_gives_no_more_time(case_of: Callable[..., Case]) -> None:
    result = result_of(case_of(), provenance={UNFINISHED: True})
    late: Record = record_of(result, STAMP, Wanted(limit=10.0), 1.0)
    assert late.unfinished
    assert late.serves(STAMP, Wanted(limit=5.0)) and late.serves(STAMP, Wanted(limit=10.0))
    assert not late.serves(STAMP, Wanted()) and not late.serves(STAMP, Wanted(limit=60.0))


def test_an_ordinary_run_makes_a_record_of_its_own_case_only(
    case_of: Callable[..., Case], tmp_path: Path
) -> None:
    case = case_of(5.0)
    origin = stamp(case, "rod")
    write(result_of(case, provenance=origin), tmp_path / "run")
    made = record_of_run(tmp_path / "run", case, origin)
    assert made is not None and made.summary["status"] == Status.JAMMED
    assert made.serves(origin, Wanted(5.0, safe_travel=True)), "it went on to its own end"
    assert record_of_run(tmp_path / "run", case, origin | {"case_digest": "b"}) is None
    assert record_of_run(tmp_path / "nothing", case, origin) is None
