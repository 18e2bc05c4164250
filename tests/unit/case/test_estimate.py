"""Hand estimates against formulas of strength of materials and of coiled strips."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest
from thick_bends import flattened_face

from fem.case.definition import Case, read_case
from fem.case.estimate import Derived, characteristic_places, derive, tight_coil
from fem.section_model.fold_strain import pressed

TEXT = """\
title = "a strip"
[strip]
width = {width}
winding = "{winding}"
[strip.path]
runs = {runs}
[strip.section]
{section}
[[strip.layers]]
material = "plate"
thickness = {thickness}
[axle]
radius = {axle}
[casing]
radius = {casing}
[slot]
gap = 2.0
length = 0.0
[push]
kind = "{push}"
[materials.plate]
young = 1000.0
poisson = {poisson}
density = 1.2e-9
strain_limit = 0.05
{more}
"""
PLAIN = {
    "width": 10.0, "winding": "equal", "runs": "[{ straight = 100.0 }]", "section": 'kind = "flat"',
    "thickness": 0.5, "axle": 5.0, "casing": 9.0, "push": "retract", "poisson": 0.3, "more": "",
}  # fmt: skip


def made(folder: Path, **changes: object) -> tuple[Case, Derived]:
    file = folder / "strip.toml"
    file.write_text(TEXT.format(**{**PLAIN, **changes}))
    case = read_case(file)
    return case, derive(case)


def value(derived: Derived, name: str) -> float:
    return derived.quantities[name].value


def test_mass_is_volume_times_density(tmp_path: Path) -> None:
    _, derived = made(tmp_path)
    assert value(derived, "mass_g") == pytest.approx(10.0 * 0.5 * 100.0 * 1.2e-9 * 1e6, rel=1e-9)


def test_a_tight_coil_keeps_its_area(tmp_path: Path) -> None:
    case, derived = made(tmp_path)
    coil = tight_coil(case, 86.0)
    assert math.pi * (coil.outer**2 - 5.0**2) == pytest.approx(86.0 * 0.5)
    # turns of an Archimedean spiral: its radius grows by one thickness a turn
    assert coil.turns == pytest.approx((coil.outer - 5.0) / 0.5)
    # swollen to the casing the same area lies against the wall
    inner = 9.0 - coil.turns_swollen * 0.5
    assert math.pi * (9.0**2 - inner**2) == pytest.approx(86.0 * 0.5)
    assert value(derived, "casing_clearance_mm") == pytest.approx(9.0 - coil.outer)
    assert value(derived, "reversal_slack_rad") == pytest.approx(
        2 * math.pi * (coil.turns - coil.turns_swollen)
    )


def test_length_of_the_spiral_is_the_strip_wound_in(tmp_path: Path) -> None:
    """Arc length of r = r0 + t a / 2 pi, with the middle line half a thickness above the inner face."""
    case, _ = made(tmp_path)
    coil = tight_coil(case, 86.0)
    angle = np.linspace(0.0, 2 * math.pi * coil.turns, 20001)
    radius = 5.0 + 0.5 * angle / (2 * math.pi)
    assert np.trapezoid(np.hypot(radius, 0.5 / (2 * math.pi)), angle) == pytest.approx(86.0, rel=5e-3)


def test_flat_strip_bends_as_a_beam_and_coils_as_a_plate_with_curling_edges(tmp_path: Path) -> None:
    case, derived = made(tmp_path)
    stiffness = 1000.0 * 10.0 * 0.5**3 / 12.0  # E b t^3 / 12: a narrow strip is free to curl (beam theory)
    assert derived.section["bending_stiffness"].value == pytest.approx(stiffness, rel=2e-2)
    assert value(derived, "tip_stiffness_N_per_mm") == pytest.approx(
        3.0 * derived.section["bending_stiffness"].value / case.free_length**3
    )
    # plate stiffness E t^3 / 12 (1 - nu^2), energy per length D w / 2 r^2 less what the edges give back by
    # curling (Ashwell 1950, J. R. Aeronaut. Soc. 54:708, from memory), torque = energy * r
    plate = 1000.0 * 0.5**3 / (12.0 * (1.0 - 0.3**2))
    (place,) = characteristic_places(case)
    size = (3.0 * (1.0 - 0.3**2)) ** 0.25 * 10.0 / math.sqrt(0.5 * place.coil_radius)
    curling = 2.0 / size * (math.cosh(size) - math.cos(size)) / (math.sinh(size) + math.sin(size))
    assert 0.3**2 * curling > 0.02
    energy = 0.5 * plate * 10.0 / place.coil_radius**2 * (1.0 - 0.3**2 * curling)
    assert place.energy == pytest.approx(energy, rel=3e-3)
    assert value(derived, "retract_torque_least_Nmm") == pytest.approx(place.energy * place.coil_radius)
    # t / 2 r of thin-strip theory; the moment stretches the middle by a further t / 6 r = 1.4 % of that
    assert abs(place.coiled.along) == pytest.approx(0.25 / place.coil_radius, rel=2e-2)


@pytest.mark.parametrize(("winding", "sign"), [("equal", -1.0), ("opposite", 1.0)])
def test_energy_of_a_coiled_curved_strip(tmp_path: Path, winding: str, sign: float) -> None:
    # U' = D a / 2 (1/R^2 + 1/r^2 +- 2 nu / R r), - for equal sense (Rimrott 1965; Seffen & Pellegrino 1999),
    # less what the edges give back, where the moment D (1/R +- nu/r) of the cylinder vanishes, over the layer
    # sqrt(r t) / (3 (1 - nu^2))^(1/4) (Timoshenko & Woinowsky-Krieger 1959, art. 115, from memory)
    case, _ = made(tmp_path, winding=winding, section='kind = "arc"\nradius = 12.0', thickness=0.1)
    (place,) = characteristic_places(case)
    plate, r = 1000.0 * 0.1**3 / (12.0 * (1.0 - 0.3**2)), place.coil_radius
    expected = 0.5 * plate * 10.0 * (1 / 12.0**2 + 1 / r**2 + sign * 2 * 0.3 / (12.0 * r))
    assert pressed(place.problem, 1.0 / r).energy == pytest.approx(expected, rel=1e-3)
    layer = math.sqrt(r * 0.1) / (3.0 * (1.0 - 0.3**2)) ** 0.25
    expected -= plate * layer * (1 / 12.0 + sign * 0.3 / r) ** 2
    assert place.energy == pytest.approx(expected, rel=5e-3)


def test_pressing_an_arc_flat_strains_its_faces_by_half_a_thickness_over_its_radius(tmp_path: Path) -> None:
    _, derived = made(tmp_path, section='kind = "arc"\nradius = 12.0', thickness=0.1)
    inner = flattened_face(12.0, 0.1, 0.3, 0.05)  # half a thickness over that face's radius, 11.95 mm
    assert inner == pytest.approx(0.05 / 11.95, rel=2e-3)
    assert abs(value(derived, "strain_pressed_flat_across")) == pytest.approx(inner, rel=1e-5)
    assert value(derived, "strain_pressed_flat_share") == pytest.approx(inner / 0.05, rel=1e-4)


def test_bends_are_listed_and_judged_one_by_one(tmp_path: Path) -> None:
    bends = [f"{{ bend = {angle}, radius = 20.0 }}" for angle in (60.0, -45.0)]
    runs = f"[{{ straight = 30.0 }}, {bends[0]}, {{ straight = 20.0 }}, {bends[1]}, {{ straight = 10.0 }}]"
    _, derived = made(tmp_path, runs=runs)
    first, second = derived.bends
    assert (first["bend"], first["angle_deg"], first["radius_mm"]) == (
        1,
        pytest.approx(60.0),
        pytest.approx(20.0),
    )
    assert second["start_mm"] == pytest.approx(50.0 + math.pi / 3 * 20.0)
    # a bend that turns the way of the coil is unbent less than one that turns the other way
    assert second["coil_torque_Nmm"] > first["coil_torque_Nmm"]


def test_motor_numbers_follow_from_its_line(tmp_path: Path) -> None:
    motor = "[motor]\nstall_torque = 1.0\nno_load_speed = 6000.0\ngear_ratio = 50.0\nefficiency = 0.5\n"
    case, derived = made(tmp_path, more=motor)
    assert case.motor is not None
    torque = value(derived, "retract_torque_least_Nmm")
    assert value(derived, "motor_margin") == pytest.approx(1.0 - torque / 25.0)
    turn = 2 * math.pi * value(derived, "coil_turns")
    assert value(derived, "retract_time_least_s") == pytest.approx(
        turn / float(case.motor.speed_under(torque))
    )


@pytest.mark.parametrize(
    ("changes", "remark"),
    [
        ({"thickness": 1.5, "casing": 12.0}, r"\d times .*plate"),
        ({"thickness": 1.5, "axle": 3.0, "casing": 12.0}, "linear"),
        ({"casing": 6.4}, r"0\.\d+ mm .*casing"),
        ({}, r"\[motor\]"),
        (
            {"more": "[motor]\nstall_torque = 0.01\nno_load_speed = 1.0\n"},
            r"0\.01 N mm",
        ),
    ],
)
def test_remarks_say_what_the_numbers_speak_against(
    tmp_path: Path, changes: dict[str, object], remark: str
) -> None:
    _, derived = made(tmp_path, **changes)
    assert any(re.search(remark, text) for text in derived.remarks), derived.remarks


def test_a_stalled_motor_takes_for_ever(tmp_path: Path) -> None:
    _, derived = made(tmp_path, more="[motor]\nstall_torque = 0.01\nno_load_speed = 1.0\n")
    assert math.isinf(value(derived, "retract_time_least_s"))


def test_a_push_that_does_not_wind_has_no_coil(tmp_path: Path) -> None:
    _, derived = made(tmp_path, push="bend")
    assert "coil_turns" not in derived.quantities
    assert "retract_torque_least_Nmm" not in derived.quantities


def test_layers_along_are_judged_where_they_are(tmp_path: Path) -> None:
    more = '[[strip.layers]]\nmaterial = "pla"\nthickness = 0.2\nalong = [20.0, 50.0]\nelsewhere = "plate"\n'
    case, derived = made(tmp_path, more=more)
    assert [place.station for place in characteristic_places(case)] == pytest.approx([10.0, 35.0, 75.0])
    note = derived.quantities["strain_wound_up_share"].note
    assert all(fact in note for fact in ("35 mm", "layer 2", "pla"))
