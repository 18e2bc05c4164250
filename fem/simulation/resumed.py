"""A run by the axle that was kept, taken up where it stood: its model made anew, what was kept put back."""

from __future__ import annotations

from fem.simulation.assembly import begun
from fem.simulation.kept_run import ProgramState, check_saved, harden_as, log_from, put_back
from fem.simulation.recorder import Log, Recorder
from fem.simulation.retract_deploy import WindingProgram
from fem.simulation.stepper import Stepper
from fem.simulation.strip_model import StripModel
from fem.simulation.winding_state import TravelSearch


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
