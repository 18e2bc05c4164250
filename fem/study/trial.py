"""One design of a search: what it was run with, what came of it, and how that stands to the goal."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from fem.case.definition import Case
from fem.study.goal_terms import Terms, worst
from fem.study.study import Study
from fem.study.table import Row

Values = Mapping[str, Any]
FINER = 1.5
"""Times as many elements and contact points, and twice as many steps."""


@dataclass(frozen=True)
class Trial:
    """A design and what came of it. rows: one, or one per friction; costs, missed: of the goal, the worst of
    all rows, in the order of its aims and bounds; both are nan where a run gave no verdict.
    """

    values: Values
    rows: tuple[Row, ...]
    costs: tuple[float, ...]
    missed: tuple[float, ...]

    @property
    def failed(self) -> bool:
        """Whether it says nothing of the goal."""
        return bool(not np.isfinite([*self.costs, *self.missed]).all())

    @property
    def worst(self) -> float:
        """By how much the worst bound is missed, in the logarithm; infinity where it is not known."""
        return math.inf if self.failed else max(self.missed)

    @property
    def met(self) -> bool:
        """Whether every bound is kept."""
        return self.worst <= 0.0

    @property
    def row(self) -> Row:
        """The row that asks for most."""
        return max(self.rows, key=lambda row: -math.inf if math.isnan(row.asked) else row.asked)


def trial_of(values: Values, rows: tuple[Row, ...], terms: Terms) -> Trial:
    """A design with its rows, judged by the goal."""
    if any(row.went is None for row in rows):
        nothing = math.nan
        return Trial(values, rows, (nothing,) * max(1, len(terms.aims)), (nothing,) * len(terms.bounds))
    return Trial(values, rows, *worst(rows, terms))


def finer_settings(case: Case) -> dict[str, float]:
    """Settings of a finer run of a case."""
    now = case.settings
    return {
        "solver.element": now.element / FINER, "solver.element_fine": now.element_fine / FINER,
        "solver.contact_spacing": now.contact_spacing / FINER, "solver.turn": math.degrees(now.turn) / 2.0,
    }  # fmt: skip


def run_trials(
    study: Study, terms: Terms, designs: Sequence[Values], friction: tuple[float, float] | None = None,
    more: Values | None = None,
) -> list[Trial]:  # fmt: skip
    """Run designs and judge them by the goal, each at the worst of two frictions if they are given; more:
    settings laid over each.
    """
    frictions: list[Values] = [{}] if friction is None else [{"friction": value} for value in friction]
    rows = study.run([{**values, **each, **(more or {})} for values in designs for each in frictions])
    size = len(frictions)
    return [
        trial_of(values, tuple(rows[index * size : (index + 1) * size]), terms)
        for index, values in enumerate(designs)
    ]


def told_of(trial: Trial, terms: Terms) -> str:
    """A design and how it stands to the goal, in one line."""
    where = ", ".join(f"{key} {_short(value)}" for key, value in trial.values.items()) or "as it is"
    if trial.failed:
        return f"{where}: {trial.row.verdict}"
    names = [bound.name for bound in terms.bounds] + [aim.name for aim in terms.aims]
    numbers = ", ".join(f"{name} {trial.row.number(name):.3g}" for name in dict.fromkeys(names))
    return f"{where}: {trial.row.verdict}, {numbers}"


def _short(value: Any) -> str:
    return f"{value:.6g}" if isinstance(value, float) else str(value)
