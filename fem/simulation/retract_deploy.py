"""Winding in and pushing out: the program of a push by the axle.

The strip is first put in place: its root pressed flat on the axle while axle, casing, slot and obstacles
close in from a distance. Then the axle turns (retract) until enough strip has come in through the slot, and
turns back (deploy) until the strip is out again, or until it plainly will not come: no travel over a whole
turn of pushing.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from fem.core.checkpoint import NOWHERE, Keeper
from fem.design.motor import OverloadStart
from fem.rod.axle_clamp import AxleGrip
from fem.rod.model import RodModel
from fem.simulation.recorder import DEPLOY, RETRACT, Log, Observer, sense
from fem.simulation.stepper import SavedState, Stepper, StepSize

ASSEMBLY_STEPS, SETTLING_STEPS = 15, 4
ARRIVED = 0.5  # mm of travel left that count as fully out
IDLE_TURN = math.pi
"""Turning [rad] without travel, beyond what the coil's slack can take up, after which a push has stopped."""
IDLE_TRAVEL = 0.5
REST_TIME, GATHER = 5.0, 0.2
"""The axle stands for a while [s] before it turns the other way, and gathers speed over some turning [rad]: a
jump of its speed would make the artificial mass push back.
"""
ABSURD_STRAIN = 3.0
ABSURD = f"the strain went beyond {ABSURD_STRAIN:g}, where the model means nothing"
BROKEN_SHARE = 0.1
BROKEN = f"within one step energy came from nowhere, more than {100 * BROKEN_SHARE:g} %: contact jumped"
DRIFTED = f"the energies no longer add up: {100 * BROKEN_SHARE:g} % of all work came or went unaccounted for"
Progress = Callable[[float, str], None]


def assemble(model: RodModel, grip: AxleGrip, kind: type[Stepper] = Stepper) -> Stepper | str:
    """Put the strip in place; the trip (of a `kind`) at rest, or why it could not be."""
    motion, walls = model.motion, model.walls
    motion.prescribe(grip.indices(), only=True)
    touching = [term for term in (model.walls, model.wraps) if term is not None]
    u, v = model.start, np.zeros(model.start.size)
    opening = model.rise + 2 * model.rod.strip.thickness
    if walls:
        walls.move_walls(model.walls_at(opening))
    for term in touching:
        term.start(u)
    done, step = 0.0, 1.0 / ASSEMBLY_STEPS
    while done < 1.0:
        part = min(1.0, done + step)
        if walls:
            walls.move_walls(model.walls_at(opening * (1 - part)))
        clamp = replace(grip, flatten=part)
        outcome = motion.step(u, v, 1.0, clamp.place(u, 0.0))
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
    return kind(motion, grip, u, 0.0)


def slack(model: RodModel, inside: float) -> float:
    """Turning [rad] that loosens a coil of `inside` mm from tight on the axle to lying on the casing.

    A wound length l at mean radius r takes l / r; both radii from the area the strip fills.
    """
    axle, casing = model.case.axle.radius, model.case.casing.radius
    area = inside * model.rod.strip.thickness / math.pi
    tight = 0.5 * (axle + math.sqrt(axle**2 + area))
    loose = 0.5 * (casing + math.sqrt(max(casing**2 - area, axle**2)))
    return max(0.0, inside * (1 / tight - 1 / loose))


@dataclass(frozen=True)
class CycleOutcome:
    """How winding in and pushing out ended.

    retracted, deployed: reached; swallowed: the tip went inside; idle: turned a whole turn without travel;
    trouble: why a step could not be made ("" if none); wound: saved states on the way in, by travel.
    """

    retracted: bool
    deployed: bool
    swallowed: bool
    idle: bool
    trouble: str
    wound: tuple[tuple[float, SavedState], ...]


@dataclass
class Leg:
    """One way of the axle under way: its phase, its first row, travel there, angle of the last row."""

    phase: float
    began: int
    start_travel: float
    last: float


@dataclass
class Search:
    """Looking for the safe travel: the jam of the whole cycle and its log, the saved states between which it
    lies, and the one that is being pushed out from.
    """

    jam: object
    log: Log
    low: int
    high: int
    trial: int | None = None


@dataclass
class Cycle:
    """One strip, one axle: retract and deploy with a log.

    ended: how each phase of the cycle ended that has; keeper: where the whole cycle is kept as it goes.
    """

    model: RodModel
    trip: Stepper
    observer: Observer
    steps: StepSize
    progress: Progress
    wound: list[tuple[float, SavedState]] = field(default_factory=list)
    limit: float = math.inf
    keeper: Keeper = NOWHERE
    leg: Leg | None = None
    ended: dict[float, str] = field(default_factory=dict)
    search: Search | None = None

    def __getstate__(self) -> dict[str, object]:
        """Everything but the ways out of the program."""
        return {**vars(self), "progress": None, "keeper": NOWHERE}

    def once(self, phase: float, go: Callable[[], str]) -> str:
        """How a phase ended; a cycle that was kept and found again does not do it twice."""
        if phase not in self.ended:
            self.ended[phase] = go()
            self.keeper.offer(self)
        return self.ended[phase]

    def retract(self, depth: float) -> str:
        """Wind in until `depth` mm have come in: "", "swallowed", "idle" or the trouble of a step."""
        limit = 4 * math.pi + 2 * depth / self.model.root_radius
        return self._go(RETRACT, depth, limit, lambda row: row["travel_mm"] >= depth)

    def deploy(self, limit: float = math.inf) -> str:
        """Push out until fully out: "", "idle", "beyond" (more torque than `limit` [N mm]) or the trouble of
        a step.
        """
        self.limit = limit
        return self._go(DEPLOY, 0.0, -0.5 * math.pi, lambda row: row["travel_mm"] <= ARRIVED)

    def _go(
        self, phase: float, goal: float, limit: float, arrived: Callable[[dict[str, float]], bool]
    ) -> str:
        obs, trip = self.observer, self.trip
        obs.phase, length = phase, self.model.rod.strip.length
        resumed = self.leg is not None and self.leg.phase == phase
        if self.leg is None or not resumed:
            start = obs.log.rows[-1]["travel_mm"] if obs.log.rows else 0.0
            self.leg = Leg(phase, len(obs.log.rows), start, trip.control)
        leg = self.leg
        end = ""

        def watch(now: Stepper) -> bool:
            nonlocal end
            row = obs.write(now, abs(now.control - leg.last) * self.steps.time)
            leg.last = now.control
            end = self._unsound()
            if end:  # a row that means nothing must not reach the verdict
                del obs.log.rows[-1], obs.log.states[-1]
                return True
            if phase == RETRACT and (not self.wound or row["travel_mm"] - self.wound[-1][0] > SAVE_EVERY):
                self.wound.append((row["travel_mm"], now.save()))
            share = abs(row["travel_mm"] - leg.start_travel) / max(1e-9, abs(goal - leg.start_travel))
            word = "winding in" if phase == RETRACT else "pushing out"
            text = f"{word}: {row['travel_mm']:.0f} mm in, {row['torque_Nmm']:.0f} N mm"
            self.progress(min(1.0, share), text)
            if row["strain_peak"] > ABSURD_STRAIN:
                end = ABSURD
            elif arrived(row):
                end = "arrived"
            elif row["slot_station_mm"] >= length - 1e-9:
                end = "swallowed"
            elif self._idle(leg.began, phase):
                end = "idle"
            elif phase == DEPLOY and self._beyond(row, leg.began):
                end = "beyond"
            if not end:
                self.keeper.offer(self)
            return bool(end)

        if not resumed:
            trip.settle(REST_TIME)
        # in search of a safe travel a push ends before the motor is overloaded
        motor = self.model.case.motor if self.limit == math.inf else None
        cut = OverloadStart(motor, sense(phase)) if motor else None
        finished = trip.advance(limit, replace(self.steps, gather=GATHER), watch, resumed, cut)
        self.leg = None
        if not finished:
            return trip.trouble
        return {"arrived": "", "": "idle"}.get(end, end)

    def _unsound(self) -> str:
        """Why what follows is no motion of this strip: energy made at once, or bit by bit; "" if it is."""
        before, now = (*self.observer.log.rows[-1:], *self.observer.log.rows)[-2:]
        left, lost = (now[name] - before[name] for name in ("audit_closure_Nmm", "loss_numerical_Nmm"))
        ledger = self.trip.ledger
        scale = self.trip.scale
        if abs(left) + max(0.0, -lost) > BROKEN_SHARE * scale:
            return BROKEN
        gone = abs(ledger.error(self.trip.stored.total)) + ledger.gained
        return DRIFTED if gone > BROKEN_SHARE * scale else ""

    def _idle(self, began: int, phase: float) -> bool:
        """No travel in the wanted direction over more turning than the coil's slack can take up."""
        rows, here = self.observer.log.rows, self.observer.log.rows[-1]
        limit = IDLE_TURN + (math.pi if phase == RETRACT else slack(self.model, here["slot_station_mm"]))
        for row in reversed(rows[began:]):
            if abs(row["axle_angle_rad"] - here["axle_angle_rad"]) >= limit:
                gained = (here["travel_mm"] - row["travel_mm"]) * (1.0 if phase == RETRACT else -1.0)
                return gained < IDLE_TRAVEL
        return False

    def _beyond(self, row: dict[str, float], began: int) -> bool:
        """Far more torque than the motor will ever have, or far more work than until it had too little."""
        motor, torque = self.model.case.motor, row["torque_Nmm"]
        if motor is None or torque > self.limit:
            return torque > self.limit
        rows = self.observer.log.rows[began:]
        over = next((each for each in rows if motor.overloaded(each["torque_Nmm"])), row)
        return torque > GIVE_UP * motor.axle_stall_torque or row["iterations"] > LABOUR * over["iterations"]


GIVE_UP, LABOUR, SAVE_EVERY = 5.0, 3.0, 2.0
