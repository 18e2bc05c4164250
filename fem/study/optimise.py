"""A design that meets the goal of a case, from few runs.

Designs are proposed in batches (`fem.study.propose`) after a cheap look that refuses what cannot be:
geometry, bounds on keys, and what the hand estimates already say. The quick model searches; the best few are
run again with finer elements and steps, and the best of those with the shell if that is wanted. Where the
finer runs say that a bound is kept by less, or not at all, the difference is added to the bound and the
search goes on. What is proposed follows from the runs before and the seed alone, and no run is computed
twice, so that a search that was stopped is taken up by asking for it again.
"""

from __future__ import annotations

import math
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from fem.batch.workers import Observer
from fem.case.definition import Case
from fem.case.estimate import derive
from fem.case.study_tables import Vary
from fem.core.errors import CaseError, InputError
from fem.core.term import Array
from fem.results.outcome import NoResult
from fem.study.goal_terms import LASTS, Terms, missed, terms_of
from fem.study.measure import options_for
from fem.study.parameters import value_at
from fem.study.propose import APART, Axis, Told, propose
from fem.study.samples import point_shares, point_values
from fem.study.search_result import Optimised
from fem.study.study import USUAL, Options, Study
from fem.study.sweep import asked_ranges
from fem.study.table import ASKED
from fem.study.trial import Trial, Values, finer_settings, run_trials, told_of

ENOUGH = -0.05
"""Without a wish a search ends where the worst bound is kept by so much, in the logarithm: about the scatter
of a run.
"""
CONFIRMED = 3
"""Of the best designs, run again with finer elements and steps."""
ROUNDS = 3
"""Of search and confirmation."""
STRAIN_DOUBT, STRAIN = 1.3, "strain_wound_up_share"
"""The hand estimate of a strip wound up flat is no bound of its strain; so many times what is allowed is."""
PARTS = 1000
"""A range without a step of its own is searched in about so many, of 1, 2 or 5 of a decimal place."""


@dataclass(frozen=True)
class Plan:
    """How a search is made. runs: at most, of the quick model; seconds: of the clock; seed; friction: lowest
    and highest of strip and wraps, for a goal met at the worst of both; batch: designs proposed at once.
    """

    runs: int = 60
    seconds: float = math.inf
    seed: int = 1
    friction: tuple[float, float] | None = None
    batch: int = 2


USUAL_PLAN = Plan()


def stepped(asked: Vary) -> Vary:
    """A range as it is searched: in steps, so that values have few digits."""
    if asked.choices or asked.step is not None:
        return asked
    part = (asked.high - asked.low) / PARTS
    decade = 10.0 ** math.floor(math.log10(part))
    digit = max(one for one in (1, 2, 5) if one * decade <= part * (1.0 + 1e-9))
    return replace(asked, step=float(f"{digit * decade:.3g}"))


def axes_of(ranges: Sequence[Vary]) -> list[Axis]:
    """Ranges as axes of a search."""
    found = []
    for asked in ranges:
        if asked.choices:
            count = len(asked.choices)
            numbers = all(isinstance(each, int | float) for each in asked.choices)
            found.append(Axis(tuple((index + 0.5) / count for index in range(count)), unordered=not numbers))
        elif asked.step is not None:
            span = asked.high - asked.low
            steps = math.floor(span / asked.step + 1e-9)
            found.append(Axis(tuple(index * asked.step / span for index in range(steps + 1))))
        else:
            found.append(Axis())
    return found


def optimised(study: Study, terms: Terms, ranges: Sequence[Vary], plan: Plan = USUAL_PLAN) -> Optimised:
    """Search for a design that meets the goal. Raises InputError for a key that no case has, and for a range
    of friction beside friction that may change.
    """
    search = _Search(study, terms, tuple(stepped(asked) for asked in ranges), plan)
    return search.result()


@dataclass
class _Search:
    """The search as it stands; `slack` is what finer runs took from each bound."""

    study: Study
    terms: Terms
    ranges: tuple[Vary, ...]
    plan: Plan
    trials: list[Trial] = field(default_factory=list)
    told: list[Told] = field(default_factory=list)
    looked: dict[tuple[Any, ...], bool] = field(default_factory=dict)
    refused: list[Array] = field(default_factory=list)
    finer: list[Trial] = field(default_factory=list)

    def __post_init__(self) -> None:
        for asked in self.ranges:
            self.study.parameter(asked.key)
        if not self.ranges:
            raise InputError(f"{self.study.case.name}: nothing to vary; write [[vary]], or give --vary")
        if self.plan.friction is not None:
            for asked in self.ranges:
                if asked.key.startswith("friction"):
                    raise InputError(f"--friction: {asked.key} may change, too; leave one of the two out")
        self.axes = axes_of(self.ranges)
        self.slack = np.zeros(len(self.terms.bounds))
        self.until = time.monotonic() + self.plan.seconds

    def result(self) -> Optimised:
        """The whole search with its confirmations."""
        present = self._run([{}])[0]
        self._tell_present(present)
        ended, best = "", None
        for _ in range(ROUNDS):
            ended = self._search()
            good = self._good()
            if not good or self.study.stopping:
                break
            finer = self._finer(good)
            best = next((one for one, two in zip(good, finer, strict=True) if two.met), None)
            if best is not None or self.study.stopping:
                break
            self._tighten(good, finer)
        nearest = min(self.trials, key=self._tightened, default=None)
        if nearest is not None and nearest.failed:
            nearest = None
        return Optimised(
            self.terms, self.ranges, present, tuple(self.trials), best or nearest, tuple(self.finer), None,
            len(self.refused), ended, self.study.options.wanted.beyond,
        )  # fmt: skip

    # ---- the search ----------------------------------------------------------------------------------------

    def _search(self) -> str:
        """Propose and run until the goal is met, or runs or time are used up; why it ended."""
        while True:
            if self.study.stopping:
                return NoResult.STOPPED
            left = self.plan.runs - sum(len(trial.rows) for trial in self.trials)
            count = min(self.plan.batch, left // self._rows_each)
            if count < 1:
                return f"{self.plan.runs} runs are made"
            if time.monotonic() > self.until:
                return "the time is up"
            if not self.terms.aims and any(self._tightened(trial) <= ENOUGH for trial in self.trials):
                return GOAL_MET
            points = self._proposed(count)
            if len(points) == 0:
                return "no other design is left to try"
            made = self._run([point_values(self.ranges, point) for point in points])
            for point, trial in zip(points, made, strict=True):
                if any(row.status == NoResult.STOPPED for row in trial.rows):
                    return NoResult.STOPPED
                self._add(np.asarray(point), trial)

    def _proposed(self, count: int) -> Array:
        """The next designs. While the goal is not met in the second half of the runs, one of them tries one
        bound after another alone, with all others kept: so it shows which one stops the goal, and how far.
        """
        found = propose(self.axes, self._told(), count, self.plan.seed, self._may, self.refused)
        made = sum(len(trial.rows) for trial in self.trials)
        if 2 * made < self.plan.runs or any(self._tightened(trial) <= 0.0 for trial in self.trials):
            return found
        nearest = min(self.trials, key=self._tightened)
        stopping = [place for place, by in enumerate(nearest.missed) if by + self.slack[place] > 0.0]
        if len(found) < 2 or len(stopping) < 2:
            return found
        alone = stopping[len(self.trials) // self.plan.batch % len(stopping)]
        others = self.terms.others(alone)
        told = [
            each if each.failed
            else Told(each.point, (each.bounds[alone],), tuple(each.bounds[at] for at in others))
            for each in self._told()
        ]  # fmt: skip
        other = propose(self.axes, told, 1, self.plan.seed, self._may, self.refused)
        if len(other) and np.abs(other[0] - found[:-1]).max(axis=1).min() > APART:
            found[-1] = other[0]
        return found

    def _add(self, point: Array, trial: Trial) -> None:
        best = min((self._order(each) for each in self.trials), default=(math.inf, math.inf))
        self.trials.append(trial)
        self.told.append(Told(point, trial.costs, trial.missed) if not trial.failed else Told(point))
        if self._order(trial) < best:
            made = sum(len(each.rows) for each in self.trials)
            self.study.observer.note(f"{made} of {self.plan.runs} runs: {told_of(trial, self.terms)}")

    def _order(self, trial: Trial) -> tuple[float, float]:
        """Bounds first, then the wish."""
        return max(0.0, self._tightened(trial)), math.inf if trial.failed else sum(trial.costs)

    def _told(self) -> list[Told]:
        """What is known, each bound with its slack."""
        return [
            each if each.failed else Told(each.point, each.costs, tuple(np.array(each.bounds) + self.slack))
            for each in self.told
        ]

    def _tell_present(self, present: Trial) -> None:
        """Take the case as it is into the search, where it lies within the ranges."""
        values = {asked.key: self.study.parameter(asked.key).present for asked in self.ranges}
        try:
            point = point_shares(self.ranges, values)
        except (ValueError, TypeError):
            return
        if ((point >= -1e-9) & (point <= 1.0 + 1e-9)).all() and not present.failed:
            self._add(np.clip(point, 0.0, 1.0), Trial(values, present.rows, present.costs, present.missed))

    def _may(self, point: Array) -> bool:
        """Whether a design can be at all, and has not lost before it is run."""
        values = point_values(self.ranges, point)
        key = tuple(values.values())
        if key not in self.looked:
            self.looked[key] = self._passes(values)
            if not self.looked[key]:
                self.refused.append(np.array(point))
        return self.looked[key]

    def _passes(self, values: Values) -> bool:
        try:
            case = self.study.changed(values)
            for bound in self.terms.of_keys:
                if missed(bound, float(value_at(case, bound.name))) > 0.0:
                    return False
            return self._estimates_pass(case)
        except CaseError:
            return False

    def _estimates_pass(self, case: Case) -> bool:
        """Whether the hand estimates leave the goal within reach."""
        numbers = derive(case).quantities
        strain = numbers[STRAIN].value / STRAIN_DOUBT if STRAIN in numbers else 0.0
        torque = numbers["retract_torque_least_Nmm"].value if "retract_torque_least_Nmm" in numbers else 0.0
        asked = torque / case.motor.axle_stall_torque if case.motor is not None else 0.0
        lower = {ASKED: asked, LASTS.name: strain, "retract_torque_peak_Nmm": torque}
        margin = {"retract_margin": 1.0 - asked, "deploy_margin": 1.0}
        for bound in self.terms.bounds:
            if bound.name in lower and lower[bound.name] > bound.at_most:
                return False
            if bound.name in margin and margin[bound.name] < bound.at_least:
                return False
        return True

    # ---- runs ----------------------------------------------------------------------------------------------

    @property
    def _rows_each(self) -> int:
        return 1 if self.plan.friction is None else 2

    def _run(self, designs: Sequence[Values], more: Values | None = None) -> list[Trial]:
        return run_trials(self.study, self.terms, designs, self.plan.friction, more)

    # ---- confirmation --------------------------------------------------------------------------------------

    def _tightened(self, trial: Trial) -> float:
        """By how much the worst bound is missed with the slack."""
        return math.inf if trial.failed else float((np.array(trial.missed) + self.slack).max())

    def _good(self) -> list[Trial]:
        """The best designs that keep all bounds, slack included."""
        good = [trial for trial in self.trials if self._tightened(trial) <= 0.0]
        return sorted(good, key=lambda trial: sum(trial.costs))[:CONFIRMED]

    def _finer(self, good: Sequence[Trial]) -> list[Trial]:
        self.study.observer.note(f"{len(good)} designs again, with finer elements and steps")
        made = self._run([trial.values for trial in good], finer_settings(self.study.case))
        self.finer += [one for one in made if one.values not in [two.values for two in self.finer]]
        return made

    def _tighten(self, good: Sequence[Trial], finer: Sequence[Trial]) -> None:
        """Add to each bound what the finer runs took from it."""
        for one, two in zip(good, finer, strict=True):
            if not two.failed:
                lost = np.array(two.missed) - np.array(one.missed)
                self.slack = np.maximum(self.slack, lost)


GOAL_MET = "the goal is met"


def with_shell(made: Optimised, shell: Study, plan: Plan) -> Optimised:
    """The same with the best design run as a shell; shell: a study of the same case with that model."""
    if made.best is None or not made.best.met:
        return made
    return replace(made, shell=run_trials(shell, made.terms, [made.best.values], plan.friction)[0])


def optimise(
    case: Case, vary: Mapping[str, Sequence[Any]] | None = None, plan: Plan = USUAL_PLAN, shell: bool = False,
    options: Options = USUAL, observer: Observer | None = None,
) -> Optimised:  # fmt: skip
    """Search for a design that meets the goal of a case.

    vary: key, or a name for several, -> (low, high), or a list of values; None: what the case itself says
    under `[[vary]]`. shell: whether the best design is run as a shell, too. Raises InputError for a case
    without a goal, a key that no case has, an empty range.
    """
    terms, wanted = terms_of(case), options_for(case, options)
    ranges = [asked for asked, _ in asked_ranges(case, vary)]
    with Study(case, "rod", wanted, observer) as study:
        made = optimised(study, terms, ranges, plan)
    if shell and made.met:
        with Study(case, "shell", wanted, observer) as study:
            made = with_shell(made, study, plan)
    return made
