"""Geometry that cannot exist, found before anything is solved.

Each rule looks at the parts it names in its parameters and yields what is wrong, with the key to change and
how. A rule whose parts could not be read is skipped; every other rule still runs, so that all faults of a
file come out together. To add one, write a function and put it in `RULES`.
"""

from __future__ import annotations

import inspect
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from fem.case.keys import Finding, Key
from fem.case.place_rules import PLACE_RULES, housing_of
from fem.case.strip_tables import LayerPart, Outline, RunPart
from fem.design.environment import Axle, Casing, Slot
from fem.design.loading import Coil, Column, Push, RetractDeploy, Winding
from fem.design.obstacle import Obstacle
from fem.design.path import BendRun, Path
from fem.design.section import Section
from fem.design.settings import Settings
from fem.design.strip import Station

_PATH: Key = ("strip", "path")
_SECTION: Key = ("strip", "section")


def bends_wider_than_the_strip_is_thick(runs: Sequence[RunPart], thickness: float) -> Iterator[Finding]:
    """The inner face of a bend needs a radius of its own."""
    for part in runs:
        if isinstance(part.run, BendRun) and part.run.radius <= 0.5 * thickness:
            yield (
                (*part.key, "radius"),
                f"a bend to {part.run.radius:g} mm is tighter than half the strip's thickness "
                f"({0.5 * thickness:g} mm); write a larger radius or make the strip thinner",
            )


def curve_wider_than_the_strip_is_thick(
    path: Path, runs: Sequence[RunPart], thickness: float
) -> Iterator[Finding]:
    """The same for a path through points."""
    for mark in path.bends if not runs else ():
        if mark.radius <= 0.5 * thickness:
            yield (
                (*_PATH, "through"),
                f"the curve bends to a radius of {mark.radius:.3g} mm between {mark.start:.3g} and "
                f"{mark.end:.3g} mm, "
                f"tighter than half the strip's thickness ({0.5 * thickness:g} mm); move the points there "
                "apart",
            )


def bends_wider_than_the_section_rises(
    runs: Sequence[RunPart], rise: tuple[float, float], thickness: float
) -> Iterator[Finding]:
    """In a bend the inner face of the raised edges must not reach the bend's centre."""
    for part in runs:
        if not isinstance(part.run, BendRun):
            continue
        reach = rise[1] if part.run.angle > 0 else -rise[0]
        if reach > 0.0 and part.run.radius <= reach + 0.5 * thickness:
            yield (
                (*part.key, "radius"),
                f"a bend to {part.run.radius:g} mm has its centre within the section, whose edges rise "
                f"{reach:.3g} mm to that side, and half the thickness ({0.5 * thickness:g} mm) more; "
                "write a larger radius, a shallower section or the other winding",
            )


def section_thinner_than_it_is_round(
    section: Section, outline: Outline, thickness: float
) -> Iterator[Finding]:
    """The inner face of a section needs a radius of its own."""
    half = 0.5 * min(outline.width, section.developed_width)
    steepest = float(np.abs(section.angle(np.linspace(-half, half, 401))[1]).max())
    if steepest * thickness >= 2.0:
        yield (
            _SECTION,
            f"is round to a radius of {1.0 / steepest:.3g} mm, at most half the strip's thickness "
            f"({0.5 * thickness:g} mm); write a larger radius, a smaller depth or gentler points",
        )


def section_within_a_circle(section: Section, outline: Outline) -> Iterator[Finding]:
    """A section turns by less than a full circle from edge to edge."""
    half = 0.5 * min(outline.width, section.developed_width)
    ends = section.angle(np.array([-half, half]))[0]
    turn = abs(float(ends[1] - ends[0]))
    if turn >= 2.0 * math.pi:
        yield (
            _SECTION,
            f"the section turns {math.degrees(turn):.4g} degrees over the width of {outline.width:g} mm, "
            "more than a "
            f"full circle; write a radius above {outline.width / (2.0 * math.pi):.3g} mm or a smaller width",
        )


def section_as_wide_as_the_strip(section: Section, outline: Outline) -> Iterator[Finding]:
    """A section given by points must reach the strip's edges."""
    if outline.width > section.developed_width * (1.0 + 1e-6):
        yield (
            ("strip", "width"),
            f"is {outline.width:g} mm but the points of the section span {section.developed_width:.4g} mm "
            "along the "
            "curve; write a smaller width or points as far as the edges",
        )


def layers_on_the_strip(layers: Sequence[LayerPart], outline: Outline) -> Iterator[Finding]:
    """Extents across lie on the strip."""
    half = 0.5 * outline.width
    for part in layers:
        start, end = part.extents.get("across", (-half, half))
        if start < -half - 1e-9 or end > half + 1e-9:
            yield (
                (*part.key, "across"),
                f"[{start:g}, {end:g}] leaves the strip, which reaches from {-half:g} to {half:g} mm; "
                "keep within that",
            )


def layers_along_the_strip(layers: Sequence[LayerPart], path: Path) -> Iterator[Finding]:
    """Extents along lie on the strip."""
    for part in layers:
        start, end = part.extents.get("along", (0.0, path.length))
        if start < 0.0 or end > path.length + 1e-9:
            yield (
                (*part.key, "along"),
                f"[{start:g}, {end:g}] leaves the strip, which reaches from 0 to {path.length:.6g} mm; "
                "keep within that",
            )


def stations_on_the_strip(
    stations: Sequence[tuple[Key, Station]], outline: Outline, path: Path
) -> Iterator[Finding]:
    """Stations rise along the strip, within it, beyond the root's opening and not wider than the strip."""
    before = -math.inf
    for key, station in stations:
        if station.at > path.length + 1e-9:
            yield (
                (*key, "at"),
                f"{station.at:g} mm is beyond the tip at {path.length:.6g} mm; write a smaller number",
            )
        if station.at <= before:
            yield (
                (*key, "at"),
                f"{station.at:g} mm does not follow {before:g} mm; list stations from root to tip",
            )
        if station.at < outline.root_opening:
            yield (
                (*key, "at"),
                f"{station.at:g} mm lies where the root still opens (strip.root_opening = "
                f"{outline.root_opening:g} mm); "
                "move the station on or shorten the opening",
            )
        if station.width > outline.width:
            yield (
                (*key, "width"),
                f"{station.width:g} mm is wider than strip.width = {outline.width:g} mm, which is the "
                "largest; "
                "write the largest width there",
            )
        before = station.at


def root_opens_on_the_strip(outline: Outline, path: Path) -> Iterator[Finding]:
    """The root has opened before the tip."""
    if outline.root_opening > path.length:
        yield (
            ("strip", "root_opening"),
            f"{outline.root_opening:g} mm is longer than the strip ({path.length:.6g} mm); write a "
            "smaller number",
        )


def axle_within_the_casing(axle: Axle, casing: Casing, thickness: float) -> Iterator[Finding]:
    """At least one wrap fits between axle and casing."""
    if axle.radius >= casing.radius:
        yield (
            ("axle", "radius"),
            f"{axle.radius:g} mm is not smaller than the casing's {casing.radius:g} mm; write a smaller "
            "axle or a "
            "larger casing",
        )
    elif axle.radius + thickness > casing.radius:
        yield (
            ("casing", "radius"),
            f"{casing.radius:g} mm leaves {casing.radius - axle.radius:.3g} mm beside the axle of "
            f"{axle.radius:g} mm for "
            f"a strip {thickness:g} mm thick; write at least {axle.radius + thickness:g} mm",
        )


def slot_wider_than_the_strip(slot: Slot, thickness: float) -> Iterator[Finding]:
    """The strip passes the slot when it is flat."""
    if slot.gap <= thickness:
        yield (
            ("slot", "gap"),
            f"{slot.gap:g} mm does not pass a strip {thickness:g} mm thick; write more than {thickness:g} mm",
        )


def slot_within_the_casing(axle: Axle, casing: Casing, slot: Slot, thickness: float) -> Iterator[Finding]:
    """The slot opens into the round of the casing."""
    level = -(axle.radius + 0.5 * thickness) + slot.height
    if (
        axle.radius + thickness <= casing.radius
        and abs(level) + 0.5 * min(slot.gap, thickness) > casing.radius
    ):
        yield (
            ("slot", "height"),
            f"{slot.height:g} mm puts the slot's centre {level:g} mm from the axle's centre, outside the "
            "casing of "
            f"{casing.radius:g} mm; write a smaller offset",
        )


def strip_reaches_out(casing: Casing, slot: Slot, path: Path) -> Iterator[Finding]:
    """Some strip stands outside the slot when it is out."""
    inside = casing.radius + slot.length
    if path.length <= inside:
        yield (
            _PATH,
            f"the strip is {path.length:.6g} mm long and ends within casing and slot, which take "
            f"{inside:g} mm; "
            "write longer runs",
        )


def coil_fits_the_casing(
    axle: Axle, casing: Casing, slot: Slot, path: Path, push: Push, thickness: float
) -> Iterator[Finding]:
    """Wound strip needs area: length times thickness, between axle and casing."""
    free = path.length - casing.radius - slot.length
    if not isinstance(push, Winding) or free <= 0.0 or axle.radius + thickness > casing.radius:
        return
    wound = casing.radius + min(push.wound_travel(free), free)
    room = math.pi * (casing.radius**2 - axle.radius**2)
    if wound * thickness > room:
        smallest = math.sqrt(axle.radius**2 + wound * thickness / math.pi)
        yield (
            ("casing", "radius"),
            f"{casing.radius:g} mm has room for {room / thickness:.4g} mm of strip {thickness:g} mm thick "
            "around the axle, "
            f"{wound:.4g} mm are to be wound in; write at least {math.ceil(smallest * 10) / 10:g} mm, "
            "retract less or "
            "make the strip thinner",
        )


def push_on_the_strip(push: Push, path: Path) -> Iterator[Finding]:
    """Stations and lengths of a push lie on the strip."""
    station: float | None = getattr(push, "station", None)
    if station is not None and station > path.length + 1e-9:
        yield (
            ("push", "station"),
            f"{station:g} mm is beyond the tip at {path.length:.6g} mm; write a smaller number",
        )


def column_on_the_strip(push: Push, casing: Casing, slot: Slot, path: Path) -> Iterator[Finding]:
    """The free lengths of a column lie on the strip, and it is not pressed to nothing."""
    if not isinstance(push, Column):
        return
    inside = casing.radius + slot.length if push.held == "slot" else 0.0
    whole = path.length - inside
    if whole <= 0.0:
        return  # told by another rule
    where = "slot's mouth" if inside else "root"
    lengths: list[tuple[Key, float | None]] = [(("push", "free_length"), push.free_length)]
    lengths += [(("push", "free_lengths", number), value) for number, value in enumerate(push.free_lengths)]
    for key, value in lengths:
        if value is not None and value > whole + 1e-9:
            yield (
                key,
                f"{value:g} mm is beyond the tip at {whole:.6g} mm from the {where}; write a smaller number",
            )
    length = push.free_length if push.free_length is not None else whole
    if push.shortening >= 0.5 * length:
        yield (
            ("push", "shortening"),
            f"{push.shortening:g} mm is half of the free length ({length:.6g} mm) or more; write a "
            "smaller number",
        )


def coil_wider_than_the_strip_is_thick(push: Push, thickness: float) -> Iterator[Finding]:
    """The inner face of a coil needs a radius of its own."""
    if isinstance(push, Coil) and push.radius <= 0.5 * thickness:
        yield (
            ("push", "radius"),
            f"a coil of {push.radius:g} mm to the middle of the thickness leaves the inner face no radius: "
            f"half the strip's thickness is {0.5 * thickness:g} mm; write a larger radius or make the strip "
            "thinner",
        )


def travel_within_reach(push: Push, casing: Casing, slot: Slot, path: Path) -> Iterator[Finding]:
    """No more strip is wound in than stands outside."""
    free = path.length - casing.radius - slot.length
    if not isinstance(push, Winding) or free <= 0.0:
        return
    if push.travel is not None and push.travel > free:
        yield (
            ("push", "travel"),
            f"{push.travel:g} mm is more than the {free:.4g} mm of strip outside the slot; write at most "
            "that, less what "
            "must stay out",
        )
    elif push.travel is None and push.left_out >= free:
        yield (
            ("push", "left_out"),
            f"{push.left_out:g} mm is all of the {free:.4g} mm of strip outside the slot; write a smaller "
            "number",
        )
    if isinstance(push, RetractDeploy) and push.safe_travel and push.safe_travel_within >= free:
        yield (
            ("push", "safe_travel_within"),
            f"{push.safe_travel_within:g} mm is all of the travel; write a smaller number",
        )


def guides_wider_than_the_strip(
    obstacles: Sequence[tuple[Key, Obstacle]], thickness: float
) -> Iterator[Finding]:
    """The strip passes between the two walls of a guide."""
    for key, obstacle in obstacles:
        gap = getattr(obstacle, "gap", None)
        if isinstance(gap, float) and gap <= thickness:
            yield (
                (*key, "gap"),
                f"{gap:g} mm does not pass a strip {thickness:g} mm thick; write more than {thickness:g} mm",
            )


def fine_elements_are_finer(settings: Settings) -> Iterator[Finding]:
    """The refined size is the smaller one."""
    if settings.element_fine > settings.element:
        yield (
            ("solver", "element_fine"),
            f"{settings.element_fine:g} mm is coarser than solver.element = {settings.element:g} mm; "
            "write at most that",
        )


RULES: tuple[Callable[..., Iterator[Finding]], ...] = (
    bends_wider_than_the_strip_is_thick,
    curve_wider_than_the_strip_is_thick,
    bends_wider_than_the_section_rises,
    section_thinner_than_it_is_round,
    section_within_a_circle,
    section_as_wide_as_the_strip,
    layers_on_the_strip,
    layers_along_the_strip,
    stations_on_the_strip,
    root_opens_on_the_strip,
    axle_within_the_casing,
    slot_wider_than_the_strip,
    slot_within_the_casing,
    strip_reaches_out,
    coil_fits_the_casing,
    push_on_the_strip,
    column_on_the_strip,
    coil_wider_than_the_strip_is_thick,
    travel_within_reach,
    guides_wider_than_the_strip,
    fine_elements_are_finer,
    *PLACE_RULES,
)


def findings(parts: Mapping[str, Any]) -> Iterator[Finding]:
    """Run every rule whose parts are all known (not None)."""
    known = {**parts, "housing": housing_of(parts)}
    for rule in RULES:
        wanted = {name: known[name] for name in inspect.signature(rule).parameters}
        if all(part is not None for part in wanted.values()):
            yield from rule(**wanted)
