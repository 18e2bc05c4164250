"""What one can measure on the strip at a state: the coil, a section, the values at a point."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from fem.core.term import Array
from fem.results.readings import number
from fem.results.snapshot import Snapshot
from fem.view.colouring import COLOURINGS
from fem.view.intended import IntendedShape
from fem.view.solid import StripSolid

LEAST = 1e-6
"""Anything smaller, in the units of the colourings, is 0."""


@dataclass(frozen=True)
class CoilSize:
    """The coil in its casing: turns, the diameter of the round it needs, what is left to the casing (both
    sides together would be twice that); ends of the widest radius drawn as a diameter, each (3,).
    """

    turns: float
    diameter: float
    clearance: float
    station: float
    ends: tuple[Array, Array]


def _first(shot: Snapshot, **wanted: Any) -> Mapping[str, Any] | None:
    return next(
        (wall for wall in shot.obstacles if all(wall.get(key) == value for key, value in wanted.items())),
        None,
    )


def coil(shot: Snapshot, solid: StripSolid) -> CoilSize | None:
    """Measure the coil: the strip inside the casing up to where it last passes under the axle, on its way to
    the slot.

    None without a turning axle, or while nothing is wound up. Clearance is nan without a casing.
    """
    axle = _first(shot, kind="disc", turning=True)
    casing = next(
        (wall for wall in shot.obstacles if wall["kind"] == "arc" and wall["sweep"] > math.pi), None
    )
    if axle is None:
        return None
    centre = np.array([axle["x"], axle["y"]])
    away = solid.middle[:, :2] - centre
    outside = math.inf if casing is None else casing["core"]
    gone = np.flatnonzero(np.hypot(*away.T) > outside)
    inside = away[: gone[0] if gone.size else len(away)]
    if len(inside) < 2:
        return None
    # the slot lies to the right of the axle: counted from there, the last passage under the axle is at -pi/2
    angle = np.unwrap(np.arctan2(inside[:, 1], inside[:, 0]))
    angle -= 2.0 * math.pi * round(float(angle[-1]) / (2.0 * math.pi))
    under = np.flatnonzero(angle <= -0.5 * math.pi)
    if not under.size or under[-1] == 0:
        return None
    last = int(under[-1]) + 1
    turns = float(angle[last - 1] - angle[0]) / (2.0 * math.pi)
    faces = np.stack([face[:last] for face in solid.faces[:2]])
    reach = np.hypot(faces[..., 0] - centre[0], faces[..., 1] - centre[1])
    widest = np.unravel_index(int(np.argmax(reach)), reach.shape)
    radius, end = float(reach[widest]), faces[widest]
    other = np.array([*(2.0 * centre - end[:2]), end[2]])
    left = math.nan if casing is None else casing["core"] - casing["radius"] - radius
    return CoilSize(turns, 2.0 * radius, float(left), float(solid.station[widest[1]]), (end, other))


def flat_section(solid: StripSolid, station: float) -> Array:
    """The section at a station laid flat, (layers + 1, b, 2) mm: across, and toward the axle, about its
    middle.

    The plane of the section is that of its own points, so that a cut that stands askew keeps its true size.
    """
    lines = solid.cut(station)
    middle = lines.mean(axis=0)
    centre = middle[len(middle) // 2]
    chord = middle[-1] - middle[0]
    across = chord / np.linalg.norm(chord)
    up = (lines[-1] - lines[0])[len(middle) // 2]
    up = up - (up @ across) * across
    up /= np.linalg.norm(up)
    return np.stack([(lines - centre) @ across, (lines - centre) @ up], axis=-1)


def nearest_point(solid: StripSolid, across: Array, place: Array) -> tuple[float, float]:
    """Station and place across [mm] of the drawn point nearest to a place (3,); across: (b,) mm of the
    columns.
    """
    away = [np.linalg.norm(face - place, axis=-1) for face in solid.faces[:2]]
    nearer = min(away, key=lambda distance: float(distance.min()))
    row, column = np.unravel_index(int(np.argmin(nearer)), nearer.shape)
    return float(solid.station[row]), float(across[column])


def values_at(shot: Snapshot, aim: IntendedShape, point: tuple[float, float]) -> list[tuple[str, str]]:
    """Names and values with units at a point (station, across), for reading; a dash where none is known."""
    values = []
    for colouring in COLOURINGS:
        value = _interpolated(shot, colouring.of(shot, aim), point)
        values.append((colouring.name, _value_text(value, colouring.unit)))
    force = float(np.interp(point[0], shot.station, shot.axial_force))
    return [*values, ("axial force", _value_text(force, "N"))]


def _value_text(value: float, unit: str) -> str:
    """A value for reading; what is nothing but rounding is 0."""
    return number(0.0 if abs(value) < LEAST else value, unit, 3)


def _interpolated(shot: Snapshot, values: Array, point: tuple[float, float]) -> float:
    rows = np.stack([np.interp(point[0], shot.station, column) for column in values.T])
    return float(np.interp(point[1], shot.across, rows))
