"""Which designs to try next: few runs, several bounds, runs that fail, batches.

Cost and bounds are each a surrogate (`fem.study.surrogate`); a candidate is worth the expected improvement
over the best design that keeps all bounds (Jones, Schonlau & Welch 1998, J. Global Optim. 13:455), weighed by
the probability that it keeps them (Schonlau, Welch & Jones 1998), both in the logarithm, so that neither
vanishes far away (Ament et al. 2023, arXiv:2310.20708). While none keeps them, that probability and the
expected improvement of the worst bound take turns, which finds the nearest design where there is none.
A batch is filled by believing the mean at the points already chosen (Ginsbourger et al. 2010, kriging
believer). Values far from where it matters are drawn in (`drawn_in`), because one wild run would bend a
smooth guess everywhere. A process that classifies tells where runs fail. Two costs are weighed anew for each
batch (Knowles 2006, IEEE Trans. Evol. Comput. 10:50), which spreads the designs along the front.

What is proposed follows from what was told and the seed alone: a study that is taken up again proposes the
same. All points are shares of ranges, in the unit cube.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr
from scipy.stats import norm

from fem.core.term import Array
from fem.study.surrogate import Surrogate, fit, one_thread

FIRST, FIRST_PER_AXIS = 8, 2
"""Designs spread over the ranges before any surrogate: at least, and per axis."""
ANYWHERE, NEAR = 800, 150
"""Candidates over all ranges, and about each of the best designs at each distance."""
CENTRES = 3
"""Best designs about which candidates lie."""
DISTANCES = (0.2, 0.05, 0.0125, 0.003)
REFINED = (0.1, 0.05, 0.025, 0.012, 0.006, 0.003, 0.0015, 0.0007)
"""Distances at which the best candidates are varied, one after another."""
KEPT, CHILDREN = 8, 25
"""Candidates kept in each refinement, and the variations of each."""
APART = 1e-5
"""Designs nearer than this in every share are the same."""
BOUND_SCALE, COST_SCALE = 0.75, 0.5
"""Quantile of the distances from a bound, and from the best cost, beyond which values are drawn in."""
FAILURE_SCALE = 0.3
"""Length over which one failed run makes the next one likely, times the root of the number of axes."""
PATIENCE, MOST_REFUSED = 8, 150
"""Refused candidates after which others are looked for with what they tell; those that are remembered."""
STEPS_BACK = (0.03, 0.06, 0.12, 0.25, 0.5)
"""Shares of the way from a refused candidate back to the nearest design that ran."""
DRAWS = norm.ppf((np.random.default_rng(0).permutation(64) + 0.5) / 64.0)
"""Normal draws, evenly spread and in no order, with which the worst of several bounds is guessed."""
SLACK = 1e-6
"""Of a bound that counts as kept."""


@dataclass(frozen=True)
class Axis:
    """One coordinate. levels: shares that there are, rising, () for any; unordered: they are names."""

    levels: tuple[float, ...] = ()
    unordered: bool = False


@dataclass(frozen=True, eq=False)
class Told:
    """What came of a point (d,): costs (one or two, less is better) and bounds (<= 0 is kept), both as they
    vary most evenly, torques and strains in the logarithm; costs is () where the run failed.
    """

    point: Array
    costs: tuple[float, ...] = ()
    bounds: tuple[float, ...] = ()

    @property
    def failed(self) -> bool:
        """Whether nothing is known of it but that it failed."""
        return not self.costs or not np.isfinite([*self.costs, *self.bounds]).all()

    @property
    def kept(self) -> bool:
        """Whether all bounds are."""
        return not self.failed and all(bound <= SLACK for bound in self.bounds)

    @property
    def violation(self) -> float:
        """By how much the worst bound is missed; 0 where none is."""
        return max((0.0, *self.bounds))


Admissible = Callable[[Array], bool]
"""Whether a point (d,) may be run at all: a cheap look that runs nothing."""


def propose(
    axes: Sequence[Axis],
    told: Sequence[Told],
    count: int,
    seed: int = 1,
    admissible: Admissible | None = None,
    refused: Sequence[Array] = (),
) -> Array:
    """The next points to run, (at most count, d); fewer where no more new ones are admissible.

    The first come from a low-discrepancy sequence. refused: points that were not admissible before, which
    tell where others are not. Raises ValueError where told points have different numbers
    of bounds or costs.
    """
    may = admissible or (lambda point: True)
    known = [each for each in told if not each.failed]
    if len({(len(each.costs), len(each.bounds)) for each in known}) > 1:
        raise ValueError("designs were told with different numbers of costs or bounds")
    wanted = max(FIRST, FIRST_PER_AXIS * len(axes))
    if len(told) < wanted or len(known) < 2:
        return _spread(axes, told, count, seed, may)
    with one_thread():
        rng = np.random.default_rng([seed, len(told)])
        return _Search(axes, told, rng, refused).batch(count, may)


def _spread(axes: Sequence[Axis], told: Sequence[Told], count: int, seed: int, may: Admissible) -> Array:
    """The next points of a scrambled Sobol sequence that are new and admissible."""
    from scipy.stats import qmc

    sampler = qmc.Sobol(len(axes), rng=np.random.default_rng(seed))
    taken = [each.point for each in told]
    found: list[Array] = []
    for point in snapped(axes, sampler.random_base2(9)):
        if len(found) == count:
            break
        if _new(point, [*taken, *found]) and may(point):
            found.append(point)
    return np.array(found).reshape(-1, len(axes))


def snapped(axes: Sequence[Axis], points: Array) -> Array:
    """Points (m, d) moved to the nearest levels and into the cube."""
    moved: Array = np.clip(points, 0.0, 1.0)
    for column, axis in enumerate(axes):
        if axis.levels:
            levels = np.array(axis.levels)
            between = 0.5 * (levels[1:] + levels[:-1])
            moved[:, column] = levels[np.searchsorted(between, moved[:, column])]
    return moved


def features(axes: Sequence[Axis], points: Array) -> Array:
    """Points as a surrogate sees them: a column per share, and per name of an unordered axis."""
    columns: list[Array] = []
    for number, axis in enumerate(axes):
        share = points[:, number]
        if axis.unordered:
            columns += [np.where(np.abs(share - level) < APART, math.sqrt(0.5), 0.0) for level in axis.levels]
        else:
            columns.append(share)
    return np.stack(columns, axis=1)


def drawn_in(values: Array, middle: float, quantile: float) -> Array:
    """Values as they are near `middle` (in units of `scale_of`), as logarithms far away."""
    moved: Array = np.arcsinh((values - middle) / scale_of(values, middle, quantile))
    return moved


def scale_of(values: Array, middle: float, quantile: float) -> float:
    """Distance from `middle` that so large a share of the values keeps to; 1 where all are there."""
    scale = float(np.quantile(np.abs(values - middle), quantile))
    return scale if scale > 0.0 else 1.0


def log_improvement(best: float, mean: Array, deviation: Array) -> Array:
    """Logarithm of the expected improvement below `best` of normal values: log E max(0, best - y)."""
    z = (best - mean) / deviation
    density = norm.logpdf(z)
    with np.errstate(divide="ignore", over="ignore", under="ignore"):
        near = np.log(np.maximum(np.exp(density) + z * norm.cdf(z), 1e-300))
        low = np.minimum(z, -1.0)
        # phi + z Phi = phi (1 + z Phi / phi); far out 1 + z Phi / phi -> 1 / z^2
        share = 1.0 + low * np.exp(log_ndtr(low) - norm.logpdf(low))
        far = norm.logpdf(low) + np.where(low < -25.0, -2.0 * np.log(-low), np.log(np.maximum(share, 1e-300)))
    found: Array = np.where(z > -1.0, near, far) + np.log(deviation)
    return found


def _new(point: Array, taken: Sequence[Array]) -> bool:
    return all(float(np.abs(point - other).max()) >= APART for other in taken)


class _Search:
    """One batch: surrogates of what was told, and the search for the best candidates."""

    def __init__(
        self, axes: Sequence[Axis], told: Sequence[Told], rng: np.random.Generator, refused: Sequence[Array]
    ) -> None:
        self.axes, self.rng = axes, rng
        known = [each for each in told if not each.failed]
        self.taken = [each.point for each in told]
        points = np.array([each.point for each in known])
        kept = np.array([each.kept for each in known])
        cost = _weighed(np.array([each.costs for each in known]), kept, rng)
        bounds = np.array([each.bounds for each in known]).reshape(len(known), -1)
        best = float(cost[kept].min()) if kept.any() else float(np.median(cost))
        self.best = 0.0 if kept.any() else None
        scaled = [drawn_in(cost, best, COST_SCALE)]
        scaled += [drawn_in(column, 0.0, BOUND_SCALE) for column in bounds.T]
        self.scales = [scale_of(column, 0.0, BOUND_SCALE) for column in bounds.T]
        self.nearest = float(bounds.max(axis=1).min()) if bounds.size else 0.0
        seen = features(axes, points)
        self.fits: list[Surrogate] = [fit(seen, column, seed=len(told)) for column in scaled]
        missed = sum((np.maximum(column, 0.0) for column in scaled[1:]), np.zeros(len(known)))
        order = np.lexsort((scaled[0], np.where(kept, 0.0, missed)))
        self.centres = points[order[:CENTRES]]
        self.ran = [(each.point, each.failed) for each in told]
        self.refused = list(refused)
        self._classify()

    def _classify(self) -> None:
        """Learn where runs fail, and designs are refused."""
        marked = [*self.ran, *((point, True) for point in self.refused[-MOST_REFUSED:])]
        seen = features(self.axes, np.array([point for point, _ in marked]))
        self.sound = _classifier(seen, [failed for _, failed in marked])

    def worth(self, points: Array) -> Array:
        """Logarithm of what each of some points (m, d) promises."""
        seen = features(self.axes, points)
        value = self.sound(seen)
        guessed = [bound.predict(seen) for bound in self.fits[1:]]
        if self.best is None and len(self.taken) % 2:
            return value + self._nearer(guessed)
        for mean, deviation in guessed:
            value = value + log_ndtr(-mean / deviation)
        if self.best is None:
            return value
        return value + log_improvement(self.best, *self.fits[0].predict(seen))

    def _nearer(self, guessed: Sequence[tuple[Array, Array]]) -> Array:
        """Logarithm of the expected improvement of the worst bound, from the same draws for all points."""
        worst = np.full((len(guessed[0][0]), len(DRAWS)), -np.inf)
        for number, ((mean, deviation), scale) in enumerate(zip(guessed, self.scales, strict=True)):
            drawn = np.roll(DRAWS, 7 * number)  # another order for each bound, as they are independent
            with np.errstate(over="ignore"):
                worst = np.maximum(worst, scale * np.sinh(mean[:, None] + deviation[:, None] * drawn))
        gained = np.maximum(self.nearest - worst, 0.0).mean(axis=1)
        # where nothing is gained the mean leads back
        lost = np.minimum(np.median(worst, axis=1) - self.nearest, 1e6)
        found: Array = np.where(gained > 0.0, np.log(np.maximum(gained, 1e-300)), -700.0 - lost)
        return found

    def batch(self, count: int, may: Admissible) -> Array:
        """The best points, each chosen as if the mean had been found at those before it."""
        found: list[Array] = []
        while len(found) < count:
            point = self._next(may)
            if point is None:
                break
            found.append(point)
            self.taken.append(point)
            seen = features(self.axes, point[None])
            self.fits = [each.with_points(seen, each.predict(seen)[0]) for each in self.fits]
        return np.array(found).reshape(-1, len(self.axes))

    def _next(self, may: Admissible) -> Array | None:
        """The most promising point that is new and admissible; None where there is none."""
        for most in (PATIENCE, PATIENCE, 8 * PATIENCE):
            points = self._ranked()
            before = len(self.refused)
            for point in points:
                if not _new(point, self.taken):
                    continue
                if may(point):
                    return np.array(point)
                self.refused.append(point)
                if len(self.refused) - before >= most:
                    break
            if len(self.refused) == before:
                return None
            beside = self._beside(self.refused[before], may)
            if beside is not None:
                return beside
            self._classify()
        return None

    def _beside(self, refused: Array, may: Admissible) -> Array | None:
        """A new admissible point near a refused one, on the way to the nearest that ran: what is best often
        lies where designs begin to be refused.
        """
        ran = np.array([point for point, failed in self.ran if not failed])
        nearest = ran[np.linalg.norm(ran - refused, axis=1).argmin()]
        for share in STEPS_BACK:
            point: Array = snapped(self.axes, (refused + share * (nearest - refused))[None])[0]
            if _new(point, self.taken) and may(point):
                return point
        return None

    def _ranked(self) -> Array:
        """Candidates, the most promising first."""
        points = self._candidates()
        pools = [points]
        value = self.worth(points)
        for distance in REFINED:
            top = points[np.argsort(-value, kind="stable")[:KEPT]]
            moved = np.repeat(top, CHILDREN, axis=0)
            moved = moved + distance * self.rng.standard_normal(moved.shape)
            points = np.vstack([top, snapped(self.axes, moved)])
            value = self.worth(points)
            pools.append(points[:KEPT])
        points = np.vstack([points, *reversed(pools)])
        return np.array(points[np.argsort(-self.worth(points), kind="stable")])

    def _candidates(self) -> Array:
        size = len(self.axes)
        pools = [self.rng.random((ANYWHERE, size))]
        for centre in self.centres:
            for distance in DISTANCES:
                # a few axes at a time: most of the best moves leave the others as they are
                moves = self.rng.random((NEAR, size)) < max(0.3, min(1.0, 3.0 / size))
                moves[np.arange(NEAR), self.rng.integers(size, size=NEAR)] = True
                pools.append(centre + distance * moves * self.rng.standard_normal((NEAR, size)))
        jumped = np.repeat(self.centres, NEAR, axis=0)
        for number, axis in enumerate(self.axes):
            if axis.levels:
                levels = self.rng.choice(np.array(axis.levels), len(jumped))
                jumped[:, number] = np.where(self.rng.random(len(jumped)) < 0.5, levels, jumped[:, number])
        return snapped(self.axes, np.vstack([*pools, jumped]))


def _weighed(costs: Array, kept: Array, rng: np.random.Generator) -> Array:
    """One cost of one or two (n, k): the larger of both in random proportion, each over its own range."""
    if costs.shape[1] == 1:
        only: Array = costs[:, 0]
        return only
    among = costs[kept] if kept.sum() > 1 else costs
    low, high = among.min(axis=0), among.max(axis=0)
    shares = (costs - low) / np.where(high > low, high - low, 1.0)
    first = rng.random()
    weights = np.array([first, 1.0 - first])
    weighed: Array = (weights * shares).max(axis=1) + 0.05 * (weights * shares).sum(axis=1)
    return weighed


def _classifier(seen: Array, failed: Sequence[bool]) -> Callable[[Array], Array]:
    """Logarithm of the probability that a run gives numbers; 0 while none has failed."""
    if not any(failed):
        return lambda points: np.zeros(len(points))
    from sklearn.gaussian_process import GaussianProcessClassifier
    from sklearn.gaussian_process.kernels import RBF, ConstantKernel

    kernel = ConstantKernel(4.0) * RBF(FAILURE_SCALE * math.sqrt(seen.shape[1]))
    process = GaussianProcessClassifier(kernel, optimizer=None).fit(seen, np.array(failed, dtype=int))
    return lambda points: np.log(np.maximum(process.predict_proba(points)[:, 0], 1e-12))
