"""Pictures of a state: its row, its surroundings, the softest mode where it is worth its time."""

from __future__ import annotations

import numpy as np
import pytest
from wound_strips import Placed, wound_a_little

from fem.rod.model import build_rod_model
from fem.shell.model import build_shell_model
from fem.simulation.kept_contact import recorded
from fem.simulation.snapshots import drawings, snapshot

ROW = {"step": 3.0, "phase": 2.0, "travel_mm": 1.5, "axle_angle_rad": 0.3}


@pytest.fixture(scope="module", params=[build_rod_model, build_shell_model])
def wound(tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest) -> Placed:
    return wound_a_little(request.param, tmp_path_factory.mktemp("case"))


def test_a_snapshot_tells_its_row_its_surroundings_and_its_layers(wound: Placed) -> None:
    model, stepper = wound
    shot = snapshot(model, ROW, stepper.u, recorded(model), "wound in")
    assert (shot.step, shot.phase, shot.travel, shot.axle_angle) == (3, 2, 1.5, 0.3)
    assert shot.obstacles == drawings(model)
    assert [wall["name"] for wall in shot.obstacles][:2] == ["axle", "casing"]
    assert shot.layer_strain.shape == (1, *shot.strain.shape)
    assert np.nanmax(shot.layer_strain) == pytest.approx(shot.strain.max(), rel=1e-6)
    assert shot.mode.size == 0


def test_only_a_shell_where_it_jams_or_pushes_hardest_shows_its_softest_mode(
    wound: Placed,
) -> None:
    model, stepper = wound
    shot = snapshot(model, ROW, stepper.u, recorded(model), "end of pushing out; jam")
    if model.kind == "rod":
        assert shot.mode.size == 0
    else:
        assert np.linalg.norm(shot.mode, axis=-1).max() == pytest.approx(1.0)
