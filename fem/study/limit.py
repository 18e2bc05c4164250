"""How far a design is from the cliff: the values of one of its numbers at which it comes out no more.

A coarse scan about the present value tells every crossing that it can see; each is then closed in on until
two runs, one on either side, lie 2 % apart, so that the value between them is known to 1 %. What is closed
in on is not the status, which jumps, but the logarithm of what is asked for over what there is, which passes
through 0: where a side has numbers to go by, the next run is placed by inverse interpolation and the one
after just beyond it, else in the middle.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from fem.case.definition import Case
from fem.core.errors import CaseError, InputError
from fem.results.result import to_json
from fem.study.closing_in import MOST, Axis, Search, Seen, close_in, look_between
from fem.study.measure import COMES_OUT, Measure, goal_measure, options_for
from fem.study.parameters import Parameter
from fem.study.study import USUAL, Options, Study
from fem.study.table import SCHEMA, Row

SPREAD = 1.6
"""From one value of the scan to the next."""
SIDES = 2
"""Values of the scan on each side of the present one."""
FARTHER = 2
"""Further values on the side where the border must lie, where the scan does not reach it."""
USUAL_KEYS = ("friction", "thickness", "casing", "bend", "motor")


@dataclass(frozen=True)
class Crossing:
    """A border: the last value inside and the first outside, with their rows; closed: they are as close as
    was wanted.
    """

    inside: float
    outside: float
    row_inside: Row
    row_outside: Row
    closed: bool

    @property
    def value(self) -> float:
        """Between the two; in proportion where both are above 0."""
        if min(self.inside, self.outside) > 0.0:
            return math.sqrt(self.inside * self.outside)
        return 0.5 * (self.inside + self.outside)

    @property
    def upward(self) -> bool:
        """Whether it is a larger value that lies outside."""
        return self.outside > self.inside


@dataclass(frozen=True)
class Limit:
    """What was found for one key. present: its value in the case; holds: whether the case is inside, None:
    not known; crossings in rising order; low, high: what was looked at; runs: made or found for it; unknown:
    values that have no verdict, with the reason.
    """

    case: str
    name: str
    unit: str
    present: float
    holds: bool | None
    crossings: tuple[Crossing, ...]
    low: float
    high: float
    runs: int
    words: str = COMES_OUT.words
    unknown: tuple[tuple[float, str], ...] = ()
    rows: tuple[Row, ...] = field(default=(), repr=False)

    @property
    def nearest(self) -> Crossing | None:
        """The crossing nearest the present value."""
        return min(self.crossings, key=lambda one: abs(self._away(one)), default=None)

    @property
    def in_hand(self) -> float:
        """How far off the nearest crossing is, as a share of the present value: > 0 in hand, < 0 lacking, inf
        where there is no crossing; nan where the case itself has no verdict.
        """
        nearest = self.nearest
        if self.holds is None:
            return math.nan
        if nearest is None:
            return math.inf if self.holds else -math.inf
        away = abs(self._away(nearest))
        return away if self.holds else -away

    def _away(self, crossing: Crossing) -> float:
        scale = abs(self.present) or max(abs(self.high - self.low), 1e-12)
        return (crossing.value - self.present) / scale


def limit_of(
    study: Study, name: str, span: tuple[float, float] | None = None, measure: Measure = COMES_OUT,
    most: int = MOST,
) -> Limit:  # fmt: skip
    """Where a design comes out no more (or leaves another `measure`), for one key or name.

    span: values to look between; None: about the present value, by SPREAD. Raises InputError for a name that
    means nothing or has no number in this case.
    """
    one = study.parameter(name)
    values = _scan(study, one, span)
    search = Search(study, measure, one, Axis(values[0], values[-1]), most)
    search.look(values)
    if span is None:
        _look_farther(search)
    look_between(search)
    for low, high in search.brackets:
        close_in(search, low.place, high.place)
    present = next((seen.reading.inside for seen in search.seen if seen.value == one.number), None)
    if present is None and not math.isnan(one.number):
        present = _side_at(search, search.axis.to(one.number) if one.number > 0.0 else one.number)
    return Limit(
        study.case.name, name, one.unit, one.number, present,
        tuple(_crossing(search, pair) for pair in search.brackets),
        search.seen[0].value, search.seen[-1].value, len(search.seen), measure.words,
        tuple((seen.value, seen.row.sentence) for seen in search.seen if seen.reading.inside is None),
        tuple(seen.row for seen in search.seen),
    )  # fmt: skip


def _side_at(search: Search, place: float) -> bool | None:
    """The side of a place between two runs that agree about it."""
    below = [one for one in search.known if one.place <= place]
    above = [one for one in search.known if one.place >= place]
    if below and above and below[-1].reading.inside == above[0].reading.inside:
        return below[-1].reading.inside
    return None


def _scan(study: Study, one: Parameter, span: tuple[float, float] | None) -> list[float]:
    """Values to begin with, in rising order; ends at which the case cannot be are drawn in."""
    if span is not None:
        low, high = span
        if not low < high:
            raise InputError(f"--range {low:g}:{high:g}: is empty; write the smaller number first")
        axis = Axis(low, high)
        count = 2 * SIDES
        inside = [axis.to(low) + (axis.to(high) - axis.to(low)) * part / count for part in range(count + 1)]
        values = [axis.back(place) for place in inside]
        if low < one.number < high:
            values.append(one.number)
    else:
        if math.isnan(one.number):
            raise InputError(
                f"{study.case.name}: {one.name} has no number in this case; say where to look with "
                "--range LOW:HIGH"
            )
        if one.number <= 0.0:
            raise InputError(
                f"{study.case.name}: {one.name} is {one.number:g}, about which nothing can be scanned by "
                "shares; say where to look with --range LOW:HIGH"
            )
        powers = range(-SIDES, SIDES + 1)
        values = [_rounded(one.number * SPREAD**power) if power else one.number for power in powers]
    return _possible(study, one, sorted(set(values)))


def _rounded(value: float) -> float:
    return float(f"{value:.6g}")


def _possible(study: Study, one: Parameter, values: list[float]) -> list[float]:
    """The values with which the case can be read; ends that cannot be are drawn in to where they can."""
    fits = [value for value in values if _fits(study, one, value)]
    if not fits:
        raise InputError(
            f"{study.case.name}: {one.name} cannot be anywhere from {values[0]:g} to {values[-1]:g}; "
            f"{_why_not(study, one, values[0])}"
        )
    below = [value for value in values if value < fits[0]]
    above = [value for value in values if value > fits[-1]]
    ends = [_last_that_fits(study, one, fits[0], below[-1])] if below else []
    ends += [_last_that_fits(study, one, fits[-1], above[0])] if above else []
    return sorted({*fits, *ends})


def _fits(study: Study, one: Parameter, value: float) -> bool:
    return not _why_not(study, one, value)


def _why_not(study: Study, one: Parameter, value: float) -> str:
    """Why the case cannot have a value; "" where it can."""
    try:
        study.changed({one.name: value})
    except CaseError as problem:
        return problem.faults[0].message
    return ""


def _last_that_fits(study: Study, one: Parameter, inner: float, outer: float) -> float:
    """Between a value with which a case can be read and one with which it cannot, one close to the edge."""
    for _ in range(7):
        middle = _rounded(0.5 * (inner + outer))
        inner, outer = (middle, outer) if _fits(study, one, middle) else (inner, middle)
    return inner


def _look_farther(search: Search) -> None:
    """Go on beyond the scan where it saw no border, to the side on which it comes nearer."""
    for _ in range(FARTHER):
        known = search.known
        if search.brackets or len(known) < 2 or search.spent:
            return
        sign = 1.0 if known[0].reading.inside else -1.0
        rising = sign * (known[-1].reading.distance - known[0].reading.distance) > 0.0
        edge = search.seen[-1] if rising else search.seen[0]
        ahead = _rounded(edge.value * (SPREAD if rising else 1.0 / SPREAD))
        if edge.reading.inside is None or not _fits(search.study, search.parameter, ahead):
            return
        search.look([ahead])


def _crossing(search: Search, pair: tuple[Seen, Seen]) -> Crossing:
    inside, outside = pair if pair[0].reading.inside else (pair[1], pair[0])
    closed = abs(outside.place - inside.place) <= search.axis.step * (1.0 + 1e-6)
    return Crossing(inside.value, outside.value, inside.row, outside.row, closed)


def limits_of(
    study: Study, names: Sequence[str] = (), measure: Measure = COMES_OUT
) -> tuple[list[Limit], list[str]]:
    """Limits of several names, the tightest first; without any, of USUAL_KEYS. Also why some were left out.

    Raises InputError for a name that was asked for and means nothing.
    """
    made, left_out = [], []
    for name in names or USUAL_KEYS:
        if study.stopping:
            break
        try:
            made.append(limit_of(study, name, measure=measure))
        except InputError as problem:
            if names:
                raise
            left_out.append(str(problem))
    return sorted(made, key=_tightness), left_out


def sentence_of(one: Limit) -> str:
    """What was found, in a sentence to act on."""
    unit = f" {one.unit}" if one.unit else ""
    nearest = one.nearest
    if nearest is None:
        where = f"from {one.low:.4g} to {one.high:.4g}{unit}"
        if not one.rows or all(row.went is None for row in one.rows):
            return f"no verdict anywhere {where}"
        sides = {True: "it holds all the way", False: "it does not hold anywhere", None: "no border seen"}
        return f"{sides[one.holds]} {where}"
    ends = []
    for crossing in one.crossings:
        word = "up to" if crossing.upward else "from"
        ends.append(f"{word} {_told(crossing)}{unit}{'' if crossing.closed else ' (not closed in)'}")
    have = f"; you have {one.present:.4g}" if not math.isnan(one.present) else ""
    hand = abs(one.in_hand)
    if one.holds and have:
        have += f", {_share(hand)} in hand"
    elif one.holds is False and have:
        have += f", {_share(hand)} " + ("too much" if nearest.value < one.present else "too little")
    return ", ".join(ends) + have


def _told(crossing: Crossing) -> str:
    """The border to the digits that are known, or what it lies between."""
    if crossing.closed:
        return f"{crossing.value:.3g}"
    low, high = sorted((crossing.inside, crossing.outside))
    return f"between {low:.3g} and {high:.3g}"


def _share(share: float) -> str:
    return f"{100.0 * share:.2g} %" if share < 1.0 else f"{share:.2g} times"


def limits_document(made: Sequence[Limit], single: bool) -> Any:
    """The document of `limit --json`; single: of one key, else a list of such under `keys`."""
    if not made:
        return {"schema": SCHEMA, "case": None, "keys": [], "runs": 0}
    found = [_entry(one) for one in made]
    head = {"schema": SCHEMA, "case": made[0].case}
    if single:
        return to_json(head | found[0])
    return to_json(head | {"keys": found, "runs": sum(one.runs for one in made)})


def _entry(one: Limit) -> dict[str, Any]:
    return {
        "key": one.name, "value": one.present, "unit": one.unit, "holds": one.holds,
        "limits": [
            {
                "value": crossing.value, "inside": crossing.inside, "outside": crossing.outside,
                "upward": crossing.upward, "closed": crossing.closed,
                "status_inside": crossing.row_inside.status, "status_outside": crossing.row_outside.status,
            }
            for crossing in one.crossings
        ],
        "in_hand": one.in_hand, "scanned": [one.low, one.high], "runs": one.runs,
        "unknown": [{"value": value, "reason": reason} for value, reason in one.unknown],
        "sentence": sentence_of(one),
    }  # fmt: skip


def _tightness(one: Limit) -> float:
    return math.inf if math.isnan(one.in_hand) else abs(one.in_hand)


def limit(
    case: Case, name: str, span: tuple[float, float] | None = None, goal: bool = False,
    options: Options = USUAL, model: str = "rod",
) -> Limit:  # fmt: skip
    """How far one number of a design is from where it comes out no more.

    name: a key of the case, or one of `fem.study.parameters.NAMED`; span: values to look between, None: about
    the present one; goal: look for where a bound of the case's goal is passed instead. Raises InputError for
    a name that means nothing, an empty span, or a case without a goal.
    """
    measure = goal_measure(case) if goal else COMES_OUT
    with Study(case, model, options_for(case, options) if goal else options) as study:
        return limit_of(study, name, span, measure)
