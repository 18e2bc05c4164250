"""Which values to try: a full grid, or a low-discrepancy set of so many points.

A range is met by points of the unit cube, one coordinate per parameter: a number of a range in proportion,
rounded to what can be made where it has a step; a choice by equal shares.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from fem.case.study_tables import Vary
from fem.core.errors import InputError
from fem.core.term import Array

MOST_RUNS = 10_000
"""Of one study; more is a slip of the keyboard."""
POINTS = 5
"""Of a range in a grid, unless told."""


def at(asked: Vary, share: float) -> Any:
    """The value at a share of a range, or of its choices, from 0 to 1."""
    if asked.choices:
        return asked.choices[min(len(asked.choices) - 1, int(share * len(asked.choices)))]
    value = asked.low + min(1.0, max(0.0, share)) * (asked.high - asked.low)
    return rounded(asked, value)


def rounded(asked: Vary, value: float) -> float:
    """The nearest value of a range that can be made, without the noise of binary fractions."""
    if asked.step is not None:
        most = math.floor((asked.high - asked.low) / asked.step + 1e-9)
        value = asked.low + min(most, max(0, round((value - asked.low) / asked.step))) * asked.step
    return float(f"{value:.12g}")


def share_of(asked: Vary, value: Any) -> float:
    """Where a value lies in a range, from 0 to 1 (outside for one that lies outside); of a choice the middle
    of its share. Raises ValueError for what is none of the choices.
    """
    if asked.choices:
        return (list(asked.choices).index(value) + 0.5) / len(asked.choices)
    return (float(value) - asked.low) / (asked.high - asked.low)


def line(asked: Vary, count: int | None = None) -> tuple[Any, ...]:
    """Values of a range from end to end, at equal distances; all choices; each value once."""
    if asked.choices:
        return asked.choices
    shares = np.linspace(0.0, 1.0, POINTS if count is None else count)
    return tuple(dict.fromkeys(at(asked, float(share)) for share in shares))


def grid(ranges: Sequence[tuple[Vary, int | None]]) -> list[dict[str, Any]]:
    """Every combination of values, the last key running fastest. Raises InputError for too many."""
    lines = [line(asked, count) for asked, count in ranges]
    total = math.prod(len(values) for values in lines)
    if total > MOST_RUNS:
        raise InputError(f"{total} runs are more than the {MOST_RUNS} of one study; ask for fewer points")
    names = [asked.key for asked, _ in ranges]
    return [dict(zip(names, values, strict=True)) for values in itertools.product(*lines)]


def sobol(ranges: Sequence[Vary], count: int, seed: int = 1) -> list[dict[str, Any]]:
    """`count` points of a scrambled Sobol sequence (Sobol 1967, USSR Comput. Math. Math. Phys. 7, 86; from
    memory; as `scipy.stats.qmc` has it): the same for the same seed, and the first of many are those of few.
    """
    return [point_values(ranges, row) for row in sobol_shares(len(ranges), count, seed)]


def sobol_shares(keys: int, count: int, seed: int = 1) -> Array:
    """The same as points of the unit cube, (count, keys)."""
    from scipy.stats import qmc

    if not 0 < count <= MOST_RUNS:
        raise InputError(f"--samples {count}: must be from 1 to {MOST_RUNS}")
    sampler = qmc.Sobol(keys, scramble=True, rng=np.random.default_rng(seed))
    whole: Array = sampler.random_base2(max(0, math.ceil(math.log2(count))))
    return whole[:count]


def point_values(ranges: Sequence[Vary], shares: Sequence[float] | Array) -> dict[str, Any]:
    """Values at a point of the unit cube."""
    return {asked.key: at(asked, float(share)) for asked, share in zip(ranges, shares, strict=True)}


def point_shares(ranges: Sequence[Vary], values: Mapping[str, Any]) -> Array:
    """Point of the unit cube that values lie at, (keys,)."""
    return np.array([share_of(asked, values[asked.key]) for asked in ranges])
