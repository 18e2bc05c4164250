"""Bench pushes of short strips: what they carry, when they give way, how they are judged."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from small_cases import small_case

from fem.contact.surroundings import LEAD
from fem.design.environment import Weight
from fem.results.outcome import Status
from fem.results.result import Result
from fem.simulation.bench import run_bench
from fem.simulation.fixtures import bench_test
from fem.simulation.run_context import RunContext
from fem.simulation.stepper import Stepper

SPRINGY = {
    "width": 12.0, "section_radius": 7.0, "thickness": 0.3, "young": 1000.0, "runs": "{ straight = 80.0 }",
}  # fmt: skip
FLAT = {"section_radius": 5000.0}
EULER = math.pi**2 * 80.0 * 10.0 * 0.8**3 / 12 / 45.0**2
"""Critical load of the flat strip of small_case, pinned, bending freely across [N]."""


def bench(folder: Path, push: str, **changes: object) -> Result:
    case = small_case(folder, push, **changes)
    return run_bench(case, "rod", RunContext())


def bends(degrees: float) -> str:
    return f'kind = "bend"\nangle = {degrees}'


def column(ends: str, shortening: float = 2.0) -> str:
    return f'kind = "column"\nends = "{ends}"\nshortening = {shortening}'


def test_a_flat_strip_bends_as_a_cantilever_under_an_end_moment(tmp_path: Path) -> None:
    # angle = M L / E I (Timoshenko & Gere); a strip narrow against its radius contracts freely across, a wide
    # one does not: E I lies between that of a beam and that of a plate, 1 / (1 - nu^2) higher
    result = bench(tmp_path, bends(20.0), **FLAT)
    assert result.status == Status.HELD
    stiffness = result.quantities["stiffness_start"].value
    beam = 80.0 * 10.0 * 0.8**3 / 12 / 45.0
    assert beam < stiffness < beam / (1 - 0.45**2)
    assert result.path["turn_rad"][-1] == pytest.approx(math.radians(20.0), rel=0.01)
    moment = result.quantities["moment_end_Nmm"].value
    assert moment == pytest.approx(stiffness * result.path["turn_rad"][-1], rel=0.08)
    # stored energy of a linear spring: half of moment x angle
    assert result.path["energy_strain_Nmm"][-1] == pytest.approx(
        0.5 * moment * result.path["turn_rad"][-1], rel=0.06
    )


def test_the_energy_of_a_bend_closes(tmp_path: Path) -> None:
    result = bench(tmp_path, bends(60.0))
    assert result.energy_audit["closure_error"] < 1e-3
    path = result.path
    lost = path["loss_damping_Nmm"][-1]
    assert path["work_in_Nmm"][-1] == pytest.approx(
        path["energy_strain_Nmm"][-1] - path["energy_strain_Nmm"][0], rel=2e-3
    )
    assert abs(lost) < 1e-3 * path["work_in_Nmm"][-1]


def test_opposite_sense_is_the_stiffer_one(tmp_path: Path) -> None:
    # equal sense (positive) folds softer (common practice, no source for this strip)
    equal, opposite = bench(tmp_path, bends(60.0), **SPRINGY), bench(tmp_path, bends(-60.0), **SPRINGY)
    more = -opposite.quantities["moment_end_Nmm"].value, equal.quantities["moment_end_Nmm"].value
    assert more[0] > more[1] > 0.0


def test_a_pinned_flat_column_carries_eulers_load(tmp_path: Path) -> None:
    result = bench(tmp_path, column("pinned", 1.0), **FLAT)
    assert result.status == Status.BUCKLED
    assert "Buckles and carries" in result.sentence
    load = result.path["force_N"]
    # beam or plate across, and 1 + d / 2L from the elastica at a shortening d (Timoshenko & Gere, sec. 2.7)
    assert EULER < load[-1] < EULER / (1 - 0.45**2) * (1 + 1.0 / 90.0)
    # no overshoot: a column pressed slowly never carries more than it does later
    assert load.max() < 1.02 * load[-1]
    assert result.energy_audit["closure_error"] < 0.01


def test_a_clamped_flat_column_carries_four_times_as_much(tmp_path: Path) -> None:
    pinned = bench(tmp_path, column("pinned", 1.0), **FLAT).quantities["force_end_N"].value
    clamped = bench(tmp_path, column("clamped", 1.0), **FLAT).quantities["force_end_N"].value
    assert clamped == pytest.approx(4 * pinned, rel=0.1)


@pytest.mark.parametrize("ends", ["pinned", "clamped"])
def test_a_curved_column_folds_and_its_load_falls(tmp_path: Path, ends: str) -> None:
    result = bench(tmp_path, column(ends), **SPRINGY)
    assert result.status == Status.BUCKLED
    peak, end = result.quantities["force_peak_N"].value, result.quantities["force_end_N"].value
    assert peak > 1.1 * end > 0.0
    assert result.sentence.startswith(f"Gives way at {peak:.3g} N, at ")
    assert [shot.label for shot in result.snapshots] == ["start", "end", "peak load"]
    assert result.quantities["stiffness_start"].value > 0.0


def test_a_strip_pressed_up_snaps_and_the_load_falls(tmp_path: Path) -> None:
    result = bench(tmp_path, 'kind = "press"\nforce = 3.0\ndirection = 90.0', **SPRINGY)
    assert result.status == Status.SNAPPED
    assert result.quantities["snap_load_N"].value > 1.05 * abs(result.quantities["force_end_N"].value)
    assert result.quantities["snap_load_N"].value < 3.0
    assert result.sentence.startswith("Gives way at ")


def test_a_load_that_is_reached_is_held(tmp_path: Path) -> None:
    result = bench(tmp_path, 'kind = "press"\nforce = 0.05')
    assert result.status == Status.HELD
    assert result.path["force_N"][-1] == pytest.approx(0.05, rel=0.1)
    assert result.path["force_N"][-1] >= 0.05
    assert result.sentence.startswith("Holds ")


def test_pictures_of_a_strip_held_by_axle_and_slot_show_what_holds_it(tmp_path: Path) -> None:
    held, free = (
        bench(tmp_path, f'kind = "press"\nforce = 0.05\nheld = "{by}"').snapshots[-1]
        for by in ("slot", "clamped")
    )
    pressed = held.position[held.contact.max(axis=1) > 0.0, 0]
    assert pressed.size and 5.0 < pressed.max() < 12.0  # by the lips of the slot, nowhere beyond
    # where a face presses it lies about on the surface: the penalty begins a lead before it
    lead = LEAD * held.thickness.max()
    assert held.gap[held.contact > 0.0].max() < lead
    assert np.abs(held.gap[held.contact == held.contact.max()]).max() < lead
    assert free.contact.max() == 0.0 and np.isnan(free.gap).all()


def test_a_load_that_is_never_reached_is_too_soft(tmp_path: Path) -> None:
    result = bench(tmp_path, 'kind = "press"\nforce = 50.0')
    assert result.status == Status.TOO_SOFT
    assert "gives way smoothly" in result.sentence
    assert result.path["force_N"].max() < 50.0


def test_the_tip_of_a_pressed_strip_moves_with_the_load(tmp_path: Path) -> None:
    result = bench(tmp_path, 'kind = "press"\nforce = 0.05\ndirection = -90.0')
    assert result.path["tip_y_mm"][-1] < result.path["tip_y_mm"][0] - 0.5


@pytest.mark.parametrize("ends", ["pinned", "clamped"])
def test_a_column_shorter_than_the_strip_is_gripped_at_its_length(tmp_path: Path, ends: str) -> None:
    case = small_case(tmp_path, f'kind = "column"\nends = "{ends}"\nfree_length = 30.0')
    fixture = bench_test(case).fixture(case, "rod")
    assert fixture.model.length == pytest.approx(30.0)
    assert not isinstance(fixture.stepper, str)
    grip, u = fixture.stepper.grip, fixture.stepper.u
    ends_at = [fixture.model.places(grip.place(u, control), np.array([0.0, 30.0])) for control in (0.0, 0.7)]
    gaps = [np.hypot(*(pair[1] - pair[0])) for pair in ends_at]
    assert gaps[0] == pytest.approx(30.0, rel=0.01)
    assert gaps[0] - gaps[1] == pytest.approx(0.7)


def test_the_stiffness_is_that_of_the_tangent_at_rest(tmp_path: Path) -> None:
    text = 'kind = "press"\nforce = 0.1'
    case = small_case(tmp_path, text)
    fixture = bench_test(case).fixture(case, "rod")
    motion, drive, u = fixture.model.motion, fixture.stepper.grip.drive, fixture.stepper.u
    drive.control = 1.0  # the drive's gradient is then -stiffness times that of the coordinate it drives
    row = -drive.evaluate(u, 1).gradient / drive.stiffness
    motion.terms.remove(drive)
    motion.matrix.assemble(list(motion.total(u, 2).blocks))
    give = float(row @ motion.matrix.factor().solve(row))
    measured = bench(tmp_path, text).quantities["stiffness_N_per_mm"].value
    assert measured == pytest.approx(1.0 / give, rel=5e-3)


LIMP: dict[str, object] = {"section_radius": 5000.0, "thickness": 0.3}


@pytest.mark.parametrize("direction", [0.0, -90.0, 180.0], ids=["hanging", "level", "standing"])
@pytest.mark.parametrize("ends", ["pinned", "clamped"])
def test_a_limp_column_under_its_own_weight_reaches_a_verdict_in_both_models(
    tmp_path: Path, ends: str, direction: float
) -> None:
    case = small_case(tmp_path, column(ends), **LIMP, runs="{ straight = 80.0 }")
    heavy = replace(case, weight=Weight(acts=True, direction=math.radians(direction)))
    rod, shell = (run_bench(heavy, model, RunContext()) for model in ("rod", "shell"))
    for result in (rod, shell):
        assert result.status == Status.BUCKLED
        assert result.energy_audit["closure_error"] < 2e-3
        assert result.quantities["energy_end_Nmm"].value > 0.0  # strain energy: weight's potential is apart
    force = [result.quantities["critical_force_N"].value for result in (rod, shell)]
    assert force[0] == pytest.approx(force[1], rel=0.01, abs=1e-5)


def test_a_column_that_its_weight_has_buckled_carries_nothing_more(tmp_path: Path) -> None:
    # q L = 33 E I / L^2 of beam or plate: hinged bars bear 18.6 by themselves (Timoshenko & Gere, sec. 2.12)
    case = small_case(tmp_path, column("pinned"), **LIMP, runs="{ straight = 120.0 }")
    result = run_bench(replace(case, weight=Weight(acts=True, direction=math.pi)), "rod", RunContext())
    force = result.quantities["critical_force_N"]
    assert force.value < 0.0
    assert "its own weight" in force.note


def test_energy_from_nowhere_ends_a_bench_push_as_numerical(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stored = Stepper._stored

    def jumps(stepper: Stepper, *args: Any) -> Any:
        made = stored(stepper, *args)
        return replace(made, strain=made.strain + 50.0) if stepper.accepted > 10 else made

    monkeypatch.setattr(Stepper, "_stored", jumps)
    result = bench(tmp_path, bends(60.0))
    assert result.status == Status.NOT_CONVERGED
    assert "energy came from nowhere" in result.sentence
    assert result.rows == 12  # the start, and eleven steps
    assert result.path["energy_strain_Nmm"].max() < 50.0  # what came after means nothing
