"""A run that was stopped and goes on gives the same floats; what is no checkpoint is not taken for one."""

from __future__ import annotations

import io
import json
import os
import pickle
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from small_cases import CYCLE, Stopping, motor, small_case

from fem.case.definition import Case
from fem.core import checkpoint
from fem.core.atomic import MODELS
from fem.core.checkpoint import Checkpoint, OutOfTime, Stopped, Unkept
from fem.core.term import Array
from fem.results.result import Result
from fem.results.snapshot import Snapshot
from fem.simulation.attempts import gone_on_with
from fem.simulation.journal import Journal
from fem.simulation.kept_run import RunState
from fem.simulation.models import winding_model
from fem.simulation.retract_deploy import WindingProgram, winding_program
from fem.simulation.run import run_case
from fem.simulation.steps import StepSize

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
    found, placing = None, 0
    while found is None or found.program is None:
        placing += 1
        with pytest.raises(Stopped):
            run_case(case, keeper=Checkpoint(tmp_path / "placing", STAMP, Stopping(placing)))
        found = Checkpoint(tmp_path / "placing", STAMP).found(RunState)
        (tmp_path / "placing").unlink()
    steps = placing + len(undisturbed.path["step"]) + 15
    with pytest.raises(Stopped):
        run_case(case, keeper=Checkpoint(file, STAMP, Stopping(steps)))
    found = Checkpoint(file, STAMP).found(RunState)
    assert found is not None and found.program is not None
    assert found.program.search is not None
    assert found.program.search.trial is not None
    assert_same(run_case(case, keeper=Checkpoint(file, STAMP)), undisturbed)


@pytest.mark.parametrize("kind", MODELS)
def test_a_strip_in_place_is_kept_with_all_that_moves_it(tmp_path: Path, kind: str) -> None:
    case = small_case(tmp_path, CYCLE, friction=0.1)
    program = winding_program(winding_model(case, kind))
    assert isinstance(program, WindingProgram)
    keeper = Checkpoint(tmp_path / "state", STAMP, lambda: True)
    with pytest.raises(Stopped):
        keeper.offer(program.run_state)
    assert keeper.trouble == ""
    kept = Checkpoint(tmp_path / "state", STAMP).found(RunState)
    assert kept is not None and kept.program is not None
    found = gone_on_with(case, kind, kept.program)
    for one in (program, found):
        assert one.stepper.advance(0.2, StepSize(0.1, 0.1, 1e-4), lambda now: False)
    assert np.array_equal(program.stepper.u, found.stepper.u)
    assert program.stepper.force == found.stepper.force != 0.0


@pytest.mark.parametrize("kind", MODELS)
@pytest.mark.parametrize("steps", [1, 4, 17, 21])
def test_a_strip_on_its_way_into_place_goes_on_from_there(tmp_path: Path, kind: str, steps: int) -> None:
    case = small_case(tmp_path, CYCLE, friction=0.1)
    whole = winding_program(winding_model(case, kind))
    with pytest.raises(Stopped):
        run_case(case, kind, keeper=Checkpoint(tmp_path / "state", STAMP, Stopping(steps)))
    keeper = Checkpoint(tmp_path / "state", STAMP)
    kept = keeper.found(RunState)
    assert kept is not None and kept.placing is not None and kept.program is None
    journal = Journal(found=kept.placing)
    made = winding_program(winding_model(case, kind), journal)
    assert len(journal.made) > len(kept.placing.steps) >= steps
    assert isinstance(whole, WindingProgram) and isinstance(made, WindingProgram)
    assert np.array_equal(whole.stepper.u, made.stepper.u)
    for one, other in zip(whole.stepper.save().histories, made.stepper.save().histories, strict=True):
        assert all(np.array_equal(a, b) for a, b in zip(one, other, strict=True))
    assert whole.stepper.motion.backoff == made.stepper.motion.backoff


@pytest.mark.parametrize("push", ['kind = "bend"\nangle = -60.0', 'kind = "column"\nends = "pinned"'])
def test_a_bench_push_in_pieces_is_the_undisturbed_one(tmp_path: Path, push: str) -> None:
    case = small_case(tmp_path, push)
    result, stops = in_pieces(case, tmp_path / "state", 7)
    assert stops > 3
    assert_same(result, run_case(case))


@pytest.mark.slow
def test_a_cycle_of_the_shell_in_pieces_is_the_undisturbed_one(tmp_path: Path) -> None:
    case = small_case(tmp_path, CYCLE, friction=0.1, solver="turn = 11.0")
    result, stops = in_pieces(case, tmp_path / "state", 12, "shell")
    assert stops > 3
    assert_same(result, run_case(case, "shell"))


# ---- the file ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Some:
    number: int
    u: Array


def some(number: int = 1) -> Callable[[], Some]:
    return lambda: Some(number, np.arange(5.0))


def number_in(file: Path) -> int | None:
    found = Checkpoint(file, STAMP).found(Some)
    return None if found is None else found.number


def kept(file: Path) -> Checkpoint:
    keeper = Checkpoint(file, STAMP, lambda: True)
    with pytest.raises(Stopped):
        keeper.offer(some())
    return keeper


def test_a_state_is_written_when_it_is_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    clock = [0.0]
    monkeypatch.setattr(checkpoint.time, "process_time", lambda: clock[0])
    keeper = Checkpoint(tmp_path / "state", STAMP)
    keeper.offer(some(1))
    assert not (tmp_path / "state").exists()
    clock[0] = 1.0  # the first within a second of work
    keeper.offer(some(2))
    assert number_in(tmp_path / "state") == 2
    clock[0] = 1.9
    keeper.offer(some(3))
    assert number_in(tmp_path / "state") == 2
    keeper.remove()
    assert Checkpoint(tmp_path / "state", STAMP).found(Some) is None


def test_time_that_has_run_out_ends_with_the_state_kept(tmp_path: Path) -> None:
    keeper = Checkpoint(tmp_path / "state", STAMP, limit=-1.0)
    with pytest.raises(OutOfTime):
        keeper.offer(some(4))
    assert number_in(tmp_path / "state") == 4
    Checkpoint(tmp_path / "state", STAMP, limit=1000.0).offer(some(5))
    Unkept().offer(some())
    with pytest.raises(OutOfTime):
        Unkept(deadline=0.0).offer(some())


def test_time_is_summed_over_the_pieces(tmp_path: Path) -> None:
    first = kept(tmp_path / "state")
    again = Checkpoint(tmp_path / "state", STAMP)
    before = again.seconds
    assert again.found(Some) is not None
    assert again.spent > 0.0
    assert again.spent <= first.seconds
    assert again.seconds > before + again.spent


def replaced(old: bytes, new: bytes) -> Callable[[bytes], bytes]:
    return lambda content: content.replace(old, new)


NOTHING_LASTS = {"bytes": 0, "digest": checkpoint._digest(b"")}


def forged(content: bytes) -> bytes:
    """A file with head and digest of ours for a content that need not be."""
    head = {"format": checkpoint.FORMAT, "stamp": STAMP, "seconds": 1.0, "lasting": NOTHING_LASTS}
    return json.dumps(head | {"digest": checkpoint._digest(content)}).encode() + b"\n" + content


def archive(tree: object, compression: int = zipfile.ZIP_STORED, **arrays: NDArray[Any]) -> bytes:
    """The content of a file with these arrays and the tree in it."""
    made = io.BytesIO()
    told = tree if isinstance(tree, bytes) else json.dumps(tree).encode()
    arrays["tree"] = np.frombuffer(told, dtype=np.uint8)
    with zipfile.ZipFile(made, "w", compression) as file:
        for name, array in arrays.items():
            one = io.BytesIO()
            np.save(one, array)
            file.writestr(f"{name}.npy", one.getvalue())
    return made.getvalue()


FIVE = {"kind": "float64", "at": 0, "shape": [5]}
SOUND = {"number": 7, "u": FIVE}


class Evil:
    """Makes a file of the working folder when it is unpickled."""

    def __reduce__(self) -> tuple[object, tuple[str]]:
        return os.system, ("touch owned",)


def test_a_forged_file_of_sound_data_would_be_taken(tmp_path: Path) -> None:
    """Or the tests below would prove nothing."""
    (tmp_path / "state").write_bytes(forged(archive(SOUND, float64=np.arange(5.0))))
    assert number_in(tmp_path / "state") == 7


HOSTILE = {
    "a pickle": pickle.dumps(Evil()),
    "a pickle in an array": archive(SOUND, float64=np.array([Evil()] * 5, dtype=object)),
    "nothing": b"",
    "no tree": archive(SOUND, float64=np.arange(5.0)).replace(b"tree.npy", b"wood.npy"),
    "another array": archive(SOUND, float64=np.arange(5.0), more=np.arange(5.0)),
    "a compressed archive": archive(SOUND, zipfile.ZIP_DEFLATED, float64=np.zeros(1 << 20)),
    "other numbers": archive(SOUND, float64=np.arange(5)),
    "no arrays": archive(SOUND),
    "a class to build": archive(SOUND | {"class": "os.system"}, float64=np.arange(5.0)),
    "a field less": archive({"number": 7}, float64=np.arange(5.0)),
    "words for a number": archive(SOUND | {"number": "7"}, float64=np.arange(5.0)),
    "yes for a number": archive(SOUND | {"number": True}, float64=np.arange(5.0)),
    "numbers for an array": archive(SOUND | {"u": [0.0]}, float64=np.arange(5.0)),
    "beyond the end": archive(SOUND | {"u": FIVE | {"at": 1}}, float64=np.arange(5.0)),
    "before the start": archive(SOUND | {"u": FIVE | {"at": -1}}, float64=np.arange(5.0)),
    "a negative shape": archive(SOUND | {"u": FIVE | {"shape": [-1, -5]}}, float64=np.arange(5.0)),
    "a huge shape": archive(SOUND | {"u": FIVE | {"shape": [1 << 62, 1 << 62]}}, float64=np.arange(5.0)),
    "what lasts, of which there is none": archive(
        SOUND | {"u": FIVE | {"kind": "lasting float64"}}, float64=np.arange(5.0)
    ),
    "a number for a kind": archive(SOUND | {"u": FIVE | {"kind": 7}}, float64=np.arange(5.0)),
    "another kind": archive(SOUND | {"u": FIVE | {"kind": "int64"}}, int64=np.arange(5)),
    "a list": archive([SOUND], float64=np.arange(5.0)),
    "deep": archive(b"[" * 200000 + b"]" * 200000, float64=np.arange(5.0)),
    "a torn tree": archive(b'{"number": 7', float64=np.arange(5.0)),
}


@pytest.mark.parametrize("content", HOSTILE.values(), ids=HOSTILE)
def test_a_forged_state_runs_nothing_and_is_set_aside(
    content: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With head, stamp and digest of ours: who can write the file can compute them."""
    monkeypatch.chdir(tmp_path)
    file = tmp_path / "state"
    file.write_bytes(forged(content))
    keeper = Checkpoint(file, STAMP)
    assert keeper.found(Some) is None
    assert [path.name for path in tmp_path.iterdir()] == ["state.set-aside"], "nothing ran"
    assert len(keeper.notes) == 1 and "state.set-aside" in keeper.notes[0]


@pytest.mark.parametrize(
    "damage",
    [
        lambda content: content[:-1],
        lambda content: content[:20],
        lambda content: b"",
        lambda content: b"\x80\x05" + content,
        lambda content: b"[" * 70000,
        lambda content: b"9" * 70000,
        replaced(b'"format": 3', b'"format": 4'),
        replaced(b'{"case": "a"}', b'{"case": "b"}'),
        lambda content: content[:-10] + b"0" + content[-9:],
        lambda content: b'{"format": 1}\n' + pickle.dumps(Evil()),
    ],
)
def test_what_is_no_checkpoint_of_this_run_is_set_aside(
    damage: Callable[[bytes], bytes], tmp_path: Path
) -> None:
    file = tmp_path / "state"
    kept(file)
    assert number_in(file) == 1
    file.write_bytes(damage(file.read_bytes()))
    keeper = Checkpoint(file, STAMP)
    assert keeper.found(Some) is None
    assert not file.exists() and (tmp_path / "state.set-aside").exists()
    assert len(keeper.notes) == 1
    assert Checkpoint(file, STAMP).found(Some) is None


def lasting(file: Path) -> Path:
    return file.with_name("state.lasting")


@pytest.fixture
def at_every_offer(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(checkpoint, "COST", 0.0)


def kept_twice(file: Path) -> tuple[Some, Checkpoint]:
    """The state whose array stayed."""
    state, keeper = some(3)(), Checkpoint(file, STAMP, every=-1.0)
    for _ in range(2):
        keeper.offer(lambda: state)
    assert keeper.trouble == "" and lasting(file).stat().st_size == 40
    return state, keeper


def test_what_stays_lies_in_a_file_of_its_own(tmp_path: Path, at_every_offer: None) -> None:
    file = tmp_path / "state"
    state, keeper = kept_twice(file)
    again = Checkpoint(file, STAMP, every=-1.0)
    found = again.found(Some)
    assert found is not None and np.array_equal(found.u, state.u)
    again.offer(lambda: found)
    assert lasting(file).stat().st_size == 40, "it was there already"
    assert Checkpoint(file, STAMP).found(Some) is not None
    keeper.remove()
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "damage", [b"", b"\0" * 39, b"\1" * 40, None], ids=["empty", "short", "other", "gone"]
)
def test_a_state_without_what_stays_is_set_aside(
    tmp_path: Path, damage: bytes | None, at_every_offer: None
) -> None:
    file = tmp_path / "state"
    kept_twice(file)
    lasting(file).unlink()
    if damage is not None:
        lasting(file).write_bytes(damage)
    keeper = Checkpoint(file, STAMP, every=-1.0)
    assert keeper.found(Some) is None
    assert len(keeper.notes) == 1 and "set aside" in keeper.notes[0]
    assert not file.exists() and not lasting(file).exists()
    keeper.offer(some(5))
    assert number_in(file) == 5


def test_a_long_run_writes_every_row_about_once(tmp_path: Path, at_every_offer: None) -> None:
    """Offered after every step, all but a few kilobytes of what it has been through stays where it is."""
    case = small_case(tmp_path, CYCLE, friction=0.1)
    written: list[tuple[int, int]] = []

    class Counting(Checkpoint):
        def offer(self, state: Callable[[], object]) -> None:
            super().offer(state)
            stays = lasting(self.file)
            written.append((self.file.stat().st_size, stays.stat().st_size if stays.exists() else 0))

    run_case(case, keeper=Counting(tmp_path / "state", STAMP, every=-1.0))
    first, last = written[len(written) // 2], written[-1]
    assert last[1] - first[1] > 3 * (last[0] - first[0]), "what was added to either"
    assert last[1] > 3 * last[0]


@pytest.mark.parametrize("kind", ["rod", pytest.param("shell", marks=pytest.mark.slow)])
def test_what_was_taken_to_stay_does_not_change(tmp_path: Path, kind: str, at_every_offer: None) -> None:
    """Or a run that goes on would have another past."""
    runs = "{ straight = 75.0 }"
    case = small_case(tmp_path, CYCLE, friction=0.1, solver="turn = 11.0", runs=runs)
    checked = []

    class Watching(Checkpoint):
        def offer(self, state: Callable[[], object]) -> None:
            super().offer(state)
            stays = lasting(self.file)
            content = stays.read_bytes() if len(checked) % 20 == 19 and stays.exists() else b""
            for array, at in self.lasting._known.values() if content else ():
                assert content[at : at + array.nbytes] == array.tobytes()
            checked.append(len(content))

    run_case(case, kind, keeper=Watching(tmp_path / "state", STAMP, every=-1.0))
    assert max(checked) > 100_000


def test_a_pipe_or_a_folder_in_its_place_is_not_read(tmp_path: Path) -> None:
    """A pipe would keep its reader waiting for ever."""
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "folder").mkdir()
    for name in ("pipe", "folder"):
        keeper = Checkpoint(tmp_path / name, STAMP)
        assert keeper.found(Some) is None
        assert len(keeper.notes) == 1


def test_a_full_disk_costs_the_checkpoint_not_the_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(checkpoint.os, "fsync", full)
    keeper = Checkpoint(tmp_path / "state", STAMP, every=-1.0)
    keeper.offer(some())
    assert "No space left" in keeper.trouble
    assert list(tmp_path.iterdir()) == []
    monkeypatch.undo()
    keeper = Checkpoint(tmp_path / "state", STAMP, every=-1.0)
    keeper.offer(some())
    assert keeper.trouble == ""
    assert json.loads((tmp_path / "state").read_bytes().split(b"\n")[0])["stamp"] == STAMP
