"""A curved section pressed flat between two plates: rod and shell against the elastica of the section.

The lower plate meets the middle of the section, the upper one its edges; nothing rubs. In plane strain a unit
length of the section is an inextensible elastica of stiffness D = E t^3 / 12 (1 - nu^2) and rest curvature
1/R, and the plates push square to themselves, so that (Love, Mathematical Theory of Elasticity, art. 262)

    D theta'' = F cos theta,   y' = sin theta,   theta(a) = 0,   theta'(b) = 1/R,   y(b) - y(a) = rise

from the middle, a = 0, to the edge b. When its curvature in the middle is used up the section lies on the
lower plate up to a, where theta'(a) = 0. This is solved here by collocation (scipy's solve_bvp), which shares
nothing with the models.

The rod has two to four opening modes and four lines that can touch across half its width: as long as only
middle and edges touch it follows the elastica, lying on the plate it does not (4 % too much force at a
quarter of the rise, 17 % too little at a tenth).
"""

from __future__ import annotations

from functools import lru_cache, partial
from typing import Any

import numpy as np
from scipy.integrate import solve_bvp

from fem.contact.settings import ContactSettings
from fem.core.term import Array, Term
from fem.design.obstacle import Plane, Wall
from fem.mesh.bicubic import build_grid
from fem.rod.energy import length_weights
from fem.rod.wall_contact import RodWallContact, contact_points
from fem.shell.constraints import hold, symmetric
from fem.shell.energy import build_shell, isotropic
from fem.shell.motion import Whole
from fem.shell.strip_shell import StripShell
from fem.shell.surface_points import surface_points
from fem.shell.wall_contact import ShellWallContact
from fem.solvers.constraints import Ends
from fem.solvers.newton import NewtonSettings
from fem.solvers.quasistatic import SettleSettings, settle
from fem.solvers.static_problem import Structure
from fem.verification.beams import Beam, Bench
from fem.verification.folds import straight_strip
from fem.verification.published import Check

YOUNG, POISSON, THICKNESS, RADIUS, WIDTH, LENGTH = 1000.0, 0.3, 0.1, 9.0, 12.0, 3.0
"""MPa, mm; thin, so that the middle surface hardly stretches."""
PLATE = YOUNG * THICKNESS**3 / (12.0 * (1.0 - POISSON**2))
EDGE = 0.5 * WIDTH
REST_RISE = float(RADIUS * (1.0 - np.cos(EDGE / RADIUS)))
SHARES = (0.75, 0.5, 0.25, 0.1)
"""Rises of the pressed section as shares of that at rest; below .34 it lies on the plate along a stretch."""
CONTACT = ContactSettings(stiffness=100.0, onset=1e-3, slip=0.01, friction=0.0)
CLOSING, ELEMENTS = 40, 16


# ---- the elastica --------------------------------------------------------------------------------


@lru_cache
def elastica(rise: float) -> tuple[float, float]:
    """Force per length and side [N/mm] that keeps the edges `rise` mm above the middle, and the half width
    [mm] that lies on the plate.
    """
    t = np.linspace(0.0, 1.0, 21)
    found, lying = np.stack([t * EDGE / RADIUS, np.full(21, 1.0 / RADIUS), REST_RISE * t**2]), False
    numbers = np.array([0.0])
    for now in np.linspace(REST_RISE, rise, 25)[1:]:
        solved = _solved(t, found, numbers, float(now))
        if not lying and solved.sol(0.0)[1] < 0.0:
            lying, numbers = True, np.append(solved.p, 0.0)
            solved = _solved(t, found, numbers, float(now))
        numbers, found = solved.p, solved.sol(t)
    return float(numbers[0]), float(numbers[1]) if lying else 0.0


def _solved(t: Array, guess: Array, numbers: Array, rise: float) -> Any:
    """Angle, curvature and height along the free stretch; numbers: force and, where it lies, its length."""

    def slope(_: Array, state: Array, p: Array) -> Array:
        free = EDGE - (p[1] if p.size > 1 else 0.0)
        rates = [state[1], p[0] / PLATE * np.cos(state[0]), np.sin(state[0])]
        return free * np.stack(rates)

    def ends(low: Array, high: Array, p: Array) -> Array:
        held = [low[0], low[2], high[1] - 1.0 / RADIUS, high[2] - rise]
        return np.array(held if p.size == 1 else [*held, low[1]])

    solved = solve_bvp(slope, ends, t, guess, numbers, tol=1e-8, max_nodes=20000)
    if not solved.success:
        raise RuntimeError(f"the elastica at a rise of {rise:g} mm was not found: {solved.message}")
    return solved


# ---- the models ----------------------------------------------------------------------------------


def _plates(rise: float) -> tuple[Wall, ...]:
    """Lower and upper plate, where the middle surface may rise by `rise` mm between them."""
    half = 0.5 * THICKNESS
    return (*Plane(0.0, -half, 0.5 * np.pi).walls(0.0), *Plane(0.0, rise + half, -0.5 * np.pi).walls(0.0))


def _pressed(structure: Structure, contact: ShellWallContact | RodWallContact, u: Array) -> list[float]:
    """Force per length and side [N/mm] of the upper plate at each of SHARES, closed in small steps."""
    forces, at = [], 0.99
    newton = NewtonSettings(correction=1e-7, iterations=12)
    how = SettleSettings(move=0.1, nudge=1e-4, newton=newton)
    for share in SHARES:
        for now in np.linspace(at, share, max(2, round(CLOSING * (at - share))) + 1)[1:]:
            contact.move_walls(_plates(now * REST_RISE))
            rest = settle(structure, u, 1.0, how)
            if not rest.at_rest:
                raise RuntimeError(f"the section did not come to rest at {now:g}: {rest.message}")
            u = rest.point.u
        at = share
        force = contact.forces(structure.ends.expand(u, 1.0))[..., 1].sum()
        forces.append(float(force) / (2.0 * LENGTH))
    return forces


@lru_cache
def pressed_shell() -> tuple[float, ...]:
    """Forces of the shell: a stretch between two planes of symmetry, half the width."""
    grid = build_grid(np.linspace(0.0, LENGTH, 3), np.linspace(0.0, EDGE, ELEMENTS + 1))

    def surface(s: Array, q: Array) -> tuple[Array, Array, Array, Array]:
        zero, one, angle = np.zeros_like(s), np.ones_like(s), q / RADIUS
        place = np.stack([s, RADIUS * (1.0 - np.cos(angle)), RADIUS * np.sin(angle)], axis=-1)
        along, across = np.stack([one, zero, zero], -1), np.stack([zero, np.sin(angle), np.cos(angle)], -1)
        return place, along, across, 0.0 * place

    shell = build_shell(grid, surface, isotropic(YOUNG, POISSON, THICKNESS))
    model = StripShell(straight_strip(YOUNG, POISSON, THICKNESS, WIDTH, RADIUS, LENGTH), shell, True, None)
    contact = ShellWallContact(surface_points(model, 0.5), shell.size, THICKNESS, _plates(REST_RISE), CONTACT)
    ends = hold(shell, [symmetric(shell, "low", 2), symmetric(shell, "start", 0), symmetric(shell, "end", 0)])
    terms: list[Term] = [Whole(shell, 2), contact]
    start = shell.rest.copy()
    start[::4, 1] -= 2e-3  # into the lower plate: a strip that touches nothing would float
    return tuple(_pressed(Structure(terms, ends, [], shell.weights), contact, ends.reduce(start.ravel())))


@lru_cache
def pressed_rod() -> tuple[float, ...]:
    """Forces of the rod: a stretch that stays straight and whose ends stay plane."""
    beam = Beam(LENGTH, WIDTH, THICKNESS, YOUNG, POISSON, section_curvature=1.0 / RADIUS)
    bench = Bench.build(beam, 2)
    rod = bench.rod
    contact = RodWallContact(rod, contact_points(rod, 0.5), _plates(REST_RISE), CONTACT)
    held = [rod.index(node, field, slope) for node in (0, -1) for field, slope in _straight(rod.modes)]
    held += [rod.index(node, 2 + rod.modes + k) for node in (0, -1) for k in range(rod.warps)]
    index = np.array(sorted(held), dtype=np.int64)
    start = bench.rest.copy()
    start.reshape(len(rod.nodes), rod.fields, 2)[:, 1, 0] -= 2e-3
    ends = Ends(rod.size, index, bench.rest[index])
    structure = Structure([bench.energy, contact], ends, [], length_weights(rod))
    return tuple(_pressed(structure, contact, ends.reduce(start)))


def _straight(modes: int) -> list[tuple[int, int]]:
    """Fields and derivatives held at both ends: place along, heading, slopes of the opening."""
    return [(0, 0), (1, 1), *((2 + mode, 1) for mode in range(modes))]


# ---- the registry --------------------------------------------------------------------------------

_SOURCE = "elastica of the section (Love 1927, art. 262), solved by collocation; computed, no printed table"


def _shell(share: float) -> float:
    return pressed_shell()[SHARES.index(share)]


def _rod(share: float) -> float:
    return pressed_rod()[SHARES.index(share)]


def _checks() -> list[Check]:
    checks = []
    reason = "the plates give .1 % of the rise; the middle surface stretches a little"
    for model, compute, shares in (("shell", _shell, SHARES), ("rod", _rod, SHARES[:2])):
        for share in shares:
            name = f"section pressed to {share:g} of its rise between plates, {model}: force per length"
            force = elastica(share * REST_RISE)[0]
            group = f"{model}: contact and friction"
            checks.append(Check(name, group, model, _SOURCE, force, 0.02, reason, partial(compute, share)))
    return checks


PRESSED_CHECKS: tuple[Check, ...] = tuple(_checks())
