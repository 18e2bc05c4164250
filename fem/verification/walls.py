"""A thin strip pushed between two rigid walls: rod and shell against the beam that touches a wall.

Both ends are hinged midway between frictionless walls; `reference_clamped` has the clamped strip. Pushed
together, the strip buckles, meets one wall in its middle, touches it there at one point while the load rises,
and from four times Euler's load on lies on it along a line (Domokos, Holmes & Royce 1997, J. Nonlinear Sci.
7:281). The paper was not at hand: that the load rises from once to four times Euler's in one-point contact is
from memory of it, and every number below is derived here anew from the inextensible beam of small slopes,
w'' '' + k^2 w'' = 0 with k^2 = P / EI, w = h and w' = 0 where it touches:

    free length l = L/2:  w = A (sin kx - kx cos kl),  A = h / (sin kl - kl cos kl),  pi/2 <= kl <= pi
    at contact  w'' = -A k^2 sin kl: it vanishes at kl = pi, that is P = 4 P_E
    beyond: two free lengths l = pi / k, the strip flat between them: P = 4 P_E (d L / 3 h^2)^2
    the flat stretch L - 2 l is a clamped column: it buckles off the wall at L - 2 l = 2 pi / k, 16 P_E
    shortening  d = 2 * integral over l of w'^2 / 2

First contact comes at d = pi^2 h^2 / 4L, the end of one-point contact at d = 3 h^2 / L.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache, partial

import numpy as np
from scipy.optimize import brentq

from fem.contact.settings import ContactSettings
from fem.core.term import Array, Term
from fem.design.obstacle import Plane, Wall
from fem.mesh.bicubic import shape_at
from fem.rod.loads import point_load
from fem.rod.wall_contact import RodWallContact, contact_points
from fem.shell.constraints import built_in, hinged, hold, symmetric, unknowns
from fem.shell.loads import point_load as shell_load
from fem.shell.motion import Whole
from fem.shell.surface_points import surface_points
from fem.shell.wall_contact import ShellWallContact
from fem.solvers.newton import NewtonSettings, Point
from fem.solvers.quasistatic import SettleSettings, follow_stable
from fem.solvers.static_problem import Structure
from fem.verification.beams import Beam, Bench
from fem.verification.published import Check
from fem.verification.winding import narrow_strip

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
    """P / P_E of the buckled beam at a shortening [mm]; once Euler's up to first contact."""
    end = last_point_contact()
    if shortening <= first_contact():
        return 1.0
    if shortening >= end:
        return 4.0 * (shortening / end) ** 2
    kl = brentq(lambda value: _shortening(value) - shortening, 0.49 * np.pi, 1.01 * np.pi)
    return float((2.0 * kl / np.pi) ** 2)


@dataclass(frozen=True)
class Support:
    """How both ends are held between the walls.

    clamped: they may not turn (else hinged); below [mm]: how far the strip lies above the lower wall there;
    last: largest shortening asked for, in that of the end of one-point contact.
    """

    clamped: bool
    below: float
    last: float

    @property
    def euler(self) -> float:
        """Euler's load [N]."""
        return EULER * (4.0 if self.clamped else 1.0)

    @property
    def bend(self) -> float:
        """Curvature [1/mm] of the buckled strip in the middle at first contact; of a clamped one also at the
        ends.
        """
        return RISE * (np.pi / LENGTH) ** 2 * (2.0 if self.clamped else 1.0)

    def squeeze(self, load: Array) -> Array:
        """Shortening [mm] without bending under loads in Euler's."""
        return load * self.euler * LENGTH / (YOUNG * WIDTH * THICKNESS)

    def levels(self) -> Array:
        """Ways [mm] to push: close where contact begins and where the flat stretch buckles."""
        first, end = first_contact(), last_point_contact()
        meeting = first + (end - first) * np.array([-0.3, 0.0, 0.02, 0.04])
        rising = np.linspace(first + 0.08 * (end - first), 1.3 * end, 34)
        lying = np.concatenate([np.linspace(1.36, 1.9, 10), np.linspace(1.92, 2.06, 15)])
        lying = end * lying[lying <= self.last]
        bent = np.concatenate([np.linspace(0.1, 0.9, 8) * first, meeting, rising, lying])
        bent += self.squeeze(np.array([beam_load(float(way)) for way in bent]))
        # the straight strip in steps up to Euler's load: there it bends by its small load across alone
        return np.concatenate([self.squeeze(np.array([0.5, 0.9])), bent])

    def walls(self) -> tuple[Wall, ...]:
        """The upper and the lower wall."""
        upper, lower = RISE + 0.5 * THICKNESS, -self.below - 0.5 * THICKNESS
        return (*Plane(0.0, upper, -0.5 * np.pi).walls(0.0), *Plane(0.0, lower, 0.5 * np.pi).walls(0.0))


HINGED = Support(clamped=False, below=RISE, last=2.06)


@dataclass(frozen=True)
class Pushed:
    """What a model does at each step: shortening by bending [mm] and P / P_E, each (n,); forces (n, 2) of the
    upper and the lower wall [N]; curvature (n, 2) in the middle and at the near end, over that of first
    contact.
    """

    shortening: Array
    load: Array
    wall: Array
    curvature: Array

    def at(self, shortening: float) -> float:
        """P / P_E at a shortening."""
        return float(np.interp(shortening, self.shortening, self.load))

    def lower(self, shortening: float) -> float:
        """Force of the lower wall [N] at a shortening."""
        return float(np.interp(shortening, self.shortening, self.wall[:, 1]))

    def contact(self) -> tuple[float, float]:
        """Shortening and P / P_E at first contact: where the upper wall's force, drawn back from the first
        two steps in contact, is zero.
        """
        wall = self.wall[:, 0]
        one, two = np.flatnonzero(self.load > 1.05)[:2]
        part = wall[one] / (wall[two] - wall[one])
        shortening = self.shortening[one] - part * (self.shortening[two] - self.shortening[one])
        return float(shortening), float(self.load[one] - part * (self.load[two] - self.load[one]))

    def last_point_load(self, place: int = 0) -> float:
        """P / P_E at which the curvature in the middle (0) or at the end (1) is zero, drawn on from where it
        is a quarter and an eighth of what it was at first contact.
        """
        touching = self.load > 1.05
        shares, loads = np.abs(self.curvature[touching, place]), self.load[touching]
        falling = slice(int(np.argmax(shares < 0.125)), None, -1)
        quarter, eighth = (
            float(np.interp(level, shares[falling], loads[falling])) for level in (0.25, 0.125)
        )
        return eighth + (eighth - quarter)


def _settings() -> tuple[ContactSettings, SettleSettings]:
    contact = ContactSettings(stiffness=STIFFNESS, onset=ONSET, slip=0.01, friction=0.0)
    # far below the depths at the walls: at a tenth of the onset, a strip squeezed flat on its wall to several
    # times Euler's load passed for one at rest
    newton = NewtonSettings(correction=1e-3 * ONSET, iterations=25)
    return contact, SettleSettings(move=0.2, nudge=1e-3, newton=newton)


Read = Callable[[Array, Array], tuple[float, Array, float, float]]
"""State and gradient to push [N], forces of the walls (2,) [N], curvature in the middle and at the end."""


@lru_cache
def pushed_rod(support: Support = HINGED) -> Pushed:
    """The rod pushed between the walls."""
    how, settle = _settings()
    bench = Bench.build(Beam(LENGTH, WIDTH, THICKNESS, YOUNG), ELEMENTS)
    contact = RodWallContact(bench.rod, contact_points(bench.rod, SPACING), support.walls(), how)
    bias = point_load(bench.rod, 0.5 * LENGTH, np.array([0.0, IMPERFECTION * support.euler]))
    names = ("x", "y", "y'") if support.clamped else ("x", "y")
    held = [(node, name) for node in (-1, 0) for name in names]
    structure = bench.structure(held, [], [contact, bias], -np.eye(len(held))[0])
    size = LENGTH / ELEMENTS

    def bent(line: Array, node: int) -> float:
        (left, rise), (right, fall) = line[node : node + 2]
        return float(6.0 * (right - left) / size**2 - (4.0 * rise + 2.0 * fall) / size)

    def read(x: Array, gradient: Array) -> tuple[float, Array, float, float]:
        push, wall = -float(gradient[bench.number(-1, "x")]), contact.forces(x).sum(axis=(0, 1))
        line = x.reshape(len(bench.rod.nodes), -1, 2)[:, 1]
        return push, wall, bent(line, ELEMENTS // 2), bent(line, 0)

    return _pushed(support, structure, structure.ends.reduce(bench.rest), settle, read)


@lru_cache
def pushed_shell(support: Support = HINGED) -> Pushed:
    """The shell pushed between the walls."""
    how, settle = _settings()
    model = narrow_strip(np.linspace(0.0, LENGTH, ELEMENTS + 1), THICKNESS)
    shell = model.shell
    contact = ShellWallContact(surface_points(model, SPACING), shell.size, THICKNESS, support.walls(), how)
    bias = shell_load(shell, (0.5 * LENGTH, 0.0), np.array([0.0, 0.5 * IMPERFECTION * support.euler, 0.0]))
    near, far = (
        built_in(shell, name, 1) if support.clamped else hinged(shell, name, (0, 1))
        for name in ("start", "end")
    )
    ends = hold(shell, [near, far, symmetric(shell, "low", 2)])
    positions = unknowns(shell.grid.edge("end"), (0,), (0,))
    ends = replace(ends, travel=-np.isin(ends.held, positions).astype(float))
    terms: list[Term] = [Whole(shell, 2), Whole(bias, 2), contact]
    structure = Structure(terms, ends, [], shell.weights)
    dofs, shape = shape_at(shell.grid, np.array([[0.5 * LENGTH, 0.0], [0.0, 0.0]]))

    def read(x: Array, gradient: Array) -> tuple[float, Array, float, float]:
        push, wall = -float(gradient[positions].sum()), contact.forces(x).sum(axis=(0, 1))
        middle, end = (float(shape[i, 3] @ x.reshape(-1, 3)[dofs[i], 1]) for i in range(2))
        return push, wall, middle, end

    return _pushed(support, structure, ends.reduce(shell.rest.ravel()), settle, read)


def _pushed(
    support: Support, structure: Structure, start: Array, settle: SettleSettings, read: Read
) -> Pushed:
    rows: list[tuple[float, ...]] = []

    def watch(point: Point) -> None:
        gradient = structure.full_gradient(point.u, point.level)
        push, wall, *bent = read(structure.ends.expand(point.u, point.level), gradient)
        rows.append((point.level, push, *wall, *bent))

    course = follow_stable(structure, start, support.levels(), settle, watch)
    if not course.finished:
        raise RuntimeError(f"the strip between the walls did not come to rest: {course.message}")
    table = np.array(rows)
    load = table[:, 1] / support.euler
    return Pushed(table[:, 0] - support.squeeze(load), load, table[:, 2:4], table[:, 4:] / support.bend)


# ---- the registry --------------------------------------------------------------------------------

_DOMOKOS = "Domokos, Holmes & Royce 1997 (J. Nonlinear Sci. 7:281), "
_RANGE = _DOMOKOS + "once to four times Euler's load in one-point contact, from memory"
_BEAM = _DOMOKOS + "hinged beam between walls; derived here from the beam of small slopes, not printed there"
_MODELS: tuple[tuple[str, Callable[[Support], Pushed]], ...] = (("rod", pushed_rod), ("shell", pushed_shell))
SLOPES = "the beam leaves out squares of slopes (.07), the walls give a little"


@dataclass(frozen=True)
class Row:
    """One number of a pushed strip: what it is, source, value, reason of the tolerance, how it is read."""

    what: str
    source: str
    value: float
    reason: str
    read: Callable[[Pushed], float]


def checks_of(support: Support, rows: tuple[Row, ...]) -> tuple[Check, ...]:
    """The rows as checks of the rod and of the shell."""
    checks = []
    for model, pushed in _MODELS:
        strip = f"clamped {model}" if support.clamped else model

        def compute(read: Callable[[Pushed], float], pushed: Callable[[Support], Pushed] = pushed) -> float:
            return read(pushed(support))

        for row in rows:
            name = f"{strip} pushed between two walls, {row.what}"
            group = f"{model}: contact and friction"
            checks.append(
                Check(name, group, model, row.source, row.value, 0.03, row.reason, partial(compute, row.read))
            )
    return tuple(checks)


def _rows() -> tuple[Row, ...]:
    first, end = first_contact(), last_point_contact()
    half, beyond = 0.5 * (first + end), 1.3 * end
    drawn = "where the curvature ends is read by drawing on a curve: .7 %"
    return (
        Row("first contact, shortening", _BEAM, first, SLOPES, lambda p: p.contact()[0]),
        Row("first contact, P / P_E", _RANGE, 1.0, SLOPES, lambda p: p.contact()[1]),
        Row("halfway, P / P_E", _BEAM, beam_load(half), SLOPES, lambda p: p.at(half)),
        Row("end of one-point contact, P / P_E", _RANGE, 4.0, drawn, Pushed.last_point_load),
        Row("along a line, P / P_E", _BEAM, beam_load(beyond), SLOPES, lambda p: p.at(beyond)),
        Row("flat stretch buckles, P / P_E", _BEAM, 16.0, "a small load across bends it early",
            lambda p: float(p.load.max())),
    )  # fmt: skip


WALL_CHECKS: tuple[Check, ...] = checks_of(HINGED, _rows())
