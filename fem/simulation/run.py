"""From a case to its result: the one place that knows the order of a whole run, of either model."""

from __future__ import annotations

import math
from dataclasses import replace

from fem.case.definition import Case
from fem.core.atomic import MODELS
from fem.core.checkpoint import NOWHERE, Keeper, OutOfTime, Unkept
from fem.core.errors import InputError
from fem.design.loading import Column, Winding
from fem.results.outcome import Status
from fem.results.provenance import UNFINISHED, provenance
from fem.results.result import Quantity, Result
from fem.simulation.attempts import Tried, gone_on_with, wind_tried
from fem.simulation.bench import run_bench
from fem.simulation.forecast import refuse_too_large
from fem.simulation.journal import Journal
from fem.simulation.judge import Finished, winding_result
from fem.simulation.kept_run import RunState
from fem.simulation.models import winding_model
from fem.simulation.recorder import Log
from fem.simulation.retract_deploy import WindingProgram, winding_program
from fem.simulation.run_context import WHOLE, Extent, Progress, RunContext
from fem.simulation.strip_model import StripModel
from fem.simulation.winding_state import WindingOutcome


def run_case(
    case: Case,
    model: str = "rod",
    progress: Progress | None = None,
    keeper: Keeper | None = None,
    extent: Extent = WHOLE,
) -> Result:
    """Run one case with the named model and judge it.

    keeper: where the computation leaves its state as it goes, and finds one to go on from; extent: how much
    is computed beyond the verdict of winding in and pushing out. Raises InputError for a model that does not
    exist, CaseError for a strip that cannot lie in its place and for a case that would take too much memory,
    Stopped if the keeper asks to end. A case that cannot be computed to its end is a result too.
    """
    if model not in MODELS:
        raise InputError(f"no model named {model!r}; there are: {', '.join(MODELS)}")
    refuse_too_large(case, model)
    run = RunContext(provenance=provenance(case, model), keeper=keeper or NOWHERE, extent=extent)
    run = run if progress is None else replace(run, progress=progress)
    run.progress(0.0, "compiling and meshing (the first run on a machine takes a little longer)")
    if isinstance(case.push, Column) and case.push.free_lengths:
        made = _column_curve(case, case.push, model, run)
    else:
        made = _run(case, model, run)
    return replace(made, case_text=case.text)


def _run(case: Case, model: str, run: RunContext) -> Result:
    return run_winding(case, model, run) if isinstance(case.push, Winding) else run_bench(case, model, run)


def run_winding(case: Case, kind: str, run: RunContext) -> Result:
    """Wind the strip of a case in and push it out as it asks, or go on with the run the keeper has, and judge
    it.
    """
    kept = run.keeper.found(RunState)
    try:
        made = _wound(case, kind, run, kept)
    except OutOfTime:  # on the way into place
        outcome = WindingOutcome(False, False, False, False, "", (), unfinished=True)
        made = Tried(winding_model(case, kind), (outcome, Log(), None), (), case.settings)
    outcome, log, program = made.ended
    return winding_result(
        Finished(case, made.model, outcome, log, program, made.attempts, made.settings), run
    )


def _wound(case: Case, kind: str, run: RunContext, kept: RunState | None) -> Tried:
    """The run of a case to its end, from where one was kept, or anew where that does not fit."""
    try:
        model, started = _begun(case, kind, run, kept or RunState())
    except (ValueError, IndexError, TypeError) as problem:
        if kept is None:
            raise
        run.keeper.set_aside(f"it does not hold the state of this run ({problem})")
        model, started = _begun(case, kind, run, RunState())
    return wind_tried(case, model, started, run)


def _begun(case: Case, kind: str, run: RunContext, kept: RunState) -> tuple[StripModel, WindingProgram | str]:
    """Model and program (a text: why it could not be started) of a case, from where a run was kept."""
    if kept.program is not None:
        program = gone_on_with(case, kind, kept.program)
        return program.model, program
    run.progress(0.0, "putting the strip in place")
    model = winding_model(case, kind)
    started = winding_program(model, Journal(run.keeper, kept.placing))
    if isinstance(started, WindingProgram):
        run.keeper.offer(started.run_state)
    return model, started


def _column_curve(case: Case, push: Column, model: str, run: RunContext) -> Result:
    """The column as asked, and what it carries at each of the other lengths."""
    single = replace(push, free_lengths=())
    main = _run(replace(case, push=single), model, run)
    if main.status == Status.OUT_OF_TIME:
        return main
    inside = case.slot_mouth if push.held == "slot" else 0.0
    whole = push.free_length or case.strip.length - inside
    numbers, carried, warnings = dict(main.quantities), [], list(main.warnings)
    origin = dict(main.provenance)
    for length in push.free_lengths:
        shorter = replace(single, free_length=length, shortening=push.shortening * length / whole)
        result = _run(replace(case, push=shorter), model, replace(run, keeper=Unkept(run.keeper.deadline)))
        found = result.quantities.get("critical_force_N", Quantity(math.nan, "N", result.status))
        numbers[f"critical_force_at_{length:g}mm_N"] = found
        carried.append(
            f"{length:g} mm " + (f"{found.value:.3g} N" if math.isfinite(found.value) else found.note)
        )
        origin |= {UNFINISHED: True} if result.status == Status.OUT_OF_TIME else {}
        warnings += [f"at {length:g} mm: {text}" for text in result.warnings if text not in main.warnings]
    sentence = f"{main.sentence} Carried before it buckles, by free length: {', '.join(carried)}."
    return replace(
        main, quantities=numbers, sentence=sentence, warnings=tuple(warnings), seconds=run.seconds,
        provenance=origin,
    )  # fmt: skip
