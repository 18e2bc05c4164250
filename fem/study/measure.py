"""How far a design is from a border, as one number that runs smoothly through it: below 0 inside, above 0
outside.

The border of coming out is where the logarithm of what is asked for, over what the motor has, passes 0: it
knows no jump there, while the status does. Bounds of a goal are measured as shares of themselves.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from fem.case.definition import Case
from fem.case.study_tables import QUANTITIES, Bound, Goal
from fem.core.errors import InputError
from fem.study.parameters import value_at
from fem.study.study import Options
from fem.study.table import PRESSED, Row


@dataclass(frozen=True)
class Reading:
    """What a row says about a border. inside: which side it is on, None: it does not say; distance: from it,
    nan where only the side is known; exact: whether the distance can be interpolated; bound: the name of
    the one that is nearest to being passed, or is passed farthest, where there are several.
    """

    inside: bool | None
    distance: float = math.nan
    exact: bool = False
    bound: str = ""


@dataclass(frozen=True)
class Measure:
    """A border. words: what happens on its other side; read: where a row lies."""

    words: str
    read: Callable[[Row], Reading]


def _comes_out(row: Row) -> Reading:
    asked = row.asked
    distance = math.log(asked) if asked > 0.0 else math.nan
    exact = math.isfinite(distance) and not row.at_least and (distance <= 0.0) == bool(row.went)
    return Reading(row.went, distance, exact)


COMES_OUT = Measure("it comes out no more", _comes_out)


def goal_measure(case: Case) -> Measure:
    """The border of all bounds of a case's goal, coming out included. Raises InputError where it has none."""
    goal = case.goal
    if goal is None or not goal.bounds:
        advice = "write [goal] with deploy_margin = { at_least = 0.3 }"
        raise InputError(f"{case.name}: has no bounds to look for; {advice}")
    known(case, goal)

    def read(row: Row) -> Reading:
        here = _comes_out(row)
        if row.went is None:
            return here
        found = [here, *(_bounded(case, bound, row) for bound in goal.bounds)]
        if any(one.inside is None for one in found):
            return Reading(None)
        worst = max(found, key=lambda one: (not one.inside, one.distance))
        return replace(worst, inside=all(one.inside for one in found))

    return Measure("the goal is missed", read)


def known(case: Case, goal: Goal) -> None:
    """Raise InputError where a goal names a key that the case has not."""
    for name in (*(bound.name for bound in goal.bounds), *(aim.name for aim in goal.aims)):
        if name not in QUANTITIES and value_at(case, name) is None:
            raise InputError(
                f"{case.name}: goal.{name}: the case has no such key, nor has a run such a number"
            )


def value_of(case: Case, row: Row, name: str) -> float:
    """A number of a run, or of a key of the changed case; nan where there is none."""
    value = row.number(name)
    if math.isnan(value) and name not in QUANTITIES:
        found = value_at(case, name)
        value = float(found) if isinstance(found, int | float) else math.nan
    return value


def _bounded(case: Case, bound: Bound, row: Row) -> Reading:
    value = value_of(case, row, bound.name)
    margin = bound.margin(value)
    if math.isnan(margin):
        return Reading(None)
    nearest = bound.at_least if value - bound.at_least < bound.at_most - value else bound.at_most
    return Reading(margin >= 0.0, -margin / max(abs(nearest), 1e-3), not row.at_least, bound.name)


def options_for(case: Case, options: Options) -> Options:
    """Options under which every number that the goal of a case names is computed."""
    goal = case.goal
    names: set[str] = set()
    if goal is not None:
        names = {bound.name for bound in goal.bounds} | {aim.name for aim in goal.aims}
    wanted = options.wanted
    if "safe_travel_mm" in names:
        wanted = replace(wanted, safe_travel=True)
    return replace(options, wanted=wanted, stiffness=options.stiffness or bool(names & PRESSED.keys()))
