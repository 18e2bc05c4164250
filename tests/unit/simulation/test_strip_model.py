"""What a run asks of a strip, asked of rod and shell alike."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from small_cases import small_case

from fem.rod.model import build_rod_model
from fem.shell.model import build_shell_model
from fem.simulation.strip_model import StripModel

BENT = {"runs": "{ straight = 25.0 }, { bend = 40.0, radius = 20.0 }, { straight = 10.0 }"}


def whole_shell(case: object) -> StripModel:
    return build_shell_model(case, whole=True)


@pytest.fixture(scope="module", params=[build_rod_model, build_shell_model, whole_shell])
def model(tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest) -> StripModel:
    build: Callable[[object], StripModel] = request.param
    return build(small_case(tmp_path_factory.mktemp("case"), **BENT))


def shift(model: StripModel, way: tuple[float, float]) -> np.ndarray:
    """Change of the unknowns (size,) that shifts the whole strip in its plane."""
    move, places = np.zeros(model.start.size), np.flatnonzero(model.motion.places)
    per_node = 2 if model.kind == "rod" else 3
    for axis in (0, 1):
        move[places[axis::per_node]] = way[axis]
    return move


def test_both_models_have_all_that_a_run_asks_for(model: StripModel) -> None:
    wanted = {name for name in vars(StripModel) if not name.startswith("_")}
    assert len(wanted) > 20
    assert {name for name in wanted if not hasattr(model, name)} == set()
    assert model.kind in ("rod", "shell")
    assert model.length == model.case.strip.length


def test_the_mid_line_runs_from_the_root_to_the_tip(model: StripModel) -> None:
    state = model.state(model.start)
    assert model.places(model.start, state.station) == pytest.approx(state.position, abs=1e-6)
    assert model.places(model.start, np.array([0.0]))[0] == pytest.approx([0.0, -model.root_radius])
    s = np.linspace(0.0, model.length, 7)
    rest = model.case.strip.path.position(s) + np.array([0.0, model.case.root_level])
    assert model.places(model.start, s) == pytest.approx(rest, abs=1e-3)


def test_a_summary_is_part_of_the_state(model: StripModel) -> None:
    state, summary = model.state(model.start), model.summary(model.start)
    for name in ("station", "position", "curvature", "axial_force", "strain", "strain_share"):
        assert getattr(summary, name) == pytest.approx(getattr(state, name), abs=1e-9), name
    grid = (state.station.size, state.across.size)
    assert state.height.shape == state.lateral.shape == state.strain.shape == grid
    assert state.layer_strain.shape == (1, *grid)
    assert state.across[0] == -state.across[-1]


def test_the_rise_is_that_of_the_section(model: StripModel) -> None:
    # an arc of 12 mm, 10 mm wide along it; the rod's outermost quadrature points lie a little within its edge
    rise = 12.0 * (1.0 - np.cos(5.0 / 12.0))
    assert 0.9 * rise < model.rise < 1.001 * rise


def test_pressed_flat_it_bends_like_a_plate(model: StripModel) -> None:
    # E t^3 / 12 (1 - nu^2) per width (Timoshenko & Woinowsky-Krieger, eq. 3)
    plate = 80.0 * 0.8**3 / (12 * (1 - 0.45**2)) * 10.0
    assert model.flat_stiffness == pytest.approx(plate, rel=1e-9)


def test_a_shift_of_the_unknowns_shifts_the_strip(model: StripModel) -> None:
    s = np.array([0.0, 12.3, model.length])
    there = model.places(model.start + shift(model, (0.3, -0.2)), s)
    assert there == pytest.approx(model.places(model.start, s) + np.array([0.3, -0.2]))


def test_its_weight_is_its_mass_times_gravity(model: StripModel) -> None:
    load = model.weight(np.array([0.0, -9806.65]))
    risen = model.start + shift(model, (0.7, 1.0))
    work = load.evaluate(risen, 0).energy - load.evaluate(model.start, 0).energy
    # a straight strip of 10 x 0.8 mm; in the bend, mass counts on the mid-surface
    assert work == pytest.approx(1.2e-9 * 10.0 * 0.8 * model.length * 9806.65, rel=2e-2)


@pytest.mark.parametrize("station", [0.0, 17.0, 48.0])
def test_a_point_load_does_its_work_where_it_acts(model: StripModel, station: float) -> None:
    rng = np.random.default_rng(3)
    move, force = 0.01 * rng.normal(size=model.start.size), np.array([0.3, -0.7, 0.0])
    load, at = model.point_load(station, force), np.array([station])
    gone = model.places(model.start + move, at)[0] - model.places(model.start, at)[0]
    work = load.evaluate(model.start, 0).energy - load.evaluate(model.start + move, 0).energy
    assert work == pytest.approx(float(force[:2] @ gone))


def test_a_drive_is_slack_where_it_is_put_and_pulls_by_what_is_left(model: StripModel) -> None:
    way = (0.6, -0.8)
    drive = model.push_drive(30.0, way, 5.0, model.start)
    assert drive.moved(model.start) == pytest.approx(0.0, abs=1e-12)
    assert drive.load(model.start) == pytest.approx(0.0, abs=1e-12)
    u = model.start + shift(model, (0.5, 0.25))
    drive.control = 0.4
    assert drive.moved(u) == pytest.approx(0.6 * 0.5 - 0.8 * 0.25)
    assert drive.load(u) == pytest.approx(5.0 * (0.4 - 0.1))
    v, h = np.random.default_rng(1).normal(size=u.size), 1e-5
    ahead, here, behind = (drive.evaluate(u + part * v, 2) for part in (h, 0.0, -h))
    assert (ahead.energy - behind.energy) / (2 * h) == pytest.approx(here.gradient @ v, rel=1e-6)
    (block,) = here.blocks
    change = (ahead.gradient - behind.gradient)[block.dofs[0]] / (2 * h)
    assert change == pytest.approx(block.values[0] @ v[block.dofs[0]], rel=1e-6, abs=1e-12)


@pytest.mark.parametrize("clamped", [True, False])
def test_the_far_end_is_gripped_as_a_whole_or_by_its_middle(model: StripModel, clamped: bool) -> None:
    held, places = model.tip_unknowns(clamped)
    assert set(places.ravel()) <= set(held)
    tip = model.places(model.start, np.array([model.length]))[0]
    assert model.start[places].mean(axis=0) == pytest.approx(tip, abs=1.5 if clamped else 1e-9)
    u = model.start.copy()
    u[places] += np.array([0.2, 0.1])
    assert model.places(u, np.array([model.length]))[0] == pytest.approx(tip + np.array([0.2, 0.1]))
    assert (len(held) > 3) == clamped


def test_the_clamp_holds_the_root_on_the_axle(model: StripModel) -> None:
    clamp, root = model.clamp(), np.array([0.0])
    for angle in (0.0, 0.8):
        turned = model.root_radius * np.array([-np.sin(angle), -np.cos(angle)])
        assert model.places(clamp.place(model.start, angle), root)[0] == pytest.approx(turned)
    held = np.array(clamp.indices())
    assert np.array_equal(clamp.place(model.start, 0.0)[held], clamp.place(model.start + 1.0, 0.0)[held])
