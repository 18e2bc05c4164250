"""Winding in and pushing out: the program of a push by the axle.

The axle turns (retract) until enough strip has come in through the slot, and turns back (deploy) until the
strip is out again, or until it plainly will not come: no travel over a whole turn of pushing, a strip folded
up, or torque that no motor of this strip will have. Between the two the axle rests, and so does the strip:
what it still moves then counts.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import Protocol

from fem.contact.sides import ITSELF
from fem.core.checkpoint import NOWHERE, Keeper, OutOfTime
from fem.design.motor import OverloadStart
from fem.simulation.assembly import assemble
from fem.simulation.energy_guard import unsound
from fem.simulation.journal import Journal
from fem.simulation.kept_run import (
    EarlierState,
    ProgramState,
    RunState,
    SearchState,
    log_state,
    model_state,
    stepper_state,
)
from fem.simulation.recorder import DEPLOY, RETRACT, Log, Recorder, sense
from fem.simulation.run_context import Progress
from fem.simulation.stepper import SavedState, Stepper
from fem.simulation.steps import StepSize
from fem.simulation.strip_model import StripModel
from fem.simulation.winding_state import Patience, PhaseUnderWay, Restart, TravelSearch, WindingOutcome
from fem.solvers.implicit_dynamics import QUASISTATIC

ARRIVED = 0.5  # mm of travel left that count as fully out
IDLE_TURN = math.pi
"""Turning [rad] without travel, beyond what the coil's slack can take up, after which a push has stopped."""
IDLE_TRAVEL = 0.5
REST_TIME, GATHER = 5.0, 0.2
"""The axle stands for a while [s] before it turns the other way, and gathers speed over some turning [rad]: a
jump of its speed would make the artificial mass push back.
"""
FOLDED_STRAIN = 1.0
"""Half thickness times curvature at which a strip has folded up: its inner face has no length left (a sheet
bent about half its own thickness; geometry, no source). No strip springs back from there and the model ends
there: it is an event of the strip, whatever its steps.
"""
SHORTEST_REST = 0.005  # s of a step in which the strip moves on while the axle rests
ABSURD_STRAIN = 3.0
ABSURD = f"the strain went beyond {ABSURD_STRAIN:g} without a fold, where the model means nothing"
GIVE_UP, MOST_WORK = 5.0, 3.0
"""A push ends beyond so many times the motor's torque, or so many times the iterations until it was
overloaded.
"""
HOPELESS = 20.0
"""Winding in ends beyond so many times the motor's torque, a push without a motor beyond so many times the
hardest torque of winding in. A motor is chosen for what winds in, with a margin of two or three (common
practice, no source); and where friction multiplies the push by exp(mu angle) = 20, around a coil that lies on
its casing, it multiplies every error as well.
"""
LABORIOUS = "it takes many times the iterations of the first attempt and gets no farther"
SAVE_EVERY = 2.0
"""Travel [mm] between two saved states on the way in."""
NEAR, FINE = 1.0, 0.1
"""The last mm of the wanted travel are wound in steps of at most so many mm."""
KNOWN_ENDS = (None, "", "swallowed", "idle", "folded", "beyond")
"""How a phase ends but by the trouble of a step; None: it has not ended."""
RESTART_TURN, RESTARTS = 1.0, 3
"""Turning [rad] between two states from which a run can be taken up with other steps; how many are kept."""


def slack(model: StripModel, inside: float) -> float:
    """Turning [rad] that loosens a coil of `inside` mm from tight on the axle to lying on the casing.

    A wound length l at mean radius r takes l / r; both radii from the area the strip fills.
    """
    axle, casing = model.case.axle.radius, model.case.casing.radius
    area = inside * model.case.strip.thickness / math.pi
    tight = 0.5 * (axle + math.sqrt(axle**2 + area))
    loose = 0.5 * (casing + math.sqrt(max(casing**2 - area, axle**2)))
    return max(0.0, inside * (1 / tight - 1 / loose))


def resting(stepper: Stepper) -> Iterator[float]:
    """Let the strip come to rest while the axle stands: the time [s] of each step it makes of it, REST_TIME
    in all; less where it moves too fast for steps of SHORTEST_REST.
    """
    left = piece = REST_TIME
    while left > 1e-9 and piece > SHORTEST_REST:
        piece, accepted = min(piece, left), stepper.accepted
        stepper.settle(piece)
        if stepper.accepted == accepted:  # a tail that snaps in does too much for one step
            piece *= 0.25
            continue
        left -= piece
        yield piece
        piece *= 2.0


class Attempts(Protocol):
    """What the attempts before a program left, for whoever made them."""

    def kept(self, under_way: WindingProgram) -> EarlierState:
        """The same as plain data; under_way: the program that is kept with it."""
        ...


@dataclass
class WindingProgram:
    """One strip, one axle: retract and deploy with a log.

    wound: states saved on the way in, by travel; limit [N mm]: torque beyond which pushing out ends; keeper:
    where the whole program is kept as it goes; under_way: the phase it is in; ended: how each phase ended
    that has; search: for the safe travel, once it has begun; hardest_in [N mm]: largest torque of winding in;
    rested: number of steps made when the strip had come to rest between in and out; restarts: the latest
    states to take the run up from; patience: of an attempt after another one stopped; earlier: what the
    attempts before this one left, for whoever made them; beyond: times the motor's torque at which either
    phase ends, if that comes before its own bound.
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
    hardest_in: float = 0.0
    rested: int = -1
    restarts: list[Restart] = field(default_factory=list)
    patience: Patience | None = None
    earlier: Attempts | None = None
    beyond: float = math.inf

    def kept(self, with_stepper: bool = True) -> ProgramState:
        """All of it as plain data."""
        recorder, search = self.recorder, self.search
        searching = None
        if search is not None:
            searching = SearchState(search.jam, log_state(search.log), search.low, search.high, search.trial)
        return ProgramState(
            model_state(self.model), stepper_state(self.stepper) if with_stepper else None,
            log_state(recorder.log), recorder.phase, recorder.time, recorder.zero, self.steps,
            tuple(self.wound), self.limit, self.under_way, dict(self.ended), searching, self.hardest_in,
            self.rested, tuple(self.restarts), self.patience,
            None if self.earlier is None else self.earlier.kept(self),
        )  # fmt: skip

    def run_state(self) -> RunState:
        """What is kept of a run while it is under way."""
        return RunState(program=self.kept())

    def once(self, phase: float, go: Callable[[], str]) -> str:
        """How a phase ended; a program that was kept and found again does not do it twice."""
        if phase not in self.ended:
            self.ended[phase] = go()
            self.keeper.offer(self.run_state)
        return self.ended[phase]

    def retract(self, depth: float) -> str:
        """Wind in until `depth` mm have come in, and let the strip come to rest: "", "swallowed", "idle",
        "folded", "beyond" (far more torque than the motor has) or the trouble of a step.
        """
        limit = 4 * math.pi + 2 * depth / self.model.root_radius
        ended = self._turn_axle(RETRACT, depth, limit)
        rows = (row["torque_Nmm"] for row in self.recorder.log.rows if row["phase"] == RETRACT)
        self.hardest_in = max(rows, default=0.0)
        return ended or self._come_to_rest()

    def deploy(self, limit: float = math.inf) -> str:
        """Push out until fully out: "", "idle", "folded", "beyond" (more torque than `limit` [N mm], or than
        any motor will have) or the trouble of a step.
        """
        self.limit = limit
        return self._turn_axle(DEPLOY, 0.0, -0.5 * math.pi)

    def _come_to_rest(self) -> str:
        """The axle rests between in and out; rows for what the strip does meanwhile, so that travel is read
        where the strip is at rest: "", "swallowed" or why such a row means nothing.
        """
        log, ended = self.recorder.log, ""
        for time in resting(self.stepper):
            self.model.inspect(self.stepper.u, self.stepper.accepted, self.stepper.control)
            self.recorder.write(self.stepper, time)
            ended = self._unsound()
            if ended:
                log.cut(len(log.rows) - 1)
                break
        self.rested = self.stepper.accepted
        return ended or ("swallowed" if self._out_of_hold(log.rows[-1]) else "")

    def _settle(self) -> None:
        """Let the strip move on in one step while the axle stands, if it can."""
        stepper, accepted = self.stepper, self.stepper.accepted
        stepper.settle(REST_TIME)
        if stepper.accepted > accepted:
            self.model.inspect(stepper.u, stepper.accepted, stepper.control)

    def _turn_axle(self, phase: float, goal: float, limit: float) -> str:
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
            self._remember(here, now)
            self._tell(row, goal, here.start_travel)
            end = self._end_of(row, here, goal)
            if not end:
                self.keeper.offer(self.run_state)
            return bool(end)

        if not resumed and stepper.accepted != self.rested:
            self._settle()
        # in search of a safe travel a push ends before the motor is overloaded
        motor = self.model.case.motor if self.limit == math.inf else None
        cut = OverloadStart(motor, sense(phase)) if motor else None
        while True:
            end = ""
            largest = min(here.largest, self.steps.largest)
            size = replace(self.steps, largest=largest, first=min(self.steps.first, largest), gather=GATHER)
            finished = stepper.advance(limit, size, watch, resumed, cut)
            if end != "near":
                break
            here.largest, resumed = FINE / self.model.case.casing.radius, True
            stepper.next_step = min(stepper.next_step, here.largest)
            self.keeper.offer(self.run_state)
        self.under_way = None
        if not finished:
            # a loop that closes within the half turn of the axle in which the strip does not feel itself
            return "folded" if f"through {ITSELF}" in stepper.trouble else stepper.trouble
        return {"arrived": "", "": "idle"}.get(end, end)

    def _remember(self, here: PhaseUnderWay, now: Stepper) -> None:
        """Keep the present state as one to take the run up from, if the last such is far enough behind."""
        if self.search is not None:
            return
        last = self.restarts[-1] if self.restarts else None
        if (
            last is None
            or last.under_way.phase != here.phase
            or abs(now.control - last.state.control) > RESTART_TURN
        ):
            rows, time = self.recorder.log.rows, self.recorder.time
            travel, wound = rows[-1]["travel_mm"], len(self.wound)
            kept = Restart(replace(here), travel, len(rows), wound, now.began, time, now.save())
            self.restarts = [*self.restarts[1 - RESTARTS :], kept]

    def _inside(self, row: dict[str, float]) -> bool:
        """Whether the whole strip is inside the casing."""
        return row["slot_station_mm"] >= self.model.length - 1e-9

    def _out_of_hold(self, row: dict[str, float]) -> bool:
        """Whether the slot holds less of the tip than the strip is thick: its lips are round, and a strip
        that snaps in is not at rest there.
        """
        return row["slot_station_mm"] >= self.model.length - self.model.case.strip.thickness

    def _tell(self, row: dict[str, float], goal: float, start: float) -> None:
        """Report progress from a row."""
        share = abs(row["travel_mm"] - start) / max(1e-9, abs(goal - start))
        what = "winding in" if row["phase"] == RETRACT else "pushing out"
        text = f"{what}: {row['travel_mm']:.0f} mm in, {row['torque_Nmm']:.0f} N mm"
        self.progress(min(1.0, share), text)

    def _end_of(self, row: dict[str, float], here: PhaseUnderWay, goal: float) -> str:
        """How the phase ends with this row; "" if it goes on, "near" if it goes on in shorter steps."""
        retracting, travel = here.phase == RETRACT, row["travel_mm"]
        if 0.5 * self.model.case.strip.thickness * row["curvature_peak_per_mm"] > FOLDED_STRAIN:
            return "folded"
        if row["strain_peak"] > ABSURD_STRAIN:
            return ABSURD
        if travel >= goal if retracting else travel <= ARRIVED:
            return "arrived"
        if self._inside(row):
            return "swallowed"
        if self._idle(here.first_row, here.phase):
            return "idle"
        if self.patience is not None and self.patience.exhausted(row):
            return LABORIOUS
        if self._beyond(row, here):
            return "beyond"
        if retracting:
            step = self.model.case.casing.radius * self.steps.largest
            return "near" if math.isinf(here.largest) and goal - travel < max(NEAR, 2.0 * step) else ""
        return ""

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

    def _beyond(self, row: dict[str, float], here: PhaseUnderWay) -> bool:
        """Far more torque than the motor will ever have (without one, than winding in took), or pushing out
        far more work than until it had too little.
        """
        motor, torque, retracting = self.model.case.motor, row["torque_Nmm"], here.phase == RETRACT
        known = self.hardest_in if motor is None else motor.axle_stall_torque
        times = HOPELESS if motor is None else min(HOPELESS if retracting else GIVE_UP, self.beyond)
        if torque > self.limit or 0.0 < times * known < torque:
            return True
        if motor is None or retracting:
            return False
        rows = self.recorder.log.rows[here.first_row :]
        over = next((each for each in rows if motor.overloaded(each["torque_Nmm"])), row)
        return row["iterations"] > MOST_WORK * over["iterations"]


Ended = tuple[WindingOutcome, Log, WindingProgram | None]
"""How a run ended, its log, and the program if it could be started."""


def winding_program(model: StripModel, journal: Journal | None = None) -> WindingProgram | str:
    """The strip in place and at rest, travel counted from here, with its first row; or why it could not be
    put in place. journal: keeps the way there.
    """
    stepper = assemble(model, model.clamp(), journal)
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
    """Retract to `depth` mm of travel and (if `deploy`) push out again, from where the program stands, or
    until the time runs out; a text says why it could not even start.
    """
    if isinstance(program, str):
        return WindingOutcome(False, False, False, False, program, ()), Log(), None
    program.progress, program.keeper = progress, keeper
    with contextlib.suppress(OutOfTime):
        if program.once(RETRACT, lambda: program.retract(depth)) == "" and deploy:
            program.once(DEPLOY, program.deploy)
    retracted = program.ended.get(RETRACT) == ""
    ended = program.ended.get(DEPLOY if retracted and deploy else RETRACT)
    outcome = WindingOutcome(
        retracted, retracted and deploy and ended == "", ended == "swallowed", ended == "idle",
        "" if ended in KNOWN_ENDS else str(ended), tuple(program.wound), ended == "folded",
        ended == "beyond" and program.model.case.motor is None, ended is None,
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
