"""A strip wound in a little, of either model, shared by the tests of what is read from a state."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from small_cases import small_case

from fem.case.definition import Case
from fem.simulation.assembly import assemble
from fem.simulation.stepper import Stepper
from fem.simulation.steps import StepSize
from fem.simulation.strip_model import StripModel

Placed = tuple[StripModel, Stepper]


def wound_a_little(build: Callable[[Case], StripModel], folder: Path) -> Placed:
    """A small strip with friction, wound in by one radian."""
    model = build(small_case(folder, friction=0.1))
    stepper = assemble(model, model.clamp())
    assert isinstance(stepper, Stepper)
    assert stepper.advance(1.0, StepSize(0.1, 0.1, 1e-4), lambda now: False)
    return model, stepper
