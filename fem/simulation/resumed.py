"""A run by the axle taken up: one that was kept, where it stood, its model made anew and what was kept put
back; or one under way, at a state it went through.
"""

from __future__ import annotations

from dataclasses import replace

from fem.simulation.assembly import begun
from fem.simulation.kept_run import ProgramState, check_saved, harden_as, log_from, put_back
from fem.simulation.recorder import RETRACT, Log, Recorder
from fem.simulation.retract_deploy import WindingProgram
from fem.simulation.stepper import Stepper
from fem.simulation.strip_model import StripModel
from fem.simulation.winding_state import Restart, TravelSearch


def program_from(model: StripModel, state: ProgramState, stepper: Stepper | None = None) -> WindingProgram:
    """The program that was kept, of its model made anew; stepper: that of the program under way, where it is
    the same. Raises ValueError for a state that is none of this model.
    """
    if stepper is None:
        if state.stepper is None:
            raise ValueError("a program that stands nowhere")
        harden_as(model, state.model)
        clamp = model.clamp()
        model.motion.prescribe(clamp.indices(), only=True)
        stepper = begun(model, clamp, clamp.place(model.start, 0.0))
        for saved in (*(saved for _, saved in state.wound), *(one.state for one in state.restarts)):
            check_saved(stepper, saved)
            stepper.restore(saved)
        put_back(stepper, state.stepper)
    recorder = Recorder(model, Log(), state.phase, state.time, state.zero)
    names = tuple(recorder.write(stepper, 0.0))
    recorder.log, recorder.time = log_from(state.log, model, names), state.time
    search = None
    if state.search is not None:
        kept = log_from(state.search.log, model, names)
        search = TravelSearch(state.search.jam, kept, state.search.low, state.search.high, state.search.trial)
        if not -1 <= search.low <= search.high <= len(state.wound):
            raise ValueError("a search among other states")
    return WindingProgram(
        model, stepper, recorder, state.steps, lambda share, text: None, list(state.wound), state.limit,
        under_way=state.under_way, ended=dict(state.ended), search=search, hardest_in=state.hardest_in,
        rested=state.rested, restarts=list(state.restarts), patience=state.patience,
    )  # fmt: skip


def taken_up(program: WindingProgram, restart: Restart, finer: float = 1.0) -> WindingProgram:
    """A program that goes no farther, taken up at a state that it kept, with steps of a share of its own. It
    has a log of its own; model and stepper are those of the one that stopped, which is over.
    """
    stepper, log, phase = program.stepper, program.recorder.log, restart.under_way.phase
    steps = replace(
        program.steps, first=finer * program.steps.first, largest=finer * program.steps.largest,
        smallest=finer * program.steps.smallest,
    )  # fmt: skip
    stepper.restore(restart.state)
    stepper.began, stepper.next_step, stepper.trouble = restart.began, steps.first, ""
    kept = Log(log.rows[: restart.rows], log.states[: restart.rows], log.contacts[: restart.rows])
    return replace(
        program, recorder=replace(program.recorder, log=kept, phase=phase, time=restart.time), steps=steps,
        wound=program.wound[: restart.wound], ended={} if phase == RETRACT else {RETRACT: ""},
        under_way=replace(restart.under_way, last_angle=restart.state.control), restarts=[restart],
    )  # fmt: skip
