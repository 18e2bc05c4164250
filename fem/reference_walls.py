"""A thin strip pushed between two rigid walls: rod and shell against the beam that touches a wall.

Both ends are hinged midway between frictionless walls. Pushed together, the strip buckles, meets one wall in
its middle, touches it there at one point while the load rises, and from four times Euler's load on lies on it
along a line (Domokos, Holmes & Royce 1997, J. Nonlinear Sci. 7:281; Chai 1998, J. Mech. Phys. Solids
46:1155, for clamped ends). The papers were not at hand: that the load rises from once to four times Euler's
in one-point contact is from memory of them, and every number below is derived here anew from the inextensible
beam of small slopes, w'' '' + k^2 w'' = 0 with k^2 = P / EI, w = h and w' = 0 where it touches:

    free length l = L/2:  w = A (sin kx - kx cos kl),  A = h / (sin kl - kl cos kl),  pi/2 <= kl <= pi
    at contact  w'' = -A k^2 sin kl: it vanishes at kl = pi, that is P = 4 P_E
    beyond: two free lengths l = pi / k, the strip flat between them: P = 4 P_E (d L / 3 h^2)^2
    the flat stretch L - 2 l is a clamped column: it buckles off the wall at L - 2 l = 2 pi / k, 16 P_E
    shortening  d = 2 * integral over l of w'^2 / 2

First contact comes at d = pi^2 h^2 / 4L, the end of one-point contact at d = 3 h^2 / L.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, partial

import numpy as np
from scipy.optimize import brentq

from fem.contact import ContactSettings, WallContact, contact_points
from fem.element import shape_at
from fem.equilibrium import Array, Term
from fem.newton import NewtonSettings, Point
from fem.obstacle import Plane
from fem.published import Check
from fem.reference_beams import Beam, Bench
from fem.reference_wound import narrow_strip
from fem.rod_loads import point_load
from fem.shell_contact import ShellWalls
from fem.shell_ends import hold, symmetric, unknowns
from fem.shell_loads import point_load as shell_load
from fem.shell_motion import Whole
from fem.shell_points import surface_points
from fem.statics import SettleSettings, follow_stable
from fem.structure import Structure

LENGTH, RISE, THICKNESS, WIDTH, YOUNG = 60.0, 1.0, 0.1, 5.0, 1000.0
"""mm, MPa; RISE is how far the mid-line may move: slopes stay below .1, so the beam's error is below .5 %."""
BENDING = YOUNG * WIDTH * THICKNESS**3 / 12.0
EULER = np.pi**2 * BENDING / LENGTH**2
STIFFNESS, ONSET, SPACING = 20.0, 1e-5, 0.1  # of contact: N/mm^3, mm, mm
IMPERFECTION = 1e-4  # load across the middle, in Euler's loads
ELEMENTS = 48


def first_contact() -> float:
    """Shortening [mm] at which the buckled beam meets the wall."""
    return float(np.pi**2 * RISE**2 / (4.0 * LENGTH))


def last_point_contact() -> float:
    """Shortening [mm] at which it begins to lie on the wall along a line."""
    return 3.0 * RISE**2 / LENGTH


def _shortening(kl: float) -> float:
    """Shortening [mm] in one-point contact; the integral of (cos kx - cos kl)^2 in closed form."""
    half, k = 0.5 * LENGTH, kl / (0.5 * LENGTH)
    rise = RISE / (np.sin(kl) - kl * np.cos(kl))
    square = 0.5 * half + np.sin(2.0 * kl) / (4.0 * k) - 2.0 * np.cos(kl) * np.sin(kl) / k
    return float((rise * k) ** 2 * (square + half * np.cos(kl) ** 2))


def beam_load(shortening: float) -> float:
    """P / P_E of the beam at a shortening [mm] not less than that of first contact."""
    end = last_point_contact()
    if shortening >= end:
        return 4.0 * (shortening / end) ** 2
    kl = brentq(lambda value: _shortening(value) - shortening, 0.49 * np.pi, 1.01 * np.pi)
    return float((2.0 * kl / np.pi) ** 2)


@dataclass(frozen=True)
class Pushed:
    """What a model does: shortening by bending [mm], P / P_E, force of the wall [N] and curvature in the
    middle [1/mm] at each step, each (n,).
    """

    shortening: Array
    load: Array
    wall: Array
    curvature: Array

    def at(self, shortening: float) -> float:
        """P / P_E at a shortening."""
        return float(np.interp(shortening, self.shortening, self.load))

    def contact(self) -> tuple[float, float]:
        """Shortening and P / P_E at first contact: where the wall's force, drawn back from its first two
        steps, is zero.
        """
        one, two = np.flatnonzero(self.wall > 0.02 * self.wall.max())[:2]
        part = self.wall[one] / (self.wall[two] - self.wall[one])
        shortening = self.shortening[one] - part * (self.shortening[two] - self.shortening[one])
        return float(shortening), float(self.load[one] - part * (self.load[two] - self.load[one]))

    def last_point_load(self) -> float:
        """P / P_E at which the curvature at the contact is zero, drawn on from where it is a quarter and an
        eighth of what it was at first contact.
        """
        share = np.abs(self.curvature) / (RISE * (np.pi / LENGTH) ** 2)
        falling = np.flatnonzero((self.load > 1.05) & (self.load < 5.0))
        shares, loads = share[falling][::-1], self.load[falling][::-1]
        quarter, eighth = (float(np.interp(level, shares, loads)) for level in (0.25, 0.125))
        return eighth + (eighth - quarter)


def _levels() -> Array:
    """Shortenings [mm] to drive through: close where contact begins and where the flat stretch buckles."""
    first, end = first_contact(), last_point_contact()
    meeting = first + (end - first) * np.array([-0.3, 0.0, 0.02, 0.04])
    rising = np.linspace(first + 0.08 * (end - first), 1.3 * end, 34)
    lying = np.concatenate([np.linspace(1.36, 1.9, 10), np.linspace(1.92, 2.06, 15)])
    return np.concatenate([np.linspace(0.1, 0.9, 8) * first, meeting, rising, lying * end])


def _walls(reach: float) -> tuple[Plane, Plane]:
    return Plane(0.0, reach, -0.5 * np.pi), Plane(0.0, -reach, 0.5 * np.pi)


def _settings() -> tuple[ContactSettings, SettleSettings]:
    contact = ContactSettings(stiffness=STIFFNESS, onset=ONSET, slip=0.01, friction=0.0)
    newton = NewtonSettings(correction=1e-6, iterations=25)
    return contact, SettleSettings(move=0.2, nudge=1e-3, newton=newton)


Read = Callable[[Array, Array], tuple[float, float, float]]
"""State and gradient to push [N], force of the wall [N] and curvature in the middle [1/mm]."""


@lru_cache
def pushed_rod() -> Pushed:
    """The rod pushed between the walls."""
    how, settle = _settings()
    bench = Bench.build(Beam(LENGTH, WIDTH, THICKNESS, YOUNG), ELEMENTS)
    walls = tuple(wall for plane in _walls(RISE + 0.5 * THICKNESS) for wall in plane.walls(0.0))
    contact = WallContact(bench.rod, contact_points(bench.rod, SPACING), walls, how)
    bias = point_load(bench.rod, 0.5 * LENGTH, np.array([0.0, IMPERFECTION * EULER]))
    held = [(0, "x"), (0, "y"), (-1, "x"), (-1, "y")]
    structure = bench.structure(held, [], [contact, bias], np.array([0.0, 0.0, -1.0, 0.0]))
    middle = ELEMENTS // 2
    size = LENGTH / ELEMENTS

    def read(x: Array, gradient: Array) -> tuple[float, float, float]:
        nodal = x.reshape(len(bench.rod.nodes), -1, 2)[:, :2]
        bent = 6.0 * (nodal[middle + 1, 1, 0] - nodal[middle, 1, 0]) / size**2
        bent -= (4.0 * nodal[middle, 1, 1] + 2.0 * nodal[middle + 1, 1, 1]) / size
        return -float(gradient[bench.number(-1, "x")]), float(contact.forces(x).sum()), float(bent)

    return _pushed(structure, structure.ends.reduce(bench.rest), settle, read)


@lru_cache
def pushed_shell() -> Pushed:
    """The shell pushed between the walls."""
    how, settle = _settings()
    model = narrow_strip(np.linspace(0.0, LENGTH, ELEMENTS + 1), THICKNESS)
    shell = model.shell
    walls = tuple(wall for plane in _walls(RISE + 0.5 * THICKNESS) for wall in plane.walls(0.0))
    contact = ShellWalls(surface_points(model, SPACING), shell.size, THICKNESS, walls, how)
    bias = shell_load(shell, (0.5 * LENGTH, 0.0), np.array([0.0, 0.5 * IMPERFECTION * EULER, 0.0]))
    near, far = (unknowns(shell.grid.edge(name), (0, 2), (0, 1)) for name in ("start", "end"))
    ends = hold(shell, [near, far, symmetric(shell, "low", 2)])
    positions = unknowns(shell.grid.edge("end"), (0,), (0,))
    ends = type(ends)(ends.size, ends.held, ends.values, -np.isin(ends.held, positions).astype(float))
    terms: list[Term] = [Whole(shell, 2), Whole(bias, 2), contact]
    structure = Structure(terms, ends, [], shell.weights)
    dofs, shape = shape_at(shell.grid, np.array([[0.5 * LENGTH, 0.0]]))

    def read(x: Array, gradient: Array) -> tuple[float, float, float]:
        bent = shape[0, 3] @ x.reshape(-1, 3)[dofs[0], 1]
        return -float(gradient[positions].sum()), float(contact.forces(x).sum()), float(bent)

    return _pushed(structure, ends.reduce(shell.rest.ravel()), settle, read)


def _pushed(structure: Structure, start: Array, settle: SettleSettings, read: Read) -> Pushed:
    rows: list[tuple[float, ...]] = []

    def watch(point: Point) -> None:
        gradient = structure.full_gradient(point.u, point.level)
        rows.append((point.level, *read(structure.ends.expand(point.u, point.level), gradient)))

    course = follow_stable(structure, start, _levels(), settle, watch)
    if not course.finished:
        raise RuntimeError(f"the strip between the walls did not come to rest: {course.message}")
    level, force, wall, bent = np.array(rows).T
    return Pushed(level - force * LENGTH / (YOUNG * WIDTH * THICKNESS), force / EULER, wall, bent)


# ---- the registry --------------------------------------------------------------------------------

_DOMOKOS = "Domokos, Holmes & Royce 1997 (J. Nonlinear Sci. 7:281), "
_RANGE = _DOMOKOS + "once to four times Euler's load in one-point contact, from memory"
_BEAM = _DOMOKOS + "hinged beam between walls; derived here from the beam of small slopes, not printed there"
_MODELS: tuple[tuple[str, Callable[[], Pushed]], ...] = (("rod", pushed_rod), ("shell", pushed_shell))


def _checks() -> list[Check]:
    first, end = first_contact(), last_point_contact()
    half, beyond = 0.5 * (first + end), 1.3 * end
    slopes = "the beam leaves out squares of slopes (.07), the walls give a little"
    checks = []
    for model, pushed in _MODELS:
        group = f"{model}: contact and friction"

        def read(what: Callable[[Pushed], float], pushed: Callable[[], Pushed] = pushed) -> float:
            return what(pushed())

        rows: tuple[tuple[str, str, float, str, Callable[[Pushed], float]], ...] = (
            ("first contact, shortening", _BEAM, first, slopes, lambda p: p.contact()[0]),
            ("first contact, P / P_E", _RANGE, 1.0, slopes, lambda p: p.contact()[1]),
            ("halfway, P / P_E", _BEAM, beam_load(half), slopes, lambda p: p.at(half)),
            ("end of one-point contact, P / P_E", _RANGE, 4.0,
             "where the curvature ends is read by drawing on a curve: .7 %", Pushed.last_point_load),
            ("along a line, P / P_E", _BEAM, beam_load(beyond), slopes, lambda p: p.at(beyond)),
            ("flat stretch buckles, P / P_E", _BEAM, 16.0,
             "a small load across bends it early", lambda p: float(p.load.max())),
        )  # fmt: skip
        for what, source, value, reason, how in rows:
            name = f"{model} pushed between two walls, {what}"
            checks.append(Check(name, group, model, source, value, 0.03, reason, partial(read, how)))
    return checks


WALL_CHECKS: tuple[Check, ...] = tuple(_checks())
