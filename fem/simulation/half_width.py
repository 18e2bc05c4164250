"""Winding with half the width of a shell for as long as half of it is enough.

Where layers and section are symmetric, half the width stands for the whole. Where the whole would leave the
symmetric shape, it goes on with the whole width from the last state kept before that, mirrored, one side a
little stiffer so that it finds its way; unless the motor had too little torque before: then pushing on ends
there, for the verdict stands and the whole width costs two to three times the half.
"""

from __future__ import annotations

from dataclasses import replace

from fem.case.definition import Case
from fem.design.loading import Retract, Winding
from fem.results.snapshot import PHASE_WORDS, PHASES
from fem.shell.mirror import WholeContact, whole_forces, whole_unknowns
from fem.shell.model import SKEW, ShellModel, build_shell_model
from fem.shell.symmetry import SymmetryLostError
from fem.simulation.kept_contact import StateRecord
from fem.simulation.kept_run import LogState, ProgramState
from fem.simulation.resumed import program_from, taken_up
from fem.simulation.retract_deploy import Ended, WindingProgram, ended_beyond_motor, wind, winding_program
from fem.simulation.run_context import RunContext
from fem.simulation.stepper import SavedState
from fem.simulation.strip_model import StripModel
from fem.simulation.winding_state import Restart


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
        whole, started = with_whole_width(model, program, lost)
        run.progress(0.0, whole.lost)
        return whole, wind(started, wanted_travel(started, case), deploy, run.progress, run.keeper)


def with_whole_width(
    half: ShellModel, program: WindingProgram, lost: SymmetryLostError
) -> tuple[ShellModel, WindingProgram | str]:
    """The model of the whole width of a half that is lost, and the program on it: from the last state kept
    before the doubtful steps, anew where there is none.
    """
    whole = build_shell_model(half.case, whole=True, skew=SKEW)
    sure = len(program.recorder.log.rows) - (lost.doubtful - 1)
    back = next((each for each in reversed(program.restarts) if each.rows <= sure), None)
    started: WindingProgram | str
    if back is None:
        whole = replace(whole, lost=f"{lost}; from the start")
        started = winding_program(whole)
    else:
        way = PHASE_WORDS[PHASES[int(back.under_way.phase)]]
        where = f"from {back.travel:.1f} mm of travel ({way}) on"
        whole = replace(whole, lost=f"{lost}; {where}, before it half of it, mirrored")
        started = program_from(whole, mirrored(taken_up(program, back).kept(), half, whole))
    if isinstance(started, WindingProgram):
        started.patience, started.earlier = program.patience, program.earlier
        started.beyond = program.beyond
    return whole, started


def mirrored(state: ProgramState, half: ShellModel, whole: ShellModel) -> ProgramState:
    """The state of a program on half the width as one on the whole of it; no attempts before it."""
    grid = half.body.shell.grid
    wraps = None if half.wraps is None or whole.wraps is None else (half.wraps, whole.wraps)
    contact = WholeContact(grid, (half.walls, whole.walls), wraps)

    def saved(one: SavedState) -> SavedState:
        u, v, before = (whole_unknowns(each, grid) for each in (one.u, one.v, one.before))
        inertia, force = (whole_forces(each, grid) for each in (one.inertia, one.stored.force))
        return replace(
            one, u=u, v=v, before=before, inertia=inertia, stored=replace(one.stored, force=force),
            histories=contact.histories(one.histories),
        )  # fmt: skip

    def log(one: LogState) -> LogState:
        records = tuple(StateRecord(*contact.records(*each)) for each in one.contacts)
        return replace(one, states=tuple(whole_unknowns(u, grid) for u in one.states), contacts=records)

    def restart(one: Restart) -> Restart:
        return replace(one, state=saved(one.state))

    assert state.stepper is not None  # of a program under way
    return replace(
        state, stepper=replace(state.stepper, saved=saved(state.stepper.saved)), log=log(state.log),
        wound=tuple((travel, saved(one)) for travel, one in state.wound),
        restarts=tuple(restart(one) for one in state.restarts), search=None, earlier=None,
    )  # fmt: skip


def wanted_travel(program: WindingProgram | str, case: Case) -> float:
    """Strip to draw in [mm], so that as much is left out as the case asks: to a slot off the axle's line
    there is more of it inside from the start.
    """
    if isinstance(program, str) or not isinstance(case.push, Winding):
        return case.travel
    detour = max(0.0, program.recorder.zero - case.casing.radius)
    return case.push.wound_travel(case.free_length - detour)
