"""Measures taken from shapes whose dimensions are known beforehand."""

from __future__ import annotations

import math
from dataclasses import replace

import made_results
import numpy as np
import pytest

from fem.core.errors import InputError
from fem.design.layup import Layer
from fem.design.material import LIBRARY
from fem.design.path import Runs, Straight
from fem.design.section import Arc
from fem.design.strip import Strip
from fem.results.snapshot import Snapshot
from fem.view.colouring import COLOURINGS, colouring_named
from fem.view.intended import intended_section, intended_shape, zones
from fem.view.measure import coil, flat_section, nearest_point, values_at
from fem.view.solid import strip_solid


def spiral(radius: float, turns: float) -> Snapshot:
    """A flat strip on a circle of this radius about the axle, wound `turns`, then straight to the slot."""
    shot = made_results.snapshot("x", 40.0, 1)
    n, m = shot.height.shape
    s = np.linspace(0.0, turns * math.tau * radius + 9.0, n)
    arc = turns * math.tau * radius
    angle = -math.pi / 2 - turns * math.tau + np.minimum(s, arc) / radius
    position = radius * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    position[:, 0] += np.maximum(s - arc, 0.0)
    return replace(
        shot, station=s, position=position, heading=angle + math.pi / 2, height=np.zeros((n, m)),
        lateral=np.broadcast_to(shot.across, (n, m)), thickness=np.array(0.4),
    )  # fmt: skip


@pytest.mark.parametrize("turns", [1.5, 2.5])
def test_a_coil_of_known_radius_has_its_diameter_and_clearance(turns: float) -> None:
    """Mid-line radius 5 mm, 0.4 mm thick: the outer face is at 5.2 mm; the casing's inside at 8 mm."""
    shot = spiral(5.0, turns)
    made = coil(shot, strip_solid(shot))
    assert made is not None
    assert made.diameter == pytest.approx(10.4, rel=2e-3)
    assert made.clearance == pytest.approx(2.8, rel=4e-3)
    assert made.turns == pytest.approx(turns, abs=0.02)
    assert np.linalg.norm(made.ends[0][:2] - made.ends[1][:2]) == pytest.approx(made.diameter)


def test_without_coil_axle_or_casing_there_is_less_to_say() -> None:
    out = made_results.snapshot("fully out", 0.0, 0)
    assert coil(out, strip_solid(out)) is None
    shot = spiral(5.0, 1.5)
    bare = replace(shot, obstacles=shot.obstacles[:1])
    made = coil(bare, strip_solid(bare))
    assert made is not None and math.isnan(made.clearance)
    assert coil(replace(shot, obstacles=()), strip_solid(shot)) is None


def test_the_flat_section_is_the_arc_it_was_cut_from() -> None:
    """Far outside the section is an arc of radius 9 mm, 12 mm developed: sagitta and chord by the circle."""
    shot = made_results.snapshot("x", 0.0, 0)
    section = flat_section(strip_solid(shot), 80.0)
    half = made_results.WIDTH / 2 / made_results.SECTION_RADIUS
    middle = section.mean(axis=0)
    assert np.ptp(middle[:, 0]) == pytest.approx(2 * 9.0 * math.sin(half), rel=2e-3)
    assert middle[[0, -1], 1].mean() == pytest.approx(9.0 * (1 - math.cos(half)), rel=0.01)
    assert np.linalg.norm(section[1] - section[0], axis=-1) == pytest.approx(made_results.THICKNESS, rel=1e-3)


def test_a_point_is_found_again_and_told_with_its_values() -> None:
    shot = made_results.deployed().snapshots[0]
    solid = strip_solid(shot)
    across = np.linspace(-6.0, 6.0, 15)
    above, _ = solid.across_at(41.0)
    station, place = nearest_point(solid, across, above[11])
    assert station == pytest.approx(41.0, abs=0.1)
    assert place == pytest.approx(across[11])
    planted = replace(shot, contact=np.full_like(shot.contact, 1.25))
    told = dict(values_at(planted, intended_shape(made_results.deployed(), None), (41.0, 2.0)))
    assert told["contact"] == "1.25 MPa"
    assert told["gap"] == "\N{EN DASH}"
    share = np.interp(2.0, shot.across, [np.interp(41.0, shot.station, col) for col in shot.strain_share.T])
    assert told["strain"] == f"{100 * share:.3g} %"


# ---- what strips in motion are compared with ---------------------------------------------------------------


def strip(*layers: Layer) -> Strip:
    """A straight strip as long and wide as the one that `made_results` pretends to run."""
    return Strip(Runs((Straight(95.0),), 0.0), Arc(9.0), 12.0, 1, layers)


def test_flattening_is_nothing_at_rest_and_all_when_flat() -> None:
    result = made_results.deployed()
    aim = intended_shape(result, None)
    colouring = colouring_named("flattening")
    assert colouring is not None
    shot = result.snapshots[0]
    outside = shot.station > 20.0
    np.testing.assert_allclose(colouring.of(shot, aim)[outside], 0.0, atol=1e-9)
    flat = replace(shot, height=np.zeros_like(shot.height))
    np.testing.assert_allclose(colouring.of(flat, aim)[outside], 100.0)


def test_displacement_and_curvature_are_those_planted() -> None:
    result = made_results.deployed()
    aim = intended_shape(result, None)
    shot = result.snapshots[0]
    moved = replace(shot, position=shot.position + np.array([3.0, 4.0]), curvature=shot.curvature + 0.01)
    by_name = {colouring.name: colouring.of(moved, aim) - colouring.of(shot, aim) for colouring in COLOURINGS}
    np.testing.assert_allclose(by_name["displacement"], 5.0, atol=1e-9)
    np.testing.assert_allclose(by_name["curvature"], 0.01, atol=1e-9)


def test_unknown_colourings_are_refused_with_the_list() -> None:
    with pytest.raises(InputError, match="no colouring named 'heat'; there are: strain, contact"):
        colouring_named("heat")
    assert colouring_named("layers") is None


SOFT, STIFF = LIBRARY[0], LIBRARY[1]


def test_layers_stand_where_the_case_puts_them_with_hard_edges() -> None:
    """A spine 4 mm wide and 0.2 mm thick on 0.4 mm of base, nothing beside it: 0.6 mm steps to 0.4 mm."""
    spined = strip(Layer(SOFT, 0.4), Layer(STIFF, 0.2, across=(-2.0, 2.0), along=(30.0, 95.0)))
    shot = made_results.snapshot("x", 0.0, 0)
    laid = zones(shot, spined)
    solid = laid.grid.solid(shot)
    assert laid.materials == (SOFT.name, STIFF.name)
    assert laid.layers[1] == (
        STIFF.name,
        0.2,
        "across \N{MINUS SIGN}2 to 2 mm, along 30 to 95 mm; beside it nothing",
    )
    q = -6.0 + 12.0 * laid.grid.share
    thick = np.linalg.norm(solid.faces[0] - solid.faces[1], axis=-1)
    for station, place, expected in (
        (60.0, 0.0, 0.6),
        (60.0, 1.99, 0.6),
        (60.0, 2.01, 0.4),
        (20.0, 0.0, 0.4),
    ):
        row = int(np.searchsorted(laid.grid.station, station))
        assert np.interp(place, q, thick[row]) == pytest.approx(expected, abs=1e-6)
        owner = laid.owner[: thick.size].reshape(thick.shape)[row]  # the face toward the axle
        assert owner[np.searchsorted(q, place)] == (expected == 0.6)
    assert len(laid.owner) == sum(face.shape[0] * face.shape[1] for face in solid.faces)
    spine = q[laid.across_at(60.0)[1] >= 0]
    assert (spine[0], spine[-1]) == pytest.approx((-2.0, 2.0), abs=1e-3)


def test_the_intended_surface_is_the_rest_section_swept_along_the_path() -> None:
    result = made_results.deployed()
    straight = np.column_stack([np.linspace(0.0, 95.0, 50), np.full(50, made_results.LEVEL)])
    meant = intended_shape(replace(result, intended_path=straight), strip(Layer(SOFT, 1.0)))
    assert meant.surface[..., 0].max() == pytest.approx(95.0)
    half = 6.0 / 9.0
    rise = 9.0 * (1 - math.cos(half))
    np.testing.assert_allclose(meant.rise, rise, rtol=1e-9)
    np.testing.assert_allclose(meant.surface[:, 0, 1] - meant.surface[:, 4, 1], rise, rtol=1e-9)
    np.testing.assert_allclose(meant.surface[:, 4, 1], made_results.LEVEL, atol=1e-9)
    line = intended_section(meant, result.snapshots[0], 50.0)
    assert np.ptp(line[:, 0]) == pytest.approx(18.0 * math.sin(half))
    assert line[[0, -1], 1] == pytest.approx(rise)
