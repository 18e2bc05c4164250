"""Fixtures of the bench: what the grips hold, coils of the rod, parts of a strip, the list of pushes."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from small_cases import small_case

from fem.core.errors import InputError
from fem.design.environment import Weight
from fem.design.loading import PUSHES, Coil, Winding
from fem.results.outcome import Status
from fem.results.result import Result
from fem.rod.constraints import plane_unknowns, section_unknowns
from fem.rod.drives import TurnDrive
from fem.simulation.bench import run_bench
from fem.simulation.bench_judge import WRAPS_CROSS
from fem.simulation.column_fixtures import part_of
from fem.simulation.fixtures import TESTS, bench_test
from fem.simulation.grips import DriveGrip
from fem.simulation.run_context import RunContext
from fem.simulation.slow_drive import Fixture
from fem.verification.sections import ArcStrip, wuest_energy, wuest_moment

FLAT = {"section_radius": 5000.0}
STRAIGHT = {"runs": "{ straight = 60.0 }"}


def bench(folder: Path, push: str, **changes: object) -> Result:
    case = small_case(folder, push, **changes)
    return run_bench(case, "rod", RunContext())


def fixture(folder: Path, push: str, **changes: object) -> Fixture:
    case = small_case(folder, push, **changes)
    return bench_test(case).fixture(case, "rod")


def test_every_push_that_the_axle_does_not_make_has_its_test(tmp_path: Path) -> None:
    assert {test.push for test in TESTS} == {push for push in PUSHES if not issubclass(push, Winding)}
    with pytest.raises(InputError, match=r"does not turn the axle.*'retract-then-deploy'"):
        bench_test(small_case(tmp_path))


def test_a_flat_strip_coils_to_its_radius_over_many_turns(tmp_path: Path) -> None:
    # M = E I / R; E I lies between a beam's, free to contract across, and a plate's (Timoshenko & Gere)
    result = bench(tmp_path, 'kind = "coil"\nradius = 4.0', **FLAT, **STRAIGHT)
    assert result.status == "held"
    assert result.path["turn_rad"][-1] == pytest.approx(60.0 / 4.0, rel=1e-3)
    # a cubic of 0.4 rad follows a circle with its curvature to 0.4^2 / 12
    assert result.path["curvature_peak_per_mm"][-1] == pytest.approx(0.25, rel=0.4**2 / 12)
    beam = 80.0 * 10.0 * 0.8**3 / 12 / 4.0
    moment = result.quantities["moment_end_Nmm"].value
    assert beam < moment < beam / (1 - 0.45**2) * 1.01
    assert result.quantities["energy_end_Nmm"].value == pytest.approx(0.5 * moment * 15.0, rel=0.02)
    assert WRAPS_CROSS in result.warnings


@pytest.mark.parametrize("model", ["rod", "shell"])
def test_a_flat_coil_stores_what_a_plate_with_curling_edges_does(tmp_path: Path, model: str) -> None:
    # Ashwell 1950 (J. R. Aeronaut. Soc. 54:708), from memory; between beam and plate, which are 25 % apart
    changes: dict[str, object] = {"section_radius": 1e5, "thickness": 0.4, "runs": "{ straight = 40.0 }"}
    case = small_case(tmp_path, 'kind = "coil"\nradius = 5.0', **changes)
    stored = run_bench(case, model, RunContext()).quantities["energy_end_Nmm"].value
    exact = 40.0 * wuest_energy(ArcStrip(80.0, 0.45, 0.4, 1e6, 1e-5), 0.2, 1)
    assert stored == pytest.approx(exact, rel=0.01)


def test_a_coil_ends_at_its_station_and_leaves_the_rest_out(tmp_path: Path) -> None:
    case = small_case(tmp_path, 'kind = "coil"\nradius = 10.0\nstation = 20.0')
    made = bench_test(case).fixture(case, "rod")
    assert made.model.length == pytest.approx(20.0)
    assert made.target == pytest.approx(2.0 - float(case.strip.path.heading(20.0)))
    assert case.strip.length > 20.0


def test_a_coil_starts_unstrained_with_plane_ends(tmp_path: Path) -> None:
    rig = fixture(tmp_path, 'kind = "coil"\nradius = 5.0')
    assert not isinstance(rig.stepper, str)
    assert rig.stepper.stored.strain == pytest.approx(0.0, abs=1e-9)
    held = np.flatnonzero(rig.model.motion.fixed)
    assert set(plane_unknowns(rig.model.rod, -1)) <= set(held.tolist())
    assert not {rig.model.rod.index(-1, 2), rig.model.rod.index(0, 2)} & set(held.tolist())


def test_a_turn_is_what_is_left_to_the_radius() -> None:
    assert Coil(radius=4.0).turn(20.0, 0.5) == pytest.approx(4.5)
    assert Coil(radius=40.0).turn(20.0, 0.8) == pytest.approx(-0.3)  # a bend tighter than the coil opens


@pytest.mark.parametrize("grip", ["rigid", "free"])
def test_a_rigid_grip_holds_the_section_and_a_free_one_lets_it_open(tmp_path: Path, grip: str) -> None:
    rig = fixture(tmp_path, f'kind = "bend"\nangle = -60.0\ngrip = "{grip}"')
    assert not isinstance(rig.stepper, str)
    assert isinstance(rig.stepper.grip, DriveGrip)
    held = rig.model.motion.fixed[section_unknowns(rig.model.rod, -1)]
    assert held.all() if grip == "rigid" else not held.all()
    assert rig.model.motion.fixed[plane_unknowns(rig.model.rod, -1)].all()
    # gripped nearly as it lies: what pulls is small beside the moment of the push
    assert abs(rig.stepper.force) < 0.005


def test_a_free_grip_carries_less(tmp_path: Path) -> None:
    rigid, free = (
        bench(tmp_path, f'kind = "bend"\nangle = -60.0\ngrip = "{grip}"').quantities["moment_end_Nmm"].value
        for grip in ("rigid", "free")
    )
    assert rigid < free < 0.0


INTACT: dict[str, object] = {
    "width": 12.0, "section_radius": 7.0, "thickness": 0.2, "young": 1000.0, "runs": "{ straight = 80.0 }",
}  # fmt: skip


def roots(root: str, degrees: float = -45.0, grip: str = "free") -> str:
    return f'kind = "bend"\nangle = {degrees}\ngrip = "{grip}"\nroot = "{root}"'


@pytest.mark.parametrize(("root", "free"), [("rigid", False), ("free", True)])
def test_a_root_that_nothing_flattens_starts_unstrained(tmp_path: Path, root: str, free: bool) -> None:
    rig = fixture(tmp_path, roots(root), **INTACT)
    assert not isinstance(rig.stepper, str)
    assert rig.stepper.stored.strain == pytest.approx(0.0, abs=1e-9)
    rod, held = rig.model.rod, rig.model.motion.fixed
    assert held[rod.index(0, 1)] and held[rod.index(0, 1, 1)]  # place and heading
    assert bool(held[rod.index(0, 2)]) is not free  # the opening


@pytest.mark.parametrize("model", ["rod", "shell"])
def test_an_intact_strip_bends_to_the_peak_of_its_section(tmp_path: Path, model: str) -> None:
    # the closed form of Wuest 1954 (ZAMM 34:444), in the form of Seffen, You & Pellegrino 2000 (IJMS
    # 42:2055), from memory, is of a shallow section; this one turns by 98 degrees, which takes off a little
    strip = ArcStrip(1000.0, 0.45, 0.2, 7.0, 12.0 / 7.0)
    exact = wuest_moment(strip, np.linspace(1e-5, 0.02, 4000), -1).max()
    case = small_case(tmp_path, roots("free"), **INTACT)
    result = run_bench(case, model, RunContext())
    assert result.status == Status.SNAPPED
    assert -result.quantities["moment_peak_Nmm"].value == pytest.approx(exact, rel=0.015)
    flat = run_bench(small_case(tmp_path, roots("flat"), **INTACT), model, RunContext())
    assert np.abs(flat.path["moment_Nmm"]).max() < 0.8 * exact


@pytest.mark.parametrize("model", ["rod", "shell"])
def test_an_intact_strip_sinks_under_its_weight_before_it_is_turned(tmp_path: Path, model: str) -> None:
    # q L^4 / 8 E I of a cantilever, E I from the moment that turns its end, M L / angle
    case = small_case(tmp_path, roots("rigid", -2.0), section_radius=12.0)
    heavy = replace(case, weight=Weight(acts=True))
    light, sunk = (run_bench(each, model, RunContext()) for each in (case, heavy))
    load = 9806.65 * 1.2e-9 * 10.0 * 0.8
    stiffness = light.quantities["stiffness_start"].value * 45.0
    way = light.path["tip_y_mm"][0] - sunk.path["tip_y_mm"][0]
    assert way == pytest.approx(load * 45.0**4 / 8.0 / stiffness, rel=0.03)


@pytest.mark.parametrize("ends", ["pinned", "clamped"])
def test_no_force_acts_when_the_grips_of_a_column_close(tmp_path: Path, ends: str) -> None:
    rig = fixture(tmp_path, f'kind = "column"\nends = "{ends}"')
    assert not isinstance(rig.stepper, str)
    euler = 4.0 * math.pi**2 * 80.0 * 10.0 * 0.8**3 / 12 / 45.0**2
    assert abs(rig.stepper.force) < 2e-3 * euler


def test_a_drive_counts_many_turns(tmp_path: Path) -> None:
    rig = fixture(tmp_path, 'kind = "coil"\nradius = 5.0', **STRAIGHT)
    rod = rig.model.rod
    u = np.zeros((len(rod.nodes), rod.fields, 2))
    angle = rod.nodes / 5.0
    u[:, 0, 1], u[:, 1, 1] = np.cos(angle), np.sin(angle)
    drive = TurnDrive(rod, 60.0, 3.0, 0.0, 12.5)
    assert drive.moved(u.ravel()) == pytest.approx(12.0)
    assert drive.load(u.ravel()) == pytest.approx(1.5)


def test_a_part_keeps_the_case_and_a_whole_strip_is_left_alone(tmp_path: Path) -> None:
    case = small_case(tmp_path)
    assert part_of(case, None) is case
    assert part_of(case, case.strip.length) is case
    part = part_of(case, 20.0)
    assert part.strip.length == 20.0
    assert part.digest == case.digest
