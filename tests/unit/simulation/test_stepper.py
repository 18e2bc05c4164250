"""One push step by step: the ledger of energies, going back to a saved state, steps that fail."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from small_cases import small_case

from fem.core.term import Evaluation, FrictionMode
from fem.rod.axle_clamp import RodAxleClamp
from fem.rod.drives import TurnDrive
from fem.rod.model import RodModel, build_rod_model
from fem.simulation.assembly import assemble
from fem.simulation.grips import DriveGrip
from fem.simulation.stepper import SNAP_SHRINK, Stepper
from fem.simulation.steps import StepSize
from fem.solvers.implicit_dynamics import QUASISTATIC, MassShares, StepOutcome


def at_axle(folder: Path, **changes: object) -> tuple[RodModel, Stepper]:
    model = build_rod_model(small_case(folder, **changes))
    grip = model.clamp()
    stepper = assemble(model, grip)
    assert isinstance(stepper, Stepper)
    stepper.force = grip.force(stepper.u, model.motion.total(stepper.u, 1).gradient, 0.0)
    return model, stepper


def go_on(stepper: Stepper, target: float) -> None:
    assert stepper.advance(target, StepSize(0.02, 0.1, 1e-6), lambda now: False), stepper.trouble


def test_a_leap_is_tried_again_in_shorter_steps(tmp_path: Path) -> None:
    _, stepper = at_axle(tmp_path)
    seen: list[float] = []
    stepper.snapped = lambda before, u: len(seen) == 3
    size = StepSize(0.1, 0.1, 1e-6)
    assert stepper.advance(0.45, size, lambda now: seen.append(now.control) or False)
    steps = np.diff([0.0, *seen])
    assert seen[:3] == pytest.approx([0.1, 0.2, 0.3])
    assert steps[3] == pytest.approx(
        0.1 * SNAP_SHRINK**3
    )  # shorter than SNAP_SHARE of the longest, it is taken
    assert seen[-1] == pytest.approx(0.45) and stepper.rejected == 3


def test_a_step_that_ends_where_no_strip_can_be_does_not_count(tmp_path: Path) -> None:
    _, stepper = at_axle(tmp_path)
    seen: list[np.ndarray] = []

    def astray(u: np.ndarray) -> str:
        seen.append(u.copy())
        return "through the casing" if len(seen) == 2 else ""

    stepper.astray = astray
    reached: list[float] = []
    assert stepper.advance(0.4, StepSize(0.1, 0.1, 1e-4), lambda now: bool(reached.append(now.control)))
    assert stepper.rejected == 1
    assert reached[:2] == pytest.approx([0.1, 0.15])
    assert len(seen) == len(reached) + 1
    stepper.astray = lambda u: "through the casing"
    assert not stepper.advance(0.8, StepSize(0.1, 0.1, 0.02), lambda now: False)
    assert stepper.trouble == "through the casing"


@pytest.mark.parametrize("resting", [False, True])
def test_a_step_that_makes_energy_is_tried_again_in_shorter_ones(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, resting: bool
) -> None:
    _, stepper = at_axle(tmp_path)
    go_on(stepper, 0.3)
    step, least = type(stepper.motion).step, stepper.scale
    told: list[float] = []

    def far_off(motion: object, u: np.ndarray, v: np.ndarray, dt: float, *rest: object) -> StepOutcome:
        found = step(motion, u, v, dt, *rest)
        told.append(dt)
        strip, *others = found.parts  # a long step finds a state of more strain energy
        made = replace(strip, energy=strip.energy + 5.0 * least) if dt > 0.03 else strip
        return replace(found, parts=(made, *others))

    monkeypatch.setattr(type(stepper.motion), "step", far_off)
    here, count = stepper.u.copy(), stepper.accepted
    if resting:
        stepper.settle(5.0)
        assert told == [5.0] and np.array_equal(stepper.u, here) and stepper.accepted == count
        return
    assert stepper.advance(0.45, StepSize(0.1, 0.1, 1e-6), lambda now: False)
    assert told[:3] == pytest.approx([0.1, 0.05, 0.025]) and stepper.rejected >= 2
    assert stepper.control == pytest.approx(0.45) and stepper.accepted > count + 4


def test_a_step_ends_where_what_begins_within_it_is_to_be_seen(tmp_path: Path) -> None:
    _, free = at_axle(tmp_path)
    size, seen = StepSize(0.1, 0.1, 1e-6), []
    assert free.advance(0.45, size, lambda now: seen.append(now.force) or False)
    mark = 0.5 * (seen[2] + seen[3])
    assert seen[2] < mark < seen[3]
    _, stepper = at_axle(tmp_path)

    def cut(before: float, after: float) -> float:
        return 0.5 if before < mark < after and after - before > 0.05 * mark else 1.0

    forces: list[float] = []
    assert stepper.advance(0.45, size, lambda now: forces.append(now.force) or False, cut=cut)
    ends = np.array(forces)
    over = int(np.argmax(ends > mark))
    assert ends[over] - ends[over - 1] <= 0.05 * mark < seen[3] - seen[2]
    assert stepper.rejected > 0 and stepper.control == pytest.approx(0.45)


def test_work_is_what_the_strip_stores_when_nothing_is_lost(tmp_path: Path) -> None:
    model = build_rod_model(small_case(tmp_path), surrounded=False)
    root = model.clamp()
    stepper = assemble(model, root)
    assert isinstance(stepper, Stepper)
    heading = TurnDrive(model.rod, 45.0, 1.0, 0.0).moved(stepper.u)
    drive = TurnDrive(model.rod, 45.0, 500.0, heading)
    model.motion.add(drive)
    stepper.grip, stepper.drives = DriveGrip(root, drive), (drive,)
    stepper.start()
    assert stepper.advance(0.8, StepSize(0.01, 0.05, 1e-6, time=1e5), lambda now: False)
    stored = stepper.stored.total - stepper.ledger.first_stored
    assert stored > 0.1
    assert stepper.ledger.work == pytest.approx(stored, rel=1e-3)
    assert abs(stepper.ledger.error(stepper.stored.total)) < 1e-3 * stored
    assert stepper.ledger.friction == 0.0
    # the drive's own energy is not the strip's
    assert stepper.stored.strain == pytest.approx(model.energy.evaluate(stepper.u, 0).energy)


def test_the_ledger_closes_with_contact_and_friction(tmp_path: Path) -> None:
    _, stepper = at_axle(tmp_path, friction=0.2)
    go_on(stepper, 1.5)
    ledger = stepper.ledger
    assert ledger.friction > 0.05 * ledger.work > 0.0
    assert abs(ledger.error(stepper.stored.total)) < 0.02 * ledger.scale


def test_torque_is_the_slope_of_the_energy(tmp_path: Path) -> None:
    # no friction, slow: the torque at the axle is d(energy) / d(angle)
    model, stepper = at_axle(tmp_path)
    size = StepSize(0.01, 0.01, 1e-6, time=1000.0)
    seen: list[tuple[float, float, float]] = []

    def watch(now: Stepper) -> bool:
        seen.append((now.control, now.stored.total, now.force))
        return False

    assert stepper.advance(0.2, size, watch)
    angle, energy, torque = np.array(seen).T
    slope = np.gradient(energy, angle)
    assert np.abs(slope - torque)[1:-1].max() < 0.02 * np.abs(torque).max()
    assert model.wraps is not None


def test_going_back_gives_the_same_continuation(tmp_path: Path) -> None:
    _, stepper = at_axle(tmp_path, friction=0.2)
    go_on(stepper, 0.8)
    saved = stepper.save()
    go_on(stepper, 1.4)
    first, force, work = stepper.u.copy(), stepper.force, stepper.ledger.work
    go_on(stepper, 1.6)
    stepper.restore(saved)
    assert stepper.control == pytest.approx(0.8)
    go_on(stepper, 1.4)
    assert np.array_equal(stepper.u, first)
    assert stepper.force == force
    assert stepper.ledger.work == work


def test_a_saved_state_does_not_follow_the_trip(tmp_path: Path) -> None:
    _, stepper = at_axle(tmp_path, friction=0.2)
    go_on(stepper, 0.3)
    saved = stepper.save()
    kept, work = saved.u.copy(), saved.ledger.work
    go_on(stepper, 0.6)
    assert np.array_equal(saved.u, kept)
    assert saved.ledger.work == work
    assert stepper.ledger.work != work


def test_the_watcher_sees_every_accepted_step_and_may_stop(tmp_path: Path) -> None:
    _, stepper = at_axle(tmp_path)
    seen: list[float] = []

    def watch(now: Stepper) -> bool:
        seen.append(now.control)
        return now.control > 0.2

    assert stepper.advance(1.0, StepSize(0.02, 0.1, 1e-6), watch)
    assert len(seen) == stepper.accepted
    assert seen == sorted(seen)
    assert 0.2 < seen[-1] < 0.31
    assert np.diff(seen).max() <= 0.1 + 1e-12


def test_a_step_that_cannot_be_made_ends_in_a_reason_at_the_last_good_state(tmp_path: Path) -> None:
    model, stepper = at_axle(tmp_path)
    grip = stepper.grip
    assert isinstance(grip, RodAxleClamp)
    sine = model.rod.index(0, 1, 1)

    class Forbidden:
        """No number for a root turned by more than 0.1 rad."""

        def evaluate(self, u: np.ndarray, order: int) -> Evaluation:  # noqa: ARG002
            worth = np.nan if -u[sine] > np.sin(0.1) else 0.0
            return Evaluation(worth, np.full_like(u, worth))

    model.motion.add(Forbidden())
    with np.errstate(invalid="ignore"):
        assert not stepper.advance(0.5, StepSize(0.03, 0.03, 1e-3), lambda now: False)
    assert stepper.trouble
    assert 0.09 < stepper.control <= 0.1
    assert stepper.rejected > 3
    assert np.all(np.isfinite(stepper.u))


def test_contact_without_friction_is_another_evaluation_that_changes_nothing(tmp_path: Path) -> None:
    model, stepper = at_axle(tmp_path, friction=0.3)
    assert model.walls is not None
    go_on(stepper, 0.8)
    moved = stepper.u + 1e-3 * np.random.default_rng(1).normal(size=stepper.u.size)
    with_it, without = model.walls.evaluate(moved, 1), model.walls.evaluate(moved, 1, FrictionMode.NONE)
    assert np.array_equal(model.walls.evaluate(moved, 1).gradient, with_it.gradient)
    assert not np.allclose(with_it.gradient, without.gradient)
    assert without.energy >= 0.0


def test_a_rest_starts_from_where_the_strip_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    _, stepper = at_axle(tmp_path, friction=0.2)
    go_on(stepper, 0.5)
    here, moving, starts, step = stepper.u.copy(), np.abs(stepper.v).max(), [], type(stepper.motion).step

    def watched(
        motion: object, u: np.ndarray, v: np.ndarray, dt: float, start: np.ndarray, shares: MassShares
    ) -> object:
        starts.append(start.copy())
        return step(motion, u, v, dt, start, shares)

    monkeypatch.setattr(type(stepper.motion), "step", watched)
    stepper.settle(5.0)
    assert moving > 0.0 and np.array_equal(starts[0], here)
    assert stepper.control == 0.5
    stepper.advance(0.6, StepSize(0.05, 0.05, 1e-6), lambda now: True)
    assert not np.array_equal(
        starts[1], stepper.grip.place(stepper.before, stepper.control)
    )  # a step goes on


def test_turning_back_after_a_rest_costs_no_inertia(tmp_path: Path) -> None:
    """The artificial mass must not show in the torque: half the step, twice the peak, if the speed jumps."""

    def first_torque(step: float) -> float:
        _, stepper = at_axle(tmp_path)
        go_on(stepper, 1.0)
        stepper.settle(5.0)
        assert stepper.stored.kinetic < 1e-3 * stepper.stored.strain
        still = stepper.force
        size = StepSize(step, step, 1e-6, gather=0.2)
        assert stepper.advance(stepper.control - step, size, lambda now: False)
        return abs(stepper.force - still) / abs(still)

    assert first_torque(0.02) < 0.15
    assert first_torque(0.005) < 0.05


def test_mass_that_comes_to_act_holds_little_of_all_work(tmp_path: Path) -> None:
    _, stepper = at_axle(tmp_path)
    stepper.shares = QUASISTATIC
    go_on(stepper, 0.3)
    assert stepper.acting == QUASISTATIC  # as slow as it is made to be, nothing is held back
    stepper.v *= 300.0
    full = 0.5 * float(stepper.v @ (stepper.motion.mass_matrix @ stepper.v))
    assert QUASISTATIC.rough * full > stepper.scale  # the whole share would hold more than all work
    control = stepper.control
    stepper.advance(control + 1e-3, StepSize(1e-3, 1e-3, 1e-6), lambda now: True)
    assert stepper.acting.rough * full == pytest.approx(0.01 * stepper.scale, rel=0.01)
    assert stepper.acting.smooth / stepper.acting.rough == pytest.approx(
        QUASISTATIC.smooth / QUASISTATIC.rough
    )


def test_a_strip_that_hurries_is_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With ten times the mass of a snap, the torque is that of the static strip where the control waits."""

    def torques(shares: MassShares, hurries: bool) -> np.ndarray:
        monkeypatch.setattr(Stepper, "_hurries", lambda stepper, end: hurries)
        _, stepper = at_axle(tmp_path)
        stepper.shares = shares
        found = []
        for turned in np.linspace(0.1, 0.6, 6):
            assert stepper.advance(turned, StepSize(0.1, 0.1, 1e-6), lambda now: False)
            assert stepper.snapping is False
            found.append(stepper.force)
        return np.array(found)

    static = torques(MassShares(1e-4, 2e-4), hurries=False)
    peak = np.abs(static).max()
    heavy = MassShares(0.3, 0.31)
    assert np.abs(torques(heavy, hurries=False) - static).max() > 0.05 * peak
    assert np.abs(torques(heavy, hurries=True) - static).max() < 0.005 * peak


def test_a_strip_without_speed_gives_way_to_what_friction_holds(tmp_path: Path) -> None:
    _, stepper = at_axle(tmp_path, friction=0.2)
    go_on(stepper, 0.5)
    stepper.start()  # friction has forgotten what it held
    u = stepper.u.copy()
    stepper.settle(5.0)
    assert np.array_equal(stepper.u, u)
    stepper.settle(5.0, from_rest=True)
    assert not np.array_equal(stepper.u, u)
    stepper.count_from_here()
    assert stepper.ledger.friction == 0.0
    assert stepper.ledger.first_stored == pytest.approx(stepper.stored.total)
    held = [term.save() for term in stepper.motion.friction]
    assert any(np.any(np.asarray(part)) for history in held for part in history)


def test_a_restored_trip_goes_on_as_it_did(tmp_path: Path) -> None:
    _, stepper = at_axle(tmp_path, friction=0.2)
    go_on(stepper, 1.0)
    saved = stepper.save()
    go_on(stepper, 1.2)
    once, made = stepper.u.copy(), stepper.accepted
    stepper.stable = not saved.stable
    stepper.restore(saved)
    assert stepper.stable == saved.stable
    assert stepper.accepted == made, "what it has done stays done"
    go_on(stepper, 1.2)
    assert np.array_equal(once, stepper.u)
