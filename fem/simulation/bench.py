"""Pushes on the bench: driven slowly or through static states, then judged by one set of rules."""

from __future__ import annotations

from fem.case.definition import Case
from fem.results.result import Result
from fem.simulation.bench_judge import BenchRun, bench_result
from fem.simulation.fixtures import bench_test
from fem.simulation.run_context import RunContext
from fem.simulation.slow_drive import BenchLog, drive_slowly
from fem.simulation.snapshots import drawings


def run_bench(case: Case, kind: str, run: RunContext) -> Result:
    """Make the push of a case with the "rod" or "shell" and judge it; go on with the one the keeper has. The
    shell in the air is not kept as it goes. Raises InputError for a push by the axle.
    """
    test = bench_test(case)
    rules, air = test.rules(case), test.in_air(case)
    if air is not None and kind == "shell":
        return bench_result(BenchRun(case, kind, rules, air.shell(case, run.progress)), run)
    kept = run.keeper.found()
    run.progress(0.0, "gripping the strip")
    fixture, log = (test.fixture(case, kind), BenchLog()) if kept is None else kept
    curve = drive_slowly(fixture, log, rules, run, resumed=kept is not None)
    obstacles, alone = drawings(fixture.model), air is not None
    return bench_result(BenchRun(case, kind, rules, curve, alone, obstacles, fixture.deployed), run)
