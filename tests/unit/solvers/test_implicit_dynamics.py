"""Steps of the incremental potential: backward Euler against its closed form, stability, friction, snaps."""

from dataclasses import dataclass

import numpy as np
import pytest
from rod_strips import SOFT, at_rest, small_rod, straight_strip

from fem.contact.settings import ContactSettings
from fem.core.term import Blocks, Evaluation
from fem.design.layup import Layer
from fem.design.obstacle import Plane
from fem.rod.energy import RodEnergy
from fem.rod.loads import weight
from fem.rod.wall_contact import RodWallContact, contact_points
from fem.solvers.implicit_dynamics import Backoff, Motion, mass_blocks
from fem.solvers.moving_system import Frame, MotionSettings

DOFS = np.array([[0, 1]])


@dataclass
class Well:
    """Energy of one unknown, the second is along for the ride: c2 x^2 / 2 + c4 x^4 / 4 - force x + y^2 /
    2.
    """

    c2: float
    c4: float = 0.0
    force: float = 0.0

    def evaluate(self, u, order):
        x, y = u
        energy = 0.5 * self.c2 * x**2 + 0.25 * self.c4 * x**4 - self.force * x + 0.5 * y**2
        gradient = np.array([self.c2 * x + self.c4 * x**3 - self.force, y])
        tangent = np.diag([self.c2 + 3 * self.c4 * x**2, 1.0])
        return Evaluation(energy, gradient, (Blocks(DOFS, tangent[None]),) if order > 1 else ())


def motion(term, mass=2.0, **settings):
    return Motion(
        [term],
        [],
        Blocks(DOFS, mass * np.eye(2)[None]),
        2,
        2,
        np.ones(2, bool),
        MotionSettings(**settings),
    )


def test_a_step_is_backward_euler_with_damping():
    # m (x1 - x0 - h v0) / h^2 + m c (x1 - x0) / h + k x1 = 0
    mass, stiffness, damping, h, x0, v0 = 2.0, 7.0, 0.5, 0.1, 0.3, -1.2
    drive = motion(Well(stiffness), mass, damping=damping)
    start = np.array([x0, 0.0])
    out = drive.step(start, np.array([v0, 0.0]), h, start)
    exact = mass * (x0 + h * v0 + damping * h * x0) / (mass * (1 + damping * h) + stiffness * h**2)
    assert out.accepted
    assert out.stable
    assert out.u[0] == pytest.approx(exact, rel=1e-7)


def test_held_unknowns_stay_where_the_start_puts_them():
    drive = motion(Well(7.0))
    drive.prescribe([0])
    out = drive.step(np.array([0.0, 1.0]), np.zeros(2), 0.1, np.array([0.4, 1.0]))
    assert out.accepted
    assert out.u[0] == 0.4
    assert 0.0 < out.u[1] < 1.0


def test_motion_leaves_a_ridge_and_comes_to_rest_in_a_well():
    # -x^2/2 + x^4/4: ridge at 0, wells at +-1
    drive = motion(Well(-1.0, 1.0), mass=0.01, damping=5.0)
    u, v = np.array([1e-3, 0.0]), np.zeros(2)
    for _ in range(80):
        out = drive.step(u, v, 0.3, u)
        assert out.accepted, out.reason
        u = out.u
    assert u[0] == pytest.approx(1.0, abs=1e-6)
    assert out.stable


def test_energy_never_rises_from_rest_to_rest():
    drive, well = motion(Well(-1.0, 1.0, 0.1), mass=0.05, damping=1.0), Well(-1.0, 1.0, 0.1)
    u, energies = np.array([0.05, 0.7]), []
    for _ in range(40):
        u = drive.step(u, np.zeros(2), 0.2, u).u
        energies.append(well.evaluate(u, 0).energy)
    assert np.all(np.diff(energies) <= 1e-10)


def test_an_energy_that_is_not_finite_is_refused_in_words():
    class Broken(Well):
        def evaluate(self, u, order):
            good = super().evaluate(u, order)
            return Evaluation(np.nan, good.gradient, good.blocks)

    out = motion(Broken(1.0)).step(np.ones(2), np.zeros(2), 0.1, np.ones(2))
    assert not out.accepted
    assert out.reason == "the energy is not finite"


def test_mass_of_a_moving_rod():
    rod = small_rod(straight_strip(40.0), 7)
    blocks = mass_blocks(rod.dofs, rod.shape, rod.weights, np.full(rod.fields, 0.3))
    forward = np.zeros((len(rod.nodes), rod.fields, 2))
    forward[:, 0, 0] = 1.0
    local = forward.ravel()[blocks.dofs]
    assert np.einsum("mi,mij,mj->", local, blocks.values, local) == pytest.approx(0.3 * 40.0)


class Sled:
    """A strip that lies on a plane under its weight (gravity a hundredfold), pushed along by a force."""

    def __init__(self, share):
        self.rod = rod = small_rod(straight_strip(30.0, (Layer(SOFT, 1.0),), radius=9e4), 10)
        place = at_rest(rod).reshape(len(rod.nodes), rod.fields, 2)
        place[:, 1, 0] = 0.5
        settings = ContactSettings(1.0, 0.001, 0.01, 0.4)
        self.contact = RodWallContact(
            rod, contact_points(rod, 1.0), Plane(0, 0, np.pi / 2).walls(0.0), settings
        )
        load = weight(rod, np.array([0.0, -9.81e5]))
        self.normal = -float(load.force[[rod.index(n, 1) for n in range(len(rod.nodes))]].sum())
        push = weight(rod, np.array([share * 9.81e5, 0.0]))
        blocks = mass_blocks(rod.dofs, rod.shape, rod.weights, np.full(rod.fields, 1e-6))
        places = np.zeros((len(rod.nodes), rod.fields, 2), bool)
        places[:, :2, 0] = True
        self.push, self.u = push, place.ravel()
        terms = [RodEnergy(rod), load]
        self.motion = Motion(
            terms,
            [self.contact],
            blocks,
            rod.size,
            2 * rod.fields,
            places.ravel(),
            MotionSettings(energy=1e-2, settled=1e-8, damping=0.0),
        )
        self.contact.start(self.u)
        self.run(20)

    def run(self, steps, pushed=False):
        if pushed and self.push not in self.motion.terms:
            self.motion.add(self.push)
        places = []
        for _ in range(steps):
            out = self.motion.step(self.u, np.zeros_like(self.u), 0.02, self.u)
            assert out.accepted, out.reason
            self.u = out.u
            self.contact.accept(self.u)
            places.append(float(self.u[self.rod.index(5, 0)]))
        return np.array(places)


def test_a_strip_pushed_below_the_friction_limit_sticks_and_does_not_creep():
    # Coulomb: no sliding below friction .4 times the normal force
    sled = Sled(0.3)
    assert sled.contact.forces(sled.u).sum() == pytest.approx(sled.normal, rel=1e-6)
    x = sled.run(60, pushed=True)
    elastic = 0.01 * 0.3 / 0.4
    assert x[-1] - 15.0 == pytest.approx(elastic, rel=0.02)
    assert abs(x[-1] - x[-20]) < 1e-7


def test_a_strip_pushed_above_the_friction_limit_slides():
    sled = Sled(0.5)
    x = sled.run(10, pushed=True)
    # each step starts from rest: it moves by (push - friction) h^2 / m
    step = (0.5 - 0.4) * sled.normal * 0.02**2 / (1e-6 * 30.0)
    assert np.diff(x)[-5:] == pytest.approx(step, rel=0.02)


def test_a_step_from_an_indefinite_start_finds_the_minimum_and_says_it_is_stable():
    # -x^2/2 + x^4/4 with hardly any inertia: from the ridge's side into the well at 1, where the tangent is 2
    drive = motion(Well(-1.0, 1.0), mass=1e-6, damping=0.0)
    out = drive.step(np.array([0.05, 0.0]), np.zeros(2), 1.0, np.array([0.05, 0.0]))
    assert out.accepted
    assert out.stable
    assert out.u[0] == pytest.approx(1.0, abs=1e-5)


def test_a_state_that_only_inertia_holds_counts_and_is_flagged():
    # k = -1, m / h^2 = 4: the tangent of the step is 3, that of the statics -1
    drive = motion(Well(-1.0), mass=4.0, damping=0.0)
    out = drive.step(np.array([0.3, 0.0]), np.zeros(2), 1.0, np.array([0.3, 0.0]))
    assert out.accepted
    assert not out.stable
    assert out.u[0] == pytest.approx(0.3 * 4.0 / 3.0)


@dataclass
class Rest:
    """A held term without force: it makes a step balance forces instead of only minimising."""

    holds: int = 0

    def evaluate(self, *_):
        return Evaluation(0.0, np.zeros(2), ())

    balance = evaluate

    def hold(self, *_, **__):
        self.holds += 1
        return 0.0

    def safe_fraction(self, *_):
        return 1.0


def on_a_ridge():
    drive = motion(Well(-1.0, 1.0), mass=1e-6, damping=0.0)
    drive.friction.append(Rest())
    return drive, np.array([1e-9, 0.0])


def test_a_balance_on_a_ridge_is_left_for_the_well():
    drive, ridge = on_a_ridge()
    drive.backoff = Backoff(0, 0)  # the balance is tried before anything is minimised, and found on the ridge
    frame = Frame(ridge, np.zeros(2), 1.0)
    u, _, settled = drive.balanced(ridge, frame, 5)
    assert settled
    assert abs(u[0]) < 1e-8
    assert drive.stability(u, Frame(u, 0.0 * u, 1.0))[:2] == (False, False)
    out = drive.step(ridge, np.zeros(2), 1.0, ridge)
    assert out.accepted
    assert out.stable
    assert abs(out.u[0]) == pytest.approx(1.0, abs=1e-4)


def test_a_state_that_is_not_stable_is_refused_in_words(monkeypatch):
    drive, ridge = on_a_ridge()
    monkeypatch.setattr(drive, "_minimised", lambda u, frame, early: (ridge, 1, ""))
    out = drive.step(ridge, np.zeros(2), 1.0, ridge)
    assert not out.accepted
    assert not out.stable
    assert out.reason == "the state is not stable"


def test_contact_without_friction_is_not_told_as_friction(monkeypatch):
    """Where points open and close by turns no balance is found, whatever rubs."""
    drive, ridge = on_a_ridge()
    monkeypatch.setattr(drive, "balanced", lambda u, frame, patience: (u, 1, False))
    out = drive.step(ridge, np.zeros(2), 1.0, ridge)
    assert not out.accepted
    assert out.reason == f"contact forces did not settle in {drive.settings.outer} rounds"
