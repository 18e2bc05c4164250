"""The motor's line against the relations every machine-elements text gives, and time against quadrature."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from fem.design.motor import JUST, LEAST_OF_IT, MOST_OF_IT, Motor, OverloadStart

MOTOR = Motor(stall_torque=2.0, no_load_speed=6000.0, gear_ratio=50.0, efficiency=0.8)


def test_gear_multiplies_torque_and_divides_speed() -> None:
    # T_out = N eta T_m, omega_out = omega_m / N (standard gear relations)
    assert MOTOR.axle_stall_torque == pytest.approx(80.0)
    assert MOTOR.axle_no_load_speed == pytest.approx(100.0 * 2.0 * math.pi / 50.0)


def test_line_runs_from_stall_to_no_load() -> None:
    # T = T_s (1 - omega / omega_0) between the two ends of the data sheet
    torque = np.linspace(0.0, MOTOR.axle_stall_torque, 7)
    speed = MOTOR.speed_under(torque)
    assert (speed[0], speed[-1]) == (MOTOR.axle_no_load_speed, 0.0)
    np.testing.assert_allclose(80.0 * (1.0 - speed / MOTOR.axle_no_load_speed), torque, atol=1e-12)


def test_overload_stands_still_and_a_driving_strip_does_not_overspeed() -> None:
    np.testing.assert_array_equal(MOTOR.speed_under(np.array([90.0, -5.0])), [0.0, MOTOR.axle_no_load_speed])
    assert MOTOR.margin(90.0) == pytest.approx(-0.125)
    assert MOTOR.margin(20.0) == pytest.approx(0.75)


def test_largest_power_lies_at_half_speed() -> None:
    # P_max = T_s omega_0 / 4 at half the no-load speed (standard permanent-magnet motor relation)
    torque = np.linspace(0.0, MOTOR.axle_stall_torque, 2001)
    power = torque * MOTOR.speed_under(torque)
    assert power.max() == pytest.approx(0.25 * 80.0 * MOTOR.axle_no_load_speed, rel=1e-6)
    assert torque[power.argmax()] == pytest.approx(40.0, rel=1e-3)


def test_time_under_constant_torque_is_angle_over_speed() -> None:
    angle = np.array([0.0, 1.0, 2.5, 4.0])
    time = MOTOR.time_along(angle, np.full(4, 40.0))
    np.testing.assert_allclose(time, angle / (0.5 * MOTOR.axle_no_load_speed))


def test_time_under_rising_torque_agrees_with_quadrature() -> None:
    angle, torque = np.array([0.0, 3.0]), np.array([10.0, 70.0])

    def slowness(at: float) -> float:
        return float(1.0 / MOTOR.speed_under(10.0 + 20.0 * at))

    expected, _ = quad(slowness, 0.0, 3.0)
    assert MOTOR.time_along(angle, torque)[-1] == pytest.approx(expected, rel=1e-9)


def test_turning_back_takes_time_too() -> None:
    there_and_back = MOTOR.time_along(np.array([0.0, 2.0, 0.0]), np.zeros(3))
    assert there_and_back[-1] == pytest.approx(2.0 * there_and_back[1])


def test_stall_never_ends() -> None:
    time = MOTOR.time_along(np.array([0.0, 1.0, 2.0, 3.0]), np.array([10.0, 20.0, 80.0, 10.0]))
    assert np.isfinite(time[:2]).all()
    assert np.isinf(time[2:]).all()


def test_standing_still_under_overload_takes_no_time() -> None:
    assert MOTOR.time_along(np.array([1.0, 1.0]), np.array([100.0, 100.0]))[-1] == 0.0


@pytest.mark.parametrize("sense", [1.0, -1.0])
def test_a_step_is_cut_where_the_motor_is_just_overloaded(sense: float) -> None:
    start, stall = OverloadStart(MOTOR, sense), MOTOR.axle_stall_torque
    share = start(sense * 0.8 * stall, sense * 1.2 * stall)
    torque = 0.8 * stall + share * 0.4 * stall  # a torque that grows evenly
    assert MOTOR.overloaded(torque) and torque < (1.0 + JUST) * stall
    # a jump is brought nearer step by step, never by almost nothing or almost all
    assert start(sense * 0.999 * stall, sense * 9.0 * stall) == LEAST_OF_IT
    assert start(0.0, sense * 1.02 * stall) == MOST_OF_IT
    for before, after in ((0.2, 0.9), (0.9, 1.0 + 0.9 * JUST), (1.1, 3.0), (3.0, 0.5)):
        assert start(sense * before * stall, sense * after * stall) == 1.0
