"""Whether a piece of strip winds into one even arc, or folds in places and stays all but straight between.

Between the curvature of the straight part and that of a fold (Maxwell's common tangent, `section_model.fold`)
an even arc stores more energy than the two side by side: a long strip gives way to folds there, and carries
their steady moment instead of the arc's.
"""

from __future__ import annotations

from dataclasses import dataclass

from fem.case.definition import Case
from fem.case.estimate import Place, characteristic_places
from fem.results.result import Quantity
from fem.section_model.fold import Fold, fold, moment_curve
from fem.section_model.moment_curvature import state_at


@dataclass(frozen=True)
class UnevenArc:
    """A place of a strip that is no even arc at a radius [mm]: moment [N mm] of the even arc there, fold."""

    place: Place
    radius: float
    even_moment: float
    fold: Fold

    def sentence(self) -> str:
        """What a reader of the result must know."""
        tight, wide = (
            f"{1.0 / abs(curvature):.3g} mm {'toward' if curvature > 0.0 else 'away from'} the axle"
            for curvature in (self.fold.steady.fold_curvature, self.fold.steady.straight_curvature)
        )
        even, steady = (f"{moment.value:.3g} N mm" for moment in self.quantities().values())
        return (
            f"at radius {self.radius:.3g} mm the strip ({self.place.name}) is no uniform arc: it folds to "
            f"radius {tight} in places and lies at radius {wide} between them. A uniform arc would take "
            f"{even}, folds that have formed take {steady}"
        )

    def quantities(self) -> dict[str, Quantity]:
        """Both moments."""
        note = "in folds that have formed; the strip is all but straight between them"
        steady = self.fold.steady.moment * self.fold.direction
        return {
            "moment_uniform_Nmm": Quantity(
                self.even_moment, "N mm", "of a uniform arc, which would give way"
            ),
            "moment_steady_Nmm": Quantity(steady, "N mm", note),
        }


def uneven_arc(case: Case, radius: float) -> UnevenArc | None:
    """The first place, from the root on, at which the strip of a case is no even arc of a radius [mm] toward
    the axle; None if it is one all along.
    """
    for place in characteristic_places(case):
        problem, curvature = place.problem, 1.0 / radius
        direction = 1 if curvature > problem.rest_curvature else -1
        curve = moment_curve(problem)
        found = fold(curve, direction)
        if found is None:
            continue
        ends = sorted((found.steady.straight_curvature, found.steady.fold_curvature))
        if ends[0] < curvature < ends[1]:  # never where a fold does not settle: its curvatures are nan
            even = state_at(problem.model, curve.loading.nearest(curvature), curvature)
            return UnevenArc(place, radius, even.moment, found)
    return None
