"""Thirty random booms run to their verdicts: python tests/speed/variations.py [rod|shell] [first] [count].

Thickness, depth of the section, bends, spine, friction, slot and casing are drawn with a fixed seed and
listed, so that any of them can be run again by its number. None may end in a numerical failure, none should
take more than four times the median.
"""

from __future__ import annotations

import os
import statistics
import sys
import tempfile
import time
from pathlib import Path

os.environ["OMP_NUM_THREADS"] = "1"  # as in the command: over small matrices more threads only fight

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from fem.batch.precompile import compile_loops
from fem.case.definition import Case, read_case
from fem.core.errors import InputError
from fem.results.outcome import Status
from fem.simulation.run import run_case

SEED, COUNT, SLOWEST = 20240611, 30, 4.0
BOOM = Path(__file__).resolve().parents[2] / "cases" / "boom-soft.toml"
LENGTH = 95.0

Numbers = dict[str, float]


def drawn(number: int) -> Numbers:
    """Numbers of one variation; mm, degrees."""
    rng = np.random.default_rng([SEED, number])
    thickness = rng.uniform(0.6, 1.2)
    return {
        "thickness": thickness,
        "section": rng.uniform(8.0, 20.0),
        "bend_1": rng.uniform(0.0, 55.0),
        "bend_2": rng.uniform(0.0, 45.0),
        "radius": rng.uniform(18.0, 35.0),
        "spine": rng.choice([0.0, 0.0, 1.0]),
        "friction": rng.uniform(0.05, 0.3),
        "gap": thickness * rng.uniform(1.3, 2.0),
        "casing": rng.uniform(7.2, 9.5),
    }


def text(numbers: Numbers) -> str:
    """The case file of a variation."""
    first, second = (np.radians(numbers[k]) * numbers["radius"] for k in ("bend_1", "bend_2"))
    runs = ["{ straight = 26.0 }"]
    if first > 1.0:
        runs.append(f"{{ bend = {numbers['bend_1']:.3f}, radius = {numbers['radius']:.3f} }}")
    runs.append("{ straight = 14.0 }")
    if second > 1.0:
        runs.append(f"{{ bend = {numbers['bend_2']:.3f}, radius = {numbers['radius']:.3f} }}")
    rest = LENGTH - 40.0 - first * (first > 1.0) - second * (second > 1.0)
    runs.append(f"{{ straight = {rest:.3f} }}")
    layers = f'[[strip.layers]]\nmaterial = "soft-print"\nthickness = {numbers["thickness"]:.4f}\n'
    if numbers["spine"]:
        half = f"{0.5 * numbers['thickness'] - 0.1:.4f}"
        skin = f'[[strip.layers]]\nmaterial = "soft-print"\nthickness = {half}\n'
        spine = '[[strip.layers]]\nmaterial = "pa12"\nthickness = 0.2\n'
        spine += 'across = [-2.0, 2.0]\nelsewhere = "soft-print"\n'
        layers = skin + spine + skin
    return (
        f'extends = "{BOOM}"\ntitle = "variation"\n'
        f"[strip.path]\nruns = [{', '.join(runs)}]\n[strip.section]\nradius = {numbers['section']:.4f}\n"
        f"{layers}[casing]\nradius = {numbers['casing']:.4f}\n[slot]\ngap = {numbers['gap']:.4f}\n"
        f"[friction]\nstrip = {numbers['friction']:.4f}\nwraps = {numbers['friction']:.4f}\n"
        "[push]\nsafe_travel = false\n"
    )


def variation(number: int, folder: Path) -> Case:
    """The case of a variation."""
    file = folder / f"variation-{number}.toml"
    file.write_text(text(drawn(number)))
    return read_case(file)


def main() -> None:
    """Run them, print a line each and what stands out."""
    words = [word for word in sys.argv[1:] if not word.isdigit()]
    first, count = ([int(w) for w in sys.argv[1:] if w.isdigit()] + [0, COUNT])[:2]
    model = words[0] if words else "rod"
    compile_loops(model, lambda: None, lambda: False)  # or the first one would pay for it
    print(f"{model}; seed {SEED}; thickness, section, bends, radius, spine, friction, gap, casing")
    seconds, failed = [], []
    with tempfile.TemporaryDirectory() as folder:
        for number in range(first, first + count):
            told = " ".join(f"{value:g}" for value in np.round(list(drawn(number).values()), 3))
            try:
                case = variation(number, Path(folder))
            except InputError as fault:
                print(f"{number:2d}  [{told}]  refused: {fault}")
                failed.append(number)
                continue
            start = time.process_time()
            result = run_case(case, model)
            took = time.process_time() - start
            seconds.append(took)
            if result.status == Status.NOT_CONVERGED:
                failed.append(number)
            mode = f", {result.jam.mode} at {result.jam.travel_mm:.1f} mm" if result.jam else ""
            audit = result.energy_audit["closure_error"]
            print(
                f"{number:2d}  [{told}]  {took:6.1f} s  {result.status}{mode}  audit {audit:.3f}", flush=True
            )
            if result.status == Status.NOT_CONVERGED:
                print(f"    {result.sentence}", flush=True)
            for line in result.warnings:
                if line.startswith("computed with"):
                    print(f"    {line}", flush=True)
    if seconds:
        median = statistics.median(seconds)
        print(f"median {median:.1f} s, longest {max(seconds):.1f} s = {max(seconds) / median:.1f} medians")
        print(f"{sum(took > SLOWEST * median for took in seconds)} took more than {SLOWEST:g} medians")
    print(f"numerical failures or refused: {failed or 'none'}")


if __name__ == "__main__":
    main()
