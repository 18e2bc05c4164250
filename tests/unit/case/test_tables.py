"""Materials, obstacles, pushes and motor as they are written, each wrong one told at its own key."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import pytest
from sound_case import OF_KIND, SOUND, Write, changed, faults, has_fault

from fem.case.definition import read_case
from fem.design.loading import PUSHES
from fem.design.obstacle import OBSTACLES


@pytest.mark.parametrize("obstacle", OBSTACLES)
def test_every_obstacle_can_be_written_and_is_needed_in_full(write: Write, obstacle: type[Any]) -> None:
    kind = obstacle.__name__.lower()
    assert kind in OF_KIND, "say in sound_case.py which keys it needs"
    table = f'[[obstacles]]\nkind = "{kind}"\n{OF_KIND[kind]}\n'
    (made,) = read_case(write(SOUND + table)).obstacles
    assert isinstance(made, obstacle)
    assert made.walls(0.0)
    missing = faults(write(SOUND + f'[[obstacles]]\nkind = "{kind}"\n'))
    assert len(missing) == sum(field.default is dataclasses.MISSING for field in dataclasses.fields(obstacle))


@pytest.mark.parametrize("push", PUSHES)
def test_every_push_can_be_written_with_its_defaults(write: Write, push: type[Any]) -> None:
    assert isinstance(read_case(write(changed('"retract-then-deploy"', f'"{push.kind}"'))).push, push)


def test_the_guide_turns_degrees_into_radians(write: Write) -> None:
    (guide,) = read_case(write(SOUND + f'[[obstacles]]\nkind = "guide"\n{OF_KIND["guide"]}\n')).obstacles
    assert guide.angle == pytest.approx(math.pi / 6)  # type: ignore[attr-defined]


MOTOR = "[motor]\nstall_torque = 1\nefficiency = 1.5\n[slot]"
STIFF = "[materials.x]\nyoung = 2e9\npoisson = 0.6\n[push]"
PLY = "[materials.x]\nyoung_1 = 1\nyoung_2 = 100\npoisson_12 = 0.5\nshear_12 = 1\nstrain_limit = 1\n[push]"
KINDS = ('"plane"', '"cylinder"', '"bar"', '"guide"')
WRONG: list[tuple[str, str, str, tuple[str, ...]]] = [
    ("[slot]", MOTOR, "motor.efficiency", ("<= 1", "1.5")),
    ("[slot]", MOTOR, "motor.no_load_speed", ("no_load_speed", "rpm")),
    ("[push]", "[[obstacles]]\nx = 1\n[push]", "obstacles[1].kind", KINDS),
    ("[push]", "[materials]\nx = 1\n[push]", "materials.x", ("1", "[materials.x]", "young")),
    ("[push]", STIFF, "materials.x.young", ("<= 2e+06 MPa", "2000000000")),
    ("[push]", STIFF, "materials.x.poisson", ("<= 0.5", "0.6")),
    ("[push]", STIFF, "materials.x.strain_limit", ("strain_limit",)),
    ("[push]", PLY, "materials.x", ("poisson_12", "young_1/young_2")),
]  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "key", "facts"), WRONG, ids=[f"{key}: {facts}" for *_, key, facts in WRONG]
)
def test_one_wrong_value_is_one_clear_fault(
    write: Write, old: str, new: str, key: str, facts: tuple[str, ...]
) -> None:
    has_fault(write(changed(old, new)), key, facts)
