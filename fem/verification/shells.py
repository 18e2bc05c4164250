"""Shells of other shapes than strips, solved for the published checks: beams, rolls, cylinders, roofs.

Each function builds one published problem from its data, solves it on the mesh named in its docstring and
returns the curve the source prints. Results are kept for the life of the process: several checks read one.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from fem.core.term import Array
from fem.design.material import Material, laminate
from fem.mesh.bicubic import build_grid
from fem.shell.constraints import (
    built_in,
    clamped,
    clamped_edge,
    hinged,
    hold,
    rigid_edge,
    symmetric,
    unknowns,
)
from fem.shell.energy import Shell, Surface, build_shell, differentiated, isotropic, stiffness
from fem.shell.loads import edge_load, point_load, surface_load
from fem.solvers.arc_length import ArcSettings, Branch, follow_branch, switch_branch
from fem.solvers.constraints import ABOUT_AXIS, ANY
from fem.solvers.newton import NewtonSettings, follow, solve
from fem.solvers.quasistatic import SettleSettings, follow_stable
from fem.solvers.static_problem import Structure
from fem.verification import tables

LEVELS = np.arange(1, 21) / 20.0


def flat(p1: Array, p2: Array) -> tuple[Array, Array, Array, Array]:
    """The plane z = 0: x = p1, y = p2."""
    zero, one = np.zeros_like(p1), np.ones_like(p1)
    along, across = np.stack([one, zero, zero], axis=-1), np.stack([zero, one, zero], axis=-1)
    return np.stack([p1, p2, zero], axis=-1), along, across, np.stack([zero, zero, zero], axis=-1)


def cylinder(radius: float) -> Surface:
    """Axis along x = p1, p2 arc length from the crown (0, 0, radius) toward +y."""

    def surface(p1: Array, p2: Array) -> tuple[Array, Array, Array, Array]:
        angle, zero, one = p2 / radius, np.zeros_like(p1), np.ones_like(p1)
        across = np.stack([zero, np.cos(angle), -np.sin(angle)], axis=-1)
        point = np.stack([p1, radius * np.sin(angle), radius * np.cos(angle)], axis=-1)
        return point, np.stack([one, zero, zero], axis=-1), across, np.stack([zero, zero, zero], axis=-1)

    return surface


def graded(length: float, count: int, start: float) -> Array:
    """Grid lines 0..length, elements growing linearly from `start` times the mean size."""
    t = np.linspace(0.0, 1.0, count + 1)
    return np.asarray(length * (start * t + (1.0 - start) * t**2))


def places(shell: Shell, structure: Structure, states: list[tuple[Array, float]], at: Array) -> Array:
    """Positions (states, points, 3) at parameters (points, 2)."""
    return np.array([shell.position(structure.ends.expand(u, level), at) for u, level in states])


@lru_cache
def cantilever() -> tuple[Array, Array]:
    """End shear on a strip 10 x 1 x 0.1, E 1.2e6, nu 0: shortening and rise of the tip at 20 loads; 8 x 1
    elements.
    """
    shell = build_shell(
        build_grid(np.linspace(0, 10, 9), np.array([0.0, 1.0])), flat, isotropic(1.2e6, 0.0, 0.1)
    )
    ends = hold(shell, [built_in(shell, "start", 2)])
    structure = Structure([shell], ends, [edge_load(shell, "end", np.array([0.0, 0.0, 4.0]))], shell.weights)
    path = follow(structure, ends.reduce(shell.rest.ravel()), LEVELS)
    tip = places(shell, structure, [(p.u, p.level) for p in path.points], np.array([[10.0, 0.5]]))[:, 0]
    return 10.0 - tip[:, 0], tip[:, 2]


@lru_cache
def roll_up(elements: int = 12) -> tuple[Array, Array]:
    """End moment on a strip 12 x 1 x 0.1 up to a full circle: shortening and rise of the tip at 20
    moments.
    """
    shell = build_shell(
        build_grid(np.linspace(0, 12, elements + 1), np.array([0.0, 1.0])), flat, isotropic(1.2e6, 0.0, 0.1)
    )
    body = rigid_edge(
        shell, "end", shift=(ANY, ANY, ANY), spin=ABOUT_AXIS, axis=(0.0, -1.0, 0.0), moment=50.0 * np.pi / 3.0
    )
    ends = hold(shell, [clamped(shell, "start")], (body,))
    structure = Structure([shell], ends, [], shell.weights)
    path = follow(structure, ends.reduce(shell.rest.ravel()), LEVELS)
    tip = places(shell, structure, [(p.u, p.level) for p in path.points], np.array([[12.0, 0.5]]))[:, 0]
    return 12.0 - tip[:, 0], tip[:, 2]


def roll_up_exact() -> tuple[Array, Array]:
    """Shortening and rise of a rod of length 12, EI 100, bent to the arc of radius EI / M."""
    radius = 100.0 / (50.0 * np.pi / 3.0 * LEVELS)
    return 12.0 - radius * np.sin(12.0 / radius), radius * (1.0 - np.cos(12.0 / radius))


def pull_levels() -> tuple[NDArray[np.bool_], Array]:
    """Loads of the pulled cylinder away from its snap (up to .45, from .60): mask over the table and
    levels.
    """
    levels = np.array(tables.PULL_LEVELS)
    mask = (levels <= 0.45) | (levels >= 0.6)
    return mask, levels[mask]


@lru_cache
def pulled_cylinder() -> Array:
    """Open cylinder pulled apart by two forces: rise at A, inward moves at B and C (3, loads); eighth, 12 x
    16.
    """
    radius, length = 4.953, 10.35
    quarter = 0.5 * np.pi * radius
    grid = build_grid(graded(length / 2.0, 12, 0.3), graded(quarter, 16, 0.3))
    shell = build_shell(grid, cylinder(radius), isotropic(10.5e6, 0.3125, 0.094))
    ends = hold(
        shell, [symmetric(shell, "start", 0), symmetric(shell, "low", 1), symmetric(shell, "high", 2)]
    )
    load = point_load(shell, (0.0, 0.0), np.array([0.0, 0.0, 10000.0]))
    structure = Structure([shell], ends, [load], shell.weights)
    settings = SettleSettings(move=0.5, halvings=2, newton=NewtonSettings(correction=1e-4))
    course = follow_stable(structure, ends.reduce(shell.rest.ravel()), list(pull_levels()[1]), settings)
    at = np.array([[0.0, 0.0], [0.0, quarter], [length / 2.0, quarter]])
    point = places(shell, structure, [(p.u, p.level) for p in course.points], at)
    return np.array([point[:, 0, 2] - radius, radius - point[:, 1, 1], radius - point[:, 2, 1]])


@lru_cache
def pinched_semi_cylinder(elements: int = 16) -> Array:
    """Semi-cylinder clamped at one end, pinched at the free crown: drop at the table's loads; half, 16 x
    16.
    """
    radius, length = 101.6, 304.8
    grid = build_grid(
        np.linspace(0, length, elements + 1), np.linspace(0, 0.5 * np.pi * radius, elements + 1)
    )
    shell = build_shell(grid, cylinder(radius), isotropic(2068.5, 0.3, 3.0))
    clamp = clamped_edge(shell, "start", mirrored=(True, True))
    ends = hold(shell, [symmetric(shell, "low", 1), symmetric(shell, "high", 2)], (clamp,))
    load = point_load(shell, (length, 0.0), np.array([0.0, 0.0, -1000.0]))
    structure = Structure([shell], ends, [load], shell.weights)
    settings = NewtonSettings(correction=1e-3, iterations=25, largest=100.0)
    path = follow(structure, ends.reduce(shell.rest.ravel()), tables.PINCHED_LEVELS, settings)
    crown = places(shell, structure, [(p.u, p.level) for p in path.points], np.array([[length, 0.0]]))
    return np.asarray(radius - crown[:, 0, 2])


def roof_law(thickness: float, angles: tuple[float, ...]) -> Array:
    """Stiffness of the roof: isotropic without angles, else equal plies at angles [deg] from the axis."""
    if not angles:
        return isotropic(3102.75, 0.3, thickness)
    ply = Material("roof ply", 3300.0, 1100.0, 0.25, 660.0, 1e-9, 1.0)
    edges = np.linspace(-0.5 * thickness, 0.5 * thickness, len(angles) + 1)
    layers = laminate(edges, [ply.plane_stress(np.radians(angle)) for angle in angles])
    return stiffness(layers.A, layers.B, layers.D)


@lru_cache
def roof(thickness: float, angles: tuple[float, ...] = (), elements: int = 6) -> tuple[Branch, Array, Array]:
    """Hinged cylindrical roof under a central load, by arc-length: branch, deflection and P / 3000 along it.

    A quarter with elements x elements, graded toward the load.
    """
    lines = graded(254.0, elements, 0.5)
    shell = build_shell(build_grid(lines, lines), cylinder(2540.0), roof_law(thickness, angles))
    ends = hold(shell, [hinged(shell, "high"), symmetric(shell, "start", 0), symmetric(shell, "low", 1)])
    load = point_load(shell, (0.0, 0.0), np.array([0.0, 0.0, -750.0]))
    structure = Structure([shell], ends, [load], shell.weights)
    crown = int(ends.number[unknowns(np.array([0]), (0,), (2,))[0]])
    deepest = {(12.7, False): 31.0, (12.7, True): 33.0, (6.35, False): 40.0, (6.35, True): 45.0}
    stop = deepest[thickness, bool(angles)]
    settings = ArcSettings(0.5, most=0.5, newton=NewtonSettings(correction=1e-3, iterations=10))
    start = ends.reduce(shell.rest.ravel())
    branch = follow_branch(structure, start, settings, lambda point: 2540.0 - float(point.u[crown]) > stop)
    down = np.zeros(structure.size)
    down[crown] = -1.0
    drop, level = branch.sample(down)
    return branch, drop + 2540.0, level


def curve_distance(curve: tuple[Array, Array], points: Array) -> Array:
    """Distance of points (m, 2) to a polyline, each axis in units of the points' range; (m,)."""
    scale = np.ptp(points, axis=0)
    line, points = np.stack(curve, axis=1) / scale, points / scale
    a, along = line[:-1], np.diff(line, axis=0)
    to = points[:, None] - a
    t = np.clip((to * along).sum(-1) / np.maximum((along**2).sum(-1), 1e-300), 0.0, 1.0)
    return np.asarray(np.linalg.norm(to - t[..., None] * along, axis=-1).min(axis=1))


def _linear(shell: Shell, structure: Structure) -> Array:
    """Displacement (nodes unknowns, 3) of the linear answer: one Newton step from rest."""
    start = structure.ends.reduce(shell.rest.ravel())
    step = -structure.tangent(start, 0.0).factorise().solve(structure.rate(start, 0.0))
    return structure.ends.push_forward(start, 0.0, step).reshape(-1, 3)


@lru_cache
def barrel_roof(elements: int = 8) -> float:
    """Scordelis-Lo roof, linear: downward move of the free edge at mid-span; quarter, 8 x 8."""
    radius, half_angle = 25.0, np.radians(40.0)
    lines = np.linspace(0, 1, elements + 1)
    grid = build_grid(25.0 * lines, half_angle * radius * lines)
    shell = build_shell(grid, cylinder(radius), isotropic(4.32e8, 0.0, 0.25))
    held = [hinged(shell, "end", (1, 2)), symmetric(shell, "start", 0), symmetric(shell, "low", 1)]
    load = surface_load(shell, np.array([0.0, 0.0, -90.0]))
    move = _linear(shell, Structure([shell], hold(shell, held), [load], shell.weights))
    return float(-move[4 * int(grid.node(0, -1)), 2])


@lru_cache
def twisted_beam(thickness: float, load: float, elements: int = 12) -> tuple[float, float]:
    """Beam twisted by 90 degrees, 12 x 1.1, linear: tip moves along the load, in its plane and out; 12 x
    3.
    """

    def position(p1: Array, p2: Array) -> Array:
        angle = 0.5 * np.pi * p1 / 12.0
        return np.stack([p1, p2 * np.cos(angle), p2 * np.sin(angle)], axis=-1)

    grid = build_grid(np.linspace(0, 12, elements + 1), np.linspace(-0.55, 0.55, 4))
    shell = build_shell(grid, differentiated(position, (12.0, 1.1)), isotropic(29e6, 0.22, thickness))
    ends = hold(shell, [], (clamped_edge(shell, "start"),))
    tip = []
    for axis in (1, 2):
        force = np.zeros(3)
        force[axis] = load / 1.1
        structure = Structure([shell], ends, [edge_load(shell, "end", force)], shell.weights)
        move = _linear(shell, structure).ravel() + shell.rest.ravel()
        tip.append(float(shell.position(move, np.array([[12.0, 0.0]]))[0, axis]))
    return tip[0], tip[1]


@lru_cache
def pinched_cylinder(elements: int = 12) -> float:
    """Cylinder with end diaphragms pinched by two forces, linear: move under the load; eighth, graded."""
    lines = graded(1.0, elements, 0.4)
    grid = build_grid(300.0 * lines, 0.5 * np.pi * 300.0 * lines)
    shell = build_shell(grid, cylinder(300.0), isotropic(3e6, 0.3, 3.0))
    held = [hinged(shell, "end", (1, 2)), symmetric(shell, "start", 0), symmetric(shell, "low", 1)]
    ends = hold(shell, [*held, symmetric(shell, "high", 2)])
    load = point_load(shell, (0.0, 0.0), np.array([0.0, 0.0, -0.25]))
    return float(-_linear(shell, Structure([shell], ends, [load], shell.weights))[0, 2])


@lru_cache
def hemisphere(hole: float = 18.0, elements: int = 10) -> float:
    """Hemisphere with a polar hole [deg] > 0, pulled and pushed at its equator, linear: move under a load;
    quarter. Raises InputError without a hole: at the pole the parameter lines meet.
    """

    def position(p1: Array, p2: Array) -> Array:
        return 10.0 * np.stack([np.cos(p1) * np.cos(p2), np.cos(p1) * np.sin(p2), np.sin(p1)], axis=-1)

    top = np.pi / 2.0 - np.radians(hole)
    grid = build_grid(np.linspace(0, top, elements + 1), np.linspace(0, np.pi / 2.0, elements + 1))
    shell = build_shell(grid, differentiated(position, (1.0, 1.0)), isotropic(6.825e7, 0.3, 0.04))
    held = [symmetric(shell, "low", 1), symmetric(shell, "high", 0), unknowns(grid.node(0, 0), (0,), (2,))]
    loads = point_load(shell, (0.0, 0.0), np.array([1.0, 0.0, 0.0])) + point_load(
        shell, (0.0, np.pi / 2.0), np.array([0.0, -1.0, 0.0])
    )
    return float(_linear(shell, Structure([shell], hold(shell, held), [loads], shell.weights))[0, 0])


@lru_cache
def slit_annulus(levels: tuple[float, ...] = tuple(LEVELS), elements: tuple[int, int] = (4, 24)) -> Array:
    """Slit ring 6..10, t 0.03, lifted along one lip of the slit by up to 0.8 per length: rise of its inner
    and outer corner (2, loads); E 21e6, nu 0.
    """

    def position(p1: Array, p2: Array) -> Array:
        return np.stack([p2 * np.cos(p1), p2 * np.sin(p1), np.zeros_like(p1)], axis=-1)

    grid = build_grid(np.linspace(0, 2 * np.pi, elements[1] + 1), np.linspace(6.0, 10.0, elements[0] + 1))
    shell = build_shell(grid, differentiated(position, (1.0, 10.0)), isotropic(21e6, 0.0, 0.03))
    ends = hold(shell, [built_in(shell, "end", 2)])
    load = edge_load(shell, "start", np.array([0.0, 0.0, 0.8]))
    structure = Structure([shell], ends, [load], shell.weights)
    path = follow(
        structure, ends.reduce(shell.rest.ravel()), levels, NewtonSettings(correction=1e-4, largest=20.0)
    )
    corners = np.array([[0.0, 6.0], [0.0, 10.0]])
    return places(shell, structure, [(p.u, p.level) for p in path.points], corners)[:, :, 2].T


def largest_deviation(computed: Array, published: Array) -> float:
    """Largest |computed - published| over the largest |published|; a missing point counts as infinite."""
    computed, published = np.asarray(computed), np.asarray(published)
    if computed.shape != published.shape:
        return float("inf")
    return float(np.max(np.abs(computed - published)) / np.max(np.abs(published)))


Curve = Callable[[], tuple[Array, Array]]


@lru_cache
def pulled_hemisphere(elements: int = 16) -> tuple[float, float]:
    """The hemisphere with an 18 deg hole under forces of 400, large displacements: outward and inward
    move.
    """

    def position(p1: Array, p2: Array) -> Array:
        return 10.0 * np.stack([np.cos(p1) * np.cos(p2), np.cos(p1) * np.sin(p2), np.sin(p1)], axis=-1)

    quarter = np.pi / 2.0
    lines = np.linspace(0.0, 1.0, elements + 1)
    grid = build_grid(np.radians(72.0) * lines, quarter * lines)
    shell = build_shell(grid, differentiated(position, (1.0, 1.0)), isotropic(6.825e7, 0.3, 0.04))
    held = [symmetric(shell, "low", 1), symmetric(shell, "high", 0), unknowns(grid.node(0, 0), (0,), (2,))]
    loads = point_load(shell, (0.0, 0.0), np.array([200.0, 0.0, 0.0])) + point_load(
        shell, (0.0, quarter), np.array([0.0, -200.0, 0.0])
    )
    structure = Structure([shell], hold(shell, held), [loads], shell.weights)
    settings = NewtonSettings(correction=1e-4, largest=20.0, iterations=20)
    path = follow(structure, structure.ends.reduce(shell.rest.ravel()), LEVELS, settings)
    last = [(path.points[-1].u, 1.0)]
    out, inward = places(shell, structure, last, np.array([[0.0, 0.0], [0.0, quarter]]))[0]
    return float(out[0] - 10.0), float(10.0 - inward[1])


@lru_cache
def buckled_column(share: float = 1.15172) -> tuple[float, float, float]:
    """Column 100 x 10 x 1 (E 1000, nu 0) built in at one end: buckling load over Euler's by arc-length, then
    on the branch entered along the critical mode at P = share * Euler: tip sideways and along, over the
    length; 8 x 1.
    """
    shell = build_shell(
        build_grid(np.linspace(0.0, 100.0, 9), np.array([0.0, 5.0])), flat, isotropic(1000.0, 0.0, 1.0)
    )
    ends = hold(shell, [built_in(shell, "start", 2), symmetric(shell, "low", 1)])
    euler = np.pi**2 * 1000.0 * 10.0 / 12.0 / (4.0 * 100.0**2)
    load = edge_load(shell, "end", np.array([-0.1 * euler, 0.0, 0.0]))
    structure = Structure([shell], ends, [load], shell.weights)
    straight = ArcSettings(5e-4, most=2e-3, newton=NewtonSettings(correction=1e-7, iterations=10))
    branch = follow_branch(structure, ends.reduce(shell.rest.ravel()), straight, lambda p: p.level > 1.3)
    bifurcation = branch.events[0]
    bowed = ArcSettings(0.5, most=3.0, newton=NewtonSettings(correction=1e-5, iterations=12))
    entered = switch_branch(structure, bifurcation, 2.0, bowed)
    assert entered is not None
    point, direction = entered
    side = follow_branch(
        structure, point.u, bowed, lambda p: p.level > share, level=point.level, toward=direction
    )
    at = solve(structure, side.points[-1].u, share, NewtonSettings(correction=1e-6))
    tip = places(shell, structure, [(at.u, share)], np.array([[100.0, 0.0]]))[0, 0]
    return bifurcation.level, abs(float(tip[2])) / 100.0, float(tip[0]) / 100.0


@lru_cache
def lateral_buckling(elements: int = 32) -> float:
    """Tip load at which a narrow cantilever on edge (200 x 4 x 0.08) buckles sideways, E 2000, nu 0.3 [N].

    Load at the mid-line of the tip; 32 x 2 elements; the load where the first pivot turns negative, by
    bisection.
    """
    grid = build_grid(np.linspace(0.0, 200.0, elements + 1), np.linspace(-2.0, 2.0, 3))
    shell = build_shell(grid, flat, isotropic(2000.0, 0.3, 0.08))
    ends = hold(shell, [built_in(shell, "start", 2)])
    estimate = lateral_buckling_formula()
    load = point_load(shell, (200.0, 0.0), np.array([0.0, estimate, 0.0]))
    structure = Structure([shell], ends, [load], shell.weights)
    low, high, at = 0.5, 1.5, ends.reduce(shell.rest.ravel())
    while high - low > 1e-4:
        middle = 0.5 * (low + high)
        point = solve(structure, at, middle, NewtonSettings(correction=1e-6))
        low, high = (middle, high) if point.converged and point.stable else (low, middle)
    return low * estimate


def lateral_buckling_formula() -> float:
    """4.0126 sqrt(EI_y GJ) / L^2 for the same cantilever [N]; narrow rectangle, J = h t^3 / 3."""
    bending = 2000.0 * 4.0 * 0.08**3 / 12.0
    torsion = 2000.0 / 2.6 * 4.0 * 0.08**3 / 3.0
    return float(4.0126 * np.sqrt(bending * torsion) / 200.0**2)
