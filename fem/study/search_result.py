"""What a search for a design found, as data."""

from __future__ import annotations

from dataclasses import dataclass

from fem.case.definition import Case
from fem.case.study_tables import Vary
from fem.case.variation import changed
from fem.study.goal_terms import Terms
from fem.study.parameters import Changes, parameter
from fem.study.record import BEYOND
from fem.study.samples import point_shares
from fem.study.table import Table
from fem.study.trial import Trial

AT_END = 0.01
"""Share of a range within which a value counts as its end."""


@dataclass(frozen=True)
class Optimised:
    """What a search found.

    present: the case as it is; trials: in the order of the search; best: what meets the goal best and was
    confirmed, else the nearest design, None where no run gave a verdict; finer, shell: how it does with finer
    elements, and as a shell; refused: designs that a cheap look ruled out; ended: why the search did; beyond:
    times the motor's torque that runs pushed on to.
    """

    terms: Terms
    ranges: tuple[Vary, ...]
    present: Trial
    trials: tuple[Trial, ...]
    best: Trial | None
    finer: tuple[Trial, ...] = ()
    shell: Trial | None = None
    refused: int = 0
    ended: str = ""
    beyond: float = BEYOND

    @property
    def met(self) -> bool:
        """Whether the best design keeps every bound, in its confirmation too."""
        confirmed = [each for each in (self.finer_of_best, self.shell) if each is not None]
        return self.best is not None and self.best.met and all(each.met for each in confirmed)

    @property
    def finer_of_best(self) -> Trial | None:
        """The finer run of the best design."""
        if self.best is None:
            return None
        return next((each for each in self.finer if each.values == self.best.values), None)

    @property
    def table(self) -> Table:
        """Every run of the search, as a table that other programs read."""
        rows = tuple(row for trial in self.trials for row in trial.rows)
        names = dict.fromkeys(name for row in rows for name in row.values)
        return Table(self.terms.case.name, tuple(names), rows, self.beyond)

    @property
    def changes(self) -> Changes:
        """What the best design changes, by key of the case."""
        found: Changes = {}
        if self.best is None:
            return found
        for asked in self.ranges:
            one, value = parameter(self.terms.case, asked.key), self.best.values[asked.key]
            if value != one.present:
                found |= one.changes(value)
        return found

    def best_case(self) -> Case | None:
        """The best design as a case; None where there is none."""
        return None if self.best is None else changed(self.terms.case, self.changes)

    @property
    def runs(self) -> int:
        """Runs of the quick model that the search took."""
        return sum(len(trial.rows) for trial in self.trials)

    @property
    def front(self) -> tuple[Trial, ...]:
        """Of two wishes, the designs that keep all bounds and that none is better than in both."""
        good = [trial for trial in self.trials if trial.met]
        free = [
            one for one in good
            if not any(
                all(a <= b for a, b in zip(other.costs, one.costs, strict=True)) and other.costs != one.costs
                for other in good
            )
        ]  # fmt: skip
        return tuple(sorted(free, key=lambda trial: trial.costs))

    @property
    def at_ends(self) -> tuple[tuple[str, str], ...]:
        """Keys of the best design that stand at an end of their range, and which."""
        if self.best is None:
            return ()
        found = []
        for asked in self.ranges:
            if not asked.choices:
                share = float(point_shares([asked], self.best.values)[0])
                if share <= AT_END or share >= 1.0 - AT_END:
                    found.append((asked.key, "lower" if share < 0.5 else "upper"))
        return tuple(found)

    def relaxed(self) -> tuple[tuple[int, Trial], ...]:
        """For each bound (its place) the design that comes nearest to it while it keeps all the others."""
        found = []
        for place in range(len(self.terms.bounds)):
            others = [
                trial for trial in self.trials
                if not trial.failed and all(trial.missed[other] <= 0.0 for other in self.terms.others(place))
            ]  # fmt: skip
            if others:
                found.append((place, min(others, key=lambda trial: trial.missed[place])))
        return tuple(sorted(found, key=lambda one: one[1].missed[one[0]]))
