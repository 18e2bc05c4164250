"""What stands around the strip of a case, and the scales that contact and the artificial mass take from the
strip.
"""

from __future__ import annotations

from math import cos, sin

import numpy as np

from fem.case.definition import Case
from fem.contact.settings import SAFE_DEPTH, SHARP, ContactSettings, sharp_roundings
from fem.design.obstacle import ARC, LINE, SEGMENT, Pod, Wall, axle_walls, wall_table

SINK, ONSET, SLIP, LEAD, WRAP_LEAD = 0.007, 0.05, 0.03, 0.03, 0.01


SLOT = "slot"
"""How the names of the slot's walls begin."""
SAG, MOST_SPLIT = 0.0125, 9
"""How far a sharp rounding may stand back between two points near it, as a share of the penalty's onset, and
into how many points one is split at most. Points that come and go ripple: each is pushed along by the slope
of the rounding it lies on, so that the strip, which only friction holds in the slot, finds a small balance at
every point. Eight times as coarse, winding `boom-corrected` in and out took half as many iterations again.
"""


MASS_SHARE = 1.2
"""Inertia of the flat strip's slowest swing against its stiffness at 1 rad/s; results change by less than
their band at ten times this.
"""


def _pod(case: Case) -> Pod:
    """Casing and slot of a case."""
    return Pod(case.casing.radius, case.slot.gap, case.slot_level, case.slot_mouth, case.slot.lip)


def surrounding_walls(case: Case, opening: float, outside: float | None = None) -> tuple[Wall, ...]:
    """Axle, casing and slot backed off by `opening` mm, obstacles by `outside` (None: as much), as thick
    curves.
    """
    walls = axle_walls(case.axle.radius, opening) + _pod(case).walls(opening)
    for obstacle in case.obstacles:
        walls += obstacle.walls(opening if outside is None else outside)
    return walls


def wall_keys(case: Case) -> tuple[str, ...]:
    """The table of the case that each of `surrounding_walls` comes from, counted as in messages."""
    inside = ("axle", *["casing" if wall.name == "casing" else "slot" for wall in _pod(case).walls(0.0)])
    outside = (
        f"obstacles[{number}]"
        for number, obstacle in enumerate(case.obstacles, 1)
        for _ in obstacle.walls(0.0)
    )
    return (*inside, *outside)


def closing_share(before: tuple[Wall, ...], after: tuple[Wall, ...], thickness: float) -> float:
    """How far the same walls move between two places, over the farthest they may in one step: SAFE_DEPTH of
    the way from the face of a strip [mm thick] to a core. A plane has no core and may go any way; a disc
    thinner than nothing is not there.
    """
    worst = 0.0
    for old, new in zip(before, after, strict=True):
        if new.kind == LINE or new.radius <= -0.5 * thickness:
            continue
        moved = max(
            np.hypot(x - a, y - b) for (a, b), (x, y) in zip(wall_ends(old), wall_ends(new), strict=True)
        )
        grown = max(0.0, new.radius - max(old.radius, -0.5 * thickness))
        worst = max(worst, (moved + grown) / (SAFE_DEPTH * (max(new.radius, 0.0) + 0.5 * thickness)))
    return float(worst)


def wall_ends(wall: Wall) -> list[tuple[float, float]]:
    """Both ends of a wall's core [mm]; of a point its place, of an arc the middle too."""
    if wall.kind == ARC:
        angles = [wall.start + share * wall.sweep for share in (0.0, 0.5, 1.0)]
        return [(wall.x + wall.core * cos(angle), wall.y + wall.core * sin(angle)) for angle in angles]
    return [(wall.x, wall.y), (wall.x2, wall.y2) if wall.kind == SEGMENT else (wall.x, wall.y)]


def contact_settings(case: Case, plate: float) -> ContactSettings:
    """Penalty, its onset and elastic slip of the case, or what suits its strip; plate: largest bending
    stiffness per width [N mm] across it.

    Where the strip is pressed flat over a lip, the force per width is about D / R^2 (D plate stiffness, R the
    sharpest of section, axle and its own bends) over about a lip radius. The penalty lets that sink SINK
    thicknesses (what the strip in place shows may raise it, `fem.simulation.assembly`); onset and elastic
    slip are shares of the thickness. It begins a little before a face reaches the wall; wraps, many of which
    lie on each other, have less of a lead.
    """
    st, strip = case.settings, case.strip
    thickness, half = strip.thickness, 0.5 * strip.width
    axle = 1.0 / (case.axle.radius + 0.5 * thickness)
    sharp = max(strip.edge_angle / half, axle, strip.path_curvature)
    return ContactSettings(
        st.contact_stiffness or plate * sharp**2 / (case.slot.lip * SINK * thickness),
        st.contact_onset or ONSET * thickness,
        st.slip or SLIP * thickness,
        case.friction.strip,
        min(LEAD * thickness, 0.25 * (case.slot.gap - thickness)),
    )


def split(walls: tuple[Wall, ...], spacing: float, onset: float) -> int:
    """Stations (odd) that one a `spacing` wide is split into near the sharpest rounding: between two of them
    its surface stands back by SAG of the penalty's onset at most.
    """
    roundings = sharp_roundings(wall_table(walls), SHARP * spacing)
    if len(roundings) == 0:
        return 1
    finest = np.sqrt(8 * max(float(roundings[:, 2].min()), 0.1 * onset) * SAG * onset)
    return min(MOST_SPLIT, 2 * int(np.ceil(0.5 * (spacing / finest - 1.0))) + 1)
