"""How long `pushpast compare` takes on 20 finished cases, and `--help`.

Run from the repository root: python tests/speed/compare.py. The runs are made up, with as many rows and
columns as a whole wind-in and push-out has.
"""

import os
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tests" / "unit"), str(ROOT)]

from made_results import deployed

from fem.case.definition import read_case
from fem.case.template import starter
from fem.results.baseline import accepted
from fem.results.baseline import write as write_baseline
from fem.results.provenance import provenance
from fem.results.result import write

CASES, COLUMNS, REPEATS = 20, 31, 3


def fill(folder):
    """Twenty cases with a finished run and a reference each."""
    (folder / "cases").mkdir()
    plain = deployed()
    noise = np.random.default_rng(1).normal(0.0, 0.3, plain.rows)
    path = dict(plain.path) | {"torque_Nmm": plain.path["torque_Nmm"] + noise}
    path |= {f"more_{number}": noise + number for number in range(COLUMNS - len(path))}
    for number in range(CASES):
        file = folder / "cases" / f"case-{number}.toml"
        file.write_text(starter(file.stem).replace("radius = 10.0", f"radius = {10 + 0.1 * number}"))
        case = read_case(file)
        result = replace(plain, case_name=case.name, path=path, provenance=provenance(case, "rod"))
        write(result, folder / "results" / "runs" / case.name)
        write_baseline(accepted(case, result, "made up", None), folder / "results" / "reference")
    return len(path), plain.rows


def took(folder, *arguments):
    """Shortest wall-clock and processor time [s] of a command."""
    walls, cpus = [], []
    for _ in range(REPEATS):
        before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
        subprocess.run(
            [sys.executable, "-m", "fem", *arguments], cwd=folder, check=True, capture_output=True,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )  # fmt: skip
        walls.append(time.perf_counter() - began)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        cpus.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return min(walls), min(cpus)


with tempfile.TemporaryDirectory() as name:
    columns, rows = fill(Path(name))
    print(f"{CASES} cases of {rows} rows and {columns} columns; wall-clock, processor, best of {REPEATS}")
    for words in (("compare",), ("compare", "--json"), ("compare", "--markdown", "x.md"), ("--help",)):
        print("pushpast {:24s} {:5.2f} s {:5.2f} s".format(" ".join(words), *took(Path(name), *words)))
