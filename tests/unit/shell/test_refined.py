"""A demo case in and out in the shell, on the mesh it is computed with and on one refined by 1.5."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fem.case.definition import Case, read_case
from fem.shell.measures import closest_wraps
from fem.shell.model import build_shell_model
from fem.simulation.energy_audit import energy_audit
from fem.simulation.recorder import DEPLOY, RETRACT, Log
from fem.simulation.retract_deploy import wind, winding_program

WINDOW = 5.0
"""mm of travel over which torques are averaged, as in `test_rod_and_shell`."""


def shortened() -> Case:
    """The corrected boom, wound in until its second wrap lies over the root."""
    case = read_case(Path("cases/boom-corrected.toml"))
    return replace(case, push=replace(case.push, left_out=50.0))


def cycle(case: Case, refine: float) -> Log:
    """Log of a cycle that came out, with its balance closed and no wrap within another."""
    model = build_shell_model(case, refine)
    outcome, log, _ = wind(winding_program(model), case.travel, True, lambda share, text: None)
    assert outcome.deployed, outcome.trouble
    assert energy_audit(log)["closure_error"] < 0.02
    assert closest_wraps(model, log.states, log.contacts)["wrap_gap_true_mm"].value > -0.1
    return log


def torque(log: Log, phase: float, travels: np.ndarray) -> np.ndarray:
    """Mean torque over WINDOW mm around each travel."""
    rows = sorted((row["travel_mm"], row["torque_Nmm"]) for row in log.rows if row["phase"] == phase)
    x, y = np.array(rows).T
    fine = np.arange(x.min(), x.max() + 0.02, 0.02)
    total = np.concatenate([[0.0], np.cumsum(np.interp(fine, x, y)[1:] * 0.02)])
    ahead, behind = (np.interp(travels + part * WINDOW, fine, total) for part in (0.5, -0.5))
    return (ahead - behind) / WINDOW


def one_signed(log: Log, phase: float, travels: np.ndarray) -> np.ndarray:
    """Where the torque does not change its sign within WINDOW mm around a travel."""
    x, y = np.array([(row["travel_mm"], row["torque_Nmm"]) for row in log.rows if row["phase"] == phase]).T
    near = np.abs(x - travels[:, None]) <= 0.5 * WINDOW
    return np.asarray(np.all(~near | (y > 0.0), axis=1) | np.all(~near | (y < 0.0), axis=1))


@pytest.fixture(scope="module")
def logs() -> tuple[Log, Log]:
    """Logs on the usual mesh and on the finer one."""
    return cycle(shortened(), 1.0), cycle(shortened(), 1.5)


TRAVELS = np.arange(3.0, shortened().travel - 3.0, 0.25)


def compared(logs: tuple[Log, Log], phase: float) -> tuple[np.ndarray, np.ndarray]:
    """Difference of the torques over the largest, and as a share where that means something (else 0)."""
    one, other = (torque(log, phase, TRAVELS) for log in logs)
    largest = np.abs(other).max()
    # near a change of sign a share of the torque means nothing
    return (one - other) / largest, np.where(np.abs(other) > 0.1 * largest, (one - other) / other, 0.0)


@pytest.mark.slow
def test_a_finer_mesh_takes_the_same_torque_at_every_travel(logs: tuple[Log, Log]) -> None:
    for phase in (RETRACT, DEPLOY):
        difference, share = compared(logs, phase)
        whole = np.all([one_signed(log, phase, TRAVELS) for log in logs], axis=0)
        assert (whole & (share != 0.0)).sum() > 0.75 * len(TRAVELS)
        assert np.abs(share[whole]).max() < 0.05
        assert np.abs(difference).max() < 0.02, phase


@pytest.mark.slow
@pytest.mark.xfail(strict=False, reason="9.5 % at 11 mm, where the torque jumps through zero")
def test_it_does_so_where_the_torque_changes_its_sign_too(logs: tuple[Log, Log]) -> None:
    for phase in (RETRACT, DEPLOY):
        assert np.abs(compared(logs, phase)[1]).max() <= 0.05
