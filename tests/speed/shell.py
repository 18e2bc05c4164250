"""Where the CPU seconds of the shell's wind-in and push-out cycle go: python tests/speed/shell.py [CASE
[FILE.npz]].

Runs a demonstration case (default boom-corrected) as `pushpast run --model shell --no-pictures` does, with a
clock in every part, which itself costs a per cent or so. Each part is told without the parts it calls. The
file keeps the rows of the run, to lay curves from before and after a change over each other.
"""

from __future__ import annotations

import functools
import os
import sys
import time
from collections import Counter
from pathlib import Path

os.environ["OMP_NUM_THREADS"] = "1"  # as in the command: over small matrices more threads only fight

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT)]

from fem.case.definition import read_case
from fem.linalg import block_sparse as block_lu
from fem.shell import energy as shell
from fem.shell import self_contact as shell_wraps
from fem.shell import symmetry as shell_symmetry
from fem.shell import wall_contact as shell_contact
from fem.simulation import recorder, run, stepper
from fem.simulation.run_context import RunContext
from fem.solvers import implicit_dynamics as dynamics

PARTS = (
    ("elements: tangent", shell.Shell, ("extrapolated",)),
    ("elements: gradient and energy", shell.Shell, ("evaluate",)),
    ("walls: tangent and gradient", shell_contact.ShellWallContact, ("evaluate",)),
    ("walls: held, room, accepted", shell_contact.ShellWallContact, ("hold", "safe_fraction", "accept")),
    ("wraps: tangent and gradient", shell_wraps.ShellSelfContact, ("evaluate",)),
    ("wraps: held, room, accepted", shell_wraps.ShellSelfContact, ("hold", "safe_fraction", "accept")),
    ("LU: sums and factors", block_lu.BlockMatrix, ("factor_general",)),
    ("Cholesky: sums", block_lu.BlockMatrix, ("assemble",)),
    ("Cholesky: factors", block_lu.BlockMatrix, ("factor",)),
    ("LU and Cholesky: solutions", block_lu.BlockFactor, ("solve",)),
    ("watch of symmetry", shell_symmetry.Guard, ("__call__",)),
    ("rows and saved states", recorder.Recorder, ("write",)),
    ("rows and saved states", stepper.Stepper, ("save",)),
    ("balance of forces: the rest", dynamics.Motion, ("balanced", "balance")),
    ("minimisations: the rest", dynamics.Motion, ("_minimised",)),
    ("test of stability: the rest", dynamics.Motion, ("stability",)),
    ("steps: the rest", dynamics.Motion, ("step",)),
    ("ledger: the rest", stepper.Stepper, ("_take",)),
)


class Clock:
    """CPU seconds of each part without those of the parts it calls, and how often each was called."""

    def __init__(self):
        self.spent, self.calls, self.inside = Counter(), Counter(), [0.0]

    def inside_of(self, part, method):
        """The method with a clock around it; what a part calls of itself is no call more."""

        @functools.wraps(method)
        def timed(*args, **kwargs):
            self.inside.append(0.0)
            began = time.thread_time()
            try:
                return method(*args, **kwargs)
            finally:
                took = time.thread_time() - began
                self.spent[part] += took - self.inside.pop()
                self.calls[part] += 1
                self.inside[-1] += took

        return timed


def main(name="boom-corrected", file=None):
    """Print seconds, steps and shares of a case; keep its rows if asked to."""
    clock = Clock()
    for part, kind, methods in PARTS:
        for method in methods:
            setattr(kind, method, clock.inside_of(part, getattr(kind, method)))
    run.winding_result = clock.inside_of("numbers and pictures of the result", run.winding_result)
    case = read_case(ROOT / "cases" / f"{name}.toml")
    began = time.process_time()
    result = run.run_winding(case, "shell", RunContext())
    seconds = time.process_time() - began
    path, calls = result.path, clock.calls
    print(f"{name}: {result.status}, {result.sentence}")
    print(
        f"{seconds:.1f} s of CPU, {len(path['step']) - 1} steps of {calls['steps: the rest']} tried, "
        f"{path['iterations'][-1]:.0f} iterations, {calls['LU: sums and factors']} LU and "
        f"{calls['Cholesky: factors']} Cholesky factorisations, {calls['elements: tangent']} tangents, "
        f"{calls['elements: gradient and energy']} gradients"
    )
    clock.spent["everything else"] = seconds - sum(clock.spent.values())
    for part, spent in clock.spent.most_common():
        print(f"{part:32s} {spent:7.2f} s {100 * spent / seconds:5.1f} % {calls[part]:7d} calls")
    if file:
        np.savez(file, **path)


if __name__ == "__main__":
    main(*sys.argv[1:])
