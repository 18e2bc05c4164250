"""A flat strip wound in and pushed out by both models: they share no strain energy and no contact kernel."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fem.case import Case, read_case
from fem.checkpoint import NOWHERE
from fem.cycle import DEPLOY, RETRACT, Log
from fem.rod_fields import RodFields
from fem.rod_model import build_rod_model
from fem.round_trip import go_through, run_cycle
from fem.shell_cycle import shell_cycle
from fem.shell_model import build_shell_model

WINDOW = 5.0
"""mm of travel over which torques are averaged: nodes that pass the lips make both curves ripple by some per
cent, each with its own elements (1.5 and 2 mm).
"""
QUIET = lambda share, text: None  # noqa: E731 - no progress in tests


def flat_boom(folder: Path) -> Case:
    """The soft boom with a flat section, little friction, half the usual steps."""
    text = Path("cases/boom-soft.toml").read_text()
    for old, new in (
        ('kind = "arc"\nradius = 9.0', 'kind = "flat"'),
        ("strip = 0.2\nwraps = 0.2", "strip = 0.1\nwraps = 0.1"),
    ):
        assert text.count(old) == 1
        text = text.replace(old, new)
    file = folder / "flat.toml"
    file.write_text(text)
    case = read_case(file)
    return replace(case, settings=replace(case.settings, turn=0.5 * case.settings.turn))


def torque(log: Log, phase: float, travels: np.ndarray) -> np.ndarray:
    """Mean torque over WINDOW mm around each travel."""
    rows = sorted((row["travel_mm"], row["torque_Nmm"]) for row in log.rows if row["phase"] == phase)
    x, y = np.array(rows).T
    fine = np.arange(0.0, x.max() + 0.02, 0.02)
    total = np.concatenate([[0.0], np.cumsum(np.interp(fine, x, y)[1:] * 0.02)])
    ahead, behind = (np.interp(travels + part * WINDOW, fine, total) for part in (0.5, -0.5))
    return (ahead - behind) / WINDOW


@pytest.mark.slow
def test_a_flat_strip_takes_the_same_torque_in_both_models(tmp_path: Path) -> None:
    case = flat_boom(tmp_path)
    rod_model = build_rod_model(case)
    fields = RodFields.build(rod_model.rod, np.linspace(0.0, case.strip.length, 121), 5)
    rod, rod_log, _ = run_cycle(rod_model, fields, case.travel, True, QUIET)
    shell, shell_log, _ = go_through(shell_cycle(build_shell_model(case)), case.travel, True, QUIET, NOWHERE)
    assert rod.deployed
    assert shell.deployed
    # all of the way in; on the way out all but the peak after reversal, which friction amplifies
    for phase, last in ((RETRACT, case.travel - 4.0), (DEPLOY, case.travel - 12.0)):
        travels = np.arange(4.0, last, 0.5)
        one, other = (torque(log, phase, travels) for log in (rod_log, shell_log))
        size = np.sqrt(np.mean(other**2))
        assert np.sqrt(np.mean((one - other) ** 2)) < 0.03 * size, phase
