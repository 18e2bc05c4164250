"""Short cases that run in a second or two, shared by the tests of what is done to a strip."""

from __future__ import annotations

from pathlib import Path

from fem.case.definition import Case, read_case

TEMPLATE = """
title = "small"
[strip]
width = {width}
[strip.path]
runs = [{runs}]
[strip.section]
kind = "arc"
radius = {section_radius}
[[strip.layers]]
material = "soft"
thickness = {thickness}
[axle]
radius = 4.0
[casing]
radius = 7.0
[slot]
gap = 1.6
[friction]
strip = {friction}
wraps = {friction}
[materials.soft]
young = {young}
poisson = 0.45
density = 1.2e-9
strain_limit = {strain_limit}
source = "made up for tests"
[push]
{push}
[solver]
element = 2.5
element_fine = 2.5
contact_spacing = 0.8
{solver}
{extra}
"""

NUMBERS: dict[str, object] = {
    "width": 10.0, "runs": "{ straight = 45.0 }", "section_radius": 12.0, "thickness": 0.8, "friction": 0.0,
    "young": 80.0, "strain_limit": 0.15, "solver": "", "extra": "",
}  # fmt: skip

CYCLE = 'kind = "retract-then-deploy"\nleft_out = 14.0'


def small_case(folder: Path, push: str = CYCLE, **changes: object) -> Case:
    """A soft strip without friction, 45 mm long, unless told otherwise (keys of NUMBERS)."""
    file = folder / "small.toml"
    file.write_text(small_text(push, **changes))
    return read_case(file)


def small_text(push: str = CYCLE, **changes: object) -> str:
    """The text of such a case file."""
    assert changes.keys() <= NUMBERS.keys()
    return TEMPLATE.format(push=push, **(NUMBERS | changes))


def motor(torque: float) -> str:
    """A motor with this much torque [N mm] at the axle, for `extra`."""
    return f"[motor]\nstall_torque = {torque}\nno_load_speed = 100.0\ngear_ratio = 1.0\nefficiency = 1.0\n"


class Stopping:
    """Wants to stop at the n-th offer."""

    def __init__(self, after: int) -> None:
        self.left = after

    def __call__(self) -> bool:
        self.left -= 1
        return self.left < 0
