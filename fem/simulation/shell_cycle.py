"""Winding the shell in and pushing it out: root, assembly and the program of the rod's cycle.

The root is a line of nodes pressed flat on the axle, all its vectors prescribed. Everything else is the
rod's: the trip with its ledger, the observer with its rows, the rules that end a push.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

from fem.rod.axle_clamp import AxleGrip
from fem.rod.fields import RodFields
from fem.rod.model import RodModel
from fem.shell.axle_clamp import ShellGrip
from fem.shell.model import ShellFields, ShellModel
from fem.simulation.recorder import Log, Observer
from fem.simulation.retract_deploy import Cycle, assemble
from fem.simulation.round_trip import ready
from fem.simulation.stepper import Stepper


@dataclass
class Watching:
    """Shows every accepted step to whoever watches a model."""

    model: ShellModel

    def __call__(self, trip: Stepper) -> None:
        """Called by the stepper."""
        if self.model.watch is not None:
            self.model.watch(self.model, trip.u, trip.accepted, trip.control)


def assemble_shell(model: ShellModel, grip: ShellGrip) -> Stepper | str:
    """Put the strip in place; the trip at rest, or why it could not be."""
    made = assemble(cast("RodModel", model), cast("AxleGrip", grip))
    if not isinstance(made, str):
        made.seen = Watching(model)
    return made


def shell_cycle(model: ShellModel) -> Cycle | str:
    """The shell in place and at rest with its first row, or why it could not be put there."""
    trip = assemble_shell(model, ShellGrip(model))
    if isinstance(trip, str):
        return trip
    observer = Observer(cast("RodModel", model), cast("RodFields", ShellFields(model.body)), Log())
    return ready(observer, trip)
