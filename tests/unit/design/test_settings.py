"""Every numerical setting has a safe default within the limits it is declared with."""

from __future__ import annotations

import dataclasses
import math
import typing

import annotated_types
import pytest

from fem.design.settings import Settings

HINTS = typing.get_type_hints(Settings, include_extras=True)


@pytest.mark.parametrize("field", dataclasses.fields(Settings), ids=lambda field: field.name)
def test_the_default_is_within_its_limits(field: dataclasses.Field[object]) -> None:
    value = field.default
    assert value is not dataclasses.MISSING, "a setting has a default"
    for note in getattr(HINTS[field.name], "__metadata__", ()):
        if isinstance(note, annotated_types.Gt | annotated_types.Ge | annotated_types.Le):
            assert isinstance(value, float)
            low = {annotated_types.Gt: "gt", annotated_types.Ge: "ge"}.get(type(note))
            assert value >= getattr(note, low) if low else value <= note.le
            assert not (isinstance(note, annotated_types.Gt) and value == note.gt)


def test_a_step_of_the_axle_is_a_small_angle() -> None:
    assert 0.0 < Settings().turn < math.radians(10.0)
    assert Settings().element_fine <= Settings().element
