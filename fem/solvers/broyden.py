"""What corrections by old factors teach about the tangent those factors are no longer of."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fem.core.term import Array

ALONG = 0.5
"""Share of a correction along the last one above which old factors know next to nothing of what is left: the
next would be long, and corrections go on, or away, for ever.
"""


def learned(taken: list[Array], rest: Array, places: NDArray[np.bool_]) -> tuple[Array, float]:
    """The correction that old factors ask for (n,), with what those taken so far, by the same factors, have
    taught, and the share of it that points along the last one. Lengths are those of the marked unknowns (n,).

    Divided by one less that share it is the next correction of Broyden's first method, in the form that
    stores the steps alone (Kelley 1995, Iterative Methods for Linear and Nonlinear Equations, sec. 7.3; as in
    the algorithm QNERR of Deuflhard 2004, sec. 2.1.4).
    """
    steps = [step[places] for step in taken]
    squares = [float(step @ step) for step in steps]
    for step, square, following in zip(steps, squares, taken[1:], strict=False):
        rest = rest + following * (float(step @ rest[places]) / square)
    return rest, float(steps[-1] @ rest[places]) / squares[-1]
