"""The goal of a case as numbers that a search works with: a cost to lower, and bounds that are kept below 0.

Torques, strains, stiffnesses and sizes vary most evenly in their logarithm, and so does what a margin leaves
out: a motor with 30 % in hand is asked for 70 %. A bound is then log(value / bound) or its negative, and says
by which share it is missed. Two bounds stand in every goal unless it sets others for the same: a design that
asks for more than the motor has does not go in, or not come out, and one strained beyond the limit of its
material does not last.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from fem.case.definition import Case
from fem.case.study_tables import QUANTITIES, Aim, Bound, Goal
from fem.core.errors import InputError
from fem.study.measure import known, value_of
from fem.study.table import ASKED, Row

MARGINS = {"deploy_margin", "retract_margin"}
"""Shares of the motor's torque that are left: their logarithm is that of what is not left."""
STRAINS = {"strain_share_working", "deploy_strain_share", "retract_strain_share"}
TORQUES = MARGINS | {ASKED}
COMES_OUT = Bound(ASKED, at_most=1.0)
LASTS = Bound("strain_share_working", at_most=1.0)
LEAST = 1e-9
"""Below this share of its bound a number is as good as nothing."""


@dataclass(frozen=True)
class Terms:
    """What is asked of a design. bounds: all that must be kept, those understood by themselves included;
    aims: what to make small or large; with none, the design that keeps its worst bound best is wanted.
    """

    case: Case
    bounds: tuple[Bound, ...]
    aims: tuple[Aim, ...]

    @property
    def of_keys(self) -> tuple[Bound, ...]:
        """Bounds that no run is needed for: those of keys of the case."""
        return tuple(bound for bound in self.bounds if bound.name not in QUANTITIES)

    def others(self, place: int) -> tuple[int, ...]:
        """Places of the bounds that another one leaves standing when it is given up: those on the same thing
        (torque against the motor, strain against the limit) go with it.
        """
        name = self.bounds[place].name
        group = next((group for group in (TORQUES, STRAINS) if name in group), {name})
        return tuple(at for at, bound in enumerate(self.bounds) if bound.name not in group)

    def values(self, row: Row) -> tuple[float, ...]:
        """The numbers that bounds are on, in their order; nan where a run has none."""
        return tuple(value_of(self.case, row, bound.name) for bound in self.bounds)

    def missed(self, row: Row) -> tuple[float, ...]:
        """By how much each bound is missed, in the logarithm; <= 0 where it is kept."""
        return tuple(missed(bound, value) for bound, value in zip(self.bounds, self.values(row), strict=True))

    def costs(self, row: Row) -> tuple[float, ...]:
        """One number per aim, less is better; without any aim, by how much the worst bound is missed."""
        if not self.aims:
            return (largest(self.missed(row)),)
        return tuple(aim.sense * scaled(aim.name, value_of(self.case, row, aim.name)) for aim in self.aims)


def terms_of(case: Case) -> Terms:
    """What the goal of a case asks. Raises InputError for a case without a goal, one whose goal names a key
    that it has not, and one that cannot be met whatever the design.
    """
    goal = case.goal
    if goal is None or not (goal.bounds or goal.aims):
        raise InputError(
            f"{case.name}: has no goal; write [goal] with a bound, as deploy_margin = {{ at_least = 0.3 }}, "
            'or a wish, as minimise = "casing.radius"'
        )
    known(case, goal)
    for bound in goal.bounds:
        if bound.name in MARGINS and bound.at_least >= 1.0:
            raise InputError(
                f"{case.name}: goal.{bound.name}: at_least = {bound.at_least:g} leaves the strip nothing; "
                "write a share of the motor's torque below 1"
            )
        if bound.name in MARGINS and case.motor is None:
            raise InputError(f"{case.name}: goal.{bound.name}: the case has no motor; add the table [motor]")
    return Terms(case, _all_bounds(goal), goal.aims)


def _all_bounds(goal: Goal) -> tuple[Bound, ...]:
    """The bounds of a goal with those that are understood by themselves."""
    named = {bound.name for bound in goal.bounds if not math.isinf(bound.at_most)}
    out = any(bound.name == ASKED and bound.at_most <= 1.0 for bound in goal.bounds)
    added = [] if out else [COMES_OUT]
    if not named & STRAINS:
        added.append(LASTS)
    return (*added, *goal.bounds)


def scaled(name: str, value: float) -> float:
    """A number as it varies most evenly: its logarithm, of a margin that of what is not left."""
    if name in MARGINS:
        return -math.log(max(1.0 - value, LEAST))
    return math.log(value) if value > 0.0 else value


def missed(bound: Bound, value: float) -> float:
    """By how much a value misses a bound, in the logarithm where both are above 0; nan for nan."""
    if math.isnan(value):
        return math.nan
    if bound.name in MARGINS:
        asked = max(1.0 - value, LEAST)
        most, least = 1.0 - bound.at_least, 1.0 - bound.at_most
        return max(_above(asked, most), _above(least, asked))
    return max(_above(value, bound.at_most), _above(bound.at_least, value))


def _above(value: float, most: float) -> float:
    """log(value / most), or the plain difference where one of them is not above 0."""
    if math.isinf(most) or math.isinf(value):
        return -math.inf
    if value > 0.0 and most > 0.0:
        return math.log(value / most)
    return value - most


def worst(rows: Sequence[Row], terms: Terms) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Costs and missed bounds of a design that was run under several conditions: the worst of each."""
    costs = tuple(largest(column) for column in zip(*(terms.costs(row) for row in rows), strict=True))
    bounds = tuple(largest(column) for column in zip(*(terms.missed(row) for row in rows), strict=True))
    return costs, bounds


def largest(values: Sequence[float]) -> float:
    """The largest; nan where one of them is nan."""
    return math.nan if any(math.isnan(value) for value in values) else max(values)


def in_words(bound: Bound) -> str:
    """`deploy_margin at least 0.3`."""
    sides = []
    if not math.isinf(bound.at_least):
        sides.append(f"at least {bound.at_least:g}")
    if not math.isinf(bound.at_most):
        sides.append(f"at most {bound.at_most:g}")
    return f"{bound.name} {' and '.join(sides)}"
