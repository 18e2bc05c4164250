"""One case file run to whatever end it comes to: python tests/robust/one_design.py FILE MODEL SECONDS.

Prints one JSON object on stdout: the outcome and what it cost. The process is killed by the system when the
run itself, reading and compiled loops apart, takes more CPU time than it may; its last line on stderr says
where it stood.
"""

from __future__ import annotations

import json
import math
import os
import resource
import sys
import time
from pathlib import Path
from typing import Any

os.environ["OMP_NUM_THREADS"] = "1"  # as in the command: over small matrices more threads only fight

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from fem.case.definition import Case, read_case
from fem.core.errors import CaseError, InputError
from fem.results.outcome import Status
from fem.results.result import Result
from fem.simulation.run import run_case

REFUSED, REFUSED_IN_PLACE, NUMERICAL = "refused", "refused in place", "numerical"


def ended(case: Case, result: Result) -> dict[str, Any]:
    """Outcome of a run that came to an end: how, and whether it can be trusted."""
    numerical = result.status == Status.NOT_CONVERGED
    gaps = [result.path[name] for name in ("smallest_gap_mm", "smallest_wrap_gap_mm") if name in result.path]
    gap = min((float(min(column)) for column in gaps if len(column)), default=math.nan)
    drag = [result.quantities.get(f"{phase}_drag_share") for phase in ("retract", "deploy")]
    return {
        "outcome": NUMERICAL if numerical else result.status,
        "message": result.sentence if numerical else result.jam.mode if result.jam else "",
        "drag": [math.nan if share is None else share.value for share in drag],
        "closure": float(result.energy_audit.get("closure_error", math.nan)),
        "gap": gap / case.strip.thickness,
        "steps": result.rows,
        "attempts": max(1, len(result.attempts)),
    }


def refused(how: str, problem: InputError) -> dict[str, Any]:
    """Outcome of a case that the reader, or whoever puts the strip in place, refuses: key and message."""
    if not isinstance(problem, CaseError):
        return {"outcome": how, "message": str(problem)}
    return {"outcome": how, "message": "; ".join(f"{one.key}: {one.message}" for one in problem.faults)}


def outcome_of(file: Path, model: str, seconds: float = math.inf) -> dict[str, Any]:
    """What becomes of a case file, and its cost: CPU seconds and largest memory [MB] of this process."""
    case, start = None, time.process_time()
    try:
        case = read_case(file)
        _kill_after(seconds)
        start = time.process_time()
        told = {"push": case.push.kind} | ended(case, run_case(case, model, _say))
    except InputError as problem:
        told = refused(REFUSED if case is None else REFUSED_IN_PLACE, problem)
        told |= {} if case is None else {"push": case.push.kind}
    return told | {"cpu": time.process_time() - start, "memory": largest_memory()}


def largest_memory() -> float:
    """Largest memory [MB] of this process so far. What `getrusage` tells counts that of the process which
    started this one, where the system says better.
    """
    status = Path("/proc/self/status")
    lines = status.read_text().splitlines() if status.exists() else []
    for line in lines:
        if line.startswith("VmHWM:"):
            return float(line.split()[1]) / 1024.0
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def _say(share: float, words: str) -> None:
    print(f"{100.0 * share:.0f} %: {words}", file=sys.stderr, flush=True)


def _kill_after(seconds: float) -> None:
    if math.isfinite(seconds):
        limit = math.ceil(time.process_time() + seconds)
        resource.setrlimit(resource.RLIMIT_CPU, (limit, limit + 5))


if __name__ == "__main__":
    print(json.dumps(outcome_of(Path(sys.argv[1]), sys.argv[2], float(sys.argv[3]))))
