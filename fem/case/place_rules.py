"""Where the strip lies and what stands there: geometry in place that cannot exist, found without a solve.

Rules as in `fem.case.rules`, which runs them. A strip at rest is looked at twice: as it is drawn, with its
root on the axle, and led straight through the slot, with the rest of its path from the mouth on; what bends
before the mouth lies somewhere between. Only what is in the way of both is refused. Whatever can merely push
the strip aside is told by `fem.case.cautions`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from fem.case.keys import Finding, Key
from fem.case.plane_shapes import clear_of, core_outline, first_crossing, from_piece, pieces_apart
from fem.core.term import Array
from fem.core.units import FARTHEST
from fem.design.environment import Axle, Casing, Slot
from fem.design.loading import Column, Press, Push, Winding
from fem.design.obstacle import Guide, Obstacle, Plane, Wall
from fem.design.path import Path

PROBES, BEND_STEP = 241, 0.1
"""Points of the rest path that are looked at, at least; largest turn [rad] between two of a bend."""
STEEPEST = math.radians(60.0)
"""Angle between strip and face above which a plane stands across the strip instead of beside it."""
ACROSS, ALONG = 201, 9
"""Points across and along a slot at which it is asked to be clear."""


@dataclass(frozen=True)
class Housing:
    """What stands around every strip, and the thickness [mm] that goes through it."""

    axle: Axle
    casing: Casing
    slot: Slot
    thickness: float

    @property
    def root(self) -> float:
        """Height [mm] of the mid-line where it leaves the axle, about the axle's centre."""
        return -self.axle.radius - 0.5 * self.thickness

    @property
    def level(self) -> float:
        """Height [mm] of the slot's centre line."""
        return self.root + self.slot.height

    @property
    def mouth(self) -> float:
        """Distance [mm] from the axle's centre at which the slot ends."""
        return self.casing.radius + self.slot.length

    @property
    def end_of_lips(self) -> float:
        """Distance [mm] at which the lips end: those of the mouth, or of the casing where they are larger."""
        half, core = 0.5 * self.slot.gap + self.slot.lip, self.casing.radius + self.slot.lip
        edges = [min(core, abs(self.level + side * half)) for side in (-1.0, 1.0)]
        return max(self.mouth, max(math.sqrt(core**2 - edge**2) for edge in edges) + self.slot.lip)

    @property
    def edge_beyond(self) -> float:
        """How far [mm] the farther edge of the slot lies outside the casing's inner face; < 0: within."""
        return abs(self.level) + 0.5 * self.slot.gap - self.casing.radius


def housing_of(parts: Mapping[str, Any]) -> Housing | None:
    """The housing of the parts of a case; None where some of it could not be read."""
    wanted = [parts[name] for name in ("axle", "casing", "slot", "thickness")]
    return None if any(part is None for part in wanted) else Housing(*wanted)


@dataclass(frozen=True)
class RestLine:
    """Mid-line of a strip at rest: stations (n,) and places (n, 2) [mm], the axle's centre at the origin."""

    stations: Array
    places: Array


def path_stations(path: Path) -> Array:
    """Stations [mm] that follow the path, however sharp its bends."""
    parts = [np.linspace(0.0, path.length, PROBES)]
    for mark in path.bends:
        parts.append(np.linspace(mark.start, mark.end, 2 + math.ceil(abs(mark.angle) / BEND_STEP)))
    return np.unique(np.concatenate(parts))


def rest_lines(path: Path, housing: Housing) -> list[RestLine]:
    """The strip as it is drawn, and led straight through the slot."""
    mouth, stations = housing.mouth, path_stations(path)
    drawn = path.position(stations) + np.array([0.0, housing.root])
    beyond = stations > mouth
    if not beyond.any():
        return [RestLine(stations, drawn)]
    start, heading = path.position(np.array([mouth]))[0], float(path.heading(np.array([mouth]))[0])
    away, c, s = path.position(stations[beyond]) - start, math.cos(heading), math.sin(heading)
    rise = housing.slot.height * np.clip(stations / housing.casing.radius, 0.0, 1.0)
    led = np.column_stack([stations, housing.root + rise])
    turned = np.column_stack([c * away[:, 0] + s * away[:, 1], c * away[:, 1] - s * away[:, 0]])
    led[beyond] = turned + np.array([mouth, housing.level])
    return [RestLine(stations, drawn), RestLine(stations, led)]


def strip_of_a_sensible_length(path: Path) -> Iterator[Finding]:
    """A strip is no longer than anything here."""
    if path.length > FARTHEST:
        yield (
            ("strip", "path"),
            f"the strip is {path.length:.4g} mm long, more than anything here ({FARTHEST:g} mm); write "
            "lengths in mm",
        )


def path_beside_itself(path: Path, thickness: float) -> Iterator[Finding]:
    """A strip at rest does not pass through itself."""
    stations = path_stations(path)
    line = path.position(stations)
    apart = pieces_apart(line[:-1, None], line[1:, None], line[None, :-1], line[None, 1:])
    between = stations[None, :-1] - stations[1:, None]
    first, second = np.nonzero((apart < 0.999 * thickness) & (between > math.pi * thickness))
    if len(first) == 0:
        return
    nearest = int(np.argmin(apart[first, second]))
    here, there = stations[first[nearest]], stations[second[nearest]]
    if apart[first[nearest], second[nearest]] == 0.0:
        what = "the path crosses itself: {:.3g} and {:.3g} mm from the root are one place"
    else:
        what = f"the strip, {thickness:g} mm thick, overlaps itself {{:.3g}} and {{:.3g}} mm from the root"
    yield ("strip", "path"), f"{what.format(here, there)}; open the bends between"


def path_outside_the_casing(path: Path, housing: Housing, push: Push) -> Iterator[Finding]:
    """What has left the casing stays out of it."""
    if not in_place(push):
        return
    casing = housing.casing
    found = [reentry(line, casing) for line in rest_lines(path, housing)]
    if all(station is not None for station in found):
        yield (
            ("strip", "path"),
            f"the strip at rest bends back into the casing of {casing.radius:g} mm, {found[-1]:.3g} mm from "
            "the root; open the bends outside the slot or write a smaller casing",
        )


def obstacles_beside_the_strip(
    obstacles: Sequence[tuple[Key, Obstacle]], path: Path, housing: Housing, push: Push
) -> Iterator[Finding]:
    """An obstacle lies on one side of the strip at rest: its core, of a plane its face, not across it."""
    if not in_place(push):
        return
    lines = rest_lines(path, housing)
    for key, obstacle in obstacles:
        met = [meeting(obstacle, line, housing.thickness) for line in lines]
        if all(piece >= 0 for piece in met):
            (x, y), station = lines[-1].places[met[-1]], lines[-1].stations[met[-1]]
            name = type(obstacle).__name__.lower()
            yield (
                key,
                f"the {name} lies across the strip at rest, {station:.0f} mm from the root at x = "
                f"{x:.0f}, y = {y:.0f} mm; move it to one side",
            )


def obstacles_outside_the_casing(
    obstacles: Sequence[tuple[Key, Obstacle]], housing: Housing, push: Push
) -> Iterator[Finding]:
    """Within the casing there is room for the coil alone; a guide may lead out of it, clear of the axle."""
    if not in_place(push):
        return
    for key, obstacle in obstacles:
        walls = obstacle.walls(0.0)
        near = round(float(min(clear_of(wall, np.zeros((1, 2)))[0] for wall in walls)), 9)
        guide, axle, casing = isinstance(obstacle, Guide), housing.axle.radius, housing.casing.radius
        if near >= (axle + housing.thickness if guide else casing):
            continue
        name = type(obstacle).__name__.lower()
        what = "the plane's face lies" if isinstance(obstacle, Plane) else f"the {name} comes as near as"
        room = "leaves the coil no room about the axle" if guide else "is within the casing"
        size = axle if guide else casing
        yield (
            key,
            f"{what} {near:.3g} mm from the axle's centre, which {room} of {size:g} mm; move it out",
        )


def slot_clear_of_obstacles(
    obstacles: Sequence[tuple[Key, Obstacle]], housing: Housing, push: Push
) -> Iterator[Finding]:
    """An obstacle leaves the slot open by the strip's thickness."""
    gap, thickness = housing.slot.gap, housing.thickness
    if not in_place(push) or gap <= thickness:
        return
    for key, obstacle in obstacles:
        clear = clear_gap(obstacle.walls(0.0), housing)
        if clear < thickness:
            yield (
                key,
                f"the {type(obstacle).__name__.lower()} reaches into the slot and leaves {clear:.2g} of its "
                f"{gap:g} mm to a strip {thickness:g} mm thick; move it away",
            )


def guides_wider_than_they_are_bent(obstacles: Sequence[tuple[Key, Obstacle]]) -> Iterator[Finding]:
    """The inner wall of a bent guide has a radius of its own, and its ends do not meet."""
    for key, obstacle in obstacles:
        if not isinstance(obstacle, Guide) or abs(obstacle.angle) < 1e-9:
            continue
        radius, needed = obstacle.length / abs(obstacle.angle), 0.5 * obstacle.gap + obstacle.lip
        told = f"{math.degrees(obstacle.angle):g} degrees over {obstacle.length:g} mm"
        if radius <= needed:
            yield (
                (*key, "angle"),
                f"{told} bend the guide to {radius:.3g} mm, which leaves its inner wall no radius: half the "
                f"gap and the lip take {needed:g} mm; write a smaller angle or a longer guide",
            )
        elif _closes(obstacle, radius - needed):
            yield (
                (*key, "angle"),
                f"{told} bend the guide until its end meets its beginning; write a smaller angle",
            )


def lips_within_the_slot(slot: Slot, casing: Casing) -> Iterator[Finding]:
    """Lips round the edges of a casing, which are no thicker than its radius."""
    if slot.lip > casing.radius:
        yield (
            ("slot", "lip"),
            f"a lip of {slot.lip:g} mm is larger than the casing of {casing.radius:g} mm that it rounds; "
            "write a smaller one",
        )


def lips_of_guides_within_them(obstacles: Sequence[tuple[Key, Obstacle]]) -> Iterator[Finding]:
    """Lips round the ends of a guide's walls, which are longer than they are thick."""
    for key, obstacle in obstacles:
        if isinstance(obstacle, Guide) and obstacle.lip > obstacle.length:
            yield (
                (*key, "lip"),
                f"a lip of {obstacle.lip:g} mm is larger than the guide of {obstacle.length:g} mm whose ends "
                "it rounds; write a smaller one or a longer guide",
            )


def strip_reaches_past_the_lips(housing: Housing, path: Path) -> Iterator[Finding]:
    """The strip ends beyond the roundings of the slot, however large."""
    end, lip = housing.end_of_lips, housing.slot.lip
    if lip <= housing.casing.radius and housing.mouth < path.length <= end:
        yield (
            ("slot", "lip"),
            f"the lips of {lip:g} mm reach {end:.4g} mm from the axle, past the end of the strip "
            f"({path.length:.6g} mm); write smaller ones",
        )


def slot_narrower_than_the_casing(slot: Slot, casing: Casing) -> Iterator[Finding]:
    """Something is left of the casing beside its slot."""
    if slot.gap >= 2.0 * casing.radius:
        yield (
            ("slot", "gap"),
            f"a gap of {slot.gap:g} mm is as wide as the casing ({2.0 * casing.radius:g} mm across); write a "
            "smaller one",
        )


def slot_joins_the_casing(housing: Housing) -> Iterator[Finding]:
    """Between the end of the casing and a side of the slot that lies outside it the strip finds no way."""
    slot, casing, beyond = housing.slot, housing.casing, housing.edge_beyond
    if slot.gap < 2.0 * casing.radius and beyond - 2.0 * slot.lip >= housing.thickness:
        yield (
            ("slot", "gap"),
            f"a gap of {slot.gap:g} mm has its edge {beyond:.3g} mm outside the casing of "
            f"{casing.radius:g} mm, which leaves a hole between them; write a smaller gap or another "
            "slot.height",
        )


def in_place(push: Push) -> bool:
    """Whether axle, casing, slot and obstacles stand around the strip."""
    return isinstance(push, Winding) or (isinstance(push, Column | Press) and push.held == "slot")


def reentry(line: RestLine, casing: Casing, wall: float = 0.0) -> float | None:
    """Station [mm] at which a strip that has left the casing comes back within its radius and `wall` mm."""
    away = np.hypot(*line.places.T)
    out = np.flatnonzero(away > casing.radius + wall)
    back = np.flatnonzero(away[out[0] :] < casing.radius + wall) if len(out) else out
    return float(line.stations[out[0] + back[0]]) if len(back) else None


def meeting(obstacle: Obstacle, line: RestLine, thickness: float) -> int:
    """Number of the piece of a strip at rest that an obstacle stands across; -1 for none."""
    if isinstance(obstacle, Plane):
        return _through_face(obstacle.walls(0.0)[0], line)
    if isinstance(obstacle, Guide):
        return _against_guide(obstacle, line)
    core, start, end = core_outline(obstacle.walls(0.0)[0]), line.places[:-1], line.places[1:]
    near = from_piece(core[0], start, end) if len(core) == 1 else pieces_apart(start, end, *core)
    return int(np.argmin(near)) if near.min() < 0.5 * thickness else -1


def clear_gap(walls: Sequence[Wall], housing: Housing) -> float:
    """Least way [mm] that walls leave clear across the slot, anywhere along it."""
    slot = housing.slot
    across = housing.level + slot.gap * np.linspace(-0.5, 0.5, ACROSS)
    least = slot.gap
    for x in np.linspace(housing.casing.radius, housing.mouth, ALONG):
        points = np.column_stack([np.full(ACROSS, x), across])
        free = np.min([clear_of(wall, points) for wall in walls], axis=0) >= 0.0
        run = longest = 0
        for one in free:
            run = run + 1 if one else 0
            longest = max(longest, run)
        least = min(least, slot.gap * max(0, longest - 1) / (ACROSS - 1))
    return least


def _through_face(face: Wall, line: RestLine) -> int:
    """Number of the piece at which a strip runs into a plane more steeply than STEEPEST; -1 for none."""
    clear = clear_of(face, line.places)
    into = np.flatnonzero((clear[:-1] >= 0.0) & (clear[1:] < 0.0))
    lengths = np.hypot(*(line.places[1:] - line.places[:-1]).T)
    steep = (clear[:-1] - clear[1:])[into] > math.sin(STEEPEST) * lengths[into]
    return int(into[steep][0]) if steep.any() else -1


def _against_guide(guide: Guide, line: RestLine) -> int:
    """Number of the piece that meets a wall of a guide from outside it; -1 for none. A strip that has come in
    by one of its ends is held by the walls.
    """
    walls = [core_outline(wall) for wall in guide.walls(0.0)]
    gates = [np.array([walls[0][end], walls[1][end]]) for end in (0, -1)]
    hit = [piece for piece in (first_crossing(line.places, wall) for wall in walls) if piece >= 0]
    entered = [piece for piece in (first_crossing(line.places, gate) for gate in gates) if piece >= 0]
    if not hit or (entered and min(entered) <= min(hit)):
        return -1
    return min(hit)


def _closes(guide: Guide, inner: float) -> bool:
    """Whether the round ends of a guide's inner wall meet; inner [mm]: the radius of its core."""
    missing = 2.0 * math.pi - abs(guide.angle)
    return missing <= math.pi and 2.0 * inner * math.sin(0.5 * max(0.0, missing)) < 2.0 * guide.lip


PLACE_RULES = (
    strip_of_a_sensible_length,
    path_beside_itself,
    path_outside_the_casing,
    obstacles_beside_the_strip,
    obstacles_outside_the_casing,
    slot_clear_of_obstacles,
    guides_wider_than_they_are_bent,
    lips_within_the_slot,
    lips_of_guides_within_them,
    strip_reaches_past_the_lips,
    slot_narrower_than_the_casing,
    slot_joins_the_casing,
)
