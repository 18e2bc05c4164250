"""Every number of a case says its unit where it is declared, be it that of a pure number."""

from __future__ import annotations

import dataclasses
import inspect
import typing
from collections.abc import Iterator
from typing import Annotated, Any

import pytest
from annotated_types import Unit

import fem.case.strip_tables
import fem.case.tables
from fem.case.definition import Case
from fem.case.schema import Table, unit_of
from fem.design.obstacle import OBSTACLES
from fem.design.path import Runs, Through
from fem.design.section import SECTIONS

KNOWN = {
    "1", "mm", "rad", "deg", "N", "N mm", "rpm", "MPa", "N/mm^3", "1/s",
    "the unit of its key", "mm/mm (2 % is 0.02)", "tonne/mm^3 (water is 1e-9)",
}  # fmt: skip
BEHIND_PROTOCOLS = (*OBSTACLES, *SECTIONS, Runs, Through)
"""What a case holds under the name of a protocol."""


def parts(hint: Any) -> Iterator[Any]:
    yield hint
    for part in typing.get_args(hint):
        yield from parts(part)


def is_number(hint: Any) -> bool:
    return any(part in {float, int} for part in parts(hint))


def unitless(hints: dict[str, Any]) -> list[str]:
    return [name for name, hint in hints.items() if is_number(hint) and unit_of(hint) not in KNOWN]


def classes_of(*first: Any) -> set[Any]:
    """Frozen classes that the fields of others name, directly or not."""
    found: set[Any] = set()
    ahead = set(first)
    while ahead:
        found |= ahead
        hints = [hint for cls in ahead for hint in typing.get_type_hints(cls, include_extras=True).values()]
        named = {part for hint in hints for part in parts(hint)}
        ahead = {part for part in named if inspect.isclass(part) and dataclasses.is_dataclass(part)} - found
    return found


def tables(above: type[Table]) -> Iterator[type[Table]]:
    for table in above.__subclasses__():
        yield table
        yield from tables(table)


FROZEN = sorted(classes_of(Case, *BEHIND_PROTOCOLS), key=lambda cls: (cls.__module__, cls.__name__))


@pytest.mark.parametrize("cls", FROZEN, ids=[f"{cls.__module__}.{cls.__name__}" for cls in FROZEN])
def test_every_number_of_a_case_has_a_unit(cls: Any) -> None:
    hints = typing.get_type_hints(cls, include_extras=True)
    fields = {field.name: hints[field.name] for field in dataclasses.fields(cls)}
    if fields.get("unit") is not str:  # a number that carries its unit beside it
        assert unitless(fields) == []


def test_every_number_of_a_table_has_a_unit() -> None:
    written = [cls for cls in tables(Table) if cls.__module__.startswith(fem.case.__name__)]
    assert len(written) > 10
    for cls in written:
        assert unitless(typing.get_type_hints(cls, include_extras=True)) == [], cls


def test_the_search_goes_all_the_way_and_finds_what_lacks_a_unit() -> None:
    names = {cls.__name__ for cls in FROZEN}
    assert {
        "Case",
        "Strip",
        "Layer",
        "Material",
        "Station",
        "Motor",
        "Settings",
        "Press",
        "Bar",
        "Arc",
    } <= names
    hints = {
        "a": Annotated[float, Unit("mm")],
        "b": float,
        "c": tuple[float, ...] | None,
        "d": bool,
        "e": str,
    }
    assert unitless(hints) == ["b", "c"]
    assert unitless({"a": Annotated[float, Unit("furlong")]}) == ["a"]
