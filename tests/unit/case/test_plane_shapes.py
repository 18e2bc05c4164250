"""Distances and crossings in the plane against places found by hand and the compiled distance of contact."""

from __future__ import annotations

import numba
import numpy as np
import pytest

from fem.case.plane_shapes import clear_of, core_outline, first_crossing, pieces_apart, pieces_cross
from fem.contact.kernels.distance import wall_gap
from fem.design.obstacle import ARC, LINE, POINT, SEGMENT, Wall, wall_table

WALLS = (
    Wall("post", POINT, 1.0, -2.0, 0.7),
    Wall("bar", SEGMENT, -1.0, 0.5, 0.4, x2=3.0, y2=2.0),
    Wall("arc", ARC, 0.5, 0.5, 0.3, core=4.0, start=0.4, sweep=4.5),
    Wall("plane", LINE, 1.0, 1.0, 0.0, x2=0.6, y2=0.8),
)
ONE, TWO = np.array([[0.0, 0.0]]), np.array([[2.0, 0.0]])


@numba.njit
def gap_at(row, x, y):
    return wall_gap(row, x, y)[0]  # is built into its caller: can be called from a compiled loop only


@pytest.mark.parametrize("wall", WALLS, ids=lambda wall: wall.name)
def test_distances_are_those_of_contact(wall: Wall) -> None:
    chance = np.random.default_rng(1)
    points = chance.uniform(-6.0, 6.0, (60, 2))
    expected = [gap_at(wall_table((wall,))[0], *point) for point in points]
    # the outline of an arc is a line of chords: they leave it by core (1 - cos(step / 2))
    assert clear_of(wall, points) == pytest.approx(expected, abs=4.0 * (1.0 - np.cos(0.025)) + 1e-12)


@pytest.mark.parametrize(
    ("start", "end", "apart"),
    [((1.0, -1.0), (1.0, 1.0), 0.0), ((1.0, 0.5), (1.0, 3.0), 0.5), ((5.0, 4.0), (5.0, 9.0), 5.0)],
)
def test_pieces_are_apart_by_what_lies_between(
    start: tuple[float, float], end: tuple[float, float], apart: float
) -> None:
    c, d = np.array([start]), np.array([end])
    assert pieces_apart(ONE, TWO, c, d) == pytest.approx([apart])
    assert pieces_cross(ONE, TWO, c, d).tolist() == [apart == 0.0]


def test_a_line_crosses_an_arc_at_its_first_piece_beyond_it() -> None:
    line = np.column_stack([np.linspace(0.5, 6.5, 7), np.full(7, 0.51)])
    assert first_crossing(line, core_outline(WALLS[2])) == -1  # passes through the opening of the arc
    line[:, 0] = 0.5 - np.arange(7.0)
    assert first_crossing(line, core_outline(WALLS[2])) == 3
    assert first_crossing(line, core_outline(WALLS[0])) == -1
