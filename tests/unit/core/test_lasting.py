"""Arrays that stay are written once, and what is told of their file holds for its beginning."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from fem.core import lasting
from fem.core.lasting import LastingArrays
from fem.core.plain_data import Packed, packed, unpacked
from fem.core.regular_file import Unreadable

MOST = 1 << 20
Arrays = list[NDArray[Any]]


def state() -> Arrays:
    return [np.arange(5.0), np.array([1, -2, 3], np.int8), np.array([[True, False]]), np.zeros((0, 2))]


def kept(file: LastingArrays, arrays: Arrays) -> tuple[Packed, dict[str, Any]]:
    """Tree and arrays as a checkpoint has them, and what it tells of the file."""
    data = packed(arrays, file.place)
    return data, file.write()


def found(file: Path, data: Packed, told: object) -> tuple[Arrays, LastingArrays]:
    again = LastingArrays(file)
    both = Packed(data.tree, data.arrays | again.read(told, MOST))
    return unpacked(list[NDArray[Any]], both, again.found), again


def same(one: Arrays, other: Arrays) -> bool:
    pairs = zip(one, other, strict=True)
    return all(a.dtype == b.dtype and np.array_equal(a, b) for a, b in pairs)


def test_what_is_there_a_second_time_is_written_once(tmp_path: Path) -> None:
    file, stays = LastingArrays(tmp_path / "file"), state()
    assert kept(file, stays)[1]["bytes"] == 0
    assert not (tmp_path / "file").exists()
    sizes = []
    for changes in range(3):
        data, told = kept(file, [*stays, np.full(7, float(changes))])
        sizes.append(told["bytes"])
        assert data.arrays["float64"].tolist() == [float(changes)] * 7, "only what changed lies beside"
        arrays, _ = found(tmp_path / "file", data, told)
        assert same(arrays[:-1], stays)
    assert sizes == [40 + 8 + 8] * 3 == [(tmp_path / "file").stat().st_size] * 3


def test_who_goes_on_writes_none_of_it_again(tmp_path: Path) -> None:
    file, stays = LastingArrays(tmp_path / "file"), state()
    kept(file, stays)
    arrays, again = found(tmp_path / "file", *kept(file, stays))
    data, told = kept(again, arrays)
    assert told["bytes"] == (tmp_path / "file").stat().st_size == 56
    assert "float64" not in data.arrays or not data.arrays["float64"].size
    more = np.arange(3)
    kept(again, [*arrays, more])
    data, told = kept(again, [*arrays, more])
    assert told["bytes"] == 80
    assert same(found(tmp_path / "file", data, told)[0], [*stays, more])


def test_what_a_killed_writer_left_behind_is_written_over(tmp_path: Path) -> None:
    file, stays = LastingArrays(tmp_path / "file"), state()
    kept(file, stays)
    data, told = kept(file, stays)
    with open(tmp_path / "file", "ab") as more:
        more.write(b"torn")
    arrays, again = found(tmp_path / "file", data, told)
    assert same(arrays, stays)
    another = np.arange(9)
    kept(again, [another])
    data, told = kept(again, [another])
    assert (tmp_path / "file").stat().st_size == told["bytes"] == 56 + 72
    assert same(found(tmp_path / "file", data, told)[0], [another])


def test_a_number_of_an_array_that_is_gone_means_nothing(tmp_path: Path) -> None:
    """Another array may get it."""
    file = LastingArrays(tmp_path / "file")
    for value in range(50):
        data, told = kept(file, [np.full(100, value), np.full(100, -value)])
        arrays, _ = found(tmp_path / "file", data, told)
        assert same(arrays, [np.full(100, value), np.full(100, -value)])


def test_what_could_not_be_written_is_not_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    file, stays = LastingArrays(tmp_path / "file"), state()
    kept(file, stays)
    monkeypatch.setattr(lasting.os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        kept(file, stays)
    monkeypatch.undo()
    data, told = kept(file, stays)
    assert same(found(tmp_path / "file", data, told)[0], stays)
    data, told = kept(file, stays)
    assert told["bytes"] == 56
    assert same(found(tmp_path / "file", data, told)[0], stays)


def test_a_file_that_was_taken_away_is_begun_anew(tmp_path: Path) -> None:
    file, stays, more = LastingArrays(tmp_path / "file"), state(), np.arange(4)
    kept(file, stays)
    kept(file, [*stays, more])
    (tmp_path / "file").unlink()
    with pytest.raises(FileNotFoundError):
        kept(file, [*stays, more])
    for _ in range(2):
        data, told = kept(file, [*stays, more])
        assert same(found(tmp_path / "file", data, told)[0], [*stays, more])
    assert told["bytes"] == 56 + 32


@pytest.mark.parametrize(
    "told",
    [
        None, {}, {"bytes": "56"}, {"bytes": True, "digest": ""}, {"bytes": -8, "digest": ""},
        {"bytes": 12, "digest": ""}, {"bytes": 1 << 40, "digest": ""}, {"bytes": 56, "digest": "00"},
    ],
)  # fmt: skip
def test_another_file_is_refused(tmp_path: Path, told: object) -> None:
    file, stays = LastingArrays(tmp_path / "file"), state()
    kept(file, stays)
    kept(file, stays)
    with pytest.raises((ValueError, Unreadable)):
        LastingArrays(tmp_path / "file").read(told, MOST)
    with pytest.raises(Unreadable):
        LastingArrays(tmp_path / "other").read({"bytes": 8, "digest": ""}, MOST)
