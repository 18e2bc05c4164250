"""From tables of a case file to checked numbers, with one clear sentence per fault.

Classes that a case fills in are plain frozen dataclasses annotated with units and limits (`fem.core.units`);
`table_model` turns one into a strict model: nothing is guessed or converted, a quoted number, a truth value,
inf and nan are refused, unknown keys are refused with the nearest known one. A `Reader` walks the tables,
collects every fault instead of stopping at the first, and remembers what it read for the digest.
"""

from __future__ import annotations

import dataclasses
import datetime
import json
import math
import types
import typing
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from difflib import get_close_matches
from functools import cache
from typing import Annotated, Any, Literal, TypeVar

from annotated_types import Unit
from pydantic import BaseModel, ConfigDict, ValidationError, create_model

from fem.case.bounds import MOST_FAULTS
from fem.case.file import Document
from fem.case.keys import Key, content_name, cut, key_text
from fem.core.errors import Fault, InputError
from fem.core.units import SMALLEST

T = TypeVar("T")
M = TypeVar("M", bound="Table")


class Table(BaseModel):
    """A table of a case file: strict types, no unknown keys, no inf or nan."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


@cache
def table_model(cls: type[Any]) -> type[Table]:
    """Strict model of a frozen dataclass; fields in radians are read in degrees."""
    hints = field_hints(cls)
    fields: dict[str, Any] = {}
    for field in dataclasses.fields(cls):
        if not field.init:
            continue
        default: Any = field.default
        hint = hints[field.name]
        if unit_of(hint) == "rad":
            hint = _in_degrees(hint)
            default = math.degrees(default) if isinstance(default, float) else default
        fields[field.name] = (hint, ... if default is dataclasses.MISSING else default)
    return create_model(cls.__name__, __base__=Table, **fields)


def field_hints(cls: type) -> dict[str, Any]:
    """Annotations of a frozen class, units and limits with them."""
    return typing.get_type_hints(cls, include_extras=True)


def _in_degrees(hint: Any) -> Any:
    """The annotation with radians, in limits too, replaced by degrees."""
    if typing.get_origin(hint) is not Annotated:
        parts = [_in_degrees(part) if unit_of(part) else part for part in typing.get_args(hint)]
        return typing.Union[tuple(parts)]  # noqa: UP007 (built from a list)
    number, *notes = typing.get_args(hint)
    turned = [Unit("deg") if isinstance(note, Unit) else _limit_in_degrees(note) for note in notes]
    return Annotated[(number, *turned)]


def _limit_in_degrees(limit: Any) -> Any:
    """Gt(pi) -> Gt(180)."""
    (bound,) = dataclasses.fields(limit)
    return dataclasses.replace(limit, **{bound.name: round(math.degrees(getattr(limit, bound.name)), 9)})


def unit_of(hint: Any) -> str:
    """Unit written anywhere in an annotation; empty without one."""
    for note in getattr(hint, "__metadata__", ()):
        if isinstance(note, Unit):
            return note.unit
    for part in typing.get_args(hint):
        unit = unit_of(part)
        if unit:
            return unit
    return ""


class Reader:
    """Walks one document; `faults` grows, `effective` holds every checked table."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self.faults: list[Fault] = []
        self.effective: dict[str, Any] = {}

    def fault(self, key: Key, message: str) -> None:
        """Note one fault."""
        self.faults.append(self.document.fault(key, message))

    def value(self, key: Key) -> Any:
        """What is written at a key; None where nothing is."""
        here: Any = self.document.tables
        for part in key:
            try:
                here = here[part]
            except (KeyError, IndexError, TypeError):
                return None
        return here

    def table(self, key: Key, needed: str = "") -> Mapping[str, Any] | None:
        """The table at a key; a fault and None where it is something else, or missing and `needed` (why)."""
        found = self.value(key)
        if found is None:
            if needed:
                self.fault(key, f"is missing; {needed}")
            return None
        if not isinstance(found, Mapping):
            self.fault(
                key, f"must be a table, got {shown(found)}; write [{key_text(key)}] and its keys below"
            )
            return None
        return found

    def items(self, key: Key) -> Iterator[tuple[Key, Mapping[str, Any]]]:
        """The tables of a list of tables, each with its key."""
        found = self.value(key)
        if found is None:
            return
        if not isinstance(found, list):
            self.fault(
                key, f"must be a list of tables, got {shown(found)}; write [[{key_text(key)}]] once for each"
            )
            return
        for index, item in enumerate(found):
            if isinstance(item, Mapping):
                yield (*key, index), item
            else:
                self.fault((*key, index), f"must be a table, got {shown(item)}")

    def read(self, model: type[M], key: Key, table: Mapping[str, Any], apart: Sequence[str] = ()) -> M | None:
        """Check a table against a model; keys in `apart` belong to it but are read elsewhere."""
        content = {name: _tuples(value) for name, value in table.items() if name not in apart}
        try:
            found = model.model_validate(content)
        except ValidationError as problem:
            errors = problem.errors(include_url=False)
            deeper = {error["loc"][0] for error in errors if len(error["loc"]) > 1}
            for error in errors:
                if error["type"] != "too_short" or error["loc"][0] not in deeper:
                    self._explain(model, key, error, apart)
            return None
        self.effective[content_name(key)] = found.model_dump()
        return found

    def fill(
        self, cls: type[T], key: Key, table: Mapping[str, Any] | None, apart: Sequence[str] = ()
    ) -> T | None:
        """An object of a frozen class from a table (None: all defaults); degrees become radians."""
        filled: Any = cls  # a class can be a key of a cache, which the type checker does not know
        found = self.read(table_model(filled), key, table if table is not None else {}, apart)
        if found is None:
            return None
        values = {name: getattr(found, name) for name in found.model_fields_set}
        for name, hint in field_hints(cls).items():
            if name in values and unit_of(hint) == "rad" and values[name] is not None:
                values[name] = math.radians(values[name])
        return self.made(key, lambda: cls(**values))

    def made(self, key: Key, make: Callable[[], T]) -> T | None:
        """The object `make` builds; what it refuses becomes a fault at `key`."""
        try:
            return make()
        except (ValueError, InputError) as problem:
            self.fault(key, str(problem))
        except ArithmeticError as problem:
            self.fault(key, f"has numbers too extreme to calculate with ({problem}); write plausible ones")
        return None

    def chosen(self, kinds: Mapping[str, type[T]], key: Key, table: Mapping[str, Any]) -> type[T] | None:
        """The class a table's `kind` names."""
        kind = table.get("kind")
        known = ", ".join(f'"{name}"' for name in kinds)
        if kind is None:
            self.fault((*key, "kind"), f"is missing; write one of {known}")
        elif not isinstance(kind, str):
            self.fault((*key, "kind"), f"must be a text, one of {known}, got {shown(kind)}")
        elif kind not in kinds:
            self.fault((*key, "kind"), f"unknown kind {shown(kind)}{nearest(kind, kinds)}; known: {known}")
        else:
            self.effective[content_name((*key, "kind"))] = kind
            return kinds[kind]
        return None

    def _explain(self, model: type[Table], key: Key, error: Any, apart: Sequence[str]) -> None:
        if len(self.faults) > MOST_FAULTS:  # it is not told, so that no words need be looked for
            self.fault((*key, *error["loc"]), "is wrong")
            return
        name = str(error["loc"][0])
        at = (*key, *error["loc"])
        if error["type"] == "extra_forbidden":
            known = [*model.model_fields, *apart]
            self.fault(at, f"unknown key{nearest(name, known)}; known here: {', '.join(known)}")
            return
        hint = _hint(model, name)
        if error["type"] == "missing" and len(error["loc"]) == 1:
            self.fault(at, f"is missing; write {name} = ... ({expected(hint)})")
            return
        self.fault(at, _sentence(error, hint))


def _hint(model: type[Table], name: str) -> Any:
    field = model.model_fields[name]
    return Annotated[(field.annotation, *field.metadata)] if field.metadata else field.annotation


def _tuples(value: Any) -> Any:
    return tuple(_tuples(item) for item in value) if isinstance(value, list) else value


def _plain(hint: Any) -> Any:
    """The annotation without notes and without `| None`."""
    if typing.get_origin(hint) is Annotated:
        return _plain(typing.get_args(hint)[0])
    if typing.get_origin(hint) in (typing.Union, types.UnionType):
        return _plain(next(part for part in typing.get_args(hint) if part is not type(None)))
    return hint


def expected(hint: Any) -> str:
    """What a field wants, in words: "a number in mm"."""
    plain, unit = _plain(hint), unit_of(hint)
    of_unit = f" in {_unit_words(unit)}" if unit not in ("", "1") else ""
    if typing.get_origin(plain) is Literal:
        return " or ".join(shown(choice) for choice in typing.get_args(plain))
    if typing.get_origin(plain) is tuple:
        parts = typing.get_args(plain)
        if len(parts) == 2 and parts[1] is Ellipsis:
            return f"a list [[x, y], [x, y], ...] of points{of_unit}"
        return f"two numbers [from, to]{of_unit}"
    words = {float: "a number", int: "a whole number", bool: "true or false", str: "a text in quotes"}
    return words.get(plain, "a value") + of_unit


def _unit_words(unit: str) -> str:
    return {"deg": "degrees"}.get(unit, unit)


_LIMITS = {
    "greater_than": (">", "gt"),
    "greater_than_equal": (">=", "ge"),
    "less_than": ("<", "lt"),
    "less_than_equal": ("<=", "le"),
}


def _sentence(error: Any, hint: Any) -> str:
    """Requirement, value found, remedy."""
    kind, value = error["type"], error["input"]
    unit = unit_of(hint)
    if kind in _LIMITS:
        sign, name = _LIMITS[kind]
        remedy = "write a larger number" if sign.startswith(">") else "write a smaller number"
        after = f" {_unit_words(unit)}" if unit not in ("", "1") else ""
        limit = error["ctx"][name]
        if isinstance(value, int | float) and value <= 0.0 < limit <= SMALLEST:
            limit = 0  # the reader has a negative number or nothing, not something too small
        return f"must be {sign} {limit:g}{after}, got {shown(value)}; {remedy}"
    if kind == "too_short":
        return f"must be {expected(hint)}, at least {error['ctx']['min_length']} of them, got {shown(value)}"
    if kind == "value_error":
        return f"{error['ctx']['error']}, got {shown(value)}"
    wanted = expected(hint)
    if kind == "missing" or (isinstance(value, tuple) and typing.get_origin(_plain(hint)) is tuple):
        return f"must be {wanted}, got {shown(value)}"
    if len(error["loc"]) > 1:
        wanted = "a number" + (f" in {_unit_words(unit)}" if unit not in ("", "1") else "")
    if kind == "finite_number":
        wanted = wanted.replace("a number", "a finite number")
        return f"must be {wanted}, got {shown(value)}; write the value itself"
    if kind == "literal_error":
        return f"must be {wanted}, got {shown(value)}{nearest(value, typing.get_args(_plain(hint)))}"
    return f"must be {wanted}, got {shown(value)}{_type_remedy(value)}"


def _type_remedy(value: Any) -> str:
    if isinstance(value, bool):
        return " (a truth value)"
    if isinstance(value, str):
        try:
            float(value)
        except ValueError:
            return " (a text)"
        return f" (a text); write {value} without quotes"
    return ""


def nearest(word: Any, known: Iterable[str]) -> str:
    """`, perhaps "arc"` for the nearest known word, or nothing."""
    close = get_close_matches(str(word), list(known), n=1, cutoff=0.5)
    return f', perhaps "{close[0]}"' if close else ""


def shown(value: Any) -> str:
    """A value as it stands in a case file, cut to a readable length."""
    if isinstance(value, Mapping):
        text = "a table with " + ", ".join(value) if value else "an empty table"
    elif isinstance(value, list | tuple):
        text = "[" + ", ".join(shown(item) for item in value) + "]"
    elif isinstance(value, bool):
        text = "true" if value else "false"
    elif isinstance(value, str):
        text = json.dumps(value, ensure_ascii=False)
    elif isinstance(value, float):
        text = f"{value:.12g}"
    elif isinstance(value, datetime.date | datetime.time):
        text = f"{value.isoformat()} (a date or time)"
    else:
        text = str(value)
    return cut(text)
