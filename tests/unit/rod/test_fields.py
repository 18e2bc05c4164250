"""Fields along the rod: shape, resultants and strains of states whose answer is known."""

import numpy as np
import pytest
from rod_strips import PLY, SOFT, STIFF, at_rest, bent_strip, rough, small_rod, straight_strip, turned
from thick_bends import Bar

from fem.design.layup import Layer
from fem.design.material import Material
from fem.design.path import BendRun, Runs
from fem.design.section import Flat
from fem.design.strip import Strip
from fem.results.snapshot import Snapshot
from fem.rod.energy import RodEnergy, build_rod
from fem.rod.fields import RodFields
from fem.verification.beams import Beam, Bench, UniformBending


def test_rest_state_has_the_shape_of_the_strip_and_carries_nothing():
    rod = small_rod(bent_strip(), 384)
    strip, stations = rod.strip, np.linspace(0.0, rod.strip.length, 31)
    state = RodFields.build(rod, stations, 5).state(at_rest(rod))
    q = state.across * strip.width_at(stations)[:, None] / strip.width
    height, lateral = strip.section_place(stations[:, None], q)
    assert state.height == pytest.approx(height, abs=1e-4)  # three points in each zone across
    assert state.lateral == pytest.approx(lateral, abs=1e-4)
    assert state.position == pytest.approx(strip.path.position(stations), abs=1e-4)
    assert state.heading == pytest.approx(strip.path.heading(stations), abs=1e-3)
    assert state.curvature == pytest.approx(strip.path.curvature(stations), abs=1e-4)
    assert np.abs(state.strain).max() < 2e-4
    assert state.across[[0, 4, 8]] == pytest.approx([-6.0, 0.0, 6.0])


def test_state_fills_a_snapshot():
    rod = small_rod(bent_strip(), 24)
    state = RodFields.build(rod, np.linspace(0.0, rod.strip.length, 20), 4).state(at_rest(rod))
    surface = Snapshot(
        "rest",
        0,
        0,
        0.0,
        0.0,
        state.station,
        state.position,
        state.heading,
        state.across,
        state.height,
        state.lateral,
        state.curvature,
        state.axial_force,
        state.strain,
        state.strain_share,
        np.zeros((20, 7)),
        state.thickness,
    ).surface()
    assert surface[:, 3, :2] == pytest.approx(state.position)
    assert surface[:, 0, 2] == pytest.approx(-surface[:, -1, 2])


def test_tension_gives_force_strain_and_energy_of_a_bar():
    bench = Bench.build(Beam(50.0, 4.0, 0.5, 1000.0, 0.3), 5)
    u = bench.rest.reshape(-1, bench.rod.fields, 2).copy()
    u[:, 0] *= 1.002
    state = RodFields.build(bench.rod, np.array([10.0, 40.0]), 3).state(u.ravel())
    strain = 0.5 * (1.002**2 - 1)
    # N is conjugate to the stretch: E A strain stretch
    assert state.axial_force == pytest.approx(1000 * 2.0 * strain * 1.002)
    assert state.energy == pytest.approx(0.5 * 1000 * 2.0 * strain**2)
    assert state.face_strain[..., 0] == pytest.approx(np.full((2, 2, 5), strain))
    assert state.face_strain[..., 1] == pytest.approx(np.full((2, 2, 5), -0.3 * strain))
    assert state.strain_share == pytest.approx(np.full((2, 5), strain / 0.01))
    assert state.moment == pytest.approx(0.0, abs=1e-9)


def test_moment_and_axial_force_are_derivatives_of_the_energy():
    rod = small_rod(straight_strip(30.0, (Layer(SOFT, 0.6), Layer(STIFF, 0.2))), 10)
    u = turned(rod, at_rest(rod), 0.4) + rough(rod, 0.1, 4)
    fields, at, h = RodFields.build(rod, rod.stations.ravel(), 3), rod.weights.ravel(), 1e-6
    state, energy = fields.state(u), RodEnergy(rod)
    assert np.sum(state.energy * at) == pytest.approx(energy.evaluate(u, 0).energy, rel=1e-10)
    # a move of the mid-line alone does the work N d(stretch) + M d(curvature)
    move = np.zeros((len(rod.nodes), rod.fields, 2))
    move[:, :2] = np.random.default_rng(1).normal(size=(len(rod.nodes), 2, 2))
    ahead, behind = fields.state(u + h * move.ravel()), fields.state(u - h * move.ravel())
    stretch, curvature = (
        (a - b) / (2 * h) for a, b in ((ahead.stretch, behind.stretch), (ahead.curvature, behind.curvature))
    )
    work = float(np.sum(at * (state.axial_force * stretch + state.moment * curvature)))
    assert work == pytest.approx(float(energy.evaluate(u, 1).gradient @ move.ravel()), rel=1e-6)


def test_a_bent_flat_strip_is_short_on_the_side_it_curls_to():
    beam = Beam(1.0, 4.0, 0.5, 1000.0, 0.3)
    bending = UniformBending.build(beam)
    x, _, moment = bending.solve(0.002, bending.rest)
    state = RodFields.build(bending.bench.rod, np.array([0.0]), 3).state(bending.shape(0.002) @ x)
    assert state.face == pytest.approx([-0.25, 0.25])
    # positive bends toward the axle: the face toward it, z = +t/2, is compressed by z k; curl -nu k across
    assert state.face_strain[:, 0, 2, 0] == pytest.approx([0.0005, -0.0005], rel=5e-3)
    assert state.face_strain[:, 0, 2, 1] == pytest.approx([-0.00015, 0.00015], rel=1e-2)
    assert state.moment[0] == pytest.approx(moment, rel=1e-6)


@pytest.mark.parametrize("bend", [90.0, -90.0])
def test_a_layered_tight_bend_against_an_integral_along_its_fibres(bend):
    young, edges, radius = (1000.0, 60.0), (-0.5, 0.1, 0.5), 1.5
    layers = tuple(
        Layer(Material.isotropic(f"of {e:g}", e, 0.0, 1e-9, 1.0), b - a)
        for e, a, b in zip(young, edges[:-1], edges[1:], strict=True)
    )
    strip = Strip(Runs((BendRun(np.radians(bend), radius),), 0.0), Flat(), 1.0, 1, layers)
    natural, change = np.sign(bend) / radius, 1e-3
    bar = Bar(edges, young, natural)
    rod = build_rod(strip, np.array([0.0, 1e-3]))
    bending = UniformBending(Bench(strip, rod, np.zeros(rod.size), RodEnergy(rod)))
    x, _, moment = bending.solve(natural + change, bending.rest)
    assert moment / change == pytest.approx(bar.stiffness(), rel=1e-3)
    state = RodFields.build(rod, np.zeros(1), 2).state(bending.shape(natural + change) @ x)
    wanted = [bar.strain(change, z) for z in edges]
    assert state.face_strain[:, 0, 1, 0] == pytest.approx(wanted, rel=1e-3)


def test_shares_belong_to_the_material_that_is_there():
    layers = (
        Layer(SOFT, 0.5),
        Layer(STIFF, 0.2, across=(-2.0, 2.0)),
        Layer(PLY, 0.1, angle=0.3, across=(0.0, 6.0), elsewhere=SOFT),
    )
    rod = small_rod(straight_strip(40.0, layers), 8)
    u = at_rest(rod).reshape(-1, rod.fields, 2).copy()
    u[:, 0] *= 1.001
    u[:, 2, 0] = 0.01
    state = RodFields.build(rod, np.array([20.0]), 4).state(u.ravel())
    faces = state.face_strain[:, 0]
    assert state.face == pytest.approx([-0.4, 0.1, 0.3, 0.4])

    def share(material, k, m, angle=0.0):
        return max(float(material.strain_share(faces[i, m], angle)) for i in (k, k + 1))

    for m, q in enumerate(state.across):
        here = [share(SOFT, 0, m)]
        if abs(q) <= 2.0:
            here.append(share(STIFF, 1, m))
        here.append(share(PLY, 2, m, 0.3) if q >= 0 else share(SOFT, 2, m))
        assert state.strain_share[0, m] == pytest.approx(max(here), rel=1e-12)
    assert np.argmax(state.strain_share[0]) >= 3


def test_heading_counts_whole_turns():
    beam = Beam(100.0, 2.0, 0.2, 1000.0, 0.0, 0.3)
    bench = Bench.build(beam, 60)
    state = RodFields.build(bench.rod, np.linspace(0.0, 100.0, 120), 2).state(bench.rest)
    assert state.heading[-1] == pytest.approx(30.0, abs=1e-3)


@pytest.mark.parametrize("anisotropic", [False, True])
def test_a_summary_says_what_the_whole_state_says(anisotropic):
    layers = (
        Layer(SOFT, 0.5),
        Layer(STIFF, 0.2, across=(-2.0, 2.0)),
        Layer(PLY if anisotropic else SOFT, 0.1, angle=0.3 if anisotropic else 0.0),
    )
    for rod in (small_rod(bent_strip(), 24), small_rod(straight_strip(40.0, layers), 8)):
        fields = RodFields.build(rod, np.linspace(0.0, rod.strip.length, 23), 4)
        u = at_rest(rod) + rough(rod, 0.02, 3)
        state, summary = fields.state(u), fields.summary(u)
        for name in ("station", "position", "curvature", "axial_force", "strain", "strain_share"):
            expected = getattr(state, name)
            assert getattr(summary, name) == pytest.approx(
                expected, rel=1e-10, abs=1e-10 * np.abs(expected).max()
            ), name
