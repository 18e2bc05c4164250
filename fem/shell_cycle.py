"""Winding the shell in and pushing it out: root, assembly and the program of the rod's cycle.

The root is a line of nodes pressed flat on the axle, all its vectors prescribed. Everything else is the
rod's: the trip with its ledger, the observer with its rows, the rules that end a push.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import cast

import numpy as np

from fem.cycle import AxleGrip, Cycle, assemble
from fem.equilibrium import Array, Index
from fem.observer import Log, Observer
from fem.rod_fields import RodFields
from fem.rod_model import RodModel
from fem.round_trip import ready
from fem.shell_contact import ShellWalls
from fem.shell_ends import unknowns
from fem.shell_model import ShellFields, ShellModel
from fem.shell_motion import mirror_unknowns
from fem.shell_wraps import ShellWraps
from fem.trip import Saved, StepEnd, Trip

FINE = 401


@dataclass
class ShellGrip:
    """Root clamped flat to an axle that has wound in by the control psi [rad]; flatten: 0 rest section, 1
    flat.
    """

    model: ShellModel
    flatten: float = 1.0

    def indices(self) -> Index:
        """Prescribed unknowns: all vectors of the root's line of nodes, and what symmetry holds."""
        return np.unique(np.concatenate([self.root(), mirror_unknowns(self.model.body)]))

    def root(self) -> Index:
        """Unknowns of the root's line of nodes."""
        return unknowns(self.model.body.shell.grid.edge("start"), (0, 1, 2, 3))

    def place(self, u: Array, control: float) -> Array:
        """Root turned clockwise by the control."""
        u = u.copy()
        vectors = root_section(self.model, self.flatten)
        vectors[:, 0, 1] -= self.model.root_radius
        c, s = math.cos(control), math.sin(control)
        turned = vectors @ np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
        u[mirror_unknowns(self.model.body)] = 0.0
        u[self.root()] = turned.ravel()
        return u

    def force(self, u: Array, gradient: Array, control: float) -> float:  # noqa: ARG002 - read off the state
        """Torque [N mm] the axle needs to wind in."""
        root = self.root()
        vectors, pull = u[root].reshape(-1, 3), gradient[root].reshape(-1, 3)
        torque = float((pull[:, 0] * vectors[:, 1] - pull[:, 1] * vectors[:, 0]).sum())
        return torque + self.model.walls.axle_moment(u)

    def reach(self, u: Array, control: float) -> float:  # noqa: ARG002 - the control itself
        """The axle's angle."""
        return control

    def prepare(self, before: float, control: float) -> None:
        """The axle's surface turns with it."""
        self.model.walls.turn = control - before


def root_section(model: ShellModel, flatten: float) -> Array:
    """Vectors (nodes across, 4, 3) of the root's section opened by a share, middle at the origin, heading
    +x.
    """
    strip, grid = model.case.strip, model.body.shell.grid
    rest = model.body.shell.rest.reshape(grid.stations.size, grid.across.size, 4, 3)[0].copy()
    width, slope, _ = (float(value) / strip.width for value in strip.taper(0.0))
    q = np.linspace(grid.across[0], grid.across[-1], FINE) * width
    angle = (1.0 - flatten) * np.asarray(strip.section_angle(np.zeros(FINE), q)[0])
    made = np.zeros((FINE, 2))
    steps = 0.5 * np.diff(q)[:, None]
    slopes = np.stack([np.sin(angle), np.cos(angle)], axis=1)
    made[1:] = np.cumsum(steps * (slopes[1:] + slopes[:-1]), axis=0)
    at = grid.across * width
    middle = [np.interp(0.0, q, made[:, c]) for c in range(2)]
    flat = np.zeros_like(rest)
    flat[:, 1, 0], flat[:, 1, 2] = 1.0, slope * grid.across
    flat[:, 3, 2] = slope
    out = (1.0 - flatten) * rest + flatten * flat
    out[:, 0] = 0.0
    out[:, 0, 1], out[:, 0, 2] = (np.interp(at, q, made[:, c]) - middle[c] for c in range(2))
    out[:, 2] = 0.0
    out[:, 2, 1], out[:, 2, 2] = (width * np.interp(at, q, slopes[:, c]) for c in range(2))
    return np.asarray(out)


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
