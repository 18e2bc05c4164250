"""Records of numbers and words as a tree of JSON's types and a few long arrays, and back.

What comes back is built by the classes that the *reader* names and by nothing that stands in the data: the
annotations of a dataclass say what each of its fields must be, and whatever differs is an error. So data of
unknown origin may hold wrong numbers, but cannot choose what code runs. Arrays are laid end to end, one long
array per kind of number, which keeps thousands of small ones as cheap as a few large ones. Those that lie
elsewhere already are told by their place there.
"""

from __future__ import annotations

import dataclasses
import types
import typing
from collections.abc import Callable, Mapping
from enum import Enum
from functools import cache
from typing import Any, NamedTuple, TypeVar, Union

import numpy as np
from numpy.typing import NDArray

T = TypeVar("T")
Tree = Any
"""None, bool, int, float, str, and lists and dictionaries (by str) of these."""
KINDS = ("float64", "int64", "int32", "int8", "bool")
"""Kinds of number that an array may hold."""


LASTING = "lasting "
"""Before the kind of an array that lies elsewhere."""


class Packed(NamedTuple):
    """A record: its tree, and the long array of each kind of number; for reading also those, LASTING before
    their kind, in which the arrays lie that are only told by their place.
    """

    tree: Tree
    arrays: dict[str, NDArray[Any]]


def nowhere(array: NDArray[Any]) -> int | None:  # noqa: ARG001 - whichever it is
    """No array lies elsewhere."""
    return None


def packed(record: object, elsewhere: Callable[[NDArray[Any]], int | None] = nowhere) -> Packed:
    """The tree and arrays of a record: dataclasses, named tuples, tuples, lists, dictionaries, enumerations,
    plain values and arrays in each other. elsewhere: where an array lies that need not be laid down here, in
    numbers of its kind, None if it must. Raises TypeError for anything else.
    """
    return _Packing(elsewhere).of(record)


class _Packing:
    """Arrays of a record laid end to end while its tree is made."""

    def __init__(self, elsewhere: Callable[[NDArray[Any]], int | None]) -> None:
        self.elsewhere = elsewhere
        self.pieces: dict[str, list[NDArray[Any]]] = {}
        self.filled: dict[str, int] = {}

    def of(self, record: object) -> Packed:
        tree = self._tree(record)
        return Packed(tree, {kind: np.concatenate(found) for kind, found in self.pieces.items()})

    def _array(self, value: NDArray[Any]) -> Tree:
        kind, shape = value.dtype.name, list(value.shape)
        if kind not in KINDS:
            raise TypeError(f"an array of {kind} is not kept")
        there = self.elsewhere(value) if value.size else None
        if there is not None:
            return {"kind": LASTING + kind, "at": there, "shape": shape}
        start = self.filled.get(kind, 0)
        self.pieces.setdefault(kind, []).append(value.ravel())
        self.filled[kind] = start + value.size
        return {"kind": kind, "at": start, "shape": shape}

    def _tree(self, value: Any) -> Tree:
        below = self._tree
        if isinstance(value, Enum):
            return value.value
        if value is None or isinstance(value, bool | str):
            return value
        if isinstance(value, np.ndarray):
            return self._array(value)
        if isinstance(value, int | np.integer):
            return int(value)
        if isinstance(value, float | np.floating):
            return float(value)
        if isinstance(value, list | tuple):
            return [below(each) for each in value]
        if isinstance(value, Mapping):
            return [[below(key), below(each)] for key, each in value.items()]
        if dataclasses.is_dataclass(value) and not isinstance(value, type):
            return {item.name: below(getattr(value, item.name)) for item in dataclasses.fields(value)}
        raise TypeError(f"{type(value).__name__} is no plain data")


def unpacked(kind: type[T], data: Packed, found: Callable[[NDArray[Any], int], None] | None = None) -> T:
    """The record of a class from its tree and arrays; every array is a copy of its own. found: is told of
    each that lies elsewhere, and where. Raises ValueError where the data are not such a record.
    """
    return typing.cast("T", _made(kind, data.tree, _Arrays(data.arrays, found), "record"))


class _Arrays(NamedTuple):
    """Long arrays to read from, and who is told of what lies elsewhere."""

    of: Mapping[str, NDArray[Any]]
    found: Callable[[NDArray[Any], int], None] | None


def _made(kind: Any, tree: Tree, arrays: _Arrays, place: str) -> Any:
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin in (Union, types.UnionType):
        return _one_of(inner, tree, arrays, place)
    if origin is np.ndarray:
        return _array(typing.get_args(inner[1])[0], tree, arrays, place)
    if origin is tuple:
        _ask(isinstance(tree, list), place)
        if len(inner) == 2 and inner[1] is Ellipsis:
            return tuple(_made(inner[0], each, arrays, place) for each in tree)
        _ask(len(tree) == len(inner), place)
        return tuple(_made(one, each, arrays, place) for one, each in zip(inner, tree, strict=True))
    if origin is list:
        _ask(isinstance(tree, list), place)
        return [_made(inner[0], each, arrays, place) for each in tree]
    if origin is dict:
        _ask(
            isinstance(tree, list) and all(isinstance(each, list) and len(each) == 2 for each in tree), place
        )
        return {_made(inner[0], a, arrays, place): _made(inner[1], b, arrays, place) for a, b in tree}
    if isinstance(kind, type):
        return _plain(kind, tree, arrays, place)
    raise TypeError(f"{place}: {kind} is no kind of plain data")


def _one_of(kinds: tuple[Any, ...], tree: Tree, arrays: _Arrays, place: str) -> Any:
    """A value that may be left out."""
    others = [kind for kind in kinds if kind is not type(None)]
    if len(others) != 1 or len(kinds) != 2:
        raise TypeError(f"{place}: one kind of data, or None, can be told apart")
    return None if tree is None else _made(others[0], tree, arrays, place)


def _plain(kind: type, tree: Tree, arrays: _Arrays, place: str) -> Any:
    if kind is float:
        _ask(isinstance(tree, float | int) and not isinstance(tree, bool), place)
        return float(tree)
    if kind is int:
        _ask(isinstance(tree, int) and not isinstance(tree, bool), place)
        return tree
    if kind in (bool, str, type(None)):
        _ask(isinstance(tree, kind), place)
        return tree
    if issubclass(kind, Enum):
        return kind(tree)
    named: Any = kind
    hints: dict[str, Any] = _fields_of(named)
    if issubclass(kind, tuple):
        _ask(isinstance(tree, list) and len(tree) == len(hints), place)
        tree = dict(zip(hints, tree, strict=True))
    _ask(isinstance(tree, dict) and tree.keys() == hints.keys(), place)
    return kind(**{name: _made(hint, tree[name], arrays, name) for name, hint in hints.items()})


@cache
def _fields_of(kind: Any) -> dict[str, Any]:
    """Fields of a dataclass or named tuple with what each must be."""
    hints = typing.get_type_hints(kind)
    if dataclasses.is_dataclass(kind):
        return {item.name: hints[item.name] for item in dataclasses.fields(kind)}
    if issubclass(kind, tuple) and hasattr(kind, "_fields"):
        return {name: hints[name] for name in kind._fields}
    raise TypeError(f"{kind.__name__} is no kind of plain data")


def _array(number: Any, tree: Tree, arrays: _Arrays, place: str) -> NDArray[Any]:
    _ask(isinstance(tree, dict) and tree.keys() == {"kind", "at", "shape"}, place)
    kind, start, shape = tree["kind"], tree["at"], tree["shape"]
    _ask(isinstance(kind, str), place)
    plain = kind.removeprefix(LASTING)
    wanted = None if number is Any else np.dtype(number).name
    _ask(plain in KINDS and (wanted is None or plain == wanted), place)
    _ask(isinstance(shape, list) and all(type(each) is int and each >= 0 for each in shape), place)
    size = 1
    for each in shape:
        size *= each
    whole = arrays.of.get(kind)
    _ask(type(start) is int and whole is not None and 0 <= start <= start + size <= len(whole), place)
    assert whole is not None  # as was asked
    made = whole[start : start + size].reshape(shape).copy()
    if plain != kind and arrays.found is not None:
        arrays.found(made, start)
    return made


def _ask(right: bool, place: str) -> None:
    if not right:
        raise ValueError(f"{place} is not what it must be")
