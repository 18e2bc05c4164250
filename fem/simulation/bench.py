"""Pushes on the bench: driven slowly or through static states, then judged by one set of rules."""

from __future__ import annotations

import time

import numpy as np

from fem.case.definition import Case
from fem.core.checkpoint import OutOfTime
from fem.results.result import Result
from fem.simulation.bench_judge import BenchRun, bench_result
from fem.simulation.fixtures import InAir, bench_test
from fem.simulation.load_curve import LoadCurve
from fem.simulation.run_context import RunContext
from fem.simulation.slow_drive import BenchLog, BenchState, drive_slowly, gone_on_with
from fem.simulation.snapshots import drawings


def run_bench(case: Case, kind: str, run: RunContext) -> Result:
    """Make the push of a case with the "rod" or "shell" and judge it; go on with the one the keeper has. The
    shell in the air is not kept as it goes. Raises InputError for a push by the axle.
    """
    test = bench_test(case)
    rules, air = test.rules(case), test.in_air(case)
    if air is not None and kind == "shell":
        return bench_result(BenchRun(case, kind, rules, _in_time(case, air, run)), run)
    kept, log = run.keeper.found(BenchState), BenchLog()
    run.progress(0.0, "gripping the strip")
    fixture = test.fixture(case, kind)
    if kept is not None:
        try:
            log = gone_on_with(fixture, kept)
        except (ValueError, IndexError, TypeError) as problem:
            run.keeper.set_aside(f"it does not hold the state of this push ({problem})")
            fixture = test.fixture(case, kind)
    curve = drive_slowly(fixture, log, rules, run, resumed=bool(log.rows))
    obstacles, alone = drawings(fixture.model), air is not None
    return bench_result(BenchRun(case, kind, rules, curve, alone, obstacles, fixture.deployed), run)


def _in_time(case: Case, air: InAir, run: RunContext) -> LoadCurve:
    """The load curve of a shell in the air; an empty one where the time runs out, which leaves nothing to go
    on from.
    """

    def watched(share: float, text: str) -> None:
        run.progress(share, text)
        if time.perf_counter() > run.keeper.deadline:
            raise OutOfTime

    try:
        return air.shell(case, watched)
    except OutOfTime:
        none = np.zeros(0)
        return LoadCurve(none, none, {"audit_error": none}, (), unfinished=True)
