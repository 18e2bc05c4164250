"""The shell wound in and pushed out as a case asks, judged like the rod."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import cast

from fem.case.definition import Case
from fem.core.checkpoint import NOWHERE, Keeper
from fem.design.loading import Retract
from fem.jit.allocator import keep_memory
from fem.results.result import Result
from fem.rod.fields import FieldState
from fem.rod.self_contact import WrapContact
from fem.rod.wall_contact import WallContact
from fem.shell.model import ShellFields, ShellModel, build_shell_model
from fem.shell.symmetry import Guard, SymmetryLostError
from fem.simulation.failure import facts
from fem.simulation.jam_modes import Facts
from fem.simulation.judge import Finished, winding_result
from fem.simulation.recorder import Log
from fem.simulation.retract_deploy import Cycle
from fem.simulation.round_trip import ended_beyond, go_through
from fem.simulation.shell_cycle import shell_cycle
from fem.simulation.shell_picture import look, picture, shell_numbers

SKEW = 0.002
"""Share by which one side of a whole strip is made stiffer, the other less stiff, to start a twist."""
Progress = Callable[[float, str], None]


def run_shell_winding(
    case: Case,
    tell: Progress,
    began: float,
    provenance: Mapping[str, object],
    keeper: Keeper = NOWHERE,
    refine: float = 1.0,
) -> Result:
    """Run a wind-in and push-out with the shell, or go on with the one the keeper has; `refine` > 1 divides
    element sizes and contact spacings.

    Half the width is run where layers and section are symmetric. Where the whole would leave the symmetric
    shape, it is run again with the whole width, one side a little stiffer so that it finds its way; unless
    the motor had too little torque before: then pushing on ends there, for the verdict stands and the whole
    width from the start would cost several times what has been done.
    """
    keep_memory()
    deploy = not isinstance(case.push, Retract)
    kept = keeper.found()
    if kept is None:
        tell(0.0, "putting the strip in place")
        model = build_shell_model(case, refine)
        model.watch = Guard() if model.body.half else None
        kept = shell_cycle(model)
    else:
        model = cast("ShellModel", kept.model)
    try:
        outcome, log, cycle = go_through(kept, case.travel, deploy, tell, keeper)
    except SymmetryLostError as lost:
        ended = ended_beyond(cast("Cycle", kept), lost.doubtful - 1)  # the last step has no row yet
        if ended is None:
            tell(0.0, f"{lost}; again with the whole width")
            model = build_shell_model(case, refine, whole=True, skew=SKEW)
            model.lost = str(lost)
            ended = go_through(shell_cycle(model), case.travel, deploy, tell, keeper)
        model.lost = str(lost)
        outcome, log, cycle = ended
    width = _width(model)
    warnings = (*model.warnings, *((f"computed with {width}",) if model.lost else ()))
    done = Finished(
        "shell",
        case,
        outcome,
        log,
        cycle,
        warnings,
        lambda at: _seen(model, log, at),
        lambda at, label: picture(model, log, at, label),
        shell_numbers(model, log),
    )
    told = {**provenance, "shell": f"{width}, {model.body.shell.size} unknowns"}
    return winding_result(done, tell, began, told)


def _width(model: ShellModel) -> str:
    """Which width was computed, and why."""
    if model.lost and not model.body.half:
        return f"the whole width, one side {100 * SKEW:g} % stiffer: {model.lost}"
    if model.lost:
        return f"half the width, mirrored; pushing on beyond the motor's torque ended early: {model.lost}"
    if model.body.half:
        return (
            f"half the width, mirrored ({model.watch.told()})"
            if isinstance(model.watch, Guard)
            else "half the width, mirrored"
        )
    return "the whole width"


def _seen(model: ShellModel, log: Log, at: int) -> Facts:
    """Facts of a logged row."""
    u = log.states[at]
    look(model, u)
    state = cast("FieldState", ShellFields(model.body).state(u))
    walls, wraps = cast("WallContact", model.walls), cast("WrapContact | None", model.wraps)
    return facts(model.case, state, walls, wraps, u, log.rows[at]["slot_station_mm"])
