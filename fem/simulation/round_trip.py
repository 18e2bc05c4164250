"""In and out again: a cycle from its start, or from where it was kept, to its end."""

from __future__ import annotations

from fem.core.checkpoint import NOWHERE, Keeper
from fem.rod.axle_clamp import AxleGrip
from fem.rod.energy import Leaping
from fem.rod.fields import RodFields
from fem.rod.model import RodModel
from fem.simulation.recorder import DEPLOY, RETRACT, Log, Observer
from fem.simulation.retract_deploy import Cycle, CycleOutcome, Progress, assemble
from fem.simulation.stepper import Stepper, StepSize

LEAP = 0.5
"""Turning [rad] of a node within a step that makes it a snap, which is followed in shorter steps: in one, the
work of friction along its way would be guessed from the two ends.
"""


def run_cycle(
    model: RodModel, fields: RodFields, depth: float, deploy: bool, progress: Progress
) -> tuple[CycleOutcome, Log, Cycle | None]:
    """Assemble, retract to `depth` mm of travel and (if `deploy`) push out again."""
    progress(0.0, "putting the strip in place")
    return go_through(rod_cycle(model, fields), depth, deploy, progress, NOWHERE)


def go_through(
    cycle: Cycle | str, depth: float, deploy: bool, progress: Progress, keeper: Keeper
) -> tuple[CycleOutcome, Log, Cycle | None]:
    """Retract and deploy from where the cycle stands; a text says why it could not even start."""
    if isinstance(cycle, str):
        return CycleOutcome(False, False, False, False, cycle, ()), Log(), None
    cycle.progress, cycle.keeper = progress, keeper
    known: tuple[str, ...] = ("", "swallowed", "idle")
    ended = cycle.once(RETRACT, lambda: cycle.retract(depth))
    retracted = ended == ""
    if retracted and deploy:
        ended = cycle.once(DEPLOY, cycle.deploy)
        known = (*known, "beyond")
    outcome = CycleOutcome(
        retracted, retracted and deploy and ended == "", ended == "swallowed", ended == "idle",
        "" if ended in known else ended, tuple(cycle.wound),
    )  # fmt: skip
    return outcome, cycle.observer.log if cycle.search is None else cycle.search.log, cycle


def ended_beyond(cycle: Cycle, doubtful: int) -> tuple[CycleOutcome, Log, Cycle | None] | None:
    """A cycle that goes no further, without its last `doubtful` rows, as one that was pushed on beyond its
    motor and given up; None where the motor sufficed so far, so that what comes next tells the verdict.
    """
    log, motor = cycle.observer.log, cycle.model.case.motor
    sure = max(0, len(log.rows) - doubtful)
    if motor is None or not any(motor.overloaded(row["torque_Nmm"]) for row in log.rows[:sure]):
        return None
    del log.rows[sure:], log.states[sure:]
    retracted = cycle.ended.get(RETRACT) == ""
    return CycleOutcome(retracted, False, False, False, "", tuple(cycle.wound)), log, cycle


def rod_cycle(model: RodModel, fields: RodFields) -> Cycle | str:
    """The rod in place and at rest with its first row, or why it could not be put there."""
    grip = AxleGrip(model)
    trip = assemble(model, grip)
    if isinstance(trip, str):
        return trip
    trip.snapped = Leaping(model.rod, LEAP)
    return ready(Observer(model, fields, Log()), trip)


def ready(observer: Observer, trip: Stepper) -> Cycle:
    """A cycle at its start: travel is counted from here, the first row is written."""
    observer.zero = observer.slot_station(trip.u)
    turn = observer.model.case.settings.turn
    steps = StepSize(0.2 * turn, turn, 1e-5 * turn)
    trip.force = trip.grip.force(trip.u, trip.motion.total(trip.u, 1).gradient, 0.0)
    observer.write(trip, 0.0)
    return Cycle(observer.model, trip, observer, steps, lambda share, text: None)
