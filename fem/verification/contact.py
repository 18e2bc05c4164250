"""Checks of contact and friction of the rod against published results: belt on a drum, strip in a sleeve.

The same terms and the same stepping as in a run of a case; the strips are flat and thin, since the formulas
are of limp belts and of inextensible rods.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache, partial

import numpy as np

from fem.contact.settings import ContactSettings
from fem.core.term import Array, Term
from fem.design.obstacle import Cylinder, Guide
from fem.rod.energy import rest_state
from fem.rod.fields import RodFields
from fem.rod.loads import point_load
from fem.rod.wall_contact import RodWallContact, contact_points
from fem.solvers.implicit_dynamics import Motion, mass_blocks
from fem.solvers.moving_system import MotionSettings
from fem.solvers.newton import NewtonSettings, solve
from fem.verification.beams import Beam, Bench
from fem.verification.published import EYTELWEIN, SLEEVE, Check

_DRUM = 10.0
_TENSION = 5.0


@dataclass(frozen=True, eq=False)
class Belt:
    """A strip laid over a fixed drum of radius 10 mm at the origin, pulled at its far end.

    The near end carries a dead pull of 5 N; the far end is pinned to a point that moves along its own line.
    """

    bench: Bench
    contact: RodWallContact
    motion: Motion
    out: Array

    @classmethod
    def build(cls, wrap: float, friction: float, elements: int = 96) -> Belt:
        """Straight, `wrap` [rad] around the drum, straight again; it runs counter-clockwise, the drum on its
        left.
        """
        free, radius, thickness = 10.0, _DRUM, 0.1
        middle = radius + 0.5 * thickness
        length = 2 * free + middle * wrap
        bench = Bench.build(Beam(length, 5.0, thickness, 1000.0), elements)
        stretch = 1.0 + _TENSION / (1000.0 * 5.0 * thickness)  # laid on in tension, pressed into the drum
        s, middle = stretch * bench.rod.nodes, middle - 0.0022
        angle = np.clip((s - free) / middle, 0.0, wrap)  # place on the drum, from its lowest point
        around = middle * np.stack([np.sin(angle), -np.cos(angle)], axis=1)
        tangent = np.stack([np.cos(angle), np.sin(angle)], axis=1)
        beyond = np.minimum(s - free, 0.0) + np.maximum(s - free - middle * wrap, 0.0)
        start = rest_state(bench.rod, around + beyond[:, None] * tangent, angle)
        start.reshape(len(s), -1, 2)[:, :2, 1] *= stretch
        walls = Cylinder(0.0, 0.0, radius).walls(0.0)
        settings = ContactSettings(stiffness=200.0, onset=0.005, slip=0.01, friction=friction)
        contact = RodWallContact(bench.rod, contact_points(bench.rod, 0.25), walls, settings)
        pull = point_load(bench.rod, 0.0, np.array([-_TENSION, 0.0]))
        held = [bench.number(-1, "x"), bench.number(-1, "y")]
        motion = make_motion(bench, [bench.energy, pull], contact, held)
        return cls(Bench(bench.beam, bench.rod, start, bench.energy), contact, motion, tangent[-1])

    def tensions(self, moves: list[float], steps: int) -> list[tuple[float, Array]]:
        """Tension at the far end [N] and state after each move [mm] of it along its line, in steps of `steps`
        each.
        """
        u, found = self.bench.rest, []
        self.contact.start(u)
        for pace in np.geomspace(0.01, 1.0, 8):
            u = self._settle(u, 1, 0.0, float(pace))
        for move in moves:
            u = self._settle(u, steps, move)
            u = self._settle(u, 3, 0.0)
            pull = self.motion.total(u, 1).gradient
            ends = [self.bench.number(-1, "x"), self.bench.number(-1, "y")]
            found.append((float(np.hypot(*pull[ends])), u))
        return found

    def _settle(self, u: Array, steps: int, move: float, pace: float = 0.1) -> Array:
        for _ in range(steps):
            u = self._step(u, move / steps, pace, 6)
        return u

    def _step(self, u: Array, move: float, pace: float, halvings: int) -> Array:
        """One step of the far end [mm] in `pace` [s], cut in two where it is refused."""
        ends = [self.bench.number(-1, "x"), self.bench.number(-1, "y")]
        start = u.copy()
        start[ends] += move * self.out
        outcome = self.motion.step(u, np.zeros_like(u), pace, start)
        if outcome.accepted:
            self.contact.accept(outcome.u)
            return outcome.u
        if halvings == 0:
            raise RuntimeError(f"a step of the belt was refused: {outcome.reason}")
        return self._step(
            self._step(u, 0.5 * move, 0.5 * pace, halvings - 1), 0.5 * move, 0.5 * pace, halvings - 1
        )


def make_motion(bench: Bench, terms: list[Term], contact: RodWallContact, held: list[int]) -> Motion:
    """Motion of a bench's rod with a small artificial mass, some unknowns prescribed."""
    rod = bench.rod
    places = np.zeros((len(rod.nodes), rod.fields, 2), dtype=np.bool_)
    places[:, :2, 0] = True
    density = np.full(rod.fields, 1e-3)
    mass = mass_blocks(rod.dofs, rod.shape, rod.weights, density)
    settings = MotionSettings(energy=1.0, settled=1e-7, outer=20)
    motion = Motion(terms, [contact], mass, rod.size, 2 * rod.fields, places.ravel(), settings)
    motion.prescribe(held)
    return motion


@lru_cache
def sleeve(tip_load: float = 0.05, stiffness: float = 2000.0) -> tuple[float, float]:
    """Push that feeds a strip out of a frictionless sleeve, and M^2 / 2 EI with the moment at its mouth [N].

    A strip 60 x 5 x .5 mm (E 1000) sticks out of a straight sleeve by about 40 mm and carries a dead load at
    its tip; the sleeve's gap is a hair under the thickness, so that both walls always touch. The root is held
    along the sleeve.
    """
    thickness, inside, lip = 0.5, 16.0, 2.0
    beam = Beam(56.0, 5.0, thickness, 1000.0)
    nodes = np.concatenate(
        [np.linspace(0, 12, 13)[:-1], np.linspace(12, 20, 81)[:-1], np.linspace(20, 56, 19)]
    )
    bench = Bench.over(beam, nodes)
    walls = Guide(3.0, 0.0, 0.0, inside - 3.0, 0.0, thickness - 0.003, lip).walls(0.0)
    settings = ContactSettings(stiffness=stiffness, onset=0.001, slip=0.01, friction=0.0)
    contact = RodWallContact(bench.rod, contact_points(bench.rod, 0.01), walls, settings)
    load = point_load(bench.rod, beam.length, np.array([0.0, tip_load]))
    structure = bench.structure([(0, "x")], [load], [contact])
    u, level = structure.ends.reduce(bench.rest), 0.0
    for level in np.linspace(0.0, 1.0, 11):
        point = solve(structure, u, float(level), NewtonSettings(correction=1e-7, iterations=40))
        if not (point.converged and point.stable):
            raise RuntimeError(f"the sleeve did not come to rest at load {level:g}: {point.status}")
        u = point.u
    arm = bench.place(structure.ends.expand(u, 1.0))[0] - inside
    push = -structure.full_gradient(u, 1.0)[bench.number(0, "x")]
    return float(push), float((tip_load * arm) ** 2 / (2 * beam.bending_stiffness))


# ---- the registry --------------------------------------------------------------------------------

_CIRCLE = "geometry: a strip that lies on a drum has the curvature 1 / (radius + t/2)"
_WRAPS = ((0.5, 0.3), (1.0, 0.2), (1.8, 0.3))  # half turns, friction


@lru_cache
def belt(half_turns: float, friction: float) -> tuple[float, float, float]:
    """T2 / T1 pulled in, let out, and curvature times (radius + t/2) on the drum."""
    belt = Belt.build(half_turns * np.pi, friction)
    (pulled, _), (let_out, state) = belt.tensions([2.5, -2.5], 40)
    middle = 10.0 + _DRUM * half_turns * np.pi / 2
    span = np.linspace(middle - 0.5 * _DRUM * half_turns, middle + 0.5 * _DRUM * half_turns, 201)
    field = RodFields.build(belt.bench.rod, span, 3).state(state)
    way = np.hypot(*np.diff(field.position, axis=0).T).sum()
    curvature = (field.heading[-1] - field.heading[0]) / way
    return pulled / _TENSION, let_out / _TENSION, float(curvature * (_DRUM + 0.05))


def _belt(half_turns: float, friction: float, which: int) -> float:
    return belt(half_turns, friction)[which]


def _checks() -> list[Check]:
    group, checks = "rod: contact and friction", []
    for turns, friction in _WRAPS:
        ratio = float(np.exp(friction * turns * np.pi))
        for which, (what, value) in enumerate((("pulled", ratio), ("let out", 1.0 / ratio))):
            name = f"belt on a drum over {turns:g} pi, friction {friction:g}, {what}: T2 / T1"
            reason = "the strip's own bending and the drum's give"
            how = partial(_belt, turns, friction, which)
            checks.append(Check(name, group, "rod", EYTELWEIN, value, 0.02, reason, how))
    name, reason = "curvature of a strip on a drum, times radius + t/2", "penalty contact gives .002 mm"
    checks.append(Check(name, group, "rod", _CIRCLE, 1.0, 0.005, reason, partial(_belt, 1.0, 0.2, 2)))
    reason = "walls give: the error halves when they are four times as stiff"
    name = "frictionless sleeve: push over M^2 / (2 E I) at its mouth"
    checks.append(Check(name, group, "rod", SLEEVE, 1.0, 0.02, reason, _sleeve_ratio))
    return checks


def _sleeve_ratio() -> float:
    push, formula = sleeve(0.05, 8000.0)
    return push / formula


CONTACT_CHECKS: tuple[Check, ...] = tuple(_checks())
