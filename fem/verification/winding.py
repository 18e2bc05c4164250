"""Checks of contact and friction of the shell against published results: belt on a drum, strip in a sleeve.

The same terms and the same stepping as in a run of a case; the strips are flat, narrow and thin, without
Poisson's effect, since the formulas are of limp belts and of inextensible rods.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache, partial

import numpy as np

from fem.contact.settings import ContactSettings
from fem.core.term import Array, Index, Term
from fem.design.layup import Layer
from fem.design.material import Material
from fem.design.obstacle import Cylinder, Guide
from fem.design.path import Runs, Straight
from fem.design.section import Flat
from fem.design.strip import Strip
from fem.mesh.bicubic import build_grid
from fem.shell.constraints import hold, symmetric, unknowns
from fem.shell.energy import build_shell, isotropic
from fem.shell.loads import edge_load
from fem.shell.motion import Whole, shell_motion
from fem.shell.state import strip_state
from fem.shell.strip_shell import StripShell
from fem.shell.surface_points import surface_points
from fem.shell.wall_contact import ShellWallContact
from fem.solvers.implicit_dynamics import Motion
from fem.solvers.moving_system import MotionSettings
from fem.solvers.newton import NewtonSettings, solve
from fem.solvers.static_problem import Structure
from fem.verification.published import EYTELWEIN, SLEEVE, Check

_DRUM, _TENSION, _WIDTH, _YOUNG = 10.0, 5.0, 5.0, 1000.0
_PLAIN = Material.isotropic("plain", _YOUNG, 0.0, 1.2e-9, 0.2)


def narrow_strip(stations: Array, thickness: float) -> StripShell:
    """Half of a flat straight strip 5 mm wide with given lines of nodes, two elements across the half."""
    strip = Strip(Runs((Straight(float(stations[-1])),), 0.0), Flat(), _WIDTH, 1, (Layer(_PLAIN, thickness),))
    grid = build_grid(stations, np.linspace(0.0, 0.5 * _WIDTH, 3))

    def surface(s: Array, q: Array) -> tuple[Array, Array, Array, Array]:
        zero, one = np.zeros_like(s), np.ones_like(s)
        place = np.stack([s, zero, q], axis=-1)
        along, across = np.stack([one, zero, zero], axis=-1), np.stack([zero, zero, one], axis=-1)
        return place, along, across, 0.0 * place

    shell = build_shell(grid, surface, isotropic(_YOUNG, 0.0, thickness))
    return StripShell(strip, shell, True, None)


@dataclass(frozen=True, eq=False)
class ShellBelt:
    """A strip laid over a fixed drum of radius 10 mm at the origin, pulled at its far end.

    The near end carries a dead pull of 5 N; the far end is pinned to a line that moves along its own way out.
    """

    model: StripShell
    contact: ShellWallContact
    motion: Motion
    start: Array
    ends: Index
    out: Array

    @classmethod
    def build(cls, wrap: float, friction: float, elements: int = 96) -> ShellBelt:
        """Straight, `wrap` [rad] around the drum, straight again, counter-clockwise with the drum on its
        left.
        """
        free, thickness = 10.0, 0.1
        middle = _DRUM + 0.5 * thickness
        model = narrow_strip(np.linspace(0.0, 2 * free + middle * wrap, elements + 1), thickness)
        shell = model.shell
        stretch = 1.0 + _TENSION / (_YOUNG * _WIDTH * thickness)  # laid on in tension, pressed into the drum
        s, middle = stretch * shell.grid.stations, middle - 0.0022
        angle = np.clip((s - free) / middle, 0.0, wrap)
        around = middle * np.stack([np.sin(angle), -np.cos(angle)], axis=1)
        tangent = np.stack([np.cos(angle), np.sin(angle)], axis=1)
        beyond = np.minimum(s - free, 0.0) + np.maximum(s - free - middle * wrap, 0.0)
        u = shell.rest.reshape(len(s), -1, 4, 3).copy()
        u[:, :, 0, :2] = (around + beyond[:, None] * tangent)[:, None]
        u[:, :, 1, :2] = stretch * tangent[:, None]
        settings = ContactSettings(stiffness=200.0, onset=0.005, slip=0.01, friction=friction)
        drum = Cylinder(0.0, 0.0, _DRUM).walls(0.0)
        contact = ShellWallContact(surface_points(model, 0.25), shell.size, thickness, drum, settings)
        pull = edge_load(shell, "start", np.array([-_TENSION / _WIDTH, 0.0, 0.0]))
        how = MotionSettings(energy=1.0, settled=1e-7, outer=20)
        motion = shell_motion(model, [shell, pull], [contact], 1e-3 / _WIDTH, how)
        ends = unknowns(shell.grid.edge("end"), (0,), (0, 1)).reshape(-1, 2)
        motion.prescribe(unknowns(shell.grid.edge("end"), (0, 2), (0, 1)))
        return cls(model, contact, motion, u.ravel(), ends, tangent[-1])

    def tensions(self, moves: list[float], steps: int) -> list[tuple[float, Array]]:
        """Tension at the far end [N] and state after each move [mm] of it, in `steps` steps each."""
        u, found = self.start, []
        self.contact.start(u)
        for pace in np.geomspace(0.01, 1.0, 8):
            u = self._step(u, 0.0, float(pace), 6)
        for move in moves:
            for _ in range(steps):
                u = self._step(u, move / steps, 0.1, 6)
            for _ in range(3):
                u = self._step(u, 0.0, 0.1, 6)
            pull = self.motion.total(u, 1).gradient[self.ends].sum(axis=0)
            found.append((float(np.hypot(*pull)), u))
        return found

    def _step(self, u: Array, move: float, pace: float, halvings: int) -> Array:
        """One step of the far end [mm] in `pace` [s], cut in two where it is refused."""
        start = u.copy()
        start[self.ends] += move * self.out
        outcome = self.motion.step(u, np.zeros_like(u), pace, start)
        if outcome.accepted:
            self.contact.accept(outcome.u)
            return outcome.u
        if halvings == 0:
            raise RuntimeError(f"a step of the belt was refused: {outcome.reason}")
        halfway = self._step(u, 0.5 * move, 0.5 * pace, halvings - 1)
        return self._step(halfway, 0.5 * move, 0.5 * pace, halvings - 1)


@lru_cache
def belt(half_turns: float, friction: float) -> tuple[float, float, float]:
    """T2 / T1 pulled in, let out, and curvature times (radius + t/2) on the drum."""
    made = ShellBelt.build(half_turns * np.pi, friction)
    (pulled, _), (let_out, state) = made.tensions([2.5, -2.5], 40)
    wound = strip_state(made.model, state)
    middle, half = 10.0 + 0.5 * _DRUM * half_turns * np.pi, 0.5 * _DRUM * half_turns
    inside = np.flatnonzero(np.abs(wound.station - middle) < half)
    i, j = inside[0], inside[-1]
    fine = np.linspace(wound.station[i], wound.station[j], 1001)
    path = made.model.shell.position(state, np.stack([fine, np.zeros_like(fine)], axis=1))
    way = np.linalg.norm(np.diff(path, axis=0), axis=1).sum()
    curvature = (wound.heading[j] - wound.heading[i]) / way
    return pulled / _TENSION, let_out / _TENSION, float(curvature * (_DRUM + 0.05))


@lru_cache
def sleeve(tip_load: float = 0.05, stiffness: float = 2000.0) -> tuple[float, float]:
    """Push that feeds a strip out of a frictionless sleeve, and M^2 / 2 EI with the moment at its mouth [N].

    A strip 60 x 5 x .5 mm (E 1000) sticks out of a straight sleeve by about 40 mm and carries a dead load at
    its tip; the sleeve's gap is a hair under the thickness, so that both walls always touch.
    """
    thickness, inside, lip = 0.5, 16.0, 2.0
    pieces = [np.linspace(0, 12, 13)[:-1], np.linspace(12, 20, 81)[:-1], np.linspace(20, 56, 19)]
    model = narrow_strip(np.concatenate(pieces), thickness)
    shell = model.shell
    walls = Guide(3.0, 0.0, 0.0, inside - 3.0, 0.0, thickness - 0.003, lip).walls(0.0)
    settings = ContactSettings(stiffness=stiffness, onset=0.001, slip=0.01, friction=0.0)
    contact = ShellWallContact(surface_points(model, 0.01), shell.size, thickness, walls, settings)
    load = edge_load(shell, "end", np.array([0.0, tip_load / _WIDTH, 0.0]))
    root = unknowns(shell.grid.edge("start"), (0, 2), (0,))
    ends = hold(shell, [root, symmetric(shell, "low", 2)])
    terms: list[Term] = [Whole(shell, 2), contact]
    structure = Structure(terms, ends, [Whole(load, 2)], shell.weights)
    u = ends.reduce(shell.rest.ravel())
    for level in np.linspace(0.0, 1.0, 11):
        point = solve(structure, u, float(level), NewtonSettings(correction=1e-7, iterations=40))
        if not (point.converged and point.stable):
            raise RuntimeError(f"the sleeve did not come to rest at load {level:g}: {point.status}")
        u = point.u
    x = ends.expand(u, 1.0)
    arm = shell.position(x, np.array([[56.0, 0.0]]))[0, 0] - inside
    positions = unknowns(shell.grid.edge("start"), (0,), (0,))
    push = -structure.full_gradient(u, 1.0)[positions].sum()
    bending = _YOUNG * _WIDTH * thickness**3 / 12
    return float(push), float((tip_load * arm) ** 2 / (2 * bending))


# ---- the registry --------------------------------------------------------------------------------

_CIRCLE = "geometry: a strip that lies on a drum has the curvature 1 / (radius + t/2)"
_WRAPS = ((0.5, 0.3), (1.0, 0.2), (1.8, 0.3))  # half turns, friction


def _belt(half_turns: float, friction: float, which: int) -> float:
    return belt(half_turns, friction)[which]


def _sleeve_ratio() -> float:
    push, formula = sleeve(0.05, 8000.0)
    return push / formula


def _checks() -> list[Check]:
    group, checks = "shell: contact and friction", []
    for turns, friction in _WRAPS:
        ratio = float(np.exp(friction * turns * np.pi))
        for which, (what, value) in enumerate((("pulled", ratio), ("let out", 1.0 / ratio))):
            name = f"shell belt on a drum over {turns:g} pi, friction {friction:g}, {what}: T2 / T1"
            reason = "the strip's own bending and the drum's give"
            how = partial(_belt, turns, friction, which)
            checks.append(Check(name, group, "shell", EYTELWEIN, value, 0.02, reason, how))
    name, reason = "curvature of a shell strip on a drum, times radius + t/2", "penalty contact gives .002 mm"
    checks.append(Check(name, group, "shell", _CIRCLE, 1.0, 0.005, reason, partial(_belt, 1.0, 0.2, 2)))
    reason = "walls give: the error halves when they are four times as stiff"
    name = "frictionless sleeve, shell: push over M^2 / (2 E I) at its mouth"
    checks.append(Check(name, group, "shell", SLEEVE, 1.0, 0.03, reason, _sleeve_ratio))
    return checks


WOUND_CHECKS: tuple[Check, ...] = tuple(_checks())
