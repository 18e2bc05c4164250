"""Records come back as they were, by the classes the reader names; whatever differs is refused."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray

from fem.core.plain_data import Packed, packed, unpacked
from fem.core.term import Array


class Way(StrEnum):
    IN = "in"
    OUT = "out"


class Pair(NamedTuple):
    one: tuple[NDArray[Any], ...] = ()
    other: float = 0.0


@dataclass(frozen=True)
class Inner:
    u: Array
    way: Way = Way.IN


@dataclass(frozen=True)
class Outer:
    count: int
    share: float
    text: str
    sure: bool
    inner: Inner
    many: tuple[Inner, ...]
    pairs: list[Pair]
    ends: dict[float, str]
    place: tuple[float, str]
    left_out: Inner | None = None


def outer() -> Outer:
    many = (Inner(np.zeros(0)), Inner(np.arange(6.0).reshape(2, 3).T, Way.OUT))
    mixed = (np.array([1, 2], np.int32), np.array([[True, False]]), np.array([-1], np.int8), np.array(7))
    return Outer(
        3, -0.1, 'é "', True, Inner(np.array([1e-308, np.nan, -np.inf])), many, [Pair(mixed, 0.1), Pair()],
        {1.0: "", 2.0: "idle"}, (np.nan, ""),
    )  # fmt: skip


def test_a_record_comes_back_to_the_last_digit() -> None:
    made, found = outer(), unpacked(Outer, packed(outer()))
    assert isinstance(found, Outer) and isinstance(found.pairs[0], Pair)
    assert (found.count, found.share, found.text, found.sure) == (3, -0.1, 'é "', True)
    assert found.ends == made.ends and np.isnan(found.place[0]) and found.left_out is None
    assert found.many[1].way is Way.OUT
    arrays = zip(
        [made.inner.u, *(each.u for each in made.many), *made.pairs[0].one],
        [found.inner.u, *(each.u for each in found.many), *found.pairs[0].one], strict=True,
    )  # fmt: skip
    for one, other in arrays:
        assert one.dtype == other.dtype and one.shape == other.shape
        assert np.array_equal(one, other, equal_nan=True) and other.flags.writeable
    assert unpacked(Outer, packed(replace(made, left_out=made.inner))).left_out is not None


def test_arrays_of_a_kind_lie_end_to_end() -> None:
    data = packed([np.arange(3.0), np.arange(2), np.ones((2, 2))])
    assert {name: array.tolist() for name, array in data.arrays.items()} == {
        "float64": [0.0, 1.0, 2.0, 1.0, 1.0, 1.0, 1.0], "int64": [0, 1]
    }  # fmt: skip


@pytest.mark.parametrize("value", [print, Outer, object(), np.array([None]), 1j, {1, 2}, b"x"])
def test_what_is_no_plain_data_is_not_kept(value: object) -> None:
    with pytest.raises(TypeError, match=r"kept|plain data"):
        packed([value])


INNER = {"u": {"kind": "float64", "at": 0, "shape": [2]}, "way": "in"}


@pytest.mark.parametrize(
    "tree",
    [
        None,
        [],
        "Inner",
        INNER | {"more": 1},
        {"u": INNER["u"]},
        INNER | {"way": "across"},
        INNER | {"way": None},
        INNER | {"u": None},
        INNER | {"u": [0.0, 1.0]},
        INNER | {"u": {"kind": "float64", "at": 0}},
        INNER | {"u": {"kind": "object", "at": 0, "shape": [2]}},
        INNER | {"u": {"kind": "float64", "at": 0, "shape": [3]}},
        INNER | {"u": {"kind": "float64", "at": 0.0, "shape": [2]}},
        INNER | {"u": {"kind": "float64", "at": True, "shape": [1]}},
        INNER | {"u": {"kind": "float64", "at": -1, "shape": [1]}},
        INNER | {"u": {"kind": "float64", "at": 0, "shape": [True]}},
        INNER | {"u": {"kind": "float64", "at": 0, "shape": 2}},
        INNER | {"u": {"kind": ["float64"], "at": 0, "shape": [2]}},
        INNER | {"u": {"kind": "int64", "at": 0, "shape": [2]}},
    ],
)
def test_what_differs_from_the_class_is_refused(tree: object) -> None:
    numbers = {"float64": np.zeros(2), "int64": np.zeros(2, np.int64)}
    assert unpacked(Inner, Packed(INNER, numbers)).way is Way.IN
    with pytest.raises(ValueError, match=r"not what it must be|not a valid"):
        unpacked(Inner, Packed(tree, numbers))


@pytest.mark.parametrize("name", ["count", "share", "text", "sure", "many", "pairs", "ends", "place"])
@pytest.mark.parametrize("value", [None, {}, [[1, 2, 3]], [[]], "x" * 3, 0.5, True, 7])
def test_every_field_must_be_of_its_kind(name: str, value: object) -> None:
    data = packed(outer())
    right = {"count": int, "share": (float, int), "text": str, "sure": bool}
    if name in right and isinstance(value, right[name]) and not (value is True and name != "sure"):
        pytest.skip("this one is right")
    with pytest.raises(ValueError, match="not what it must be"):
        unpacked(Outer, data._replace(tree=data.tree | {name: value}))
