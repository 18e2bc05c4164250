"""A demo case in and out in the shell, on the mesh it is computed with and on one refined by 1.5."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fem.case import Case, read_case
from fem.checkpoint import NOWHERE
from fem.observer import DEPLOY, RETRACT, Log
from fem.round_trip import go_through
from fem.shell_cycle import shell_cycle
from fem.shell_model import build_shell_model
from fem.shell_picture import closest_wraps
from fem.winding import energy_audit

WINDOW = 5.0
"""mm of travel over which torques are averaged, as in `test_rod_and_shell`."""


def shortened() -> Case:
    """The corrected boom, wound in until its second wrap lies over the root."""
    case = read_case(Path("cases/boom-corrected.toml"))
    return replace(case, push=replace(case.push, left_out=50.0))


def cycle(case: Case, refine: float) -> Log:
    """Log of a cycle that came out, with its balance closed and no wrap within another."""
    model = build_shell_model(case, refine)
    outcome, log, _ = go_through(shell_cycle(model), case.travel, True, lambda share, text: None, NOWHERE)
    assert outcome.deployed, outcome.trouble
    assert energy_audit(log)["closure_error"] < 0.02
    assert closest_wraps(model, log)["wrap_gap_true_mm"].value > -0.1
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


@pytest.mark.slow
def test_a_finer_mesh_takes_the_same_torque_at_every_travel() -> None:
    case = shortened()
    plain, fine = cycle(case, 1.0), cycle(case, 1.5)
    travels = np.arange(3.0, case.travel - 3.0, 0.25)
    for phase in (RETRACT, DEPLOY):
        one, other = torque(plain, phase, travels), torque(fine, phase, travels)
        # near a change of sign a share of the torque, or of a mean over both signs, means nothing
        counts = np.abs(other) > 0.1 * np.abs(other).max()
        for log in (plain, fine):
            counts &= one_signed(log, phase, travels)
        assert counts.sum() > 0.75 * len(travels)
        assert np.abs(one - other)[counts] / np.abs(other)[counts] == pytest.approx(0.0, abs=0.05)
        assert np.abs(one - other).max() < 0.02 * np.abs(other).max(), phase
