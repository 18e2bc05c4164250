"""A push on the bench made by the stepper, so slowly that the load holds no drag."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from fem.core.term import Array
from fem.results.columns import unit_of
from fem.simulation.assembly import begun
from fem.simulation.deployed_shape import DeployedShape
from fem.simulation.grips import DriveGrip
from fem.simulation.kept_contact import StateRecord, contact_fields, kept_contact, recorded
from fem.simulation.load_curve import BenchRules, LoadCurve
from fem.simulation.recorder import energy_columns, step_columns
from fem.simulation.run_context import RunContext
from fem.simulation.stepper import Stepper, StepSize
from fem.simulation.strip_model import StripModel

STEPS = 60
LARGEST_TURN = 0.15
"""rad per step of a coil of many turns."""
STEP_TIME = 200.0
"""Seconds per full step: slow enough that the load holds no drag, and that a column has time to give way:
its artificial inertia would else carry it far beyond its critical load (a flat pinned strip to twice Euler's
at 2 s).
"""
FIRST_STEADY = 2
"""The first step sets the artificial mass in motion, which adds up to 20 % to its load."""
SETTLING, SETTLING_TIME = 3, 200.0


@dataclass
class Fixture:
    """A push ready to go: the model, the stepper (or why there is none), and how far to drive it.

    target: of the control; deployed: the strip as it lay before it is pushed, if it was put in place.
    """

    model: StripModel
    stepper: Stepper | str
    target: float
    deployed: DeployedShape | None = None


@dataclass
class BenchLog:
    """Rows and states of a push under way, the first ones before it, and the record of contact in each."""

    rows: list[dict[str, float]] = field(default_factory=list)
    states: list[Array] = field(default_factory=list)
    contacts: list[StateRecord] = field(default_factory=list)

    def write(self, stepper: Stepper, model: StripModel) -> dict[str, float]:
        """Append the row of the stepper's present state of a model and return it."""
        reached = stepper.grip.reach(stepper.u, stepper.control)
        row = {"control": reached, "load": stepper.force, **energy_columns(stepper), **step_columns(stepper)}
        self.rows.append(row)
        self.states.append(stepper.u.copy())
        self.contacts.append(recorded(model))
        return row

    def curve(self, fixture: Fixture, trouble: str) -> LoadCurve:
        """What was logged, as a load curve."""
        names = (*self.rows[0],) if self.rows else ("control", "load", "audit_error")
        columns = {name: np.array([row[name] for row in self.rows]) for name in names}
        control, load = columns.pop("control"), columns.pop("load")
        model = fixture.model
        states = tuple(model.state(u) for u in self.states)
        fields = tuple(
            contact_fields(model, kept_contact(model, u, record), state)
            for u, record, state in zip(self.states, self.contacts, states, strict=True)
        )
        return LoadCurve(
            control, load, columns, states, fields, FIRST_STEADY, trouble=trouble, cautions=model.warnings
        )


def drive_slowly(
    fixture: Fixture, log: BenchLog, rules: BenchRules, run: RunContext, resumed: bool
) -> LoadCurve:
    """Carry the control to its target, or until the wanted load is reached; resumed: go on where it stood
    when fixture and log were kept.
    """
    stepper, target = fixture.stepper, fixture.target
    if isinstance(stepper, str):
        return log.curve(fixture, stepper)
    if not resumed:
        log.write(stepper, fixture.model)

    def watch(now: Stepper) -> bool:
        row = log.write(now, fixture.model)
        run.progress(
            min(1.0, abs(now.control / target)),
            f"{rules.control} {now.control:.2f}, {rules.load} {row['load']:.3g}",
        )
        if abs(row["load"]) >= rules.wanted:
            return True
        run.keeper.offer((fixture, log))
        return False

    steps = max(STEPS, math.ceil(abs(target) / LARGEST_TURN)) if unit_of(rules.control) == "rad" else STEPS
    step = abs(target) / steps
    size = StepSize(0.2 * step, step, 1e-5 * step, time=STEP_TIME / step)
    finished = stepper.advance(target, size, watch, resumed)
    return log.curve(fixture, "" if finished else stepper.trouble)


def driven(model: StripModel, grip: DriveGrip, u: Array) -> Stepper | str:
    """The stepper of a drive from the state u on, at rest; or why it is not."""
    model.motion.add(grip.drive)
    model.motion.prescribe(grip.held)
    if model.walls is None:  # with walls the assembly has settled it, friction included
        u, trouble = at_rest(model, u)
        if trouble:
            return f"the strip could not be brought to rest: {trouble}"
    stepper = begun(model, grip, u, (grip.drive,))
    stepper.force = grip.drive.load(u)
    return stepper


def at_rest(model: StripModel, u: Array) -> tuple[Array, str]:
    """State at rest near u, and what went wrong."""
    for _ in range(SETTLING):
        outcome = model.motion.step(u, np.zeros_like(u), SETTLING_TIME, u)
        if not outcome.accepted:
            return u, outcome.reason
        u = outcome.u
    return u, ""
