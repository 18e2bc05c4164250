"""The motor on the axle: a straight torque-speed line seen through a gear.

A small permanent-magnet motor gives its stall torque at rest and none at its no-load speed, with a straight
line between: omega = omega_0 (1 - T / T_s). A gear of ratio N and efficiency eta hands eta N T to the axle at
omega / N (standard machine-element relations). The strip asks for a torque at every point of its path; the
motor turns as fast as its line allows against that torque, and where the strip asks for more than the stall
torque at the axle, the motor stands still.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fem.core.term import Array
from fem.core.units import Efficiency, Ratio, Speed, Torque


@dataclass(frozen=True)
class Motor:
    """A motor with its gear: stall torque [N mm] and no-load speed [rpm] at the motor's own shaft."""

    stall_torque: Torque
    no_load_speed: Speed
    gear_ratio: Ratio = 1.0
    efficiency: Efficiency = 1.0

    @property
    def axle_stall_torque(self) -> float:
        """Torque at the axle with the motor held still [N mm]."""
        return self.stall_torque * self.gear_ratio * self.efficiency

    @property
    def axle_no_load_speed(self) -> float:
        """Speed of the unloaded axle [rad/s]."""
        return self.no_load_speed * 2.0 * math.pi / 60.0 / self.gear_ratio

    def speed_under(self, torque: Array | float) -> Array:
        """Axle speed against `torque` [N mm, any shape] -> [rad/s].

        Zero where the torque exceeds the stall torque. Where the strip drives the motor (torque < 0) the
        no-load speed is returned: the gear's losses under reversed power are not on the data sheet.
        """
        free = 1.0 - np.asarray(torque, dtype=float) / self.axle_stall_torque
        return self.axle_no_load_speed * np.clip(free, 0.0, 1.0)

    def overloaded(self, torque: float) -> bool:
        """Whether a torque [N mm] is more than the axle has with the motor held still."""
        return torque > self.axle_stall_torque

    def margin(self, torque: Array | float) -> Array:
        """Share of the stall torque left over against `torque` [N mm, any shape]; negative: it stalls."""
        return 1.0 - np.asarray(torque, dtype=float) / self.axle_stall_torque

    def time_along(self, axle_angle: Array, torque: Array) -> Array:
        """Time [s] at each point of a path of axle angle [rad, (n,)] and torque asked for [N mm, (n,)].

        Integrates |d angle| / speed with the speed varying linearly within a step (exact for a torque that
        varies linearly with the angle). Infinite from the first step that reaches stall.
        """
        speed = self.speed_under(torque)
        angle = np.abs(np.diff(np.asarray(axle_angle, dtype=float)))
        slow, fast = np.minimum(speed[:-1], speed[1:]), np.maximum(speed[:-1], speed[1:])
        stalled = (slow <= 0.0) & (angle > 0.0)
        slow = np.where(slow <= 0.0, 1.0, slow)
        rise = np.where(fast > slow, fast / slow - 1.0, 0.0)
        # log(1 + r) / r -> 1 as the two speeds agree
        shape = np.where(rise > 1e-9, np.log1p(rise) / np.where(rise > 1e-9, rise, 1.0), 1.0)
        steps = np.where(stalled, math.inf, angle / slow * shape)
        return np.concatenate(([0.0], np.cumsum(steps)))


@dataclass(frozen=True)
class OverloadStart:
    """Finds the place where a push begins to overload its motor: says how much of a step to take, from the
    force on the axle at its two ends. sense: 1.0 where the force is the torque asked for, -1.0 where that
    is its negative (pushing out).
    """

    motor: Motor
    sense: float

    def __call__(self, before: float, after: float) -> float:
        """Share of the step (0, 1] after which the motor is just overloaded, if torque grows evenly; 1 where
        it is not overloaded within this step, or hardly.
        """
        stall, low, high = self.motor.axle_stall_torque, self.sense * before, self.sense * after
        if low > stall or high <= (1.0 + JUST) * stall:
            return 1.0
        return min(MOST_OF_IT, max(LEAST_OF_IT, ((1.0 + 0.5 * JUST) * stall - low) / (high - low)))


JUST = 0.01
"""Share of the stall torque by which a row may lie above it and still tell the moment of overload."""
LEAST_OF_IT, MOST_OF_IT = 0.1, 0.7
"""A torque that jumps is never met exactly; these bounds bring a few trials to the jump, not dozens."""
