"""Winding the shell in and pushing it out: root, assembly and the program of the rod's cycle.

The root is a line of nodes pressed flat on the axle, all its vectors prescribed. Everything else is the
rod's: the trip with its ledger, the observer with its rows, the rules that end a push.
"""

from __future__ import annotations

from dataclasses import replace
from typing import cast

from fem.rod.axle_clamp import AxleGrip
from fem.rod.fields import RodFields
from fem.rod.model import RodModel
from fem.shell.axle_clamp import ShellGrip
from fem.shell.model import ShellFields, ShellModel
from fem.shell.self_contact import ShellWraps
from fem.shell.wall_contact import ShellWalls
from fem.simulation.recorder import Log, Observer
from fem.simulation.retract_deploy import Cycle, assemble
from fem.simulation.round_trip import ready
from fem.simulation.stepper import Saved, StepEnd, Trip


class ShellTrip(Trip):
    """A trip of the shell: the same steps and ledger; whoever watches the model sees every accepted step."""

    def _take(self, end: StepEnd) -> None:
        super()._take(end)
        model = cast("ShellGrip", self.grip).model
        if model.watch is not None:
            model.watch(model, self.u, self.accepted, end.control)

    def save(self) -> Saved:
        """Everything needed to go on from here: sides and feet of the wraps too."""
        walls, wraps = cast("ShellWalls", self.walls), cast("ShellWraps | None", self.wraps)
        saved = replace(super().save(), walls=walls.memory())
        if wraps is None:
            return saved
        return replace(saved, wraps=(*saved.wraps, *wraps.pairs()))

    def restore(self, saved: Saved) -> None:
        """Go back to a saved state."""
        memory = cast("ShellWalls", self.walls).remembering(saved.walls, saved.u)
        super().restore(replace(saved, walls=memory))
        wraps = cast("ShellWraps | None", self.wraps)
        if wraps is not None:  # as they were: looked for again, a foot would move in its last digits
            wraps.pair_again(saved.wraps[3:], saved.wraps[2])
        self.grip.prepare(self.control, self.control)


def assemble_shell(model: ShellModel, grip: ShellGrip) -> ShellTrip | str:
    """Put the strip in place; the trip at rest, or why it could not be."""
    made = assemble(cast("RodModel", model), cast("AxleGrip", grip), ShellTrip)
    return cast("ShellTrip | str", made)


def shell_cycle(model: ShellModel) -> Cycle | str:
    """The shell in place and at rest with its first row, or why it could not be put there."""
    trip = assemble_shell(model, ShellGrip(model))
    if isinstance(trip, str):
        return trip
    observer = Observer(cast("RodModel", model), cast("RodFields", ShellFields(model.body)), Log())
    return ready(observer, trip)
