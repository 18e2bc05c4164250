"""Winding again with other numerical settings, where the computation stopped and the strip did not.

Finer steps are tried first, from a state some way before the trouble; then a finer mesh, then more points
that can touch, both from the start. The first attempt that comes to a verdict on the strip is the run; where
none does, it is the one with the settings of the case. All of it hangs on the program that is under way, so
that a run which is kept and found again goes on with the attempt it was at.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from fem.case.definition import Case
from fem.design.settings import Settings
from fem.results.outcome import Status
from fem.results.result import Attempt
from fem.results.snapshot import PHASES
from fem.simulation.half_width import wind_guarded
from fem.simulation.kept_run import (
    EarlierState,
    ModelState,
    ProgramState,
    harden_as,
    log_from,
    log_state,
    model_state,
)
from fem.simulation.models import model_as, winding_model
from fem.simulation.resumed import program_from, taken_up
from fem.simulation.retract_deploy import Ended, WindingProgram, winding_program
from fem.simulation.run_context import RunContext
from fem.simulation.strip_model import StripModel
from fem.simulation.verdict import WindingRun, status
from fem.simulation.winding_state import Patience

ANEW = (math.nan, "")
FINER_STEP, FINER_MESH, MORE_POINTS = 0.5, 0.7, 0.5
TIME_RAN_OUT = "the time ran out"
PATIENCE = 4.0
"""An attempt may take so many times the iterations of the first to come to where that one stopped."""


@dataclass(frozen=True)
class Change:
    """One way to compute more finely: the settings from those of the case; goes_on: whether the state of a
    run with other settings serves as its start.
    """

    of: Callable[[Settings], Settings]
    goes_on: bool


CHANGES = (
    Change(lambda used: replace(used, turn=FINER_STEP * used.turn), goes_on=True),
    Change(
        lambda used: replace(
            used, element=FINER_MESH * used.element, element_fine=FINER_MESH * used.element_fine
        ),
        goes_on=False,
    ),
    Change(lambda used: replace(used, contact_spacing=MORE_POINTS * used.contact_spacing), goes_on=False),
)
"""In the order in which they are tried: the cheapest first."""


@dataclass(frozen=True)
class Tried:
    """A run to its end: the model, how it ended, all attempts ((): one was enough), and the settings of the
    one that is told.
    """

    model: StripModel
    ended: Ended
    attempts: tuple[Attempt, ...]
    settings: Settings


@dataclass(frozen=True)
class Earlier:
    """What the attempts before the one under way left: the first of them to its end, what is told of each,
    and where the one under way began, as an `Attempt` tells it.
    """

    first: Tried
    attempts: tuple[Attempt, ...]
    start: tuple[float, str]

    @property
    def ways(self) -> tuple[Change, ...]:
        """What there is to try; steps do not matter to a strip that could not be put in place."""
        return tuple(change for change in CHANGES if self.first.ended[2] is not None or not change.goes_on)

    def kept(self, under_way: WindingProgram) -> EarlierState:
        """The same as plain data; a first attempt whose stepper goes on in the program under way shares
        it.
        """
        outcome, log, program = self.first.ended
        shared = program is not None and program.stepper is under_way.stepper
        return EarlierState(
            None if program is None else program.kept(not shared), model_state(self.first.model),
            log_state(log), replace(outcome, wound=()), self.attempts, self.start,
        )  # fmt: skip

    @property
    def change(self) -> Change:
        """What the attempt under way changes."""
        return self.ways[len(self.attempts) - 1]


def wind_tried(case: Case, model: StripModel, started: WindingProgram | str, run: RunContext) -> Tried:
    """Retract and deploy as a case asks, from where the program stands (a text: why it could not be started),
    with finer settings where it takes them.
    """
    known = started.earlier if isinstance(started, WindingProgram) else None
    earlier = known if isinstance(known, Earlier) else None  # nobody else leaves any
    while True:
        settings = case.settings if earlier is None else earlier.change.of(case.settings)
        words = differences(case.settings, settings)
        model, ended = wind_guarded(model, started, told(run, words))
        trouble = TIME_RAN_OUT if ended[0].unfinished and earlier else numerical_trouble(case, ended)
        if earlier is None and not trouble:
            return Tried(model, ended, (), settings)
        rows = ended[1].rows
        travel = rows[-1]["travel_mm"] if rows else 0.0
        if earlier is None:
            first = Tried(model, ended, (), settings)
            earlier = Earlier(first, (Attempt(words, *ANEW, travel, trouble),), ANEW)
        else:
            made = (*earlier.attempts, Attempt(words, *earlier.start, travel, trouble))
            if not trouble:
                return Tried(model, ended, made, settings)
            earlier = replace(earlier, attempts=made)
        if len(earlier.attempts) > len(earlier.ways):
            return replace(earlier.first, attempts=earlier.attempts)
        if ended[0].unfinished:
            return Tried(model, ended, earlier.attempts, settings)
        model, started, earlier = _next_attempt(case, earlier, run)


def gone_on_with(case: Case, kind: str, state: ProgramState) -> WindingProgram:
    """The program of a case that was kept, with what the attempts before it left. Raises ValueError for a
    state that is none of this case.
    """
    program = program_from(_model(case, kind, state.model), state)
    kept = state.earlier
    if kept is not None:
        model, first = program.model, None
        if kept.program is not None and kept.program.stepper is None:
            first = program_from(model, kept.program, program.stepper)
        else:
            model = _model(case, kind, kept.model)
            harden_as(model, kept.model)
            first = None if kept.program is None else program_from(model, kept.program)
        names = tuple(program.recorder.log.rows[0]) if program.recorder.log.rows else ()
        outcome = replace(kept.outcome, wound=() if first is None else tuple(first.wound))
        ended = outcome, log_from(kept.log, model, names), first
        program.earlier = Earlier(Tried(model, ended, (), case.settings), kept.attempts, kept.start)
        if not 0 < len(kept.attempts) <= len(program.earlier.ways):
            raise ValueError("attempts of another program")
    return program


def _model(case: Case, kind: str, state: ModelState) -> StripModel:
    """The model that a state is of, with the settings of the case or of one of the attempts."""
    if state.settings not in (case.settings, *(change.of(case.settings) for change in CHANGES)):
        raise ValueError("numerical settings of another case")
    return model_as(case, kind, state)


def numerical_trouble(case: Case, ended: Ended) -> str:
    """Why not the strip but the computation stopped; "" where a run came to a verdict on the strip."""
    outcome, log, _ = ended
    if not outcome.trouble:
        return ""
    word = status(WindingRun(case, log, outcome), None)
    return outcome.trouble if word == Status.NOT_CONVERGED else ""


def differences(used: Settings, other: Settings) -> str:
    """What differs between settings, as a case file says it."""
    changed = []
    for key, value in vars(other).items():
        if value != getattr(used, key):
            shown = math.degrees(value) if key == "turn" else value
            changed.append(f"solver.{key} = {shown:.4g}")
    return ", ".join(changed)


def told(run: RunContext, words: str) -> RunContext:
    """The same, with progress that says which settings an attempt has."""
    if not words:
        return run
    return replace(run, progress=lambda share, text: run.progress(share, f"{text} (again, with {words})"))


def _next_attempt(
    case: Case, earlier: Earlier, run: RunContext
) -> tuple[StripModel, WindingProgram | str, Earlier]:
    """The next way to compute a case after an attempt got stuck, ready to go."""
    settings = earlier.change.of(case.settings)
    model, (_, _, stuck) = earlier.first.model, earlier.first.ended
    run.progress(0.0, f"the computation stopped; trying {differences(case.settings, settings)}")
    if earlier.change.goes_on and stuck is not None and stuck.restarts:
        back = stuck.restarts[0]
        started: WindingProgram | str = taken_up(stuck, back, settings.turn / case.settings.turn)
        start = back.travel, PHASES[int(back.under_way.phase)]
    else:
        model, start = winding_model(replace(case, settings=settings), model.kind), ANEW
        started = winding_program(model)
    earlier = replace(earlier, start=start)
    if isinstance(started, WindingProgram):
        started.earlier = earlier
        if stuck is not None:
            last = stuck.recorder.log.rows[-1]
            allowed = PATIENCE * stuck.stepper.iterations
            started.patience = Patience(allowed, last["phase"], last["axle_angle_rad"])
    return model, started, earlier
