"""Runs made up for the tests of studies: torque from a formula, in place of a computation.

The push grows as a belt's around a drum (Euler and Eytelwein), T = A (t / 0.8)^3 exp(WRAP mu) casing / 7, and
a strip stops where that is more than the motor has. Whoever asks for the border can work it out by hand.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import pytest

from fem.batch.job import Job
from fem.batch.workers import Observer, run_here
from fem.case.definition import Case
from fem.core.checkpoint import Keeper
from fem.design.loading import Press
from fem.results.outcome import Status
from fem.results.result import Jam, Quantity, Result
from fem.simulation.jam_modes import JamMode
from fem.simulation.run_context import WHOLE, Extent

TORQUE, WRAP = 10.0, 5.0


def push_of(case: Case) -> float:
    """Torque [N mm] that pushing out asks for."""
    sound = (case.strip.thickness / 0.8) ** 3 * case.casing.radius / 7.0
    return TORQUE * sound * math.exp(WRAP * case.friction.strip)


def border_of_friction(motor: float, thickness: float = 0.8, casing: float = 7.0) -> float:
    """Friction at which a motor of so much torque [N mm] at the axle is just enough."""
    return math.log(motor / (TORQUE * (thickness / 0.8) ** 3 * casing / 7.0)) / WRAP


@dataclass
class StandIn:
    """Stands in for `run_case`. law: of the push; trouble: what becomes of a case in another way, None: the
    law holds; made: cases that were run, in order.
    """

    law: Callable[[Case], float] = push_of
    trouble: Callable[[Case], Result | None] = lambda case: None
    made: list[Case] = field(default_factory=list)

    def __call__(
        self,
        case: Case,
        model: str = "rod",  # noqa: ARG002 (as that of what it stands for)
        progress: object = None,  # noqa: ARG002
        keeper: Keeper | None = None,  # noqa: ARG002
        extent: Extent = WHOLE,
    ) -> Result:
        self.made.append(case)
        made = self.trouble(case)
        if made is None:
            made = _pressed(case) if isinstance(case.push, Press) else self._cycle(case, extent)
        return made

    def _cycle(self, case: Case, extent: Extent) -> Result:
        torque = self.law(case)
        stall = case.motor.axle_stall_torque if case.motor else math.inf
        most = min(extent.beyond, 5.0) * stall
        jammed, out = torque > stall, torque <= most
        reached = min(torque, most)
        travel = np.linspace(0.0, 30.0, 400)
        path = {
            "phase": np.repeat([1.0, 2.0], [200, 200]), "travel_mm": travel, "push_N": 0.1 * travel,
            "torque_Nmm": reached * np.sin(np.pi * travel / 30.0) ** 2, "axle_angle_rad": travel / 4.0,
        }  # fmt: skip
        numbers = {
            "retract_torque_peak_Nmm": 0.3 * TORQUE, "deploy_torque_peak_Nmm": reached,
            "strain_share_peak": case.strip.thickness, "travel_left_mm": 0.1 if out else 12.0,
        }  # fmt: skip
        if case.motor:
            numbers["motor_stall_torque_at_axle_Nmm"] = stall
            numbers["deploy_margin"] = 1.0 - reached / stall
        if jammed and extent.safe_travel:
            numbers["safe_travel_mm"] = 20.0
        jam = Jam(JamMode.COIL_LOCKS, 5.0, 18.0, stall) if jammed else None
        status = Status.JAMMED if jammed else Status.DEPLOYED
        return made_result(case, status, numbers, jam, path)


def _pressed(case: Case) -> Result:
    return made_result(case, Status.HELD, {"stiffness_N_per_mm": 0.01 * case.strip.thickness**3})


def made_result(
    case: Case, status: str, numbers: dict[str, float], jam: Jam | None = None,
    path: dict[str, np.ndarray] | None = None, sentence: str = "As the formula has it.",
) -> Result:  # fmt: skip
    """A result of a case with these numbers."""
    return Result(
        case.name, case.title, "rod", status, sentence,
        {name: Quantity(value, "") for name, value in numbers.items()}, jam, (), {}, 0.1, path or {}, (),
        case_text=case.text,
    )  # fmt: skip


class Here:
    """Stands in for processes: a formula runs here as well."""

    def __init__(self, count: int) -> None:
        self.count = count

    def __exit__(self, *kind: object) -> None:
        """Nothing to end."""

    def run(self, jobs: Sequence[Job], observer: Observer) -> None:
        run_here(jobs, observer)


def put_in_place(monkeypatch: pytest.MonkeyPatch) -> StandIn:
    """Have the formula stand in place of the simulation, and nothing be compiled for it."""
    made = StandIn()
    monkeypatch.setattr("fem.simulation.run.run_case", made)
    monkeypatch.setattr("fem.study.study.compile_loops", lambda *given: None)
    monkeypatch.setattr("fem.study.study.Pool", Here)
    return made
