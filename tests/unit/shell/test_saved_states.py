"""Saved states of a push of the shell: going on from one gives the numbers of never having stopped."""

from __future__ import annotations

import numpy as np
import pytest
from small_cases import small_case

from fem.shell.measures import true_gap
from fem.shell.model import build_shell_model
from fem.simulation.assembly import assemble
from fem.simulation.steps import StepSize


def kept_going(model, saved, turns):
    """Angle, torque and place after each of some more turns of the axle from a saved state."""
    stepper = assemble(model, model.clamp())
    stepper.restore(saved)
    seen = []
    size = StepSize(0.1, 0.1, 1e-4)
    for target in turns:
        assert stepper.advance(target, size, lambda now: False)
        seen.append((stepper.control, stepper.force, stepper.u.copy()))
    return seen


@pytest.fixture(scope="module")
def overlapping(tmp_path_factory):
    """A coil whose second wrap lies over the root: case, stepper, its saved state."""
    case = small_case(tmp_path_factory.mktemp("overlapping"), friction=0.2)
    model = build_shell_model(case)
    stepper = assemble(model, model.clamp())
    assert stepper.advance(5.8, StepSize(0.1, 0.1, 1e-4), lambda now: False)
    return case, stepper, stepper.save()


def test_going_on_from_a_saved_state_gives_the_same_numbers(overlapping):
    case, stepper, saved = overlapping
    model, size = stepper.grip.model, StepSize(0.1, 0.1, 1e-4)
    assert (model.wraps.partner >= 0).any()
    assert np.abs(model.walls.slip).max() > 0.0
    on = []
    for target in (6.0, 6.3):
        assert stepper.advance(target, size, lambda now: False)
        on.append((stepper.control, stepper.force, stepper.u.copy()))
    fresh = build_shell_model(case)
    again = kept_going(fresh, saved, (6.0, 6.3))
    for (angle, torque, u), (angle_2, torque_2, u_2) in zip(on, again, strict=True):
        assert (angle, torque) == (angle_2, torque_2)
        assert np.array_equal(u, u_2)


def test_a_wrap_laid_over_the_root_does_not_sink_in_at_its_end(overlapping):
    # without points on the root's end itself: .17 mm, with 0.005 mm at the points
    case, stepper, saved = overlapping
    stepper.restore(saved)
    record = stepper.grip.model.wraps.record()
    assert true_gap(build_shell_model(case), saved.u, record) > -0.03
