"""Seconds of the published shell problems: python -m tests.speed.shell_benchmarks. Run on a quiet machine.

Each is solved twice in a fresh cache of results; the second time has compiled loops.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable

os.environ["OMP_NUM_THREADS"] = "1"  # as in the command: over small matrices more threads only fight

from fem.verification import folds, shells

PROBLEMS: tuple[tuple[str, float, Callable[[], object]], ...] = (
    ("cantilever, end shear", 0.2, shells.cantilever),
    ("roll-up to a circle", 0.5, shells.roll_up),
    ("pulled cylinder", 20.0, shells.pulled_cylinder),
    ("pinched semi-cylinder", 20.0, shells.pinched_semi_cylinder),
    ("roof 12.7", 1.0, lambda: shells.roof(12.7)),
    ("roof 12.7 layered", 1.0, lambda: shells.roof(12.7, (90.0, 0.0, 90.0))),
    ("roof 6.35", 2.0, lambda: shells.roof(6.35, (), 8)),
    ("roof 6.35 layered", 6.0, lambda: shells.roof(6.35, (0.0, 90.0, 0.0), 8)),
    ("steel fold to 60 deg", 30.0, lambda: folds.steel_fold(0.1, 15.0, 90.0)),
    ("printed fold, opposite", 20.0, lambda: folds.printed_fold(folds.OPPOSITE)),
    ("printed fold, equal", 20.0, lambda: folds.printed_fold(folds.EQUAL)),
    ("one turn of coil", 5.0, folds.boom_coil),
    ("pushed flat strip", 5.0, folds.pushed_flat_strip),
    ("ovalising tube", 5.0, folds.tube_limit),
    ("sideways buckling", 5.0, shells.lateral_buckling),
)
CACHED = (
    shells.cantilever, shells.roll_up, shells.pulled_cylinder, shells.pinched_semi_cylinder, shells.roof,
    shells.lateral_buckling, folds.steel_fold, folds.printed_fold, folds.boom_coil, folds.pushed_flat_strip,
    folds.tube_limit,
)  # fmt: skip


def seconds(solve: Callable[[], object]) -> float:
    """CPU seconds of one fresh solution."""
    for cached in CACHED:
        cached.cache_clear()
    start = time.process_time()
    solve()
    return time.process_time() - start


def main() -> None:
    """Print problem, allowed and measured seconds."""
    shells.cantilever()
    for name, allowed, solve in PROBLEMS:
        seconds(solve)
        print(f"{name:28s} allowed {allowed:6.1f} s   took {seconds(solve):7.3f} s", flush=True)


if __name__ == "__main__":
    main()
