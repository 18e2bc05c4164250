"""Contact of kept states: what is read of them later is what the run itself had, folded states included."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from small_cases import motor, small_case
from wound_strips import Placed, wound_a_little

from fem.contact.kernels.laws import DEEP, STEEP
from fem.contact.settings import ContactSettings
from fem.contact.state import ContactState
from fem.core.checkpoint import Checkpoint, Stopped
from fem.core.term import Array
from fem.results.outcome import Status
from fem.results.vtkhdf import pack, unpack
from fem.rod.model import build_rod_model
from fem.shell.model import build_shell_model
from fem.simulation.assembly import assemble
from fem.simulation.attempts import gone_on_with
from fem.simulation.judge import Finished, winding_result
from fem.simulation.kept_contact import FAR, KeptContact, contact_fields, kept_contact, recorded
from fem.simulation.kept_run import RunState
from fem.simulation.models import winding_model
from fem.simulation.recorder import RETRACT, Log, Recorder
from fem.simulation.retract_deploy import WindingOutcome, WindingProgram, wind, winding_program
from fem.simulation.run_context import RunContext
from fem.simulation.stepper import Stepper
from fem.simulation.steps import StepSize
from fem.simulation.strip_model import StripModel

FOLDING: dict[str, object] = {
    "friction": 0.5, "thickness": 0.3, "runs": "{ straight = 80.0 }", "extra": motor(1e4),
}  # fmt: skip
"""A thin strip with much friction: pushed out, it folds where it leaves the axle and lies against itself."""


@dataclass(frozen=True)
class Own:
    """What the terms themselves said right after a step: gaps and normal forces of walls and wraps, friction
    on the walls.
    """

    gaps: tuple[Array, Array]
    forces: tuple[Array, Array]
    friction: Array


class Watching(Recorder):
    """A recorder that asks the terms at every step."""

    def write(self, stepper: Stepper, step_time: float) -> dict[str, float]:
        row = super().write(stepper, step_time)
        terms = (self.model.walls, self.model.wraps)
        gaps, forces = (
            tuple(getattr(term, name)(stepper.u) for term in terms) for name in ("gaps", "forces")
        )
        self.own = [*getattr(self, "own", ()), Own(gaps, forces, terms[0].remembered[1].copy())]
        return row


@dataclass(frozen=True)
class Folded:
    """A run of the folding case: program, how it ended, what the terms said at each step."""

    program: WindingProgram
    outcome: WindingOutcome
    own: list[Own]

    @property
    def model(self) -> StripModel:
        return self.program.model

    @property
    def log(self) -> Log:
        return self.program.recorder.log

    def contact(self, at: int) -> KeptContact:
        """Contact of a kept state."""
        return kept_contact(self.model, self.log.states[at], self.log.contacts[at])


@pytest.fixture(scope="module", params=["rod", pytest.param("shell", marks=pytest.mark.slow)])
def folded(tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest) -> Folded:
    model = winding_model(small_case(tmp_path_factory.mktemp("case"), **FOLDING), request.param)
    model.guard = None  # of the shell half the width is enough to fold
    program = winding_program(model)
    recorder = Watching(model, Log(), zero=program.recorder.zero)
    recorder.write(program.stepper, 0.0)
    program.recorder = recorder
    outcome, _, _ = wind(program, model.case.travel, True, lambda share, text: None)
    return Folded(program, outcome, recorder.own)


def test_contact_of_every_kept_state_is_what_the_run_had(folded: Folded) -> None:
    assert len(folded.log.rows) == len(folded.log.contacts) == len(folded.own) > 100
    for at, (row, own) in enumerate(zip(folded.log.rows, folded.own, strict=True)):
        walls, wraps = folded.contact(at)
        assert np.array_equal(walls.gap, own.gaps[0])
        assert np.array_equal(walls.force, own.forces[0])
        assert np.array_equal(walls.friction.reshape(own.friction.shape), own.friction)
        assert np.array_equal(wraps.gap[..., 0], own.gaps[1])
        assert np.array_equal(wraps.force[..., 0], own.forces[1])
        assert row["smallest_gap_mm"] == walls.gap.min()
        assert row["smallest_wrap_gap_mm"] == wraps.gap.min()
        # the energy that the ledger holds of contact, from the law of the penalty over the gaps read
        energy = penalty_energy(folded.model.walls.settings, walls, faces=1)
        energy += penalty_energy(folded.model.wraps.settings, wraps, faces=2)
        assert energy == pytest.approx(row["energy_contact_Nmm"], rel=1e-9, abs=1e-12)


def penalty_energy(settings: ContactSettings, contact: ContactState, faces: int) -> float:
    """Energy [N mm] of a penalty linear beyond a quadratic onset, and growing where it is deep: the integral
    of its pressure over the depth, times the area with which points bear. It begins a lead before each of
    the strip's faces that meet.
    """
    stiffness, onset = settings.stiffness, settings.onset
    depth = np.maximum(faces * settings.lead - contact.gap, 0.0)
    deep, grows = np.maximum(depth - DEEP * onset, 0.0), stiffness / (STEEP * onset) ** 2
    energy = grows * deep**4 / 12 + np.where(
        depth < onset,
        stiffness * depth**3 / (6 * onset),
        stiffness * (0.5 * depth**2 - 0.5 * onset * depth + onset**2 / 6),
    )
    pressure = grows * deep**3 / 3 + np.where(
        depth < onset, stiffness * depth**2 / (2 * onset), stiffness * (depth - 0.5 * onset)
    )
    bears = np.divide(contact.force, pressure, out=np.zeros_like(pressure), where=pressure > 0.0)
    return float((bears * energy).sum())


def test_pairs_looked_for_again_would_be_others(folded: Folded) -> None:
    """The case is one that needs records: found anew from the end of the run, pairs take the wrong side."""
    if folded.model.kind == "shell":
        pytest.xfail("the shell's run ends where the strip closes a loop on itself, too early for this claim")
    wraps, wrong = folded.model.wraps, []
    for at, u in enumerate(folded.log.states):
        wraps.hold(u, fully=True)
        wrong.append(wraps.gaps(u).min() < folded.contact(at).wraps.gap.min() - 0.5)
    assert sum(wrong) > 0


def test_fields_hold_all_of_the_force_and_the_smallest_gap_of_every_kept_state(folded: Folded) -> None:
    touched = 0
    for at, (row, u) in enumerate(zip(folded.log.rows, folded.log.states, strict=True)):
        state, contact = folded.model.state(u), folded.contact(at)
        pressure, gap = contact_fields(folded.model, contact, state)
        total = np.trapezoid(np.trapezoid(pressure, state.across, axis=1), state.station)
        # a wrap presses on two places of the strip, a wall on one
        force = contact.walls.force.sum() + 2.0 * contact.wraps.force.sum()
        assert total == pytest.approx(force, rel=1e-9, abs=1e-12)
        assert np.nanmin(gap) == min(row["smallest_gap_mm"], row["smallest_wrap_gap_mm"])
        touched += contact.wraps.force.sum() > 0.0
    assert touched > 20


def test_what_is_stored_and_told_of_a_jam_is_what_the_run_had(folded: Folded) -> None:
    model, log = folded.model, folded.log
    case = replace(model.case, push=replace(model.case.push, safe_travel=False))
    result = winding_result(Finished(case, model, folded.outcome, log, folded.program), RunContext())
    shots, _ = unpack(pack(result.snapshots, result.intended_path))
    assert len(shots) > 30
    for shot in shots:
        row = log.rows[shot.step]
        assert np.nanmin(shot.gap) == min(row["smallest_gap_mm"], row["smallest_wrap_gap_mm"])
        walls, wraps = folded.contact(shot.step)
        total = np.trapezoid(np.trapezoid(shot.contact, shot.across, axis=1), shot.station)
        assert total == pytest.approx(walls.force.sum() + 2.0 * wraps.force.sum(), rel=1e-9, abs=1e-12)
    assert result.status == Status.JAMMED
    row = log.rows[next(shot.step for shot in shots if "jam" in shot.label)]
    told = next(line for line in result.jam.evidence if line.startswith("the coil lies"))
    assert told.endswith(f"and on itself over {row['wrap_contact_mm']:.0f} mm")


def test_going_on_from_a_saved_folded_state_gives_the_numbers_of_never_having_stopped(folded: Folded) -> None:
    if folded.model.kind == "shell":
        pytest.xfail("the shell's run ends where the strip closes a loop on itself, too early for this claim")
    stepper, size = folded.program.stepper, StepSize(0.02, 0.05, 1e-6)
    saved, target = stepper.save(), stepper.control - 0.3
    model = winding_model(folded.model.case, folded.model.kind)
    other = assemble(model, model.clamp())
    assert isinstance(other, Stepper)
    other.restore(saved)
    for one in (stepper, other):
        assert one.advance(target, size, lambda now: False)
    assert (one.control, one.force) == (stepper.control, stepper.force)
    assert np.array_equal(other.u, stepper.u)
    for mine, theirs in zip(recorded(model), recorded(folded.model), strict=True):
        assert all(np.array_equal(a, b) for a, b in zip(mine, theirs, strict=True))


def test_records_of_a_run_that_was_interrupted_are_those_of_one_that_was_not(tmp_path: Path) -> None:
    case, left = small_case(tmp_path, friction=0.3), iter(range(60))
    keeper = Checkpoint(tmp_path / "kept", {}, lambda: next(left, None) is None)
    with pytest.raises(Stopped):
        wind(winding_program(build_rod_model(case)), case.travel, True, lambda share, text: None, keeper)
    kept = Checkpoint(tmp_path / "kept", {}).found(RunState)
    assert kept is not None and kept.program is not None
    programs = winding_program(build_rod_model(case)), gone_on_with(case, "rod", kept.program)
    logs = [wind(program, case.travel, True, lambda share, text: None)[1] for program in programs]
    one, other = ([array for kept in log.contacts for record in kept for array in record] for log in logs)
    assert len(one) == len(other) > 1000
    assert all(a.dtype == b.dtype and np.array_equal(a, b) for a, b in zip(one, other, strict=True))


def test_what_the_walls_do_to_the_strip_is_the_torque_of_the_axle(folded: Folded) -> None:
    """Turned as a whole about the axle's centre, strip, wraps and axle change nothing: all of the torque goes
    into the walls that stand. What is left is inertia and drag of the motion, and how points are shared anew
    between the end of a step and the state that is kept.
    """
    rows = folded.log.rows
    torque = np.array([row["torque_Nmm"] * (1.0 if row["phase"] == RETRACT else -1.0) for row in rows])
    left = np.array([wall_moment(folded, at) for at in range(len(rows))]) - torque
    peak = np.abs(torque).max()
    assert peak > 10.0
    assert np.median(np.abs(left)) < 0.002 * peak
    assert np.quantile(np.abs(left), 0.9) < 0.01 * peak


def wall_moment(folded: Folded, at: int) -> float:
    """Moment [N mm] about the axle's centre, anticlockwise, of all forces of walls that stand."""
    model, contact = folded.model, folded.contact(at).walls
    walls = model.walls.recalled(folded.log.states[at], folded.log.contacts[at].walls)
    if model.kind == "rod":
        # held is the direction of sliding there, the normal turned by 90 degrees
        nx, ny = walls.held[..., 2], -walls.held[..., 1]
        line, normal, height = walls.before[..., :2], walls.before[..., 2:4], walls.before[..., 4:5]
        place = line + height * normal
        # faces lie along the normal of the surface, which leans back where the section opens
        along = np.stack([normal[..., 1], -normal[..., 0]], axis=-1)
        normal = normal - walls.before[..., 5:] * along
    else:
        nx, ny = walls.held[..., 1], walls.held[..., 2]
        place, normal = walls.before[..., 0, :2], walls.before[..., 1, :2]
    face = place[:, :, None] + walls.held[..., 3, None] * normal[:, :, None]
    x, y, rubs = place[..., None, 0], place[..., None, 1], contact.friction[..., 0]
    moment = contact.force * (x * ny - y * nx) - rubs * (face[..., 0] * nx + face[..., 1] * ny)
    stands = np.array([not wall.turning for wall in model.walls.walls])
    return float(moment[..., stands].sum())


@pytest.fixture(scope="module", params=[build_rod_model, build_shell_model])
def wound(tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest) -> Placed:
    return wound_a_little(request.param, tmp_path_factory.mktemp("case"))


def test_pressure_is_where_nothing_is_left_between_the_faces(wound: Placed) -> None:
    model, stepper = wound
    state, contact = model.state(stepper.u), kept_contact(model, stepper.u, recorded(model))
    pressure, gap = contact_fields(model, contact, state)
    assert pressure.shape == gap.shape == state.height.shape
    assert pressure.max() > 0.0 and pressure.min() >= 0.0
    assert np.nanmin(gap) > -0.1 * model.case.strip.thickness
    assert np.nanmax(gap) < FAR
    # on the axle the strip is pressed, outside it is free
    outside = state.position[:, 0] > model.case.slot_mouth + 8.0
    assert pressure[outside].max() == 0.0
    assert np.isnan(gap[outside]).any()
    # a face presses from the lead of the penalty on, and lies about on the surface
    assert 0.0 < model.walls.settings.lead < 0.05 * model.case.strip.thickness
    assert gap[pressure > 0.0].max() < model.walls.settings.lead


def test_reading_changes_nothing_of_the_terms(wound: Placed) -> None:
    model, stepper = wound
    before = [term.save() for term in (model.walls, model.wraps)]
    held = model.walls.held.copy()
    kept_contact(model, model.start, recorded(model))
    model.softest_mode(stepper.u, recorded(model))
    assert np.array_equal(model.walls.held, held)
    for term, kept in zip((model.walls, model.wraps), before, strict=True):
        assert all(np.array_equal(a, b) for a, b in zip(term.save(), kept, strict=True))


TAPER = "[[strip.stations]]\nat = 0.0\nwidth = 10.0\n[[strip.stations]]\nat = 45.0\nwidth = 6.0\n"


@pytest.mark.parametrize("build", [build_rod_model, build_shell_model])
@pytest.mark.parametrize("extra", ["", TAPER], ids=["one width", "tapered"])
def test_an_even_pressure_is_even_on_the_grid(tmp_path: Path, build: object, extra: str) -> None:
    model = build(small_case(tmp_path, extra=extra))
    model.walls.start(model.start)
    contact = kept_contact(model, model.start, recorded(model)).walls
    one = np.eye(contact.gap.shape[2])[0]  # a single wall presses on every point that counts
    gap = np.where(np.isfinite(contact.gap), 0.0, np.inf)
    even = replace(contact, force=3.0 * contact.area[..., None] * one, gap=gap)
    pressure, gap = contact_fields(model, KeptContact(even), model.state(model.start))
    # where points fade in and out by a lip, those of the rod stand for a little more or less than the strip;
    # where the strip tapers, a cell's area is that of its middle
    assert pressure == pytest.approx(np.full(pressure.shape, 3.0), rel=0.01 if extra else 1e-3)
    assert np.all(gap == 0.0)
