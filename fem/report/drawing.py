"""A case as a workshop drawing, and a state of the strip seen from the side: SVG with dimensions in mm.

The developed strip lies flat with its layers' zones and its bends; beside it the stack through the thickness,
the section, and the rest path among axle, casing, slot and obstacles.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from fem.case.definition import Case
from fem.core.term import Array
from fem.design.environment import Slot
from fem.design.section import Arc
from fem.report.svg import SIZE, WIDE, Drawing, Pen, number, spread, wide
from fem.results.result import Jam
from fem.results.snapshot import Snapshot
from fem.view.colour import hexadecimal, shade
from fem.view.solid import wall_outline

DIMENSION = Pen("soft", 0.8)


def developed(case: Case) -> Drawing:
    """The strip laid flat, seen from the side of the axle: width, zones of layers, bends, slot when out."""
    strip = case.strip
    left, scale = 34.0, (WIDE - 34.0 - 14.0) / strip.length
    half = 0.5 * strip.width * scale
    middle = 46.0 + half
    drawing = Drawing(middle + half + 82.0, "the strip laid flat, with its zones and bends")

    def at(s: float, q: float) -> tuple[float, float]:
        return left + s * scale, middle - q * scale

    s = np.linspace(0.0, strip.length, 121)
    edge = strip.developed_edge(s)[0]
    outline = [at(a, b) for a, b in zip(s, edge, strict=True)]
    outline += [at(a, -b) for a, b in zip(s[::-1], edge[::-1], strict=True)]
    drawing.path(outline, None, "strip")
    for layer in strip.layers:
        if layer.along is None and layer.across is None:
            continue
        (s0, s1), (q0, q1) = layer.along or (0.0, strip.length), layer.across or (-9e9, 9e9)
        s0, s1 = max(s0, 0.0), min(s1, strip.length)
        q0, q1 = max(q0, -strip.width / 2), min(q1, strip.width / 2)
        x, y = at(s0, q1)
        drawing.box((x, y), ((s1 - s0) * scale, (q1 - q0) * scale), Pen("zone", 0.9, (3, 2)), "zone", 0.3)
    drawing.path(outline, Pen("ink", 1.3), closed=True)
    for k, bend in enumerate(strip.path.bends):
        for place in (bend.start, bend.end):
            drawing.path([at(place, strip.width / 2 + 1.5 / scale), at(place, -strip.width / 2)], DIMENSION)
        x0, y0 = at(bend.start, strip.width / 2)
        x1 = at(bend.end, 0.0)[0]
        drawing.arrow((x0, y0 - 8), (x1, y0 - 8))
        words = f"bend {bend.index}: {math.degrees(bend.angle):.3g}°, R {bend.radius:.3g}"
        x = min(max((x0 + x1) / 2, left + wide(words) / 2), WIDE - 6 - wide(words) / 2)
        drawing.words((x, y0 - 16 - 13 * (k % 2)), words, "ink", "middle")
    _clamp(drawing, at(0.0, 0.0), half)
    x = at(case.slot_mouth, 0.0)[0]
    drawing.path([(x, middle - half), (x, middle + half + 16)], Pen("intended", 1.1, (4, 2)))
    drawing.halo((x + 3, middle + half + 14), f"slot's mouth when out, {case.slot_mouth:.3g}", "intended")
    _length(drawing, (left, left + strip.length * scale), middle + half + 40, f"length {strip.length:.4g} mm")
    drawing.arrow((left - 12, middle - half), (left - 12, middle + half))
    drawing.words((left - 17, middle), f"{strip.width:.3g}", "ink", "middle", SIZE, 90)
    words = "left: root, clamped to the axle; mm, width developed"
    drawing.words((left, middle + half + 72), words, "soft", "start", SIZE - 1)
    return drawing


def _clamp(drawing: Drawing, root: tuple[float, float], half: float) -> None:
    x, y = root
    drawing.path([(x, y - half - 4), (x, y + half + 4)], Pen("ink", 2.4))
    for k in range(5):
        level = y - half + k * half / 2
        drawing.path([(x, level), (x - 5, level + 5)], Pen("ink", 0.8))


def _length(drawing: Drawing, ends: tuple[float, float], level: float, words: str) -> None:
    low, high = ends
    drawing.arrow((low, level), (high, level))
    for x in ends:
        drawing.path([(x, level - 6), (x, level + 4)], DIMENSION)
    drawing.words(((low + high) / 2, level + 14), words, "ink", "middle")


def stack(case: Case) -> Drawing:
    """The layers through the thickness, much enlarged, from the face toward the axle (top) downward."""
    layers = case.strip.layers[::-1]
    high = 108.0
    drawing = Drawing(high + 44.0, "the layers through the thickness")
    scale = high / case.strip.thickness
    y, levels = 16.0, []
    for number_, layer in zip(range(len(layers), 0, -1), layers, strict=True):
        size = layer.thickness * scale
        inner = layer.across is not None or layer.along is not None
        drawing.box(
            (70.0, y), (90.0, size), Pen("ink", 1.0), "zone" if inner else "strip", 0.6 if inner else 1
        )
        words = f"{number_}: {layer.material.name}, {layer.thickness:.3g} mm"
        words += f", at {math.degrees(layer.angle):.3g}°" if layer.angle else ""
        where = [
            f"{way} {extent[0]:.3g} to {extent[1]:.3g}"
            for way, extent in (("across", layer.across), ("along", layer.along)) if extent is not None
        ]  # fmt: skip
        if where:
            other = layer.elsewhere.name if layer.elsewhere else "nothing"
            words += f"; {' and '.join(where)}, else {other}"
        levels.append((y + size / 2, words))
        y += size
    for (y, words), place in zip(levels, spread([y for y, _ in levels], 15.0, 16.0, 16 + high), strict=True):
        drawing.path([(161, y), (170, place)], DIMENSION)
        drawing.words((173, place + 4), words, "ink", "start", min(SIZE, (WIDE - 177) / (0.52 * len(words))))
    drawing.arrow((58, 16), (58, 16 + high))
    drawing.words((50, 16 + high / 2), f"{case.strip.thickness:.3g} mm", "ink", "middle", SIZE, 90)
    drawing.words((115, 11), "toward the axle", "soft", "middle", SIZE - 1)
    drawing.words((115, 16 + high + 14), "away from it", "soft", "middle", SIZE - 1)
    return drawing


def section(case: Case, station: float) -> Drawing:
    """The section at a station as it is at rest, in true thickness, with width, depth and radius."""
    strip = case.strip
    edge = float(strip.developed_edge(station)[0])
    q = np.linspace(-edge, edge, 81)
    height, lateral = strip.section_place(np.array(station), q)
    slope = np.gradient(height, q), np.gradient(lateral, q)
    normal = np.stack([-slope[0], slope[1]], axis=1)
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    middle = np.stack([lateral, height], axis=1)
    t = strip.thickness
    rim = np.concatenate([middle + normal * t / 2, (middle - normal * t / 2)[::-1]])
    low, high = rim.min(axis=0), rim.max(axis=0)
    scale = min(250.0 / (high[0] - low[0]), 150.0 / max(high[1] - low[1], 0.5))
    tall = (high[1] - low[1]) * scale
    drawing = Drawing(tall + 98.0, "the section at rest")
    centre = WIDE / 2 - 35

    def at(points: Array) -> Array:
        return np.stack([centre + points[:, 0] * scale, 30 + (high[1] - points[:, 1]) * scale], axis=1)

    drawing.path(at(rim), Pen("ink", 1.2), "strip", closed=True)
    drawing.path(at(middle), Pen("soft", 0.8, (4, 2)))
    chord = float(np.ptp(lateral))
    (x0, y0), (x1, _) = at(np.array([[lateral.min(), low[1]], [lateral.max(), low[1]]]))
    _length(drawing, (x0, x1), y0 + 22, f"{chord:.4g} mm across; {2 * edge:.4g} mm developed")
    depth = float(np.ptp(height))
    if depth > 0.01 * t:
        ends = at(np.array([[lateral.max(), height.min()], [lateral.max(), height.max()]]))
        x = float(at(rim)[:, 0].max()) + 14
        drawing.arrow((x, float(ends[0, 1])), (x, float(ends[1, 1])))
        drawing.words((x + 6, float(ends.mean(axis=0)[1]) + 4), f"depth {depth:.3g} mm")
    words = f"t {t:.3g} mm"
    if isinstance(strip.section, Arc):
        words += f", R {strip.section.radius:.4g} mm to the middle of the thickness"
    drawing.words((WIDE / 2, 16), "the axle is on this side", "soft", "middle", SIZE - 1)
    words += f"; at {station:.3g} mm from the root"
    drawing.words((WIDE / 2, y0 + 56), words, "soft", "middle", SIZE - 0.7)
    return drawing


def surroundings(case: Case, walls: tuple[Mapping[str, Any], ...], intended: Array) -> Drawing:
    """The rest path among what stands around it, with the dimensions of axle, casing and slot."""
    view = _View([intended, *_outlines(walls)], 290.0)
    drawing = Drawing(view.height + 40.0, "rest path, axle, casing, slot and obstacles from the side")
    _walls(drawing, view, walls)
    drawing.path(view.at(intended), Pen("strip", max(2.0, case.strip.thickness * view.scale)))
    drawing.path(view.at(intended), Pen("ink", 0.7))
    slot: Slot = case.slot
    lines = (
        f"axle R {case.axle.radius:.3g}, casing R {case.casing.radius:.3g} inside",
        f"slot {slot.gap:.3g} clear, {slot.length:.3g} long, lips R {slot.lip:.3g}",
    )
    for row, words in enumerate(lines):
        drawing.words((8, view.height + 14 + 14 * row), words)
    _scale_bar(drawing, view, view.height + 8)
    return drawing


def side_view(shot: Snapshot, intended: Array, jam: Jam | None) -> Drawing:
    """A state seen along the width: what the section reaches over, coloured by share of the strain limit."""
    normal = np.stack([-np.sin(shot.heading), np.cos(shot.heading)], axis=1)
    thick = float(np.max(shot.thickness))
    low = shot.position + normal * (shot.height.min(axis=1) - thick / 2)[:, None]
    high = shot.position + normal * (shot.height.max(axis=1) + thick / 2)[:, None]
    view = _View([low, high, intended, *_outlines(shot.obstacles)], 330.0)
    drawing = Drawing(view.height + 34.0, f"the strip from the side: {shot.label or 'a state of the run'}")
    _walls(drawing, view, shot.obstacles)
    if len(intended) > 1:
        drawing.path(view.at(intended), Pen("intended", 1.4, (5, 4)))
    share = np.nanmax(np.where(np.isnan(shot.strain_share), -1.0, shot.strain_share), axis=1)
    colours = shade(np.where(share < 0, np.nan, share))
    a, b = view.at(low), view.at(high)
    for k in range(shot.station.size - 1):
        drawing.path(np.array([a[k], a[k + 1], b[k + 1], b[k]]), None, hexadecimal(colours[k]))
    for line in (a, b):
        drawing.path(line, Pen("ink", 0.8))
    if jam is not None and math.isfinite(jam.station_mm):
        place = [float(np.interp(jam.station_mm, shot.station, shot.position[:, k])) for k in (0, 1)]
        ((x, y),) = view.at(np.array([place]))
        drawing.circle((x, y), 12, Pen("alarm", 2.2))
        words = f"jam: {jam.mode}, {jam.place}"
        half = 6 + wide(words) / 2
        drawing.halo((min(max(x, half), WIDE - half), y - 18), words, "alarm", "middle")
    _key(drawing, view.height + 12)
    return drawing


def _key(drawing: Drawing, level: float) -> None:
    for k in range(40):
        drawing.box((8 + 3.0 * k, level - 7), (3.2, 9), None, hexadecimal(shade(np.array(k / 39.0))))
    drawing.box((134, level - 7), (12, 9), None, "over")
    drawing.words((152, level + 1), "strain, 0 to 100 % of the limit, then over", "ink", "start", SIZE - 1)


class _View:
    """A parallel view of the plane of the path, fitted to points; `at` gives places in the drawing."""

    def __init__(self, points: list[Array], tallest: float) -> None:
        every = np.concatenate([part.reshape(-1, 2) for part in points if part.size])
        self.low, high = every.min(axis=0), every.max(axis=0)
        size = np.maximum(high - self.low, 1e-6)
        self.scale = float(min((WIDE - 24.0) / size[0], tallest / size[1]))
        self.height = float(size[1] * self.scale) + 24.0
        self._left = (WIDE - size[0] * self.scale) / 2

    def at(self, points: Array) -> Array:
        """(k, 2) mm -> (k, 2)."""
        moved = (points - self.low) * self.scale
        return np.stack([self._left + moved[:, 0], self.height - 12.0 - moved[:, 1]], axis=1)


def _outlines(walls: tuple[Mapping[str, Any], ...]) -> list[Array]:
    return [np.concatenate(wall_outline(wall, 20.0)) for wall in walls if wall["kind"] != "plane"]


def _walls(drawing: Drawing, view: _View, walls: tuple[Mapping[str, Any], ...]) -> None:
    for wall in walls:
        left, right = wall_outline(wall, 60.0)
        rim = np.concatenate([left, right[::-1]])
        drawing.path(view.at(rim), Pen("ink", 0.8), "axle" if wall.get("turning") else "body", closed=True)


def _scale_bar(drawing: Drawing, view: _View, level: float) -> None:
    sizes = (50.0, 20.0, 10.0, 5.0, 2.0, 1.0, 0.5)
    size = next(step for step in sizes if step * view.scale < 110 or step < 1)
    long = size * view.scale
    drawing.path([(WIDE - 12 - long, level), (WIDE - 12, level)], Pen("ink", 2.0))
    drawing.words((WIDE - 12 - long / 2, level + 14), f"{number(size)} mm", "ink", "middle")
