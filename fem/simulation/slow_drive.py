"""A push on the bench made by the stepper, so slowly that the load holds no drag."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from fem.core.checkpoint import OutOfTime
from fem.core.term import Array, DeadLoad
from fem.results.columns import unit_of
from fem.simulation.assembly import begun
from fem.simulation.deployed_shape import DeployedShape
from fem.simulation.energy_guard import unsound
from fem.simulation.grips import DriveGrip
from fem.simulation.kept_contact import StateRecord, contact_fields, kept_contact, recorded
from fem.simulation.kept_run import LogState, StepperState, fill_log, log_state, put_back, stepper_state
from fem.simulation.load_curve import BenchRules, LoadCurve
from fem.simulation.recorder import energy_columns, step_columns
from fem.simulation.run_context import RunContext
from fem.simulation.stepper import LEAST_SHARE, Stepper
from fem.simulation.steps import StepSize
from fem.simulation.strip_model import StripModel
from fem.solvers.implicit_dynamics import Motion
from fem.solvers.moving_system import Frame

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
GATHER = 4.0
"""Full steps over which a control gathers speed where the strip may give way within the first."""
SETTLING, SETTLING_TIME = 3, 200.0
MOST_SETTLING, SHORTEST = 200, 1e-6
"""Most steps until the strip is at rest, and shortest of them [s]: a heavy one that sinks far, or falls over,
does not get there in a few.
"""
FALL_TIME, MOST_NUDGES, INVERSE_ITERATIONS = 1.0, 5, 30
"""A strip that stands on a ridge, upright under too much weight, begins to fall in steps of so many seconds;
how often it is nudged off; iterations for the mode in which it falls.
"""


@dataclass
class Fixture:
    """A push ready to go: the model, the stepper (or why there is none), and how far to drive it.

    target: of the control; deployed: the strip as it lay before it is pushed, if it was put in place; first:
    step of the control to begin with, where the strip may give way within the usual one.
    """

    model: StripModel
    stepper: Stepper | str
    target: float
    deployed: DeployedShape | None = None
    first: float = math.inf

    @property
    def least_energy(self) -> float:
        """All energies of the push count as this at least [N mm]."""
        return LEAST_SHARE * self.model.motion.settings.energy


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
        dead = [term for term in stepper.motion.terms if isinstance(term, DeadLoad)]
        row["energy_load_Nmm"] = sum(term.evaluate(stepper.u, 0).energy for term in dead)
        row["energy_strain_Nmm"] -= row["energy_load_Nmm"]
        row["audit_closure_Nmm"] = stepper.ledger.error(stepper.stored.total)
        self.rows.append(row)
        self.states.append(stepper.u.copy())
        self.contacts.append(recorded(model))
        return row

    def scale(self, least: float) -> float:
        """What energies are judged by [N mm]: the largest work, or change of what is stored, so far.

        What the grips had put in before the push began, and where the weight's potential is counted from, say
        nothing of the push.
        """
        changes = ("work_in_Nmm", "energy_strain_Nmm", "energy_load_Nmm")
        return max(abs(row[name] - self.rows[0][name]) for row in self.rows for name in changes) + least

    def unsound(self, gained: float, least: float) -> str:
        """Why what follows the last row is no motion of this strip, "" if it is; gained [N mm]: what time
        stepping made.
        """
        if len(self.rows) < 2:
            return ""
        return unsound(self.rows[-2], self.rows[-1], gained, self.scale(least))

    def curve(self, fixture: Fixture, trouble: str) -> LoadCurve:
        """What was logged, as a load curve."""
        names = (*self.rows[0],) if self.rows else ("control", "load", "audit_error")
        columns = {name: np.array([row[name] for row in self.rows]) for name in names}
        if self.rows:
            columns["energy_load_Nmm"] = columns["energy_load_Nmm"] - columns["energy_load_Nmm"][0]
            columns["audit_error"] = columns["audit_closure_Nmm"] / self.scale(fixture.least_energy)
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


@dataclass(frozen=True)
class BenchState:
    """A push on the bench under way, as plain data."""

    stepper: StepperState
    log: LogState


def gone_on_with(fixture: Fixture, kept: BenchState) -> BenchLog:
    """The log of a push that was kept, with the stepper of its fixture, made anew, where it stood. Raises
    ValueError for a state that is none of this push.
    """
    stepper, log, model = fixture.stepper, BenchLog(), fixture.model
    if isinstance(stepper, str):
        raise ValueError(stepper)
    names = tuple(BenchLog().write(stepper, model))
    put_back(stepper, kept.stepper)
    fill_log(log, kept.log, model, names)
    return log


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

    end = ""

    def watch(now: Stepper) -> bool:
        nonlocal end
        row = log.write(now, fixture.model)
        end = log.unsound(now.ledger.gained, fixture.least_energy)
        if end:  # a row that means nothing must not reach the verdict
            del log.rows[-1], log.states[-1], log.contacts[-1]
            return True
        run.progress(
            min(1.0, abs(now.control / target)),
            f"{rules.control} {now.control:.2f}, {rules.load} {row['load']:.3g}",
        )
        if abs(row["load"]) >= rules.wanted:
            return True
        run.keeper.offer(lambda: BenchState(stepper_state(now), log_state(log)))
        return False

    steps = max(STEPS, math.ceil(abs(target) / LARGEST_TURN)) if unit_of(rules.control) == "rad" else STEPS
    step = abs(target) / steps
    size = StepSize(0.2 * step, step, 1e-5 * step, time=STEP_TIME / step)
    if fixture.first < size.first:  # small steps take small times: too fast for what gives way within them
        size = replace(size, first=fixture.first, gather=GATHER * step)
    try:
        finished = stepper.advance(target, size, watch, resumed)
    except OutOfTime:
        return replace(log.curve(fixture, ""), unfinished=True)
    return log.curve(fixture, end if finished else stepper.trouble)


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
    if model.walls is not None:
        # a strip in place has no friction yet: it gives way until that holds it, which is not the push's work
        for _ in range(SETTLING):
            stepper.settle(SETTLING_TIME, from_rest=True)
        stepper.count_from_here()
    return stepper


def at_rest(model: StripModel, u: Array) -> tuple[Array, str]:
    """State at rest near u, and what went wrong.

    Damped steps from rest to rest, shorter ones where the strip goes far, such as one that falls over under
    its own weight.
    """
    motion, time, full, nudged = model.motion, SETTLING_TIME, 0, 0
    for _ in range(MOST_SETTLING):
        outcome = motion.step(u, np.zeros_like(u), time, u)
        if not outcome.accepted:
            time *= 0.125
            if time < SHORTEST:
                return u, outcome.reason
            continue
        moved = float(np.abs(outcome.u - u)[motion.places].max())
        u, full = outcome.u, full + int(time == SETTLING_TIME)
        if not outcome.stable and moved <= motion.settings.small_move and nudged < MOST_NUDGES:
            u, time, full, nudged = off_the_ridge(motion, u), FALL_TIME, 0, nudged + 1
            continue
        if full >= SETTLING and moved <= motion.settings.settled:
            return u, ""
        time = min(SETTLING_TIME, 4.0 * time)
    return u, f"it still moves after {MOST_SETTLING} steps"


def off_the_ridge(motion: Motion, u: Array) -> Array:
    """A state at rest that is not stable, moved a little along its softest mode, to the side of less energy.

    The mode by inverse iteration on the tangent with as much inertia as makes it positive definite.
    """
    blocks, time, factor = motion.total(u, 2).blocks, FALL_TIME, None
    while factor is None:
        motion.matrix.assemble([*blocks, motion.inertia_blocks(Frame(u, 0.0 * u, time))])
        factor, time = motion.matrix.factor(), 0.25 * time
    mode = np.where(motion.fixed, 0.0, np.random.default_rng(1).standard_normal(u.size))
    for _ in range(INVERSE_ITERATIONS):
        mode = factor.solve(motion.mass_matrix @ mode)
        mode /= np.abs(mode[motion.places]).max()
    sides = [u + side * motion.settings.small_move * mode for side in (1.0, -1.0)]
    return min(sides, key=lambda x: motion.total(x, 0).energy)
