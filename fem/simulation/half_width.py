"""Winding with half the width of a shell for as long as half of it is enough.

Where layers and section are symmetric, half the width stands for the whole. Where the whole would leave the
symmetric shape, it is run again with the whole width, one side a little stiffer so that it finds its way;
unless the motor had too little torque before: then pushing on ends there, for the verdict stands and the
whole width from the start would cost several times what has been done.
"""

from __future__ import annotations

from dataclasses import replace

from fem.case.definition import Case
from fem.design.loading import Retract, Winding
from fem.shell.model import SKEW, ShellModel, build_shell_model
from fem.shell.symmetry import SymmetryLostError
from fem.simulation.retract_deploy import Ended, WindingProgram, ended_beyond_motor, wind, winding_program
from fem.simulation.run_context import RunContext
from fem.simulation.strip_model import StripModel


def wind_guarded(
    model: StripModel, program: WindingProgram | str, run: RunContext
) -> tuple[StripModel, Ended]:
    """Retract and deploy as the model's case asks, from where the program stands (a text: why it could not be
    started); the model that went to the end, and how it did. Nothing but `wind` happens to a model that
    stands for the whole strip.
    """
    case = model.case
    deploy = not isinstance(case.push, Retract)
    if isinstance(program, WindingProgram):
        program.beyond = run.extent.beyond
    try:
        return model, wind(program, wanted_travel(program, case), deploy, run.progress, run.keeper)
    except SymmetryLostError as lost:
        assert isinstance(model, ShellModel) and isinstance(program, WindingProgram)  # nothing else raises it
        ended = ended_beyond_motor(program, lost.doubtful - 1)  # the last step has no row yet
        if ended is not None:
            return replace(model, lost=str(lost)), ended
        run.progress(0.0, f"{lost}; again with the whole width")
        whole = replace(build_shell_model(case, whole=True, skew=SKEW), lost=str(lost))
        started = winding_program(whole)
        if isinstance(started, WindingProgram):
            started.patience, started.earlier = program.patience, program.earlier
            started.beyond = run.extent.beyond
        return whole, wind(started, wanted_travel(started, case), deploy, run.progress, run.keeper)


def wanted_travel(program: WindingProgram | str, case: Case) -> float:
    """Strip to draw in [mm], so that as much is left out as the case asks: to a slot off the axle's line
    there is more of it inside from the start.
    """
    if isinstance(program, str) or not isinstance(case.push, Winding):
        return case.travel
    detour = max(0.0, program.recorder.zero - case.casing.radius)
    return case.push.wound_travel(case.free_length - detour)
