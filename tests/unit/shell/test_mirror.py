"""A state of half a strip carried to the whole width: the same energy, forces, contact and friction."""

from __future__ import annotations

import numpy as np
import pytest
from small_cases import small_case

from fem.core.term import FrictionMode
from fem.mesh.bicubic import shape_at
from fem.shell.mirror import WholeContact, both_sides, whole_forces, whole_unknowns
from fem.shell.model import build_shell_model
from fem.shell.symmetry import touching
from fem.simulation.assembly import assemble
from fem.simulation.steps import StepSize


@pytest.fixture(scope="module")
def case(tmp_path_factory):
    return small_case(tmp_path_factory.mktemp("case"), friction=0.2)


@pytest.fixture(scope="module")
def models(case):
    return build_shell_model(case), build_shell_model(case, whole=True)


@pytest.fixture(scope="module")
def coiled(models):
    """A stepper of the half whose strip lies on itself, in motion, with friction."""
    stepper = assemble(models[0], models[0].clamp())
    assert stepper.advance(5.8, StepSize(0.1, 0.1, 1e-4), lambda now: False)
    assert (models[0].wraps.held[..., 0] > 0.0).any()
    return stepper


def grid_of(model):
    return model.body.shell.grid


def contact(models):
    half, whole = models
    whole.walls.move_walls(half.walls.walls)
    return WholeContact(grid_of(half), (half.walls, whole.walls), (half.wraps, whole.wraps))


def carried(models, u):
    """The whole width with the friction of the half at its state u; returns the state there."""
    half, whole = models
    both = whole_unknowns(u, grid_of(half))
    histories = contact(models).histories([term.save() for term in touching(half)])
    for term, history in zip(touching(whole), histories, strict=True):
        term.restore(history, both)
    return both


def roughened(model, size):
    """The start with symmetric bumps."""
    grid = grid_of(model)
    u = model.start.reshape(grid.stations.size, -1, 4, 3).copy()
    bump = size * np.random.default_rng(0).normal(size=u.shape)
    bump[:, 0, 0:2, 2] = 0.0  # on the plane of symmetry
    bump[:, 0, 2:, :2] = 0.0
    return (u + bump).ravel()


def test_values_at_the_middle_stand_once():
    values = np.arange(6.0).reshape(2, 3)
    assert both_sides(values).tolist() == [[2, 1, 0, 1, 2], [5, 4, 3, 4, 5]]
    assert both_sides(values, -1.0, shared=True)[0].tolist() == [-1.0, -0.5, 0.0, 0.5, 1.0]


def test_a_mirrored_state_has_the_same_energy(models):
    half, whole = models
    u = roughened(half, 0.2)
    assert whole_unknowns(half.start, grid_of(half)) == pytest.approx(whole.start, abs=1e-9)
    both = whole.body.shell.evaluate(whole_unknowns(u, grid_of(half)), 0).energy
    assert both == pytest.approx(2 * half.body.shell.evaluate(u, 0).energy, rel=1e-9)


def test_forces_are_those_of_both_sides(models):
    """Inertia and stress; on the plane of symmetry both sides' parts across it cancel."""
    half, whole = models
    u = roughened(half, 0.2)
    speed = roughened(half, 0.1) - half.start
    both, fast = (whole_unknowns(x, grid_of(half)) for x in (u, speed))
    for mine, theirs in (
        (half.motion.terms[0].evaluate(u, 1).gradient, whole.motion.terms[0].evaluate(both, 1).gradient),
        (half.motion.mass_matrix @ speed, whole.motion.mass_matrix @ fast),
    ):
        assert theirs == pytest.approx(whole_forces(mine, grid_of(half)), abs=1e-9 * np.abs(mine).max())


def test_a_mirrored_coil_is_in_balance(models, coiled):
    """With all that presses and rubs in it: what is left over is what the half has left over."""
    half, whole = models
    both = carried(models, coiled.u)
    motion, u = half.motion, coiled.u
    assert np.abs(half.wraps.friction(u)[1]).max() > 0.0
    assert np.abs(half.walls.friction(u)[1]).max() > 0.0
    parts = [
        (mine.evaluate(u, 1, mode), theirs.evaluate(both, 1, mode))
        for mine, theirs in zip(touching(half), touching(whole), strict=True)
        for mode in (FrictionMode.HELD, FrictionMode.FOLLOWING)
    ]
    for mine, theirs in parts:
        assert theirs.energy == pytest.approx(mine.energy, rel=1e-9)
        scale = np.abs(mine.gradient).max()
        assert scale > 0.0
        assert theirs.gradient == pytest.approx(whole_forces(mine.gradient, grid_of(half)), abs=1e-7 * scale)
    there = coiled.inertia + motion.settings.damping * coiled.share * (motion.mass_matrix @ coiled.v)
    left = motion.total(u, 1).gradient + there
    all_of_it = whole.motion.total(both, 1).gradient + whole_forces(there, grid_of(half))
    whole.motion.prescribe(whole.clamp().indices(), only=True)
    free = ~whole.motion.fixed
    scale = np.abs(whole.motion.terms[0].evaluate(both, 1).gradient[free]).max()
    assert np.abs(all_of_it - whole_forces(left, grid_of(half)))[free].max() < 1e-7 * scale
    assert np.abs(all_of_it[free]).max() < 1e-3 * scale


def test_the_work_of_friction_goes_on(models, coiled):
    """The next step rubs as much."""
    half, whole = models
    u = coiled.u.copy()
    saved = [term.save() for term in touching(half)]
    carried(models, u)
    further = u + 0.02 * (roughened(half, 0.02) - half.start)
    beyond = whole_unknowns(further, grid_of(half))
    try:
        for mine, theirs in zip(touching(half), touching(whole), strict=True):
            rubbed = mine.accept(further)
            assert rubbed != 0.0
            assert theirs.accept(beyond) == pytest.approx(rubbed, rel=1e-6)
    finally:
        for term, history in zip(touching(half), saved, strict=True):
            term.restore(history, u)


def test_records_tell_the_same_contact(models, coiled):
    half, whole = models
    both, u = carried(models, coiled.u), coiled.u
    record = half.walls.record(), half.wraps.record()
    mirrored = contact(models).records(*record)
    for mine, theirs, one, other in zip(touching(half), touching(whole), record, mirrored, strict=True):
        assert theirs.fits(other)
        a, b = mine.state(u, one), theirs.state(both, other)
        assert b.force.sum() == pytest.approx(a.force.sum(), rel=1e-9)
        assert b.force == pytest.approx(both_sides(a.force, shared=True), abs=1e-9 * a.force.max())
        assert np.array_equal(b.side, both_sides(a.side))
        rub = both_sides(a.friction, np.array([1.0, -1.0]), shared=True)
        assert b.friction == pytest.approx(rub, abs=1e-12)


def test_feet_on_a_line_between_elements_keep_their_place(models):
    """There the element is the one whose functions are taken, on either side."""
    half, whole = models
    line = grid_of(half).across[1]
    partner = np.where(np.arange(half.wraps.partner.size).reshape(half.wraps.partner.shape) < 5, 0.0, -1.0)
    history = list(half.wraps.save())
    history[4], history[5] = partner, np.full_like(half.wraps.foot, line)
    _, kept = contact(models).histories([half.walls.save(), tuple(history)])
    whole.wraps.restore(kept, whole_unknowns(half.start, grid_of(half)))
    at = np.argwhere(whole.wraps.partner >= 0)
    assert {tuple(np.sign(whole.wraps.foot[i, k])) for i, k in at} == {(1.0, 1.0), (1.0, -1.0)}
    for i, k in at:
        dofs, values = shape_at(grid_of(whole), whole.wraps.foot[i, k][None])
        unknowns = whole.wraps.points.cells[whole.wraps.partner[i, k]].reshape(16, 3)[:, 0] // 3
        assert np.array_equal(unknowns, dofs[0])
        assert whole.wraps.rows[i, k, :3] == pytest.approx(values[0, :3])
