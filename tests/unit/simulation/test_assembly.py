"""Putting the strip in place: what has been reached when it is there, what is said when it cannot be."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from small_cases import small_case

from fem.rod.model import build_rod_model
from fem.shell.model import build_shell_model
from fem.simulation.assembly import assemble, begun, contacts
from fem.simulation.stepper import Stepper
from fem.simulation.strip_model import StripModel
from fem.solvers.implicit_dynamics import StepOutcome

BENT = {"runs": "{ straight = 25.0 }, { bend = 40.0, radius = 20.0 }, { straight = 10.0 }", "friction": 0.2}


Placed = tuple[StripModel, Stepper]


@pytest.fixture(scope="module", params=[build_rod_model, build_shell_model])
def placed(tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest) -> Placed:
    model = request.param(small_case(tmp_path_factory.mktemp("case"), **BENT))
    stepper = assemble(model, model.clamp())
    assert isinstance(stepper, Stepper)
    return model, stepper


def test_the_root_is_flat_on_the_axle_and_the_surroundings_are_where_they_belong(
    placed: Placed,
) -> None:
    model, stepper = placed
    state = model.state(stepper.u)
    assert state.position[0] == pytest.approx([0.0, -model.root_radius])
    assert np.abs(state.height[0]).max() < 1e-3 < np.abs(state.height[-1]).max()
    assert [wall.drawing() for wall in model.walls.walls] == [wall.drawing() for wall in model.walls_at(0.0)]
    assert model.walls.least_gap(stepper.u) > -0.1 * model.case.strip.thickness
    held = np.zeros(stepper.u.size, dtype=bool)
    held[model.clamp().indices()] = True
    assert np.array_equal(model.motion.fixed, held)


def test_it_is_at_rest_and_remembers_no_friction(placed: Placed) -> None:
    model, stepper = placed
    assert stepper.control == 0.0 and np.all(stepper.v == 0.0)
    assert stepper.ledger.work == 0.0
    assert len(contacts(model)) == 2
    for term in contacts(model):
        assert np.all(term.slip == 0.0)
    outcome = model.motion.step(stepper.u, np.zeros_like(stepper.u), 5.0, stepper.u)
    assert outcome.accepted
    gone = model.places(outcome.u, model.state(stepper.u).station) - model.state(stepper.u).position
    assert np.abs(gone).max() < 0.02


def test_a_strip_that_cannot_be_put_in_place_is_no_trip(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    model = build_rod_model(small_case(tmp_path))
    refused = lambda u, v, dt, start: StepOutcome(u, False, "no way", 1)  # noqa: E731
    monkeypatch.setattr(model.motion, "step", refused)
    assert assemble(model, model.clamp()) == "the strip could not be put in place: no way"


def test_springs_that_drive_are_not_counted_as_the_strips_energy(tmp_path: Path) -> None:
    model = build_rod_model(small_case(tmp_path), surrounded=False)
    drive = model.push_drive(30.0, (0.0, 1.0), 50.0, model.start)
    drive.control = 1.0
    model.motion.add(drive)
    assert begun(model, model.clamp(), model.start, (drive,)).stored.strain == pytest.approx(0.0, abs=1e-6)
    assert begun(model, model.clamp(), model.start).stored.strain == pytest.approx(25.0)
