"""Springs that drive a place of the rod: derivatives, the load read off them, large turns."""

from __future__ import annotations

import math

import numpy as np
import pytest
from rod_strips import at_rest, bent_strip, derivative_errors, rough, small_rod, straight_strip, turned

from fem.rod.drives import PushDrive, TurnDrive


@pytest.mark.parametrize("turn", [0.0, 0.7, 3.1, -2.9])
@pytest.mark.parametrize("station", [31.3, 95.0])
def test_the_angular_spring_has_the_right_derivatives(turn: float, station: float) -> None:
    rod = small_rod(straight_strip())
    u = turned(rod, at_rest(rod), turn) + rough(rod, 0.02, 3)
    drive = TurnDrive(rod, station, 40.0, 0.0, turn - 0.3)
    first, second = derivative_errors(drive, u, rough(rod, 1.0, 4))
    assert first < 1e-6
    assert second < 1e-6


def test_the_pushing_spring_has_the_right_derivatives() -> None:
    rod = small_rod(bent_strip())
    drive = PushDrive(rod, 40.0, (0.6, -0.8), 3.0, (30.0, 5.0), 2.0)
    first, second = derivative_errors(drive, at_rest(rod) + rough(rod, 0.02, 3), rough(rod, 1.0, 4))
    assert first < 1e-6
    assert second < 1e-6


@pytest.mark.parametrize("turn", [0.4, 1.5, 3.1, -3.1])
def test_a_turned_rod_has_moved_by_its_turn_and_pulls_the_spring_by_the_rest(turn: float) -> None:
    rod = small_rod(straight_strip())
    drive = TurnDrive(rod, 60.0, 25.0, 0.0, turn + 0.1)
    u = turned(rod, at_rest(rod), turn)
    assert drive.moved(u) == pytest.approx(turn, abs=1e-9)
    assert drive.load(u) == pytest.approx(25.0 * 0.1)


def test_the_load_is_the_moment_that_works_on_the_rod() -> None:
    rod = small_rod(straight_strip())
    drive = TurnDrive(rod, 60.0, 25.0, 0.0, 0.3)
    u, small = at_rest(rod), 1e-6
    work = drive.evaluate(turned(rod, u, small), 0).energy - drive.evaluate(turned(rod, u, -small), 0).energy
    assert -work / (2 * small) == pytest.approx(drive.load(u), rel=1e-6)


def test_a_shifted_rod_has_moved_by_its_shift_along_the_direction() -> None:
    rod = small_rod(straight_strip())
    way = (math.cos(0.5), math.sin(0.5))
    drive = PushDrive(rod, 50.0, way, 4.0, (50.0, 0.0), 3.0)
    u = turned(rod, at_rest(rod), 0.0, (2.0, -1.0))
    moved = 2.0 * way[0] - way[1]
    assert drive.moved(u) == pytest.approx(moved)
    assert drive.load(u) == pytest.approx(4.0 * (3.0 - moved))
    gradient = drive.evaluate(u, 1).gradient.reshape(len(rod.nodes), rod.fields, 2)
    force = gradient[:, :2, 0].sum(axis=0)
    assert force == pytest.approx(-drive.load(u) * np.array(way))
