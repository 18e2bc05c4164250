"""Hand estimates of one section."""

import math

import numpy as np
import pytest
from thick_bends import flattened_face

from fem.core.errors import InputError
from fem.design.layup import Layer
from fem.design.material import known
from fem.design.path import BendRun, Runs, Straight
from fem.design.section import Arc, Flat
from fem.design.strip import Station, Strip
from fem.section_model.fold import fold
from fem.section_model.summary import section_problem, section_summary
from fem.verification.sections import ArcStrip, wuest_energy

PATH = Runs((Straight(40.0), BendRun(math.radians(60.0), 15.0), Straight(40.0)), 4.0)
PLA, TPU = known("pla"), known("tpu-95a")
STIFF = Strip(PATH, Arc(9.0), 12.0, 1, (Layer(PLA, 0.6),))
CORE = Layer(PLA, 0.2, across=(-2.0, 2.0), elsewhere=TPU)
OPENING = (Station(0.0, 8.0, 0.0), Station(20.0, 12.0, 1.0))
SPINE = Strip(PATH, Arc(9.0), 12.0, -1, (Layer(TPU, 0.4), CORE, Layer(TPU, 0.4)), OPENING)


def test_problem_of_a_station_follows_taper_depth_and_bend():
    middle, root = section_problem(SPINE, 48.0), section_problem(SPINE, 0.0)
    assert middle.width == pytest.approx(12.0)
    assert root.width == pytest.approx(8.0)
    assert middle.mean_section_curvature() == pytest.approx(-1.0 / 9.0)
    assert root.mean_section_curvature() == pytest.approx(0.0)
    assert middle.rest_curvature == pytest.approx(1.0 / 15.0, rel=0.2)
    assert [(zone.q0, zone.q1) for zone in middle.zones] == [(-6.0, -2.0), (-2.0, 2.0), (2.0, 6.0)]
    assert middle.zones[1].stack.materials == (TPU, PLA, TPU)


def test_geometry_and_stiffness_of_an_arc():
    found = section_summary(section_problem(STIFF, 15.0), 4.0).quantities
    assert found["thickness"].value == pytest.approx(0.6)
    assert found["open_width"].value == pytest.approx(18.0 * math.sin(6.0 / 9.0), rel=1e-6)
    assert found["section_depth"].value == pytest.approx(9.0 * (1.0 - math.cos(6.0 / 9.0)), rel=1e-6)
    assert found["section_angle"].value == pytest.approx(math.degrees(12.0 / 9.0), rel=1e-6)
    assert found["axial_stiffness"].value == pytest.approx(2900.0 * 0.6 * 12.0, rel=1e-9)
    assert found["width_growth"].value == pytest.approx(12.0 - found["open_width"].value)


def test_folds_are_those_of_the_curve_and_missing_ones_say_why():
    found = section_summary(section_problem(STIFF, 15.0), 4.0)
    toward = fold(found.curve, 1)
    assert found.quantities["peak_moment_toward"].value == toward.peak_moment
    assert found.quantities["peak_moment_toward"].note == "equal sense"
    assert found.quantities["fold_radius_toward"].value == toward.fold_radius
    assert found.quantities["peak_moment_away"].note == "opposite sense"


def test_coil_is_taken_at_the_mid_plane_on_the_axle():
    found = section_summary(section_problem(STIFF, 15.0), 4.0).quantities
    d = 2900.0 * 0.6**3 / (12.0 * (1.0 - 0.34**2))
    own, coil = 1.0 / 9.0, 1.0 / 4.3
    energy = 0.5 * d * 12.0 * (own**2 + coil**2 - 2.0 * 0.34 * own * coil)  # Rimrott's coil, equal sense
    assert found["coil_energy_pressed"].value == pytest.approx(energy, rel=5e-3)
    # its edges curl by the moment D (1/R - nu/r), a third of what the arc alone asks for
    curled = wuest_energy(ArcStrip(2900.0, 0.34, 0.6, 9.0, 12.0 / 9.0), coil, 1)
    # that of a thin plate; an arc of this thickness differs by terms of (t / R)^2
    assert found["coil_energy"].value == pytest.approx(curled, rel=(0.6 / 9.0) ** 2)
    assert found["coil_energy"].value < found["coil_energy_pressed"].value
    assert found["coil_torque"].value == pytest.approx(found["coil_energy"].value * 4.3)
    inner = flattened_face(9.0, 0.6, PLA.poisson_12, 0.3)
    assert found["flattening_strain"].value == pytest.approx(inner, rel=1e-6)
    assert found["flattening_share"].value == pytest.approx(inner / PLA.strain_limit, rel=1e-5)
    assert "mid-plane radius 4.3 mm" in found["coil_energy"].note


def test_zones_leave_out_the_twist_measure():
    found = section_summary(section_problem(SPINE, 48.0), 4.0)
    assert "twist_measure" not in found.quantities
    assert {strain.material for strain in found.coiled} == {"tpu-95a", "pla"}
    straight = section_summary(section_problem(STIFF, 15.0), 4.0).quantities
    assert straight["twist_measure"].value == pytest.approx(2.0 - 2.0 / 0.34)


def test_a_flat_strip_needs_nothing_to_flatten():
    flat = Strip(PATH, Flat(), 12.0, 1, (Layer(TPU, 1.0),))
    found = section_summary(section_problem(flat, 15.0), 4.0)
    assert found.folds == ()
    assert math.isnan(found.quantities["peak_moment_away"].value)
    assert "no fold" in found.quantities["peak_moment_away"].note
    assert found.quantities["flattening_energy"].value == pytest.approx(0.0, abs=1e-12)
    assert found.quantities["bending_stiffness"].value == pytest.approx(41.0 * 12.0 / 12.0, rel=0.3)
    assert np.isfinite(found.quantities["coil_share"].value)


def test_axle_radius_must_be_a_length():
    with pytest.raises(InputError, match=r"axle radius .*> 0 mm.* 0"):
        section_summary(section_problem(STIFF, 15.0), 0.0)
