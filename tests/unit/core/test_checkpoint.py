"""A run that was stopped and goes on gives the same floats; what is no checkpoint is not taken for one."""

from __future__ import annotations

import json
import pickle
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest
from small_cases import CYCLE, Stopping, motor, small_case

from fem.case.definition import Case
from fem.core import checkpoint
from fem.core.atomic import MODELS
from fem.core.checkpoint import Checkpoint, Stopped
from fem.results.result import Result
from fem.results.snapshot import Snapshot
from fem.simulation.models import winding_model
from fem.simulation.retract_deploy import WindingProgram, winding_program
from fem.simulation.run import run_case
from fem.simulation.stepper import StepSize

STAMP = {"case": "a"}
JAMS = {"friction": 0.4, "extra": motor(14.0)}
"""Jams, so that pushing out is tried again from several saved states."""


def in_pieces(case: Case, file: Path, every: int, model: str = "rod") -> tuple[Result, int]:
    """The result of a run stopped again and again after so many offers, and how often it was."""
    for stops in range(400):
        keeper = Checkpoint(file, STAMP, Stopping(every))
        try:
            return run_case(case, model, keeper=keeper), stops
        except Stopped:
            pass
    pytest.fail("never came to an end")


def assert_same(first: Result, second: Result) -> None:
    assert first.path.keys() == second.path.keys()
    for name, column in first.path.items():
        assert np.array_equal(column, second.path[name], equal_nan=True), name
    assert first.quantities == second.quantities
    assert (first.status, first.sentence, first.jam, first.bends, first.warnings) == (
        second.status, second.sentence, second.jam, second.bends, second.warnings
    )  # fmt: skip
    assert first.energy_audit == second.energy_audit
    assert len(first.snapshots) == len(second.snapshots)
    for a, b in zip(first.snapshots, second.snapshots, strict=True):
        for item in fields(Snapshot):
            x, y = getattr(a, item.name), getattr(b, item.name)
            same = np.array_equal(x, y, equal_nan=True) if isinstance(x, np.ndarray) else x == y
            assert same, (a.label, item.name)


@pytest.fixture(scope="module")
def jammed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Case, Result]:
    case = small_case(tmp_path_factory.mktemp("jams"), CYCLE, **JAMS)
    return case, run_case(case)


@pytest.mark.parametrize("every", [7, 40])
def test_a_cycle_in_pieces_is_the_undisturbed_one(
    jammed: tuple[Case, Result], tmp_path: Path, every: int
) -> None:
    case, undisturbed = jammed
    result, stops = in_pieces(case, tmp_path / "state", every)
    assert stops > len(undisturbed.path["step"]) / every - 2
    assert "safe_travel_mm" in result.quantities
    assert_same(result, undisturbed)


def test_pieces_end_inside_the_search_for_the_safe_travel(
    jammed: tuple[Case, Result], tmp_path: Path
) -> None:
    """Or the test above would not reach it."""
    case, undisturbed = jammed
    file = tmp_path / "state"
    with pytest.raises(Stopped):
        run_case(case, keeper=Checkpoint(file, STAMP, Stopping(len(undisturbed.path["step"]) + 15)))
    found = Checkpoint(file, STAMP).found()
    assert found.search is not None
    assert found.search.trial is not None
    assert_same(run_case(case, keeper=Checkpoint(file, STAMP)), undisturbed)


@pytest.mark.parametrize("kind", ["rod", "shell"])
def test_a_strip_on_its_way_is_kept_with_all_that_moves_it(tmp_path: Path, kind: str) -> None:
    program = winding_program(winding_model(small_case(tmp_path), kind))
    assert isinstance(program, WindingProgram)
    with pytest.raises(Stopped):
        Checkpoint(tmp_path / "state", STAMP, lambda: True).offer(program)
    found = Checkpoint(tmp_path / "state", STAMP).found()
    assert isinstance(found, WindingProgram)
    for one in (program, found):
        assert one.stepper.advance(0.2, StepSize(0.1, 0.1, 1e-4), lambda now: False)
    assert np.array_equal(program.stepper.u, found.stepper.u)
    assert program.stepper.force == found.stepper.force != 0.0


@pytest.mark.parametrize("push", ['kind = "bend"\nangle = -60.0', 'kind = "column"\nends = "pinned"'])
def test_a_bench_push_in_pieces_is_the_undisturbed_one(tmp_path: Path, push: str) -> None:
    case = small_case(tmp_path, push)
    result, stops = in_pieces(case, tmp_path / "state", 7)
    assert stops > 3
    assert_same(result, run_case(case))


@pytest.mark.parametrize("kind", MODELS)
def test_a_strip_in_place_is_taken_back(tmp_path: Path, kind: str) -> None:
    """With everything it hangs on: no function and no method that `found` refuses is among it."""
    program = winding_program(winding_model(small_case(tmp_path, CYCLE, friction=0.1), kind))
    assert isinstance(program, WindingProgram)
    keeper = Checkpoint(tmp_path / "state", STAMP, lambda: True)
    with pytest.raises(Stopped):
        keeper.offer(program)
    assert keeper.trouble == ""
    found = Checkpoint(tmp_path / "state", STAMP).found()
    assert isinstance(found, WindingProgram)
    assert np.array_equal(found.stepper.u, program.stepper.u)


@pytest.mark.slow
def test_a_cycle_of_the_shell_in_pieces_is_the_undisturbed_one(tmp_path: Path) -> None:
    case = small_case(tmp_path, CYCLE, friction=0.1, solver="turn = 11.0")
    result, stops = in_pieces(case, tmp_path / "state", 12, "shell")
    assert stops > 3
    assert_same(result, run_case(case, "shell"))


# ---- the file ----------------------------------------------------------------------------------------------


def kept(file: Path) -> Checkpoint:
    keeper = Checkpoint(file, STAMP, lambda: True)
    with pytest.raises(Stopped):
        keeper.offer({"u": np.arange(5.0)})
    return keeper


def test_a_state_is_written_when_it_is_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    clock = [0.0]
    monkeypatch.setattr(checkpoint.time, "process_time", lambda: clock[0])
    keeper = Checkpoint(tmp_path / "state", STAMP)
    keeper.offer([1])
    assert not (tmp_path / "state").exists()
    clock[0] = 5.1
    keeper.offer([2])
    assert Checkpoint(tmp_path / "state", STAMP).found() == [2]
    clock[0] = 10.0
    keeper.offer([3])
    assert Checkpoint(tmp_path / "state", STAMP).found() == [2]
    keeper.remove()
    assert Checkpoint(tmp_path / "state", STAMP).found() is None


def test_time_is_summed_over_the_pieces(tmp_path: Path) -> None:
    first = kept(tmp_path / "state")
    again = Checkpoint(tmp_path / "state", STAMP)
    before = again.seconds
    assert again.found() is not None
    assert again.spent > 0.0
    assert again.spent <= first.seconds
    assert again.seconds > before + again.spent


def replaced(old: bytes, new: bytes) -> Callable[[bytes], bytes]:
    return lambda content: content.replace(old, new)


@pytest.mark.parametrize(
    "damage",
    [
        lambda content: content[:-1],
        lambda content: content[:20],
        lambda content: b"",
        lambda content: b"\x80\x05" + content,
        replaced(b'"format": 1', b'"format": 2'),
        replaced(b'{"case": "a"}', b'{"case": "b"}'),
        lambda content: content[:-10] + b"0" + content[-9:],
    ],
)
def test_what_is_no_checkpoint_of_this_run_is_not_taken(
    damage: Callable[[bytes], bytes], tmp_path: Path
) -> None:
    file = tmp_path / "state"
    kept(file)
    assert Checkpoint(file, STAMP).found() is not None
    file.write_bytes(damage(file.read_bytes()))
    assert Checkpoint(file, STAMP).found() is None


def test_a_checkpoint_runs_nothing(tmp_path: Path) -> None:
    """A state that names a function of the system is refused, hash and stamp right or not."""

    class Evil:
        def __reduce__(self) -> tuple[object, tuple[str]]:
            import os

            return os.system, (f"touch {tmp_path / 'owned'}",)

    keeper = Checkpoint(tmp_path / "state", STAMP, lambda: True)
    with pytest.raises(Stopped):
        keeper.offer(Evil())
    assert pickle.dumps(Evil())
    assert Checkpoint(tmp_path / "state", STAMP).found() is None
    assert not (tmp_path / "owned").exists()


def test_a_full_disk_costs_the_checkpoint_not_the_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(checkpoint.os, "fsync", full)
    keeper = Checkpoint(tmp_path / "state", STAMP, every=-1.0)
    keeper.offer([1])
    assert "No space left" in keeper.trouble
    assert list(tmp_path.iterdir()) == []
    monkeypatch.undo()
    keeper = Checkpoint(tmp_path / "state", STAMP, every=-1.0)
    keeper.offer([1])
    assert keeper.trouble == ""
    assert json.loads((tmp_path / "state").read_bytes().split(b"\n")[0])["stamp"] == STAMP
