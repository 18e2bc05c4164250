"""Next to a rigid clamp: length of its layer, elements there, where the strip's own strain begins."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from small_cases import small_case

from fem.design.loading import Press
from fem.mesh.clamp_layer import clamp_zones, clear_of, clear_stations, edge_layer
from fem.mesh.line_mesh import Zone
from fem.simulation.run import run_case

STEEL = {"width": 18.0, "section_radius": 14.0, "thickness": 0.1, "runs": "{ straight = 50.0 }"}


def test_the_layer_is_that_of_the_free_edge_of_a_cylinder(tmp_path: Path) -> None:
    # sqrt(R t) / (3 (1 - nu^2))^(1/4) (Timoshenko & Woinowsky-Krieger 1959, art. 115, from memory)
    strip = small_case(tmp_path, **STEEL).strip
    assert edge_layer(strip, 0.0) == pytest.approx(math.sqrt(1.4) / (3.0 * (1.0 - 0.45**2)) ** 0.25)
    flat = small_case(tmp_path, section_radius=5e4, thickness=0.5).strip
    assert math.isinf(edge_layer(flat, 0.0))


def test_elements_are_a_quarter_of_the_layer_but_no_finer_than_half_the_thickness(tmp_path: Path) -> None:
    strip = small_case(tmp_path, **STEEL).strip
    layer = edge_layer(strip, 0.0)
    assert clamp_zones(strip, (0.0, 50.0), 9.0) == (
        Zone(0.0, 0.0, layer / 4.0),
        Zone(50.0, 50.0, layer / 4.0),
    )
    assert clamp_zones(strip, (0.0,), 0.1)[0].size == 0.1
    thick = small_case(tmp_path, section_radius=6.0, thickness=1.5).strip
    assert clamp_zones(thick, (0.0,), 9.0)[0].size == pytest.approx(0.75)


def test_the_strain_of_the_strip_begins_a_thickness_away(tmp_path: Path) -> None:
    strip = small_case(tmp_path, **STEEL).strip
    assert clear_stations(strip, (0.0, 20.0, 50.0)) == pytest.approx((0.1, 19.9, 20.1, 49.9))
    stations = np.array([0.0, 0.05, 0.1, 10.0, 19.95, 20.1, 50.0])
    assert clear_of(stations, (0.0, 20.0), 0.1).tolist() == [False, False, True, True, False, True, True]
    assert clear_of(stations, (), 0.1).all()


def test_rod_and_shell_agree_next_to_a_clamp_whatever_their_elements(tmp_path: Path) -> None:
    push = Press(force=1e-5, held="clamped")
    case = replace(small_case(tmp_path, **STEEL), push=push)
    fine = replace(case, settings=replace(case.settings, element=1.0, element_fine=1.0))
    found = {(model, made is fine): run_case(made, model).quantities
             for model in ("rod", "shell") for made in (case, fine)}  # fmt: skip
    own = {key: numbers["strain_share_peak"].value for key, numbers in found.items()}
    assert own["rod", False] == pytest.approx(own["rod", True], rel=0.02)
    assert own["shell", False] == pytest.approx(own["shell", True], rel=0.02)
    assert own["rod", True] == pytest.approx(own["shell", True], rel=0.05)
    for key, numbers in found.items():
        assert numbers["strain_share_clamp"].value > 1.1 * own[key]
        assert "clamp that does not give" in numbers["strain_share_clamp"].note
