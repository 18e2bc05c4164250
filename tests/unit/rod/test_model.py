"""From case to rod: what surrounds it, how finely it is meshed, how contact and mass are set."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from small_cases import small_case

from fem.case.definition import Case
from fem.case.variation import changed
from fem.contact.settings import ContactSettings
from fem.contact.surroundings import LEAD, ONSET, SLIP, contact_settings, surrounding_walls
from fem.rod.model import build_rod_model, flat_stiffness
from fem.section_model.fold_strain import curved_bar

GUIDE = "[[obstacles]]\nkind = 'cylinder'\nx = 30.0\ny = -14.0\nradius = 3.0\n"


def made_settings(case: Case) -> ContactSettings:
    rod = build_rod_model(case, surrounded=False).rod
    return contact_settings(case, float(rod.tables.stiffness[:, :, 3, 3].max()))


def stiffness(folder: Path, **changes: object) -> float:
    case = small_case(folder, **changes)
    return made_settings(case).stiffness


def test_axle_casing_slot_and_obstacles_surround_the_strip(tmp_path: Path) -> None:
    names = [wall.name for wall in surrounding_walls(small_case(tmp_path, extra=GUIDE), 0.0)]
    assert names == ["axle", "casing", "slot, axle side", "slot, far side", "cylinder"]
    model = build_rod_model(small_case(tmp_path))
    assert model.walls is not None
    assert model.wraps is not None
    assert [wall.name for wall in surrounding_walls(model.case, 0.0)] == names[:4]


def test_a_bench_push_has_no_surroundings_and_wraps_can_be_left_out(tmp_path: Path) -> None:
    bare = build_rod_model(small_case(tmp_path), surrounded=False)
    assert bare.walls is None
    assert bare.wraps is None
    assert bare.motion.friction == []
    alone = build_rod_model(small_case(tmp_path, solver="wraps_touch = false"))
    assert alone.walls is not None
    assert alone.wraps is None


def test_the_strip_starts_at_rest_below_the_axle(tmp_path: Path) -> None:
    runs = "{ straight = 20.0 }, { bend = 40.0, radius = 20.0 }, { straight = 9.0 }"
    case = small_case(tmp_path, runs=runs)
    model = build_rod_model(case, surrounded=False)
    start = model.start.reshape(len(model.rod.nodes), model.rod.fields, 2)
    assert start[0, :2, 0] == pytest.approx([0.0, -4.4])
    assert start[0, :2, 1] == pytest.approx([1.0, 0.0])
    # at rest but for the cubic interpolation of the bend, whose energy falls as h^3 or faster
    fine = build_rod_model(case, surrounded=False, refine=2.0)
    coarse_energy = model.energy.evaluate(model.start, 0).energy
    assert coarse_energy < 1e-3 * flat_stiffness(model.rod)
    assert fine.energy.evaluate(fine.start, 0).energy < coarse_energy / 8
    # the tip's heading is the bend's angle
    assert np.degrees(np.arctan2(start[-1, 1, 1], start[-1, 0, 1])) == pytest.approx(40.0, abs=0.01)


def test_refining_divides_the_elements_and_named_stations_become_nodes(tmp_path: Path) -> None:
    case = small_case(tmp_path)
    coarse, fine = build_rod_model(case).rod.nodes, build_rod_model(case, refine=2.0).rod.nodes
    assert np.diff(coarse).max() <= 2.5 + 1e-9
    assert np.diff(fine).max() <= 1.25 + 1e-9
    named = build_rod_model(case, surrounded=False, nodes=(31.7,)).rod.nodes
    assert np.abs(named - 31.7).min() < 1e-9


def test_the_strip_pressed_flat_bends_like_a_plate(tmp_path: Path) -> None:
    # plate stiffness E t^3 / 12 (1 - nu^2) per width (Timoshenko & Woinowsky-Krieger, eq. 3)
    rod = build_rod_model(small_case(tmp_path), surrounded=False).rod
    assert flat_stiffness(rod) == pytest.approx(80.0 * 0.8**3 / (12 * (1 - 0.45**2)) * 10.0, rel=1e-9)


def test_contact_is_as_stiff_as_the_strip_asks_for(tmp_path: Path) -> None:
    def across(radius: float, thickness: float) -> float:
        """Bending stiffness of an arc over E / (1 - nu^2) per width: t^3 / 12 and what it is more for being
        thick.
        """
        return thickness * curved_bar(radius, thickness).offset * radius

    base = stiffness(tmp_path)
    assert stiffness(tmp_path, young=160.0) == pytest.approx(2 * base)
    # a section rounder than the axle is the sharper one: D / R^2
    tight, tighter = stiffness(tmp_path, section_radius=4.0), stiffness(tmp_path, section_radius=2.0)
    assert tighter == pytest.approx(4 * tight * across(2.0, 0.8) / across(4.0, 0.8), rel=1e-6)
    # plate stiffness grows with t^3, the allowed sinking with t, the coil's radius 4 + t/2 a little
    thick = stiffness(tmp_path, thickness=1.2)
    grown = across(12.0, 1.2) / across(12.0, 0.8)
    assert grown == pytest.approx(1.5**3, rel=1e-3)
    assert thick == pytest.approx(base * grown / 1.5 * (4.4 / 4.6) ** 2, rel=1e-6)


def test_onset_and_slip_are_shares_of_the_thickness_unless_given(tmp_path: Path) -> None:
    case = small_case(tmp_path, friction=0.3)
    made = made_settings(case)
    assert (made.onset, made.slip, made.friction) == pytest.approx((ONSET * 0.8, SLIP * 0.8, 0.3))
    assert made.lead == pytest.approx(LEAD * 0.8)
    # in a slot that the strip fills, both sides together leave half of what there is
    assert made_settings(changed(case, {"slot.gap": 0.84})).lead == pytest.approx(0.25 * 0.04)
    model = build_rod_model(case)
    assert model.walls.settings == made
    case = small_case(tmp_path, solver="contact_stiffness = 33.0\ncontact_onset = 0.07\nslip = 0.05")
    made = made_settings(case)
    assert (made.stiffness, made.onset, made.slip) == (33.0, 0.07, 0.05)


def test_the_artificial_mass_lets_the_flat_strip_swing_in_about_a_radian(tmp_path: Path) -> None:
    # first bending frequency of a cantilever: 3.516 sqrt(EI / m L^4) (Blevins, table 8-1)
    for changes in ({}, {"young": 2000.0}, {"runs": "{ straight = 90.0 }"}):
        model = build_rod_model(small_case(tmp_path, **changes), surrounded=False)
        shift = np.zeros((len(model.rod.nodes), model.rod.fields, 2))
        shift[:, 1, 0] = 1.0
        mass = float(shift.ravel() @ (model.motion.mass_matrix @ shift.ravel()))
        length = model.case.strip.length
        frequency = 3.516 * np.sqrt(flat_stiffness(model.rod) / (mass * length**3))
        assert 0.5 < frequency < 2.0


def test_weight_pulls_the_whole_strip_down(tmp_path: Path) -> None:
    bare = build_rod_model(small_case(tmp_path), surrounded=False)
    heavy = build_rod_model(small_case(tmp_path, extra="[weight]\nacts = true"), surrounded=False)
    added = heavy.motion.total(heavy.start, 1).gradient - bare.motion.total(bare.start, 1).gradient
    sums = added.reshape(len(heavy.rod.nodes), heavy.rod.fields, 2)[:, :2, 0].sum(axis=0)
    # 1.2e-9 t/mm^3 x 10 x 0.8 x 45 mm^3 x 9806.65 mm/s^2, downward: the energy grows upward
    assert sums == pytest.approx([0.0, 1.2e-9 * 10.0 * 0.8 * 45.0 * 9806.65], rel=1e-6, abs=1e-9)
