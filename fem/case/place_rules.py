"""Where the strip lies and what stands there: geometry in place that cannot exist, found without a solve.

Rules as in `fem.case.rules`, which runs them. The strip at rest lies below the axle and leaves through the
slot; an obstacle has a side toward it only where its core does not lie across it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from fem.case.keys import Finding, Key
from fem.core.term import Array
from fem.design.environment import Axle, Casing, Slot
from fem.design.loading import Column, Press, Push, Winding
from fem.design.obstacle import Bar, Cylinder, Guide, Obstacle, Plane
from fem.design.path import Path

PROBES = 241
"""Points of the rest path that are looked at."""


def path_beside_itself(path: Path) -> Iterator[Finding]:
    """A strip at rest does not pass through itself."""
    stations = np.linspace(0.0, path.length, PROBES)
    line = path.position(stations)
    start, end = line[:-1], line[1:]
    crossing = _cross(start[:, None], end[:, None], start[None], end[None])
    first, second = np.nonzero(np.triu(crossing, 2))
    if len(first):
        yield (
            ("strip", "path"),
            f"the path crosses itself: {stations[first[0]]:.3g} and {stations[second[0]]:.3g} mm from the "
            "root are one place; open the bends between",
        )


def obstacles_beside_the_strip(
    obstacles: Sequence[tuple[Key, Obstacle]], path: Path, axle: Axle, thickness: float, push: Push
) -> Iterator[Finding]:
    """The middle of an obstacle lies on one side of the strip at rest."""
    if not _in_place(push):
        return
    stations = np.linspace(0.0, path.length, PROBES)
    line = path.position(stations) - np.array([0.0, axle.radius + 0.5 * thickness])
    for key, obstacle in obstacles:
        if not isinstance(obstacle, Bar):
            continue
        ends = np.array([[obstacle.x, obstacle.y], [obstacle.x2, obstacle.y2]])
        crossing = np.flatnonzero(_cross(line[:-1], line[1:], ends[0], ends[1]))
        if len(crossing):
            x, y = line[crossing[0]]
            yield (
                key,
                f"the bar lies across the strip at rest, {stations[crossing[0]]:.0f} mm from the root at x = "
                f"{x:.0f}, y = {y:.0f} mm; move it to one side",
            )


def obstacles_outside_the_casing(
    obstacles: Sequence[tuple[Key, Obstacle]], casing: Casing, push: Push
) -> Iterator[Finding]:
    """Within the casing there is room for the coil alone."""
    if not _in_place(push):
        return
    for key, obstacle in obstacles:
        near, what = _nearest_to_the_axle(obstacle)
        if near < casing.radius:
            yield (
                key,
                f"{what} {near:.3g} mm from the axle's centre, within the casing of {casing.radius:g} mm; "
                "move it out",
            )


def guides_wider_than_they_are_bent(obstacles: Sequence[tuple[Key, Obstacle]]) -> Iterator[Finding]:
    """The inner wall of a bent guide has a radius of its own."""
    for key, obstacle in obstacles:
        if not isinstance(obstacle, Guide) or abs(obstacle.angle) < 1e-9:
            continue
        radius, needed = obstacle.length / abs(obstacle.angle), 0.5 * obstacle.gap + obstacle.lip
        if radius <= needed:
            yield (
                (*key, "angle"),
                f"{math.degrees(obstacle.angle):g} degrees over {obstacle.length:g} mm bend the guide to "
                f"{radius:.3g} mm, which leaves its inner wall no radius: half the gap and the lip take "
                f"{needed:g} mm; write a smaller angle or a longer guide",
            )


def lips_within_the_slot(slot: Slot, casing: Casing) -> Iterator[Finding]:
    """Lips round the edges of a casing, which are no thicker than its radius."""
    if slot.lip > casing.radius:
        yield (
            ("slot", "lip"),
            f"a lip of {slot.lip:g} mm is larger than the casing of {casing.radius:g} mm that it rounds; "
            "write a smaller one",
        )


def slot_narrower_than_the_casing(slot: Slot, casing: Casing) -> Iterator[Finding]:
    """Something is left of the casing beside its slot."""
    if slot.gap >= 2.0 * casing.radius:
        yield (
            ("slot", "gap"),
            f"a gap of {slot.gap:g} mm is as wide as the casing ({2.0 * casing.radius:g} mm across); write a "
            "smaller one",
        )


def _in_place(push: Push) -> bool:
    """Whether axle, casing, slot and obstacles stand around the strip."""
    return isinstance(push, Winding) or (isinstance(push, Column | Press) and push.held == "slot")


def _nearest_to_the_axle(obstacle: Obstacle) -> tuple[float, str]:
    """Distance [mm] from the axle's centre to the middle of an obstacle, to the face of a plane (negative
    behind it); what lies there. Guides may begin within the casing.
    """
    if isinstance(obstacle, Plane):
        away = -obstacle.x * math.cos(obstacle.facing) - obstacle.y * math.sin(obstacle.facing)
        return away, "the plane's face lies"
    if isinstance(obstacle, Cylinder):
        return math.hypot(obstacle.x, obstacle.y), "the cylinder's centre lies"
    if isinstance(obstacle, Bar):
        start, end = np.array([obstacle.x, obstacle.y]), np.array([obstacle.x2, obstacle.y2])
        along = end - start
        share = np.clip(-(start @ along) / max(float(along @ along), 1e-300), 0.0, 1.0)
        return float(np.linalg.norm(start + share * along)), "the bar comes as near as"
    return math.inf, ""


def _cross(a: Array, b: Array, c: Array, d: Array) -> Array:
    """Whether pieces a b and c d (..., 2) pass through each other."""

    def turn(p: Array, q: Array, r: Array) -> Array:
        return np.asarray(
            (q[..., 0] - p[..., 0]) * (r[..., 1] - p[..., 1])
            - (q[..., 1] - p[..., 1]) * (r[..., 0] - p[..., 0])
        )

    return np.asarray((turn(a, b, c) * turn(a, b, d) < 0.0) & (turn(c, d, a) * turn(c, d, b) < 0.0))


PLACE_RULES = (
    path_beside_itself,
    obstacles_beside_the_strip,
    obstacles_outside_the_casing,
    guides_wider_than_they_are_bent,
    lips_within_the_slot,
    slot_narrower_than_the_casing,
)
