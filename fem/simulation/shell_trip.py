"""Saving and restoring a push of the shell: sides and feet of its wraps too."""

from __future__ import annotations

from dataclasses import replace
from typing import cast

from fem.shell.self_contact import ShellWraps
from fem.shell.wall_contact import ShellWalls
from fem.simulation.stepper import Saved, Trip


class ShellTrip(Trip):
    """A trip of the shell: the same steps and ledger."""

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
