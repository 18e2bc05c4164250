"""Bench pushes of a case with the shell in the air, through static states."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fem.case.definition import read_case
from fem.design.environment import Weight
from fem.design.loading import Bend, Coil, Column, Press
from fem.results.outcome import Status
from fem.section_model.moment_curvature import moment_curve
from fem.shell import trials
from fem.shell.trials import Trial
from fem.simulation.bench import run_bench
from fem.simulation.fixtures import shell_bend
from fem.simulation.run_context import RunContext
from fem.simulation.static_bench import air_mesh, dense_levels, levels
from fem.verification.folds import section_of

CASE = """
title = "Short boom"
teaches = "Nothing."
[strip]
width = 12.0
winding = "equal"
[strip.path]
runs = [{ straight = 40.0 }, { bend = 30.0, radius = 30.0 }, { straight = 20.0 }]
[strip.section]
kind = "arc"
radius = 9.0
[[strip.layers]]
material = "soft"
thickness = 1.0
[materials.soft]
young = 80.0
poisson = 0.45
strain_limit = 0.15
density = 1.21e-9
source = "invented"
[axle]
radius = 4.0
[casing]
radius = 9.0
[slot]
gap = 1.5
length = 1.5
[friction]
strip = 0.2
[push]
kind = "retract-then-deploy"
left_out = 6.0
"""


@pytest.fixture(scope="module")
def case(tmp_path_factory: pytest.TempPathFactory):
    file = tmp_path_factory.mktemp("cases") / "short.toml"
    file.write_text(CASE)
    return read_case(file)


def _run(case, push):
    heard: list[float] = []
    context = RunContext(progress=lambda share, _: heard.append(share))
    result = run_bench(replace(case, push=push), "shell", context)
    assert heard[-1] == pytest.approx(1.0)
    return result


def test_bend_reports_moment_energy_closure_and_snapshots(case) -> None:
    result = _run(case, Bend(-0.6))
    assert (result.model, result.status) == ("shell", Status.HELD)
    assert result.rows == 45
    assert result.path["turn_rad"][0] == 0.0
    assert abs(result.path["moment_Nmm"][0]) < 1e-3  # gripped as it lies
    assert result.path["turn_rad"][-1] == pytest.approx(-0.6)
    assert result.quantities["moment_end_Nmm"].value == pytest.approx(result.path["moment_Nmm"][-1])
    assert result.quantities["moment_end_Nmm"].value < 0.0
    assert result.energy_audit["closure_error"] < 1e-3
    assert [shot.label for shot in result.snapshots] == ["start", "end"]
    assert any("left out" in warning for warning in result.warnings)


def test_pinned_column_buckles_and_press_moves_along_its_force(case) -> None:
    column = _run(case, Column(shortening=6.0, ends="pinned"))
    assert column.path["force_N"][-1] > 0.0
    pressed = _run(case, Press(force=0.05, held="clamped"))
    assert pressed.path["pressed_mm"][-1] > 1.0
    assert pressed.path["tip_y_mm"][-1] < pressed.path["tip_y_mm"][0]


def test_a_load_that_moves_the_strip_too_far_is_too_soft(case) -> None:
    result = _run(case, Press(force=1.0, held="clamped"))
    assert result.status == Status.TOO_SOFT
    assert "gives way smoothly" in result.sentence


def test_a_column_is_cut_at_its_free_length(case) -> None:
    # pinned, bowed by nothing but its section: near Euler's load of the part, not of the strip
    result = _run(case, Column(free_length=30.0, shortening=1.0, ends="pinned"))
    assert result.status in (Status.BUCKLED, Status.HELD)
    assert result.snapshots[0].station[-1] == pytest.approx(30.0)
    whole = _run(case, Column(shortening=1.0, ends="pinned"))
    assert result.path["force_N"].max() > 3.0 * whole.path["force_N"].max()


def test_a_coil_has_the_moment_and_energy_of_the_section_model(case) -> None:
    # straight part of the strip wound to 4.5 mm: energy and moment of the uniform section there
    result = _run(case, Coil(radius=4.5, station=30.0))
    assert result.path["turn_rad"][-1] == pytest.approx(30.0 / 4.5)
    branch = moment_curve(section_of(case.strip.up_to(30.0)), np.linspace(0.0, 1.0 / 4.5, 41)).loading
    assert result.quantities["moment_end_Nmm"].value == pytest.approx(float(branch.moment[-1]), rel=0.02)
    assert result.quantities["energy_end_Nmm"].value == pytest.approx(30.0 * branch.energy[-1], rel=0.02)


def test_the_energy_of_a_clamped_column_closes_over_many_short_steps(case) -> None:
    # what is left unbalanced at each step would show: the work comes from the force at the grip
    result = _run(case, Column(shortening=2.0))
    assert result.energy_audit["lost_in_snaps_Nmm"] == 0.0
    assert result.energy_audit["closure_error"] < 5e-4


@pytest.mark.parametrize(
    "push",
    [
        pytest.param(Bend(0.8), marks=pytest.mark.slow),
        Bend(-0.8),
        pytest.param(Bend(-0.8, grip="free"), marks=pytest.mark.slow),
        pytest.param(Bend(-0.8, station=45.0), marks=pytest.mark.slow),
        pytest.param(Column(shortening=2.0), marks=pytest.mark.slow),
        pytest.param(Column(shortening=2.0, ends="pinned"), marks=pytest.mark.slow),
        pytest.param(Column(free_length=40.0, shortening=1.0), marks=pytest.mark.slow),
        pytest.param(Coil(radius=6.0), marks=pytest.mark.slow),
    ],
    ids=lambda push: f"{push.kind}-{getattr(push, 'angle', '')}{getattr(push, 'ends', '')}",
)
def test_rod_and_shell_agree(case, push) -> None:
    # two models of one strip: the rod's section has two opening modes, the shell's bends as it likes
    shell = _run(case, push)
    rod = run_bench(replace(case, push=push), "rod", RunContext())
    for name in ("moment_end_Nmm", "force_end_N", "energy_end_Nmm"):
        if name in shell.quantities:
            assert rod.quantities[name].value == pytest.approx(shell.quantities[name].value, rel=0.035), name


def test_weight_bends_the_strip_before_it_is_pressed_as_in_the_rod(case) -> None:
    heavy = replace(case, weight=Weight(acts=True))
    pushed = Press(force=0.02, held="clamped")
    shell = _run(heavy, pushed)
    sunk = _run(case, pushed).path["tip_y_mm"] - shell.path["tip_y_mm"]
    # w = q L^4 / 8 EI of a cantilever, EI from its tip stiffness 3 EI / L^3: q L / k * 3 / 8
    load = 9806.65e0 * 1.21e-9 * 12.0 * 75.7
    stiffness = shell.quantities["stiffness_N_per_mm"].value
    assert sunk[0] == pytest.approx(0.375 * load / stiffness, rel=0.15)


def test_finer_elements_are_taken_up(case) -> None:
    fine = replace(case, settings=replace(case.settings, element=0.5))
    usual, finer = (air_mesh(made).along for made in (case, fine))
    assert (usual, finer) == (pytest.approx(2.4), pytest.approx(1.2))


def test_a_fold_too_sharp_for_the_mesh_is_told(case, monkeypatch: pytest.MonkeyPatch) -> None:
    told = "one element turns by"
    usual = _run(case, Bend(-0.8))
    assert not any(told in text for text in usual.warnings)
    monkeypatch.setattr("fem.simulation.static_bench.COARSE_FOLD", 0.04)
    result = _run(case, Bend(-0.8))
    (text,) = (text for text in result.warnings if told in text)
    degrees = float(text.split(told)[1].split()[0])
    # told is curvature times length at the sharper end of an element: more than its own turn, not much more
    states = shell_bend(replace(case, push=Bend(-0.8)), lambda share, text: None).states
    turned = np.degrees(max(float(np.abs(np.diff(state.heading)).max()) for state in states))
    assert turned < degrees + 0.5
    assert degrees - 0.5 < 1.5 * turned
    assert "set solver.element" in text


def test_levels_begin_before_the_push_and_are_close_there() -> None:
    for made in (levels(-2.0, 10), dense_levels(-2.0, 10)):
        steps = np.diff(made)
        assert made[0] == 0.0 and made[-1] == pytest.approx(-2.0)
        assert np.all(steps < 0.0)
        assert abs(steps[0]) < 0.25 * abs(steps[-1])


def test_a_push_whose_energies_do_not_add_up_ends_as_numerical(case, monkeypatch) -> None:
    driven = trials.drive

    def leaking(*args) -> Trial:
        trial = driven(*args)
        return replace(trial, energy=trial.energy * np.where(np.arange(trial.energy.size) > 20, 0.7, 1.0))

    monkeypatch.setattr("fem.shell.trials.drive", leaking)
    result = _run(case, Bend(-0.6))
    assert result.status == Status.NOT_CONVERGED
    assert "energies no longer add up" in result.sentence
    assert result.rows == 21
    assert result.energy_audit["closure_error"] < 0.1
