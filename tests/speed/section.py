"""How long the section model takes; run from the repository root: python tests/speed/section.py."""

import time
from itertools import pairwise

from fem.section_model.fold import fold
from fem.section_model.moment_curvature import moment_curve
from fem.section_model.summary import section_summary
from fem.verification.published import run_check
from fem.verification.sections import CHECKS, ArcStrip

STRIPS = {
    "steel tape": ArcStrip(210000.0, 0.3, 0.1, 15.0, 1.5708),
    "printed": ArcStrip(2300.0, 0.36, 0.8, 25.0, 1.5708),
}

for name, strip in STRIPS.items():
    problem = strip.problem()
    times = [time.perf_counter()]
    curve = moment_curve(problem)
    times.append(time.perf_counter())
    fold(curve, 1), fold(curve, -1)
    times.append(time.perf_counter())
    section_summary(problem, 4.0)
    times.append(time.perf_counter())
    spent = [1000.0 * (b - a) for a, b in pairwise(times)]
    count = len(curve.loading.states)
    print(
        f"{name}: curve of {count} {spent[0]:.0f} ms, two folds {spent[1]:.0f} ms, summary {spent[2]:.0f} ms"
    )

start = time.perf_counter()
results = [run_check(check) for check in CHECKS]
print(f"{len(results)} checks, {sum(not r.ok for r in results)} differ: {time.perf_counter() - start:.2f} s")
