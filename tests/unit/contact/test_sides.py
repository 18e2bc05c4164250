"""On which side of walls and of itself a line lies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from fem.contact.kernels.sides import passes_itself, passes_walls
from fem.contact.sides import Passage, Sides
from fem.design.obstacle import Bar, Cylinder, Guide, Plane, Pod, Wall, axle_walls, wall_table

POD = Pod(radius=9.0, gap=1.5, height=-4.5, mouth=10.5, lip=0.5)
WALLS = (*axle_walls(4.0, 0.0), *POD.walls(0.0))
THROUGH = np.array([[0.0, -4.5], [5.0, -4.5], [9.5, -4.5], [12.0, -4.5], [30.0, 4.0]])
"""From the axle's bottom through the slot."""


def fine(line: np.ndarray, count: int = 200) -> np.ndarray:
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    places = np.linspace(0.0, along[-1], count)
    return np.stack([np.interp(places, along, column) for column in line.T], axis=1)


@dataclass
class Line:
    """Contact with walls, of a strip that is a line of points: its unknowns."""

    walls: tuple[Wall, ...]
    stations: np.ndarray
    split: int = 1
    least: float = 0.1

    @property
    def points(self) -> Line:
        return self

    def mid_line(self, u: np.ndarray) -> np.ndarray:
        return u.reshape(-1, 2)

    def least_gap(self, u: np.ndarray) -> float:  # noqa: ARG002
        return self.least


def sides(walls: tuple[Wall, ...] = WALLS, count: int = 200, **known: float) -> Sides:
    return Sides(Line(walls, np.linspace(0.0, 40.0, count), **known), 1.0)


def test_a_strip_that_leaves_through_the_slot_is_on_its_side() -> None:
    assert sides()(fine(THROUGH)) == ""


@pytest.mark.parametrize(
    ("way", "through"),
    [
        ([[5.5, -7.0], [9.5, -7.0]], "casing"),
        ([[5.5, 0.0], [9.5, 0.0]], "casing"),
        ([[5.5, 3.0], [9.5, 3.0]], "casing"),
        ([[9.0, -4.5], [9.1, -9.0]], "slot, far side"),
        ([[10.1, -4.5], [10.2, 0.0]], "slot, axle side"),
    ],
)
def test_a_strip_across_a_wall_is_told_with_the_place(way: list[list[float]], through: str) -> None:
    line = fine(np.array([[0.0, -4.5], [5.0, -4.5], *way, [30.0, way[1][1]]]), 400)
    assert f"pass through the {through}, " in sides(count=400)(line)
    place = sides(count=400).passage(line)
    assert isinstance(place, Passage)
    there = line[np.searchsorted(np.linspace(0.0, 40.0, 400), place.station)]
    assert 8.9 < np.linalg.norm(there) < 11.2  # between the casing's face and the mouth


@pytest.mark.parametrize(
    "obstacle",
    [
        Cylinder(20.0, 0.0, 0.4),
        Bar(20.0, -5.0, 20.0, 5.0, 0.01),
        Plane(20.0, 0.0, np.pi),
        Guide(18.0, 6.0, -0.5 * np.pi, 12.0, 0.0, 2.0, 0.01),
        Guide(18.0, 6.0, -0.5 * np.pi, 12.0, 0.6, 2.0, 0.01),
    ],
)
def test_walls_thinner_than_the_points_are_apart_are_not_stepped_over(obstacle: object) -> None:
    table = wall_table(obstacle.walls(0.0))
    coarse = np.stack([np.linspace(0.0, 40.0, 41), np.full(41, 0.003)], axis=1)
    point, wall = passes_walls(coarse, table)
    assert wall == 0
    assert 16.0 <= coarse[point, 0] <= 22.0
    beside = coarse + np.array([0.0, 30.0 if not isinstance(obstacle, Plane) else 0.0])
    beside[:, 0] -= 25.0 if isinstance(obstacle, Plane) else 0.0
    assert passes_walls(beside, table) == (-1, -1)


def test_walls_out_of_the_way_are_not_there() -> None:
    line = np.stack([np.linspace(0.0, 40.0, 41), np.zeros(41)], axis=1)
    assert passes_walls(line, wall_table(Bar(20.0, -5.0, 20.0, 5.0, 0.5).walls(1.0))) == (-1, -1)


def spiral(turns: float, pitch: float, count: int) -> np.ndarray:
    angle = np.linspace(0.0, 2 * np.pi * turns, count)
    radius = 4.0 + pitch * angle / (2 * np.pi)
    return np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1)


@pytest.mark.parametrize("count", [40, 400, 3000])
def test_wraps_that_lie_on_each_other_do_not_pass_through_themselves(count: int) -> None:
    assert passes_itself(spiral(4.0, 0.3, count)) == (-1, -1)


def test_a_line_through_itself_is_found_wherever_it_is() -> None:
    line = np.concatenate([spiral(3.0, 0.3, 600), np.array([[3.0, 0.1], [3.0, 0.2]])])
    first, second = passes_itself(line)
    assert 0 <= first < 590
    assert second >= 598
    for count in (50, 333, 1500):  # wherever blocks begin
        angle = np.linspace(0.2, 1.9 * np.pi, count)
        loop = np.stack([np.cos(angle), np.sin(2.0 * angle)], axis=1)  # an eight
        where = passes_itself(loop)
        assert where[0] >= 0
        a, b = loop[where[0]], loop[where[1]]
        assert np.linalg.norm(a - b) < 40.0 / count


def test_a_strip_through_itself_and_one_that_sinks_in_are_told() -> None:
    assert "itself" in sides(walls=())(
        spiral(2.0, -0.1, 200) * (1 + 0.2 * np.sin(np.linspace(0, 9, 200)))[:, None]
    )
    assert sides(least=-0.4)(fine(THROUGH)) == ""
    assert "0.5 thicknesses" in sides(least=-0.6)(fine(THROUGH))
