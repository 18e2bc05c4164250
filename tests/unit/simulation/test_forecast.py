"""Forecasts against what the models make of a case; what would not fit into memory is refused with a remedy
that does.
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from small_cases import CYCLE, motor, small_case

from fem.case.definition import Case, read_case
from fem.core.errors import CaseError
from fem.rod.model import build_rod_model
from fem.shell.model import build_shell_model
from fem.simulation import forecast as forecasting
from fem.simulation import retract_deploy, slow_drive
from fem.simulation.forecast import MOST_MEMORY, forecast, foreseen, refuse_too_large
from fem.simulation.run import run_case

ROOT = Path(__file__).resolve().parents[3]
CASES = ("boom-corrected", "lamp-strip")


@pytest.mark.parametrize("name", CASES)
def test_sizes_are_those_of_the_rod(name: str) -> None:
    case = read_case(ROOT / "cases" / f"{name}.toml")
    model, sizes = build_rod_model(case), forecast(case).sizes
    assert model.walls is not None and model.wraps is not None
    assert sizes.line == 2 * model.rod.fields
    assert sizes.unknowns == pytest.approx(model.start.size, rel=0.05)
    assert sizes.fine == pytest.approx(model.walls.points.area.size, rel=0.2)
    assert sizes.coarse == pytest.approx(model.wraps.points.area.size, rel=0.3)
    assert sizes.walls == len(model.walls.walls)


@pytest.mark.parametrize("name", CASES)
def test_sizes_are_those_of_the_shell(name: str) -> None:
    case = read_case(ROOT / "cases" / f"{name}.toml")
    model, sizes = build_shell_model(case), forecast(case, "shell").sizes
    assert model.wraps is not None
    assert sizes.unknowns == pytest.approx(model.start.size, rel=0.05)
    assert sizes.fine == pytest.approx(model.walls.points.area.size, rel=0.2)
    assert sizes.coarse == pytest.approx(model.wraps.points.area.size, rel=0.3)


def test_what_it_knows_of_steps_is_what_runs_do() -> None:
    assert (forecasting.STEPS, forecasting.LARGEST_TURN) == (slow_drive.STEPS, slow_drive.LARGEST_TURN)
    assert forecasting.SAVE_EVERY == retract_deploy.SAVE_EVERY


def test_steps_are_about_those_of_a_run(tmp_path: Path) -> None:
    case = small_case(tmp_path, CYCLE, friction=0.1)
    made, sizes = run_case(case), forecast(case).sizes
    assert len(made.path["step"]) / 2 < sizes.steps < 2 * len(made.path["step"])
    assert made.path["iterations"][-1] / 2 < sizes.iterations < 2 * made.path["iterations"][-1]


def with_settings(case: Case, **changes: float) -> Case:
    return replace(case, settings=replace(case.settings, **changes))


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"contact_spacing": 2e-4}, "contact_spacing"),
        ({"contact_spacing": 1e-9}, "contact_spacing"),
        ({"element_fine": 1e-3}, "element_fine"),
        ({"element": 1e-3, "element_fine": 1e-3}, "element"),
        ({"turn": 1e-7}, "turn"),
    ],
)
@pytest.mark.parametrize("model", ["rod", "shell"])
def test_what_takes_too_much_memory_is_refused_with_what_does_not(
    changes: dict[str, float], key: str, model: str
) -> None:
    case = with_settings(read_case(ROOT / "cases" / "boom-corrected.toml"), **changes)
    with pytest.raises(CaseError) as refused:
        run_case(case, model)
    (fault,) = refused.value.faults
    assert fault.key == f"solver.{key}"
    found = re.search(
        r"about (\S+) MB .* more than (\S+) MB: .* write (\S+) (?:mm|degrees) or more", fault.message
    )
    assert found is not None
    assert float(found[1]) > float(found[2]) == MOST_MEMORY
    better = float(found[3]) * (0.017453292519943295 if key == "turn" else 1.0)
    cured = changes | {key: better}
    if key == "element":
        cured["element_fine"] = better
    refuse_too_large(with_settings(case, **cured), model)


def test_a_common_case_fits_and_is_foreseen(tmp_path: Path) -> None:
    case = small_case(tmp_path)
    for model in ("rod", "shell"):
        refuse_too_large(case, model)
    numbers = foreseen(case).quantities
    assert 0.1 < numbers["run_rod_s"].value < 60.0 and numbers["run_rod_s"].unit == "s"
    assert 100.0 < numbers["run_rod_memory_MB"].value < MOST_MEMORY


@pytest.mark.parametrize(
    "push",
    [
        'kind = "bend"\nangle = 90.0',
        'kind = "column"\nends = "pinned"',
        'kind = "coil"\nradius = 5.0',
        'kind = "press"\nforce = 0.01',
        'kind = "retract"',
    ],
)
def test_every_push_is_foreseen(tmp_path: Path, push: str) -> None:
    made = forecast(small_case(tmp_path, push))
    assert made.seconds > 0.0 and made.memory > 0.0 and made.sizes.steps > 30.0


def test_more_of_anything_takes_more(tmp_path: Path) -> None:
    case = small_case(tmp_path)
    for model in ("rod", "shell"):
        now = forecast(case, model)
        for changes in ({"contact_spacing": 0.1}, {"element": 1.0, "element_fine": 1.0}, {"turn": 0.01}):
            more = forecast(with_settings(case, **changes), model)
            assert more.seconds > now.seconds and more.memory > now.memory
    with_motor = small_case(tmp_path, extra=motor(14.0))
    assert forecast(with_motor).seconds > forecast(case).seconds, "it may look for the safe travel"
