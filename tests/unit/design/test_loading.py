"""Pushes are plain data that every reader of the registry can rely on."""

from __future__ import annotations

import dataclasses
import inspect

import pytest

from fem.case.schema import table_model, unit_of
from fem.design.loading import PUSHES, Deploy, Push, Retract, RetractDeploy, Winding


@pytest.mark.parametrize("push", PUSHES, ids=lambda push: push.kind)
def test_every_push_is_frozen_has_defaults_and_a_docstring(push: type[Push]) -> None:
    made = push()
    with pytest.raises(dataclasses.FrozenInstanceError):
        made.kind = "other"  # type: ignore[misc]
    assert inspect.getdoc(push)


@pytest.mark.parametrize("push", PUSHES, ids=lambda push: push.kind)
def test_every_number_of_a_push_has_a_unit(push: type[Push]) -> None:
    for name, field in table_model(push).model_fields.items():
        assert (
            field.annotation in (bool, str)
            or unit_of(_whole(push, name))
            or "Literal" in str(field.annotation)
        )


def _whole(push: type[Push], name: str) -> object:
    import typing

    return typing.get_type_hints(push, include_extras=True)[name]


def test_kinds_are_distinct() -> None:
    assert len({push.kind for push in PUSHES}) == len(PUSHES)


@pytest.mark.parametrize("push", [RetractDeploy, Retract, Deploy])
def test_depth_is_the_travel_given_or_all_but_what_stays_out(push: type[Winding]) -> None:
    assert push(travel=30.0).wound_travel(80.0) == 30.0
    assert push(left_out=6.0).wound_travel(80.0) == 74.0
    assert push(left_out=6.0).wound_travel(4.0) == 0.0
