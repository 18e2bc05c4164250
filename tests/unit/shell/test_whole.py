"""Whole cycles of a shell with its full width: against half of it, and of a strip stiffer on one side."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from small_cases import small_text

from fem.case.definition import Case, read_case
from fem.results.outcome import Status
from fem.results.result import Result
from fem.shell.model import ShellModel, build_shell_model
from fem.simulation.energy_audit import energy_audit
from fem.simulation.recorder import DEPLOY, RETRACT, Log
from fem.simulation.retract_deploy import wind, winding_program
from fem.simulation.run import run_case

QUIET = lambda share, text: None  # noqa: E731 - no progress in tests
PUSH = 'kind = "retract-then-deploy"\nleft_out = 20.0'
ONE = 'material = "soft"\nthickness = 0.8\n'
STIFF = """[materials.stiff]
young = 800.0
poisson = 0.4
density = 1.2e-9
strain_limit = 0.1
source = "made up for tests"
"""


def spined(folder: Path, across: tuple[float, float] | None) -> Case:
    """The small strip with a layer ten times stiffer between two lines, in the middle of its thickness."""
    text = small_text(PUSH, friction=0.1, solver="turn = 4.0")
    if across is not None:
        core = 'material = "stiff"\nthickness = 0.2\nelsewhere = "soft"\n'
        core += f"across = [{across[0]}, {across[1]}]\n"
        skin = ONE.replace("0.8", "0.3") + "[[strip.layers]]\n"
        assert text.count(ONE) == 1
        text = text.replace(ONE, skin + core + "[[strip.layers]]\n" + ONE.replace("0.8", "0.3")) + STIFF
    file = folder / "spined.toml"
    file.write_text(text)
    return read_case(file)


def cycle(case: Case, whole: bool) -> tuple[ShellModel, Log]:
    """Model and log of a cycle that came out again, with its balance closed."""
    model = build_shell_model(case, whole=whole)
    outcome, log, _ = wind(winding_program(model), case.travel, True, QUIET)
    assert outcome.deployed, outcome.trouble
    assert energy_audit(log)["closure_error"] < 0.02
    return model, log


def torques(log: Log, phase: float, travels: np.ndarray) -> np.ndarray:
    """Torque at each travel of one way."""
    rows = sorted((row["travel_mm"], row["torque_Nmm"]) for row in log.rows if row["phase"] == phase)
    return np.interp(travels, *np.array(rows).T)


@pytest.mark.slow
def test_half_and_whole_width_take_the_same_torque_in_and_out(tmp_path: Path) -> None:
    case = spined(tmp_path, None)
    model, half = cycle(case, whole=False)
    other, whole = cycle(case, whole=True)
    assert model.body.half
    assert not other.body.half
    travels = np.linspace(0.5, case.travel - 0.5, 33)
    for phase in (RETRACT, DEPLOY):
        one, two = torques(half, phase, travels), torques(whole, phase, travels)
        assert np.abs(two - one).max() < 0.01 * np.abs(one).max()


@pytest.fixture(scope="module")
def mirrored(tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, ShellModel, Log]:
    """Result of a strip stiffer on one side; model and log of its mirror image."""
    folder = tmp_path_factory.mktemp("mirrored")
    result = run_case(spined(folder, (1.0, 4.0)), "shell")
    return result, *cycle(spined(folder, (-4.0, -1.0)), whole=False)


def apart(result: Result, log: Log, name: str) -> np.ndarray:
    """Distance of a column of both, over its largest value."""
    return np.abs(log.column(name) - result.path[name]) / np.abs(result.path[name]).max()


COLUMNS = ("axle_angle_rad", "travel_mm", "torque_Nmm")


@pytest.mark.slow
def test_a_strip_stiffer_on_one_side_goes_in_and_out_and_its_mirror_image_alike(
    mirrored: tuple[Result, ShellModel, Log],
) -> None:
    result, model, log = mirrored
    assert result.status == Status.DEPLOYED
    assert result.provenance["shell"].startswith("the whole width,")
    assert result.energy_audit["closure_error"] < 0.02
    assert not model.body.half
    winding_in = log.column("phase") == RETRACT
    for name in COLUMNS:
        assert apart(result, log, name)[winding_in].max() < 1e-9, name
        assert apart(result, log, name).max() < 1e-4, name
    wound = next(s for s in result.snapshots if "wound in" in s.label)
    grid, middle = model.body.shell.grid, int(np.argmin(np.abs(wound.across)))
    sideways = log.states[wound.step].reshape(grid.stations.size, grid.across.size, 4, 3)[:, ::-1, 0, 2]
    drift = sideways[:, middle : middle + 1]
    assert wound.lateral == pytest.approx(drift - sideways, abs=1e-6)
    assert np.abs(drift).max() > 0.01  # mm; of a strip alike on both sides: 5e-14


@pytest.mark.slow
@pytest.mark.xfail(strict=False, reason="4e-5 after the rest before pushing out; cause not known")
def test_the_mirror_image_is_the_same_to_six_digits(mirrored: tuple[Result, ShellModel, Log]) -> None:
    result, _, log = mirrored
    for name in COLUMNS:
        assert apart(result, log, name).max() <= 1e-6, name
