"""How far off the forecasts of runs are: python tests/speed/forecast.py [MODEL] CASE..., from the root.

Runs every case in a process of its own, pictures left out, and prints processor time and most memory beside
what `fem.simulation.forecast` says; loops must have been compiled before.
"""

import json
import math
import resource
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT)]

LIMIT = 300.0
"""Seconds of the clock after which a run is ended."""


def measured(file: str, model: str) -> dict[str, object]:
    """What a run of a case takes, in this process."""
    from fem.case.definition import read_case
    from fem.core.checkpoint import Unkept
    from fem.core.errors import InputError
    from fem.simulation.forecast import forecast
    from fem.simulation.run import run_case

    try:
        case = read_case(file)
        said = forecast(case, model)
        began = time.process_time()
        result = run_case(case, model, keeper=Unkept(time.perf_counter() + LIMIT))
    except InputError as problem:
        return {"refused": str(problem).splitlines()[0]}
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    return {
        "status": str(result.status), "seconds": time.process_time() - began, "said": said.seconds,
        "memory": most, "memory_said": said.memory,
    }  # fmt: skip


def main() -> None:
    words = sys.argv[1:]
    if words[:1] == ["--one"]:
        print(json.dumps(measured(words[2], words[1])))
        return
    model = words.pop(0) if words[0] in ("rod", "shell") else "rod"
    within = [0, 0]
    ran = 0
    for file in words:
        line = [sys.executable, __file__, "--one", model, file]
        told = subprocess.run(line, stdout=subprocess.PIPE, text=True, check=True, cwd=ROOT).stdout
        one = json.loads(told.splitlines()[-1])
        if "refused" in one:
            print(f"{Path(file).stem:16} {one['refused'][:90]}", flush=True)
            continue
        ran += 1
        shares = [one["said"] / one["seconds"], one["memory_said"] / one["memory"]]
        within = [
            count + (abs(math.log(share)) < math.log(2.0))
            for count, share in zip(within, shares, strict=True)
        ]
        print(
            f"{Path(file).stem:16} {one['status']:24} {one['seconds']:7.1f} s, said {one['said']:7.1f} "
            f"({shares[0]:.2f}); {one['memory']:5.0f} MB, said {one['memory_said']:5.0f} ({shares[1]:.2f})",
            flush=True,
        )
    print(f"within a factor of two: time {within[0]} of {ran}, memory {within[1]} of {ran}")


if __name__ == "__main__":
    main()
