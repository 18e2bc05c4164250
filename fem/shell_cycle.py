"""Winding the shell in and pushing it out: root, assembly and the program of the rod's cycle.

The root is a line of nodes pressed flat on the axle, all its vectors prescribed. Everything else is the
rod's: the trip with its ledger, the observer with its rows, the rules that end a push.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import cast

import numpy as np

from fem.checkpoint import NOWHERE
from fem.contact import WallContact
from fem.cycle import (
    ASSEMBLY_STEPS,
    SETTLING_STEPS,
    Cycle,
    CycleOutcome,
    Log,
    Observer,
    Progress,
)
from fem.dynamics import StepOutcome
from fem.equilibrium import Array, Evaluation, Index
from fem.rod_fields import RodFields
from fem.rod_model import RodModel
from fem.round_trip import go_through, ready
from fem.shell_contact import ShellWalls
from fem.shell_ends import unknowns
from fem.shell_model import ShellFields, ShellModel
from fem.shell_motion import mirror_unknowns
from fem.shell_wraps import ShellWraps
from fem.trip import Saved, Stored, Trip
from fem.wraps import WrapContact

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
        return np.unique(np.concatenate([self._root(), mirror_unknowns(self.model.body)]))

    def _root(self) -> Index:
        return unknowns(self.model.body.shell.grid.edge("start"), (0, 1, 2, 3))

    def place(self, u: Array, control: float) -> Array:
        """Root turned clockwise by the control."""
        u = u.copy()
        vectors = root_section(self.model, self.flatten)
        vectors[:, 0, 1] -= self.model.root_radius
        c, s = math.cos(control), math.sin(control)
        turned = vectors @ np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
        u[mirror_unknowns(self.model.body)] = 0.0
        u[self._root()] = turned.ravel()
        return u

    def force(self, u: Array, gradient: Array, control: float) -> float:  # noqa: ARG002 - read off the state
        """Torque [N mm] the axle needs to wind in."""
        root = self._root()
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

    def _take(self, outcome: StepOutcome, control: float, dt: float) -> None:
        super()._take(outcome, control, dt)
        model = cast("ShellGrip", self.grip).model
        if model.watch is not None:
            model.watch(model, self.u, self.accepted, control)

    def save(self) -> Saved:
        """Everything needed to go on from here: sides and feet of the wraps too."""
        saved, wraps = super().save(), cast("ShellWraps | None", self.wraps)
        if wraps is None:
            return saved
        return replace(saved, wraps=(*saved.wraps, *wraps.pairs()))

    def restore(self, saved: Saved) -> None:
        """Go back to a saved state."""
        super().restore(saved)
        wraps = cast("ShellWraps | None", self.wraps)
        if wraps is not None:  # as they were: looked for again, a foot would move in its last digits
            wraps.pair_again(saved.wraps[3:], saved.wraps[2])
        self.grip.prepare(self.control, self.control)

    def _stored(self, u: Array, v: Array, parts: tuple[Evaluation, ...] = ()) -> Stored:
        strain = contact = 0.0
        force = np.zeros_like(u)
        for i, term in enumerate(self.motion.terms()):
            if isinstance(term, ShellWalls | ShellWraps):
                ev = _without_friction(term, u)
                contact += ev.energy
            else:
                ev = parts[i] if parts else term.evaluate(u, 1)
                strain += ev.energy
            force += ev.gradient
        kinetic = 0.5 * float(v @ (self.motion.mass_matrix @ v))
        return Stored(strain, contact, kinetic, force)


def _without_friction(term: ShellWalls | ShellWraps, u: Array) -> Evaluation:
    term.friction_on = False
    try:
        return term.evaluate(u, 1)
    finally:
        term.friction_on = True


def assemble_shell(model: ShellModel, grip: ShellGrip) -> ShellTrip | str:
    """Put the strip in place; the trip at rest, or why it could not be."""
    motion, walls = model.motion, model.walls
    motion.fixed[:] = False
    motion.fixed[grip.indices()] = True
    touching = [term for term in (model.walls, model.wraps) if term is not None]
    u, v = model.start, np.zeros(model.start.size)
    opening = model.rise + 2 * model.case.strip.thickness
    walls.move_walls(model.walls_at(opening))
    for term in touching:
        term.start(u)
    done, step = 0.0, 1.0 / ASSEMBLY_STEPS
    while done < 1.0:
        part = min(1.0, done + step)
        walls.move_walls(model.walls_at(opening * (1 - part)))
        grip.flatten = part
        outcome = motion.step(u, v, 1.0, grip.place(u, 0.0))
        if not outcome.accepted:
            step *= 0.5
            if step < 1e-3:
                return f"the strip could not be put in place: {outcome.reason}"
            continue
        u, done = outcome.u, part
        for term in touching:
            term.start(u)
    for _ in range(SETTLING_STEPS):
        outcome = motion.step(u, v, 5.0, u)
        if outcome.accepted:
            u = outcome.u
            for term in touching:
                term.start(u)
    return ShellTrip(
        motion, grip, cast("WallContact", walls), cast("WrapContact | None", model.wraps), u, 0.0
    )


def shell_cycle(model: ShellModel) -> Cycle | str:
    """The shell in place and at rest with its first row, or why it could not be put there."""
    trip = assemble_shell(model, ShellGrip(model))
    if isinstance(trip, str):
        return trip
    observer = Observer(cast("RodModel", model), cast("RodFields", ShellFields(model.body)), Log())
    return ready(observer, trip)


def run_shell_cycle(
    model: ShellModel, depth: float, deploy: bool, progress: Progress
) -> tuple[CycleOutcome, Log, Cycle | None]:
    """Assemble, retract to `depth` mm of travel and (if `deploy`) push out again."""
    progress(0.0, "putting the strip in place")
    return go_through(shell_cycle(model), depth, deploy, progress, NOWHERE)
