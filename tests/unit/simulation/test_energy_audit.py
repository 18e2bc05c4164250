"""The energy balance of a run: what did not close, what snaps released, what was drag."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from small_cases import small_case

from fem.simulation.energy_audit import audit_warnings, drag_shares, energy_audit
from fem.simulation.models import winding_model
from fem.simulation.recorder import DEPLOY, RETRACT, Log
from fem.simulation.retract_deploy import wind, winding_program
from fem.solvers.implicit_dynamics import FULL, QUASISTATIC, MassShares
from fem.verification.energy_balance import largest_stored, slope_errors, work_kept


def balance(phase: float, work: float, stored: float, friction: float, gap: float) -> dict[str, float]:
    return {
        "phase": phase, "work_in_Nmm": work, "energy_strain_Nmm": stored, "energy_contact_Nmm": 0.0,
        "energy_kinetic_Nmm": 0.0, "loss_friction_Nmm": friction, "loss_damping_Nmm": 0.0,
        "loss_numerical_Nmm": 0.0, "released_Nmm": 0.0, "drag_Nmm": 0.0, "audit_closure_Nmm": gap,
    }  # fmt: skip


def test_the_balance_is_judged_phase_by_phase() -> None:
    rows = [
        balance(RETRACT, 0.0, 0.0, 0.0, 0.0), balance(RETRACT, 10.0, 6.0, 4.0, 0.1),
        balance(DEPLOY, 10.0, 6.0, 4.0, 0.1), balance(DEPLOY, 60.0, 0.0, 59.6, 0.4),
    ]  # fmt: skip
    audit = energy_audit(Log(rows, []))
    assert audit["retract"]["largest_error"] == pytest.approx(0.1 / 10.0)
    assert audit["deploy"]["largest_error"] == pytest.approx(0.3 / 50.0)
    assert audit["deploy"]["friction_Nmm"] == 59.6
    assert audit["closure_error"] == pytest.approx(0.01)
    assert energy_audit(Log())["closure_error"] == 0.0


def test_drag_is_what_is_lost_outside_snaps() -> None:
    lossy = [
        balance(RETRACT, 0.0, 0.0, 0.0, 0.0), balance(RETRACT, 10.0, 6.0, 4.0, 0.0),
        balance(DEPLOY, 10.0, 6.0, 4.0, 0.0), balance(DEPLOY, 60.0, 0.0, 50.0, 0.0),
    ]  # fmt: skip
    lossy[1] |= {"drag_Nmm": 0.03}
    lossy[2] |= {"drag_Nmm": 0.03}
    lossy[3] |= {"drag_Nmm": 1.03, "released_Nmm": 4.0}
    found = drag_shares(lossy)
    assert found["retract_drag_share"].value == pytest.approx(0.003)
    assert found["deploy_drag_share"].value == pytest.approx(1.0 / 50.0)
    assert found["released_Nmm"].value == 4.0
    (line,) = audit_warnings({"closure_error": 0.0}, found)
    assert line.startswith("2.0 % of the work of pushing out is drag")
    (line,) = audit_warnings({"closure_error": 0.03}, drag_shares(lossy[:2]))
    assert line.startswith("the energy balance closes to 3.0 % only")
    assert drag_shares([]) == {}


def turned(tmp_path: Path, shares: MassShares, **numbers: float) -> tuple[Log, float]:
    """Winding in and pushing out of a straight strip of 45 mm, and its drag winding in."""
    case = small_case(tmp_path, **numbers)
    program = winding_program(winding_model(case, "rod"))
    assert not isinstance(program, str)
    program.stepper.shares = shares
    _, log, _ = wind(program, case.travel, True, lambda share, text: None)
    return log, drag_shares(log.rows)["retract_drag_share"].value


def torque(log: Log, phase: float, low: float, high: float) -> float:
    """Mean torque over some travel."""
    return float(np.mean([
        row["torque_Nmm"] for row in log.rows if row["phase"] == phase and low < row["travel_mm"] < high
    ]))  # fmt: skip


def test_the_torque_does_not_depend_on_the_artificial_mass(tmp_path: Path) -> None:
    """Ten times what acts moves nothing that is told; all of it makes the axle drag the strip along, and the
    run says how much.
    """
    one, drag = turned(tmp_path, QUASISTATIC)
    ten, _ = turned(tmp_path, MassShares(10 * QUASISTATIC.smooth, 10 * QUASISTATIC.rough))
    full, dragged = turned(tmp_path, FULL)
    means = [torque(log, RETRACT, 4.0, 9.0) for log in (one, ten, full)]
    assert means[1] == pytest.approx(means[0], rel=5e-3)
    assert means[2] > 1.01 * means[0]
    assert drag < 5e-3 < dragged


def test_a_strip_without_friction_gives_back_what_it_was_given(tmp_path: Path) -> None:
    """Where nothing snaps, so that no kinetic energy is told, the torque is the slope of the stored energy;
    what the whole cycle loses besides snaps is next to nothing (conservation of energy).
    """
    log, _ = turned(tmp_path, QUASISTATIC, friction=0.0)
    assert abs(log.rows[-1]["drag_Nmm"]) < 0.01 * largest_stored(log.rows)
    assert abs(work_kept(log.rows)) < 0.01
    errors = slope_errors(log.rows)
    assert len(errors) > 0.7 * sum(row["phase"] == RETRACT for row in log.rows)
    assert errors.max() < 0.01
