"""What is written down at each step of a run: a row of numbers and the state itself."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from fem.core.term import Array
from fem.simulation.kept_contact import StateRecord, recorded
from fem.simulation.stepper import Stepper
from fem.simulation.strip_model import StripModel, StripSummary

PUSH_SPAN = 3.0
RETRACT, DEPLOY = 1.0, 2.0


@dataclass
class Log:
    """Rows and states of all accepted steps, each state with the record of its contact."""

    rows: list[dict[str, float]] = field(default_factory=list)
    states: list[Array] = field(default_factory=list)
    contacts: list[StateRecord] = field(default_factory=list)

    def keep(self, row: dict[str, float], u: Array, contact: StateRecord) -> None:
        """Append a step."""
        self.rows.append(row)
        self.states.append(u)
        self.contacts.append(contact)

    def cut(self, count: int) -> None:
        """Forget all but the first `count` steps."""
        del self.rows[count:], self.states[count:], self.contacts[count:]

    def column(self, name: str) -> Array:
        """One column (rows,)."""
        return np.array([row[name] for row in self.rows])


@dataclass
class Recorder:
    """Writes a row per accepted step of winding in and pushing out.

    phase: RETRACT or DEPLOY; time [s] since the start; zero [mm]: station at the slot when fully out, from
    which travel counts.
    """

    model: StripModel
    log: Log
    phase: float = RETRACT
    time: float = 0.0
    zero: float = 0.0

    def write(self, stepper: Stepper, step_time: float) -> dict[str, float]:
        """Append the row of the stepper's present state and return it."""
        walls, wraps = self.model.walls, self.model.wraps
        state = self.model.summary(stepper.u)
        wrap_gaps = wraps.gaps(stepper.u) if wraps else np.zeros((0, 0))
        self.time += step_time
        s_slot = self.slot_station(stepper.u)
        motor = self.model.case.motor
        row = {
            "step": float(len(self.log.rows)),
            "time_s": self.time,
            "phase": self.phase,
            "axle_angle_rad": stepper.control,
            "travel_mm": s_slot - self.zero,
            "torque_Nmm": sense(self.phase) * stepper.force,
            "motor_torque_Nmm": motor.axle_stall_torque if motor else math.nan,
            "push_N": -axial_near(state, s_slot),
            **tip_columns(state),
            "casing_contact_rad": self._casing_contact(),
            "wrap_contact_mm": self._wrap_contact(stepper.u),
            **peak_columns(state),
            **energy_columns(stepper),
            "audit_closure_Nmm": stepper.ledger.error(stepper.stored.total),
            **step_columns(stepper),
            "smallest_gap_mm": walls.least_gap(stepper.u) if walls else math.nan,
            "smallest_wrap_gap_mm": float(wrap_gaps.min()) if wraps else math.nan,
            "slot_station_mm": s_slot,
        }
        self.log.keep(row, stepper.u.copy(), recorded(self.model))
        return row

    def slot_station(self, u: Array) -> float:
        """Station [mm] of the strip at the slot's inner end; the strip's length when all of it is inside."""
        walls, casing = self.model.walls, self.model.case.casing
        if walls is None:
            return 0.0
        x = walls.mid_line(u)[:, 0]
        s = walls.points.stations
        outside = np.flatnonzero(x > casing.radius)
        if len(outside) == 0:
            return self.model.length
        i = int(outside[0])
        if i == 0:
            return float(s[0])
        part = (casing.radius - x[i - 1]) / (x[i] - x[i - 1])
        return float(s[i - 1] + part * (s[i] - s[i - 1]))

    def _casing_contact(self) -> float:
        walls = self.model.walls
        if walls is None:
            return 0.0
        force = walls.held[..., [w.name == "casing" for w in walls.walls], 0].sum(axis=(1, 2))
        return float(walls.points.lengths[force > 0].sum() / self.model.case.casing.radius)

    def _wrap_contact(self, u: Array) -> float:
        """Length [mm] over which the strip presses on itself; the penalty begins before the faces meet."""
        wraps = self.model.wraps
        if wraps is None:
            return 0.0
        return float(wraps.points.lengths[(wraps.forces(u) > 0.0).any(axis=1)].sum())


def tip_columns(state: StripSummary) -> dict[str, float]:
    """Where the tip is."""
    return {"tip_x_mm": float(state.position[-1, 0]), "tip_y_mm": float(state.position[-1, 1])}


def peak_columns(state: StripSummary) -> dict[str, float]:
    """Largest curvature and strain, and where they are."""
    curvature = np.abs(state.curvature)
    peak, worst = int(np.argmax(curvature)), int(np.argmax(state.strain_share.max(axis=1)))
    return {
        "curvature_peak_per_mm": float(curvature[peak]),
        "curvature_peak_station_mm": float(state.station[peak]),
        "strain_peak": float(state.strain.max()),
        "strain_share": float(state.strain_share.max()),
        "strain_station_mm": float(state.station[worst]),
    }


def energy_columns(stepper: Stepper) -> dict[str, float]:
    """What is stored, what was put in, what was lost."""
    return {
        "energy_strain_Nmm": stepper.stored.strain,
        "energy_contact_Nmm": stepper.stored.contact,
        "energy_kinetic_Nmm": stepper.stored.kinetic,
        "work_in_Nmm": stepper.ledger.work,
        "loss_friction_Nmm": stepper.ledger.friction,
        "loss_damping_Nmm": stepper.ledger.damping,
        "loss_numerical_Nmm": stepper.ledger.numerical,
        "released_Nmm": stepper.ledger.released,
        "drag_Nmm": stepper.ledger.drag,
    }


def step_columns(stepper: Stepper) -> dict[str, float]:
    """How the step was found, and how well the energies add up after it."""
    return {
        "audit_error": stepper.ledger.error(stepper.stored.total) / stepper.ledger.scale,
        "stable": float(stepper.stable),
        "iterations": float(stepper.iterations),
    }


def sense(phase: float) -> float:
    """What makes the force on the axle, which winds in, the torque asked of the motor in a phase."""
    return -1.0 if phase == DEPLOY else 1.0


def axial_near(state: StripSummary, station: float) -> float:
    """Axial force [N] just before a station, mean over PUSH_SPAN toward the root: cubic elements let it
    ripple, and beyond the slot's inner end the lips take it up.
    """
    ahead = min(station, float(state.station[-1])) - state.station
    return float(state.axial_force[(ahead >= 0.0) & (ahead <= PUSH_SPAN)].mean())
