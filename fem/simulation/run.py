"""From a case to its result: the one place that knows the order of a whole run, of either model."""

from __future__ import annotations

import math
from dataclasses import replace

from fem.case.definition import Case
from fem.core.atomic import MODELS
from fem.core.checkpoint import NOWHERE, Keeper
from fem.core.errors import InputError
from fem.design.loading import Column, Winding
from fem.results.provenance import provenance
from fem.results.result import Quantity, Result
from fem.simulation.attempts import wind_tried
from fem.simulation.bench import run_bench
from fem.simulation.judge import Finished, winding_result
from fem.simulation.models import winding_model
from fem.simulation.retract_deploy import winding_program
from fem.simulation.run_context import Progress, RunContext


def run_case(
    case: Case, model: str = "rod", progress: Progress | None = None, keeper: Keeper | None = None
) -> Result:
    """Run one case with the named model and judge it.

    keeper: where the computation leaves its state as it goes, and finds one to go on from. Raises InputError
    for a model that does not exist, CaseError for a strip that cannot lie in its place, Stopped if the keeper
    asks to end. A case that cannot be computed to its end is a result too.
    """
    if model not in MODELS:
        raise InputError(f"no model named {model!r}; there are: {', '.join(MODELS)}")
    run = RunContext(provenance=provenance(case, model), keeper=keeper or NOWHERE)
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
    kept = run.keeper.found()
    if kept is None:
        run.progress(0.0, "putting the strip in place")
        model = winding_model(case, kind)
        started = winding_program(model)
    else:
        model, started = kept.model, kept
    made = wind_tried(case, model, started, run)
    outcome, log, program = made.ended
    return winding_result(
        Finished(case, made.model, outcome, log, program, made.attempts, made.settings), run
    )


def _column_curve(case: Case, push: Column, model: str, run: RunContext) -> Result:
    """The column as asked, and what it carries at each of the other lengths."""
    single = replace(push, free_lengths=())
    main = _run(replace(case, push=single), model, run)
    inside = case.slot_mouth if push.held == "slot" else 0.0
    whole = push.free_length or case.strip.length - inside
    numbers, carried, warnings = dict(main.quantities), [], list(main.warnings)
    for length in push.free_lengths:
        shorter = replace(single, free_length=length, shortening=push.shortening * length / whole)
        result = _run(replace(case, push=shorter), model, replace(run, keeper=NOWHERE))
        found = result.quantities.get("critical_force_N", Quantity(math.nan, "N", result.status))
        numbers[f"critical_force_at_{length:g}mm_N"] = found
        carried.append(
            f"{length:g} mm " + (f"{found.value:.3g} N" if math.isfinite(found.value) else found.note)
        )
        warnings += [f"at {length:g} mm: {text}" for text in result.warnings if text not in main.warnings]
    sentence = f"{main.sentence} Carried before it buckles, by free length: {', '.join(carried)}."
    return replace(main, quantities=numbers, sentence=sentence, warnings=tuple(warnings), seconds=run.seconds)
