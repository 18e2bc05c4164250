"""The section's energy: derivatives, frame, symmetry, convergence."""

import math

import numpy as np
import pytest

from fem.core.errors import InputError
from fem.design.layup import Stack
from fem.design.material import Material
from fem.section_model.fold_model import SectionProblem, SectionZone, stack_laminate

SOFT = Material.isotropic("soft", 40.0, 0.45, 1.2e-9, 0.1)
HARD = Material.isotropic("hard", 2000.0, 0.35, 1.2e-9, 0.02)
PLY = Material("ply", 40000.0, 8000.0, 0.3, 3500.0, 1.8e-9, 0.02)


def stack(*layers):
    """Stack of (thickness, material, angle) from the face away from the axle, centred."""
    z = np.concatenate([[0.0], np.cumsum([layer[0] for layer in layers])])
    return Stack(z - 0.5 * z[-1], tuple(layer[1] for layer in layers), tuple(layer[2] for layer in layers))


def arc(radius, shift=0.0):
    return lambda q: ((q - shift) / radius, np.full_like(q, 1.0 / radius))


PLAIN = SectionProblem((SectionZone(-6.0, 6.0, stack((1.0, SOFT, 0.0))),), arc(9.0))
BENT = SectionProblem((SectionZone(-6.0, 6.0, stack((0.4, SOFT, 0.0), (0.3, HARD, 0.0))),), arc(9.0), 0.07)
ZONED = SectionProblem(
    (
        SectionZone(-6.0, -1.5, stack((1.0, SOFT, 0.0))),
        SectionZone(-1.5, 2.5, stack((0.4, SOFT, 0.0), (0.2, PLY, 0.4), (0.4, SOFT, 0.0))),
        SectionZone(2.5, 6.0, stack((1.0, SOFT, 0.0))),
    ),
    arc(9.0),
    -0.03,
)
PROBLEMS = pytest.mark.parametrize("problem", [PLAIN, BENT, ZONED], ids=["plain", "bent", "zoned"])


def _random_state(model, seed=0):
    rng = np.random.default_rng(seed)
    fall = 1.0 / (1.0 + np.arange(model.rest.size)) ** 2
    return model.rest + 0.05 * rng.normal(size=fall.size) * fall, rng.normal(size=fall.size) * fall


def test_mirrored_sections_use_half_the_width():
    assert PLAIN.model.mirrored
    assert not ZONED.model.mirrored
    assert PLAIN.model.q.min() == 0.0


@PROBLEMS
def test_gradient_is_the_slope_of_the_energy(problem):
    model, h = problem.model, 1e-5
    x, d = _random_state(model)
    gradient = model.derivatives(x, 0.05)[0]
    slope = (model.energy_at(x + h * d, 0.05) - model.energy_at(x - h * d, 0.05)) / (2 * h)
    assert slope == pytest.approx(gradient @ d, rel=1e-6)


@PROBLEMS
def test_hessian_is_symmetric_and_the_slope_of_the_gradient(problem):
    model, h = problem.model, 1e-5
    x, d = _random_state(model)
    hessian = model.derivatives(x, 0.05)[1]
    slope = (model.derivatives(x + h * d, 0.05)[0] - model.derivatives(x - h * d, 0.05)[0]) / (2 * h)
    np.testing.assert_allclose(hessian @ d, slope, atol=1e-6 * np.abs(slope).max())
    np.testing.assert_allclose(hessian, hessian.T, atol=1e-10 * np.abs(hessian).max())


@PROBLEMS
def test_moment_and_mixed_derivatives_at_fixed_shape(problem):
    model, h, w = problem.model, 1e-6, 0.05
    x, _ = _random_state(model)
    _, _, cross, moment, stiff = model.derivatives(x, w)
    plus, minus = model.derivatives(x, w + h), model.derivatives(x, w - h)
    assert (model.energy_at(x, w + h) - model.energy_at(x, w - h)) / (2 * h) == pytest.approx(
        moment, rel=1e-6
    )
    assert (plus[3] - minus[3]) / (2 * h) == pytest.approx(stiff, rel=1e-6)
    slope = (plus[0] - minus[0]) / (2 * h)
    np.testing.assert_allclose(cross, slope, atol=1e-6 * np.abs(cross).max())


@PROBLEMS
def test_rest_costs_nothing(problem):
    model = problem.model
    gradient, _, _, moment, _ = model.derivatives(model.rest, problem.rest_curvature)
    assert model.energy_at(model.rest, problem.rest_curvature) == pytest.approx(0.0, abs=1e-24)
    assert moment == pytest.approx(0.0, abs=1e-12)
    np.testing.assert_allclose(gradient, 0.0, atol=1e-12)


def _swept(model, phi, stretch, curvature, q, s):
    """Place (3,) of a point of the swept surface, by quadrature of its own: (along, toward axle, across)."""
    points = np.linspace(0.0, q, 4001)
    middle = 0.5 * (points[1:] + points[:-1])
    h = np.sum(np.sin(phi(middle))) * (points[1] - points[0])
    x = np.sum(np.cos(phi(middle))) * (points[1] - points[0])
    heading, radius = curvature * s, stretch / curvature
    centre_line = radius * np.array([math.sin(heading), 1.0 - math.cos(heading)])
    return np.array([*(centre_line + h * np.array([-math.sin(heading), math.cos(heading)])), x])


def test_strains_are_those_of_the_swept_surface():
    """Fundamental forms of the surface X(s, q) by finite differences (do Carmo 1976, secs. 2-5 and 3-3)."""
    model, step = BENT.model, 2e-3
    bent, rest = (lambda q: 0.2 * q - 0.002 * q**3), (lambda q: q / 9.0)
    bent_q = 0.2 - 0.006 * model.q**2
    found = model.strains(bent(model.q), bent_q - 1.0 / 9.0, 1.02, 0.11).v
    for g in (3, 12, 25):
        forms = []
        for phi, stretch, curvature in ((bent, 1.02, 0.11), (rest, 1.0, 0.07)):
            grid = [
                [_swept(model, phi, stretch, curvature, model.q[g] + j * step, i * step) for j in (-1, 0, 1)]
                for i in (-1, 0, 1)
            ]
            x = np.array(grid)
            x_s, x_q = (x[2, 1] - x[0, 1]) / (2 * step), (x[1, 2] - x[1, 0]) / (2 * step)
            x_ss = (x[2, 1] - 2 * x[1, 1] + x[0, 1]) / step**2
            x_qq = (x[1, 2] - 2 * x[1, 1] + x[1, 0]) / step**2
            normal = np.cross(x_q, x_s)
            normal *= np.sign(normal[1]) / np.linalg.norm(normal)
            forms.append((x_s @ x_s, x_ss @ normal, x_qq @ normal))
        (a, b_s, b_q), (a0, b0_s, b0_q) = forms
        expected = [0.5 * (a - a0) / a0, -(b_s - b0_s) / a0, -(b_q - b0_q)]
        np.testing.assert_allclose(found[g], expected, atol=2e-5)


def _energy(problem, bend, curvature):
    """Energy with the section angle changed by bend(q), an odd function."""
    model = problem.model
    values = np.linalg.lstsq(model.basis, bend(model.q), rcond=None)[0]
    return model.energy_at(np.append(values, 1.01), curvature)


def test_turning_the_strip_over_changes_nothing():
    layers = ((0.4, SOFT, 0.0), (0.3, HARD, 0.2))
    up = SectionProblem((SectionZone(-6.0, 6.0, stack(*layers)),), arc(9.0), 0.05)
    down = SectionProblem((SectionZone(-6.0, 6.0, stack(*layers[::-1])),), arc(-9.0), -0.05)
    one = _energy(up, lambda q: 0.02 * q, 0.09)
    assert one > 0.0
    assert _energy(down, lambda q: -0.02 * q, -0.09) == pytest.approx(one, rel=1e-12)


def test_half_and_whole_width_agree():
    whole = SectionProblem((SectionZone(-6.0, 6.0 + 1e-7, stack((1.0, SOFT, 0.0))),), arc(9.0))
    assert not whole.model.mirrored
    assert _energy(whole, lambda q: 0.03 * q, 0.1) == pytest.approx(
        _energy(PLAIN, lambda q: 0.03 * q, 0.1), rel=1e-6
    )


def test_layers_of_nothing_have_no_stiffness():
    gap = Stack(np.array([-0.5, 0.0, 0.5]), (None, SOFT), (0.0, 0.0))
    alone = Stack(np.array([0.0, 0.5]), (SOFT,), (0.0,))
    np.testing.assert_allclose(stack_laminate(gap).abd, stack_laminate(alone).abd)


def test_at_station_asks_for_one_stack_between_two_edges():
    found = SectionProblem.at_station(
        np.array([-6.0, -1.5, 2.5, 6.0]),
        lambda q: stack((1.0, HARD if -1.5 < q < 2.5 else SOFT, 0.0)),
        arc(9.0),
    )
    assert [zone.stack.materials[0].name for zone in found.zones] == ["soft", "hard", "soft"]


def test_zones_must_tile_the_width():
    thin = stack((1.0, SOFT, 0.0))
    with pytest.raises(InputError, match="zones"):
        SectionProblem((SectionZone(-6.0, -1.0, thin), SectionZone(0.0, 6.0, thin)), arc(9.0))
    with pytest.raises(InputError, match="q = 0"):
        SectionProblem((SectionZone(1.0, 6.0, thin),), arc(9.0))


def test_a_section_past_the_centre_of_its_bend_is_refused():
    with pytest.raises(InputError, match="bend"):
        _ = SectionProblem((SectionZone(-12.0, 12.0, stack((1.0, SOFT, 0.0))),), arc(8.0), 0.3).model
