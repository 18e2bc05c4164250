"""Closing in on the borders of one number of a design, from both sides, in few runs.

What is closed in on is a distance that runs smoothly through 0 at the border (`fem.study.measure`), not the
side, which jumps. Where a side has numbers to go by, the next run is placed by inverse interpolation and the
one after just beyond it; where not, in the middle. A run without a verdict is gone around.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from fem.study.measure import Measure, Reading
from fem.study.parameters import Parameter
from fem.study.study import Study
from fem.study.table import Row

WITHIN = 0.01
"""To which a crossing is found: two runs on either side lie at most twice this apart."""
MOST = 24
"""Runs for one key."""
MOST_UNKNOWN = 2
"""Runs without a verdict between two sides after which no more is tried there."""


class Axis:
    """Values on a scale on which equal steps mean equal shares; of values that may be 0 or less, the values
    themselves. step: of which a crossing is to be closed in.
    """

    def __init__(self, low: float, high: float) -> None:
        self.shares = low > 0.0
        self.step = math.log(1.0 + 2.0 * WITHIN) if self.shares else 2.0 * WITHIN * (high - low)

    def to(self, value: float) -> float:
        return math.log(value) if self.shares else value

    def back(self, place: float) -> float:
        return float(f"{math.exp(place) if self.shares else place:.6g}")


@dataclass
class Seen:
    """A value with what its row says."""

    place: float
    value: float
    row: Row
    reading: Reading


@dataclass
class Search:
    """Rows of one key by their place."""

    study: Study
    measure: Measure
    parameter: Parameter
    axis: Axis
    most: int
    seen: list[Seen] = field(default_factory=list)

    def look(self, values: Sequence[float]) -> None:
        """Run designs with these values."""
        fresh = [value for value in dict.fromkeys(values) if all(value != one.value for one in self.seen)]
        rows = self.study.run([self._design(value) for value in fresh[: max(0, self.most - len(self.seen))]])
        self.seen += [
            Seen(self.axis.to(value), value, row, self.measure.read(row))
            for value, row in zip(fresh, rows, strict=False)
        ]
        self.seen.sort(key=lambda one: one.place)

    def _design(self, value: float) -> dict[str, float]:
        return {} if value == self.parameter.number else {self.parameter.name: value}

    @property
    def known(self) -> list[Seen]:
        """What has a verdict, in rising order."""
        return [one for one in self.seen if one.reading.inside is not None]

    @property
    def brackets(self) -> list[tuple[Seen, Seen]]:
        """Neighbours on different sides of the border."""
        return [
            (one, other)
            for one, other in itertools.pairwise(self.known)
            if one.reading.inside != other.reading.inside
        ]

    @property
    def spent(self) -> bool:
        """Whether there is no run left."""
        return len(self.seen) >= self.most or self.study.stopping


def look_between(search: Search) -> None:
    """Look in the middle of neighbours that are both outside, for different bounds: there may be a range
    between them in which both are kept.
    """
    pairs = [
        (one, other)
        for one, other in itertools.pairwise(search.known)
        if not (one.reading.inside or other.reading.inside) and one.reading.bound != other.reading.bound
    ]
    search.look([search.axis.back(0.5 * (one.place + other.place)) for one, other in pairs])


def close_in(search: Search, low: float, high: float) -> None:
    """Run designs between two places on different sides until these are as close as wanted."""
    while not search.spent:
        wide = [
            (one, other)
            for one, other in search.brackets
            if one.place >= low and other.place <= high
            and other.place - one.place > search.axis.step * (1.0 + 1e-6)
        ]  # fmt: skip
        pair = next((two for two in wide if len(_between(search, two)) <= MOST_UNKNOWN), None)
        if pair is None:
            return
        silent = _between(search, pair)
        before = len(search.seen)
        places = _apart(pair, silent) if silent else _next_places(search, pair)
        search.look([search.axis.back(place) for place in places])
        if len(search.seen) == before:
            return


def _between(search: Search, pair: tuple[Seen, Seen]) -> list[Seen]:
    """What was run between two neighbours and has no verdict."""
    return [one for one in search.seen if pair[0].place < one.place < pair[1].place]


def _apart(pair: tuple[Seen, Seen], between: Sequence[Seen]) -> list[float]:
    """The middle of the widest gap that places without a verdict leave."""
    places = [pair[0].place, *(one.place for one in between), pair[1].place]
    low, high = max(itertools.pairwise(places), key=lambda gap: gap[1] - gap[0])
    return [0.5 * (low + high)]


def _next_places(search: Search, pair: tuple[Seen, Seen]) -> list[float]:
    """Where to look next between two neighbours on different sides."""
    low, high = pair[0].place, pair[1].place
    width, step = high - low, search.axis.step
    root = _root(search, pair)
    if root is None:
        return [0.5 * (low + high)]
    margin = 0.46 * step
    if search.study.options.at_a_time > 1:  # both sides at once close it in one go
        return [min(max(root + way * margin, low + 0.05 * width), high - 0.05 * width) for way in (-1.0, 1.0)]
    # close to an end: look just beyond the root, so that what remains is as narrow as wanted
    if root - low <= 0.96 * step:
        return [low + 0.98 * step]
    if high - root <= 0.96 * step:
        return [high - 0.98 * step]
    return [min(max(root, low + 0.1 * width), high - 0.1 * width)]


def _root(search: Search, pair: tuple[Seen, Seen]) -> float | None:
    """Where the distance passes 0 between two neighbours, by inverse interpolation through the nearest places
    whose distance is known; by going on from one side where only that has any. None: nothing to go by.
    """
    low, high = pair
    exact = [one for one in search.known if one.reading.exact]
    near = sorted(exact, key=lambda one: abs(one.place - 0.5 * (low.place + high.place)))
    ends = [one for one in pair if one.reading.exact]
    chosen = [*ends, *(one for one in near if one not in ends)][:3]
    points = [(one.reading.distance, one.place) for one in chosen]
    for count in (3, 2):
        if len(points) >= count and _monotone(points[:count]):
            place = _interpolated(points[:count])
            if low.place < place < high.place:
                return place
    return None


def _monotone(points: Sequence[tuple[float, float]]) -> bool:
    """Whether place and distance rise together, or one falls as the other rises."""
    ordered = sorted(points)
    steps = [b[1] - a[1] for a, b in itertools.pairwise(ordered)]
    gaps = [b[0] - a[0] for a, b in itertools.pairwise(ordered)]
    return min(gaps) > 1e-9 and (min(steps) > 0.0 or max(steps) < 0.0)


def _interpolated(points: Sequence[tuple[float, float]]) -> float:
    """Place at distance 0 of the polynomial through (distance, place) (Lagrange's form)."""
    total = 0.0
    for number, (distance, place) in enumerate(points):
        weight = 1.0
        for other, (apart, _) in enumerate(points):
            if other != number:
                weight *= apart / (apart - distance)
        total += weight * place
    return total
