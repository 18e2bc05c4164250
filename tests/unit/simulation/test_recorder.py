"""What is written down of a state: the push at the slot."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_cases import small_case

from fem.rod.model import build_rod_model
from fem.simulation.recorder import axial_near


def test_axial_force_is_a_mean_just_before_its_place(tmp_path: Path) -> None:
    model = build_rod_model(small_case(tmp_path), surrounded=False)
    stretched = model.start.reshape(len(model.rod.nodes), model.rod.fields, 2).copy()
    stretched[:, 0] *= 1.01
    state = model.state(stretched.ravel())
    # E A times Green's strain: 80 x 10 x 0.8 x (1.01^2 - 1) / 2, with free contraction across
    assert axial_near(state, 20.0) == pytest.approx(640.0 * 0.01, rel=0.05)
    assert axial_near(state, 1e9) == pytest.approx(axial_near(state, 45.0))
