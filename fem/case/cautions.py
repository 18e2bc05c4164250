"""What is unusual in a case and still possible: sentences for `check`, none of them a fault.

Each caution looks at a whole `Case` and yields what to know before a run. To add one, write a function and
put it in `CAUTIONS`; geometry that cannot exist is a rule instead (`fem.case.rules`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from fem.case.definition import Case
from fem.case.place_rules import RestLine, clear_gap, reentry, rest_lines
from fem.case.plane_shapes import clear_of
from fem.design.obstacle import Wall

TIGHT_SLOT = 1.05
"""Gap of a slot over the thickness below which burr, glue or swelling closes it (common practice, no
source).
"""
MOST_RUBBING = 1.0
"""Hardly any pair of materials for this job rubs harder (common practice, no source)."""


def obstacle_in_the_way(case: Case) -> Iterator[str]:
    """An obstacle that the strip at rest lies in pushes it aside."""
    if not case.surrounded:
        return
    lines = _lines(case)
    for number, obstacle in enumerate(case.obstacles, 1):
        walls = obstacle.walls(0.0)
        depths = [0.5 * case.strip.thickness - _least(walls, line) for line in lines]
        if min(depths) > 0.0:
            yield (
                f"The strip at rest lies {min(depths):.2g} mm deep in obstacles[{number}] "
                f"({type(obstacle).__name__.lower()}): it is pushed aside by that from the start."
            )
        clear = clear_gap(walls, case.housing)
        if clear < case.slot.gap:
            yield (
                f"obstacles[{number}] ({type(obstacle).__name__.lower()}) reaches into the slot and leaves "
                f"{clear:.2g} of its {case.slot.gap:g} mm."
            )


def strip_against_the_casing(case: Case) -> Iterator[str]:
    """Outside the slot a strip bent back at rest lies against the casing."""
    if not case.surrounded:
        return
    found = [reentry(line, case.casing, 2.0 * case.slot.lip) for line in _lines(case)]
    if all(station is not None for station in found):
        yield (
            f"The strip at rest bends back into the wall of the casing, {found[-1]:.3g} mm from the root: it "
            "lies against it from outside."
        )


def slot_as_tight_as_the_strip(case: Case) -> Iterator[str]:
    """A slot hardly wider than the strip."""
    if case.surrounded and case.slot.gap < TIGHT_SLOT * case.strip.thickness:
        yield (
            f"The slot is {case.slot.gap:g} mm wide, within {100 * (TIGHT_SLOT - 1):.0f} % of the strip's "
            f"{case.strip.thickness:g} mm: burr, glue or swelling closes it."
        )


def slot_past_the_casing(case: Case) -> Iterator[str]:
    """A slot one edge of which lies outside the casing."""
    beyond = case.housing.edge_beyond
    if case.surrounded and beyond > 1e-9 * case.casing.radius:
        yield (
            f"One edge of the slot lies {beyond:.2g} mm outside the casing of {case.casing.radius:g} mm: the "
            "casing has no wall on that side of it."
        )


def lips_longer_than_the_slot(case: Case) -> Iterator[str]:
    """Lips so large that the slot is longer than it is told to be."""
    end = case.housing.end_of_lips
    if case.surrounded and end > case.slot_mouth + case.strip.thickness:
        yield (
            f"The slot's lips of {case.slot.lip:g} mm reach {end:.3g} mm from the axle, past its mouth at "
            f"{case.slot_mouth:g} mm: the strip is free only beyond them."
        )


def narrower_than_thick(case: Case) -> Iterator[str]:
    """A strip that is a rod."""
    if case.strip.width < case.strip.thickness:
        yield (
            f"The strip is {case.strip.width:g} mm wide and {case.strip.thickness:g} mm thick: strips are "
            "taken as thin, a section so thick shears and bends otherwise."
        )


def harder_rubbing_than_known(case: Case) -> Iterator[str]:
    """Coefficients of friction that no pair of materials is known for."""
    worst = max(case.friction.strip, case.friction.wraps)
    if worst > MOST_RUBBING:
        yield f"Friction of {worst:g} is more than hardly any pair of materials has; 0.1 to 0.5 is usual."


CAUTIONS: tuple[Callable[[Case], Iterator[str]], ...] = (
    obstacle_in_the_way,
    strip_against_the_casing,
    slot_as_tight_as_the_strip,
    slot_past_the_casing,
    lips_longer_than_the_slot,
    narrower_than_thick,
    harder_rubbing_than_known,
)


def cautions(case: Case) -> list[str]:
    """All of them, in their order."""
    return [text for caution in CAUTIONS for text in caution(case)]


def _lines(case: Case) -> list[RestLine]:
    return rest_lines(case.strip.path, case.housing)


def _least(walls: tuple[Wall, ...], line: RestLine) -> float:
    """Least distance [mm] of a mid-line from the surfaces of walls."""
    return float(min(np.min(clear_of(wall, line.places)) for wall in walls))
