"""Winding in and pushing out: the program of a push by the axle.

The axle turns (retract) until enough strip has come in through the slot, and turns back (deploy) until the
strip is out again, or until it plainly will not come: no travel over a whole turn of pushing.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from fem.core.checkpoint import NOWHERE, Keeper
from fem.design.motor import OverloadStart
from fem.results.result import Jam
from fem.simulation.assembly import assemble
from fem.simulation.energy_guard import unsound
from fem.simulation.recorder import DEPLOY, RETRACT, Log, Recorder, sense
from fem.simulation.run_context import Progress
from fem.simulation.stepper import SavedState, Stepper, StepSize
from fem.simulation.strip_model import StripModel
from fem.solvers.implicit_dynamics import QUASISTATIC

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
GIVE_UP, MOST_WORK = 5.0, 3.0
"""A push ends beyond so many times the motor's torque, or so many times the iterations until it was
overloaded.
"""
SAVE_EVERY = 2.0
"""Travel [mm] between two saved states on the way in."""


def slack(model: StripModel, inside: float) -> float:
    """Turning [rad] that loosens a coil of `inside` mm from tight on the axle to lying on the casing.

    A wound length l at mean radius r takes l / r; both radii from the area the strip fills.
    """
    axle, casing = model.case.axle.radius, model.case.casing.radius
    area = inside * model.case.strip.thickness / math.pi
    tight = 0.5 * (axle + math.sqrt(axle**2 + area))
    loose = 0.5 * (casing + math.sqrt(max(casing**2 - area, axle**2)))
    return max(0.0, inside * (1 / tight - 1 / loose))


@dataclass(frozen=True)
class WindingOutcome:
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
class PhaseUnderWay:
    """A phase that is not over: its first row, travel there [mm], axle angle of the last row [rad]."""

    phase: float
    first_row: int
    start_travel: float
    last_angle: float


@dataclass
class TravelSearch:
    """Looking for the safe travel: the jam of the run and its log, the saved states between which it lies,
    and the one that is being pushed out from.
    """

    jam: Jam | None
    log: Log
    low: int
    high: int
    trial: int | None = None


@dataclass
class WindingProgram:
    """One strip, one axle: retract and deploy with a log.

    wound: states saved on the way in, by travel; limit [N mm]: torque beyond which pushing out ends; keeper:
    where the whole program is kept as it goes; under_way: the phase it is in; ended: how each phase ended
    that has; search: for the safe travel, once it has begun.
    """

    model: StripModel
    stepper: Stepper
    recorder: Recorder
    steps: StepSize
    progress: Progress
    wound: list[tuple[float, SavedState]] = field(default_factory=list)
    limit: float = math.inf
    keeper: Keeper = NOWHERE
    under_way: PhaseUnderWay | None = None
    ended: dict[float, str] = field(default_factory=dict)
    search: TravelSearch | None = None

    def __getstate__(self) -> dict[str, object]:
        """Everything but the ways out of the program."""
        return {**vars(self), "progress": None, "keeper": NOWHERE}

    def once(self, phase: float, go: Callable[[], str]) -> str:
        """How a phase ended; a program that was kept and found again does not do it twice."""
        if phase not in self.ended:
            self.ended[phase] = go()
            self.keeper.offer(self)
        return self.ended[phase]

    def retract(self, depth: float) -> str:
        """Wind in until `depth` mm have come in: "", "swallowed", "idle" or the trouble of a step."""
        limit = 4 * math.pi + 2 * depth / self.model.root_radius
        return self._turn_axle(RETRACT, depth, limit, lambda row: row["travel_mm"] >= depth)

    def deploy(self, limit: float = math.inf) -> str:
        """Push out until fully out: "", "idle", "beyond" (more torque than `limit` [N mm]) or the trouble of
        a step.
        """
        self.limit = limit
        return self._turn_axle(DEPLOY, 0.0, -0.5 * math.pi, lambda row: row["travel_mm"] <= ARRIVED)

    def _turn_axle(
        self, phase: float, goal: float, limit: float, arrived: Callable[[dict[str, float]], bool]
    ) -> str:
        log, stepper = self.recorder.log, self.stepper
        self.recorder.phase = phase
        resumed = self.under_way is not None and self.under_way.phase == phase
        if self.under_way is None or not resumed:
            start = log.rows[-1]["travel_mm"] if log.rows else 0.0
            self.under_way = PhaseUnderWay(phase, len(log.rows), start, stepper.control)
        here = self.under_way
        end = ""

        def watch(now: Stepper) -> bool:
            nonlocal end
            self.model.inspect(now.u, now.accepted, now.control)
            row = self.recorder.write(now, abs(now.control - here.last_angle) * self.steps.time)
            here.last_angle = now.control
            end = self._unsound()
            if end:  # a row that means nothing must not reach the verdict
                log.cut(len(log.rows) - 1)
                return True
            if phase == RETRACT and (not self.wound or row["travel_mm"] - self.wound[-1][0] > SAVE_EVERY):
                self.wound.append((row["travel_mm"], now.save()))
            self._tell(row, goal, here.start_travel)
            end = self._end_of(row, here, arrived)
            if not end:
                self.keeper.offer(self)
            return bool(end)

        if not resumed:
            accepted = stepper.accepted
            stepper.settle(REST_TIME)
            if stepper.accepted > accepted:
                self.model.inspect(stepper.u, stepper.accepted, stepper.control)
        # in search of a safe travel a push ends before the motor is overloaded
        motor = self.model.case.motor if self.limit == math.inf else None
        cut = OverloadStart(motor, sense(phase)) if motor else None
        finished = stepper.advance(limit, replace(self.steps, gather=GATHER), watch, resumed, cut)
        self.under_way = None
        if not finished:
            return stepper.trouble
        return {"arrived": "", "": "idle"}.get(end, end)

    def _tell(self, row: dict[str, float], goal: float, start: float) -> None:
        """Report progress from a row."""
        share = abs(row["travel_mm"] - start) / max(1e-9, abs(goal - start))
        what = "winding in" if row["phase"] == RETRACT else "pushing out"
        text = f"{what}: {row['travel_mm']:.0f} mm in, {row['torque_Nmm']:.0f} N mm"
        self.progress(min(1.0, share), text)

    def _end_of(
        self, row: dict[str, float], here: PhaseUnderWay, arrived: Callable[[dict[str, float]], bool]
    ) -> str:
        """How the phase ends with this row; "" if it goes on."""
        if row["strain_peak"] > ABSURD_STRAIN:
            return ABSURD
        if arrived(row):
            return "arrived"
        if row["slot_station_mm"] >= self.model.length - 1e-9:
            return "swallowed"
        if self._idle(here.first_row, here.phase):
            return "idle"
        return "beyond" if here.phase == DEPLOY and self._beyond(row, here.first_row) else ""

    def _unsound(self) -> str:
        """Why what follows is no motion of this strip: energy made at once, or bit by bit; "" if it is."""
        before, now = (*self.recorder.log.rows[-1:], *self.recorder.log.rows)[-2:]
        return unsound(before, now, self.stepper.ledger.gained, self.stepper.scale)

    def _idle(self, first_row: int, phase: float) -> bool:
        """No travel in the wanted direction over more turning than the coil's slack can take up."""
        rows, here = self.recorder.log.rows, self.recorder.log.rows[-1]
        limit = IDLE_TURN + (math.pi if phase == RETRACT else slack(self.model, here["slot_station_mm"]))
        for row in reversed(rows[first_row:]):
            if abs(row["axle_angle_rad"] - here["axle_angle_rad"]) >= limit:
                gained = (here["travel_mm"] - row["travel_mm"]) * (1.0 if phase == RETRACT else -1.0)
                return gained < IDLE_TRAVEL
        return False

    def _beyond(self, row: dict[str, float], first_row: int) -> bool:
        """Far more torque than the motor will ever have, or far more work than until it had too little."""
        motor, torque = self.model.case.motor, row["torque_Nmm"]
        if motor is None or torque > self.limit:
            return torque > self.limit
        rows = self.recorder.log.rows[first_row:]
        over = next((each for each in rows if motor.overloaded(each["torque_Nmm"])), row)
        return (
            torque > GIVE_UP * motor.axle_stall_torque or row["iterations"] > MOST_WORK * over["iterations"]
        )


Ended = tuple[WindingOutcome, Log, WindingProgram | None]
"""How a run ended, its log, and the program if it could be started."""


def winding_program(model: StripModel) -> WindingProgram | str:
    """The strip in place and at rest, travel counted from here, with its first row; or why it could not be
    put in place.
    """
    stepper = assemble(model, model.clamp())
    if isinstance(stepper, str):
        return stepper
    stepper.shares = QUASISTATIC
    recorder = Recorder(model, Log())
    recorder.zero = recorder.slot_station(stepper.u)
    turn = model.case.settings.turn
    steps = StepSize(0.2 * turn, turn, 1e-5 * turn)
    stepper.force = stepper.grip.force(stepper.u, stepper.motion.total(stepper.u, 1).gradient, 0.0)
    recorder.write(stepper, 0.0)
    return WindingProgram(model, stepper, recorder, steps, lambda share, text: None)


def wind(
    program: WindingProgram | str, depth: float, deploy: bool, progress: Progress, keeper: Keeper = NOWHERE
) -> Ended:
    """Retract to `depth` mm of travel and (if `deploy`) push out again, from where the program stands; a text
    says why it could not even start.
    """
    if isinstance(program, str):
        return WindingOutcome(False, False, False, False, program, ()), Log(), None
    program.progress, program.keeper = progress, keeper
    known: tuple[str, ...] = ("", "swallowed", "idle")
    ended = program.once(RETRACT, lambda: program.retract(depth))
    retracted = ended == ""
    if retracted and deploy:
        ended = program.once(DEPLOY, program.deploy)
        known = (*known, "beyond")
    outcome = WindingOutcome(
        retracted, retracted and deploy and ended == "", ended == "swallowed", ended == "idle",
        "" if ended in known else ended, tuple(program.wound),
    )  # fmt: skip
    return outcome, program.recorder.log if program.search is None else program.search.log, program


def ended_beyond_motor(program: WindingProgram, doubtful: int) -> Ended | None:
    """A program that goes no further, without its last `doubtful` rows, as one that was pushed on beyond its
    motor and given up; None where the motor sufficed so far, so that what comes next decides the verdict.
    """
    log, motor = program.recorder.log, program.model.case.motor
    sure = max(0, len(log.rows) - doubtful)
    if motor is None or not any(motor.overloaded(row["torque_Nmm"]) for row in log.rows[:sure]):
        return None
    log.cut(sure)
    retracted = program.ended.get(RETRACT) == ""
    return WindingOutcome(retracted, False, False, False, "", tuple(program.wound)), log, program
