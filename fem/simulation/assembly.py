"""Putting the strip in place: its root pressed flat on the axle while axle, casing, slot and obstacles close
in from a distance.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from fem.core.term import Array
from fem.simulation.stepper import Grip, Stepper
from fem.simulation.strip_model import AxleClamp, Contact, Drive, StripModel

ASSEMBLY_STEPS, SETTLING_STEPS = 15, 4


def assemble(model: StripModel, clamp: AxleClamp) -> Stepper | str:
    """Put the strip in place; the stepper at rest, or why it could not be."""
    motion, walls = model.motion, model.walls
    motion.prescribe(clamp.indices(), only=True)
    touching = contacts(model)
    u, v = model.start, np.zeros(model.start.size)
    opening = model.rise + 2 * model.case.strip.thickness
    if walls:
        walls.move_walls(model.walls_at(opening))
    for term in touching:
        term.start(u)
    done, step = 0.0, 1.0 / ASSEMBLY_STEPS
    while done < 1.0:
        part = min(1.0, done + step)
        if walls:
            walls.move_walls(model.walls_at(opening * (1 - part)))
        outcome = motion.step(u, v, 1.0, clamp.pressed(part).place(u, 0.0))
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
    return begun(model, clamp, u)


def contacts(model: StripModel) -> list[Contact]:
    """What has friction to forget while the strip settles."""
    return [term for term in (model.walls, model.wraps) if term is not None]


def begun(model: StripModel, grip: Grip, u: Array, drives: Sequence[Drive] = ()) -> Stepper:
    """A stepper at rest in a state; drives: springs of the grip, whose energy is not the strip's."""
    return Stepper(model.motion, grip, u, 0.0, tuple(drives), model.snap_test)
