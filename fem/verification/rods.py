"""Checks of the rod against published numbers: large deflection, stability of columns, arches and frames.

A rod stretches like a plate, so a thin beam is one whose thickness is small beside its radius of bending.

Beams are flat, with Poisson's ratio 0, and thin enough to count as inextensible.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, partial

import numpy as np

from fem.core.term import Array, Term
from fem.rod.loads import EndMoment, Grip, point_load
from fem.solvers.arc_length import ArcSettings, follow_branch
from fem.solvers.newton import NewtonSettings, Point, follow, solve
from fem.solvers.quasistatic import SettleSettings, follow_stable
from fem.solvers.static_problem import Structure
from fem.verification.beams import Beam, Bench
from fem.verification.published import BISSHOPP, SZE, Check

_CLAMPED = [(0, "x"), (0, "y"), (0, "y'")]
_ELEMENTS = 24


def _newton(bench: Bench, share: float = 1e-8) -> NewtonSettings:
    length = bench.beam.length
    return NewtonSettings(correction=share * length, iterations=60, largest=10 * length)


# ---- rolled up by an end moment ------------------------------------------------------------------


@lru_cache
def roll_up(elements: int = 12) -> Array:
    """Tip (20, 2) of a 12 x 1 x .1 cantilever (E 1.2e6, nu 0) at end moments of 1/20 to 1 full circle."""
    bench = Bench.build(Beam(12.0, 1.0, 0.1, 1.2e6), elements)
    structure = bench.structure(_CLAMPED, [EndMoment(bench.rod, 50.0 * np.pi / 3.0)], [])
    levels = np.arange(1, 21) / 20.0
    path = follow(structure, structure.ends.reduce(bench.rest), list(levels), _newton(bench))
    return np.array([bench.place(structure.ends.expand(point.u, point.level)) for point in path.points])


def _roll_up_error() -> float:
    load = np.arange(1, 21) / 20.0 * 50.0 * np.pi / 3.0
    radius, angle = 100.0 / load, 12.0 * load / 100.0
    exact = np.stack([radius * np.sin(angle), radius * (1 - np.cos(angle))], axis=1)
    found = roll_up()
    return float(np.abs(found - exact).max() / 12.0) if found.shape == exact.shape else np.inf


# ---- tip load ------------------------------------------------------------------------------------

_TIP_LOADS = (1.0, 2.0, 5.0, 10.0)
_TIP_DOWN = (0.30172, 0.49346, 0.71379, 0.81061)
_TIP_BACK = (0.05643, 0.16064, 0.38763, 0.55500)
_TIP_TURN = (0.46135, 0.78175, 1.21537, 1.43029)


@lru_cache
def tip_load(elements: int = _ELEMENTS) -> Array:
    """(4, 3): w / L, u / L, rotation of a cantilever under dead transverse tip loads P L^2 / EI = 1, 2, 5,
    10.
    """
    beam = Beam(100.0, 1.0, 0.1, 1e5)
    bench = Bench.build(beam, elements)
    unit = beam.bending_stiffness / beam.length**2
    structure = bench.structure(_CLAMPED, [point_load(bench.rod, beam.length, np.array([0.0, unit]))], [])
    path = follow(structure, structure.ends.reduce(bench.rest), list(_TIP_LOADS), _newton(bench))
    rows = []
    for point in path.points:
        u = structure.ends.expand(point.u, point.level)
        x, y = bench.place(u)
        rows.append([y / beam.length, 1.0 - x / beam.length, bench.heading(u)])
    return np.array(rows)


# ---- columns -------------------------------------------------------------------------------------


def _follow_buckled(
    bench: Bench, structure: Structure, start: Array, levels: tuple[float, ...]
) -> list[Point]:
    """Stable points at the levels, beginning from a guess of the buckled shape at the first."""
    settings = SettleSettings(move=0.05 * bench.beam.length, newton=_newton(bench))
    course = follow_stable(structure, structure.ends.reduce(start), list(levels), settings, begin=levels[0])
    return list(course.points)


_PINNED_SHORTENING = (0.01, 0.05, 0.10, 0.20, 0.30, 0.50, 0.80)
_PINNED_LOAD = (1.005028, 1.025724, 1.052987, 1.112739, 1.180699, 1.349449, 1.739684)
_PINNED_RISE = (0.063463, 0.140111, 0.194924, 0.266319, 0.314313, 0.373306, 0.403132)


@lru_cache
def pinned_column(elements: int = _ELEMENTS) -> Array:
    """(7, 2): P / P_Euler and mid-rise / L of a pinned column at the table's end shortenings d / L."""
    beam = Beam(100.0, 1.0, 0.1, 1e5)
    bench = Bench.build(beam, elements)
    held = [(0, "x"), (0, "y"), (-1, "x"), (-1, "y")]
    structure = bench.structure(held, [], [], np.array([0.0, 0.0, -beam.length, 0.0]))
    s, start = bench.rod.nodes / beam.length, bench.rest.copy()
    slope = np.pi * _PINNED_RISE[0] * np.cos(np.pi * s)
    for node in range(elements + 1):
        start[bench.number(node, "y")] = _PINNED_RISE[0] * beam.length * np.sin(np.pi * s[node])
        start[bench.number(node, "x'")] = np.sqrt(1.0 - slope[node] ** 2)
        start[bench.number(node, "y'")] = slope[node]
    euler = np.pi**2 * beam.bending_stiffness / beam.length**2
    rows = []
    for point in _follow_buckled(bench, structure, start, _PINNED_SHORTENING):
        push = -structure.full_gradient(point.u, point.level)[bench.number(-1, "x")]
        middle = bench.place(structure.ends.expand(point.u, point.level), elements // 2)[1]
        rows.append([push / euler, abs(middle) / beam.length])
    return np.array(rows)


_LEANING = (20.0, 60.0, 100.0, 140.0, 176.0)
_LEAN_LOAD = (1.01540, 1.15172, 1.51839, 2.54226, 9.11622)
_LEAN_X = (0.9697, 0.7410, 0.3490, -0.1069, -0.5772)
_LEAN_Y = (0.2194, 0.5932, 0.7915, 0.7504, 0.4214)


@lru_cache
def leaning_column(elements: int = 2 * _ELEMENTS) -> Array:
    """(5, 2): tip x / L, y / L of a cantilever under a dead axial load, at the loads of the table's tip
    angles.
    """
    beam = Beam(100.0, 1.0, 0.1, 1e5)
    bench = Bench.build(beam, elements)
    critical = np.pi**2 * beam.bending_stiffness / (4.0 * beam.length**2)
    unit = point_load(bench.rod, beam.length, np.array([-critical, 0.0]))
    structure = bench.structure(_CLAMPED, [unit], [])
    s, start = bench.rod.nodes / beam.length, bench.rest.copy()
    for node in range(elements + 1):
        turn = np.radians(_LEANING[0]) * np.sin(0.5 * np.pi * s[node])
        start[bench.number(node, "y")] = 0.2194 * beam.length * (1.0 - np.cos(0.5 * np.pi * s[node]))
        start[bench.number(node, "x'")], start[bench.number(node, "y'")] = np.cos(turn), np.sin(turn)
    points = _follow_buckled(bench, structure, start, _LEAN_LOAD)
    tips = [bench.place(structure.ends.expand(point.u, point.level)) / beam.length for point in points]
    return np.array(tips)


def euler_load(ends: str, elements: int = 12) -> float:
    """Axial push at which a straight column first loses stability, over pi^2 EI / L^2, by bisection of the
    inertia.
    """
    beam = Beam(100.0, 1.0, 0.1, 1e5)
    bench = Bench.build(beam, elements)
    far = {"free": [], "pinned": [(-1, "y")], "clamped": [(-1, "y"), (-1, "y'")]}
    near = {"free": _CLAMPED, "pinned": [(0, "x"), (0, "y")], "clamped": _CLAMPED}
    root, tip = ends.split("-")
    euler = np.pi**2 * beam.bending_stiffness / beam.length**2
    load: list[Term] = [point_load(bench.rod, beam.length, np.array([-euler, 0.0]))]
    structure = bench.structure([*near[root], *far[tip]], load, [])
    low, high, at = 0.0, 6.0, structure.ends.reduce(bench.rest)
    while high - low > 1e-6:
        middle = 0.5 * (low + high)
        point = solve(structure, at, middle, _newton(bench))
        low, high = (middle, high) if point.converged and point.negative == 0 else (low, middle)
    return low


# ---- arches --------------------------------------------------------------------------------------


@lru_cache
def deep_arch(elements: int = 72) -> float:
    """First limit load of a circular arch (R 100, 215 deg, EI 1e6), one end clamped, one hinged, load at the
    crown.
    """
    angle, radius = np.radians(215.0), 100.0
    beam = Beam(radius * angle, 1.0, 0.2, 12e6 / 0.2**3, curvature=-1.0 / radius)
    bench = Bench.build(
        beam, elements
    )  # the clamp heads along x, so the crown's load points along the chord's normal
    down = np.array([np.sin(-0.5 * angle), -np.cos(-0.5 * angle)])
    load: list[Term] = [point_load(bench.rod, 0.5 * beam.length, 100.0 * down)]
    structure = bench.structure([*_CLAMPED, (-1, "x"), (-1, "y")], load, [])
    settings = ArcSettings(2.0, most=6.0, newton=NewtonSettings(correction=1e-6 * radius, iterations=12))
    start = structure.ends.reduce(bench.rest)
    tip = bench.rod.index(elements // 2, 1)
    begin = bench.rest[tip]
    branch = follow_branch(
        structure,
        start,
        settings,
        lambda p: abs(structure.ends.expand(p.u, p.level)[tip] - begin) > 2 * radius,
    )
    limits = [event.level for event in branch.events if event.kind == "limit point"]
    return 100.0 * limits[0] if limits else np.nan


_TOGGLE = (0.2, 0.23, 0.39, 0.5, 0.6, 0.65, 0.7)
_TOGGLE_LOAD = (33.5, 33.9, 31.3, 36.2, 53.5, 68.3, 88.2)


@lru_cache
def toggle(elements: int = 12) -> Array:
    """Crown load (7,) [lb] of a shallow clamped toggle frame at the crown drops [in] above; half of it,
    driven.
    """
    half, rise, width, depth = 12.943, 0.386, 0.753, 0.243
    slope = np.arctan2(rise, half)
    beam = Beam(float(np.hypot(half, rise)), width, depth, 1.03e7)
    bench = Bench.build(beam, elements, slope)
    grips: list[Term] = [
        Grip(bench.rod, node, slope, 1e6 * beam.bending_stiffness / half) for node in (0, -1)
    ]
    held = [(0, "x"), (0, "y"), (-1, "x"), (-1, "y")]
    structure = bench.structure(held, [], grips, np.array([0.0, 0.0, 0.0, -1.0]))
    path = follow(structure, structure.ends.reduce(bench.rest), list(_TOGGLE), _newton(bench))
    return np.array(
        [-2.0 * structure.full_gradient(p.u, p.level)[bench.number(-1, "y")] for p in path.points]
    )


# ---- the registry --------------------------------------------------------------------------------

_SZE = f"{SZE}, computed from the exact arc"
_MATTIASSON = f"{BISSHOPP}, Mattiasson 1981 (IJNME 17:145) table 1"
_ELASTICA = "Timoshenko & Gere, Theory of Elastic Stability, sect. 2.7, computed from elliptic integrals"
_EULER = "Euler column, Timoshenko & Gere, sect. 2.2"
_ARCH = "DaDeppo & Schmidt 1975 (J. Appl. Mech. 42:894)"
_WILLIAMS = "Williams 1964 (Q. J. Mech. Appl. Math. 17:451), computed with 20 to 24 beam elements a side"
_MESH = "24 cubic elements"


def _item(table: Callable[[], Array], *place: int) -> float:
    values = table()
    return float(values[place]) if all(i < n for i, n in zip(place, values.shape, strict=True)) else np.nan


@dataclass(frozen=True)
class _Group:
    """Checks of the rod under one heading."""

    name: str

    def check(
        self, name: str, source: str, numbers: tuple[float, float], reason: str, how: Callable[[], float]
    ) -> Check:
        """One number: (published, relative tolerance)."""
        return Check(name, self.name, "rod", source, numbers[0], numbers[1], reason, how)

    def difference(
        self, name: str, source: str, numbers: tuple[float, float], reason: str, how: Callable[[], float]
    ) -> Check:
        """One number, its tolerance absolute."""
        return Check(name, self.name, "rod", source, numbers[0], numbers[1], reason, how, relative=False)


def _deflections() -> list[Check]:
    group, checks = _Group("rod: large deflection"), []
    checks.append(
        group.difference(
            "roll-up to a full circle: largest distance of the tip, over L",
            _SZE,
            (0.0, 1e-3),
            "the strip shortens under bending by (t curvature)^2 / 12, the formula's does not",
            _roll_up_error,
        )
    )
    for i, load in enumerate(_TIP_LOADS):
        for j, (what, column) in enumerate(
            (("w / L", _TIP_DOWN), ("u / L", _TIP_BACK), ("rotation", _TIP_TURN))
        ):
            name, how = f"tip load P L^2 / EI = {load:g}: {what}", partial(_item, tip_load, i, j)
            checks.append(group.check(name, _MATTIASSON, (column[i], 1e-3), _MESH, how))
    return checks


def _columns() -> list[Check]:
    group, checks = _Group("rod: columns"), []
    for i, d in enumerate(_PINNED_SHORTENING):
        for j, (what, column) in enumerate((("P / P_Euler", _PINNED_LOAD), ("mid-rise / L", _PINNED_RISE))):
            name, how = f"pinned column at d / L = {d:g}: {what}", partial(_item, pinned_column, i, j)
            checks.append(group.check(name, _ELASTICA, (column[i], 2e-3), _MESH, how))
    for i, angle in enumerate(_LEANING):
        for j, (what, values) in enumerate((("x / L", _LEAN_X), ("y / L", _LEAN_Y))):
            name, how = (
                f"cantilever column, tip at {angle:g} deg: {what}",
                partial(_item, leaning_column, i, j),
            )
            checks.append(group.difference(name, _ELASTICA, (values[i], 1e-3), "four printed digits", how))
    for ends, factor in (
        ("clamped-free", 0.25),
        ("pinned-pinned", 1.0),
        ("clamped-pinned", 2.0457),
        ("clamped-clamped", 4.0),
    ):
        name = f"first loss of stability, {ends}, over pi^2 EI / L^2"
        checks.append(group.check(name, _EULER, (factor, 1e-3), "12 elements", partial(euler_load, ends)))
    return checks


def _arches() -> list[Check]:
    group = _Group("rod: arches and frames")
    checks = [
        group.check(
            "deep clamped-hinged arch: limit load",
            _ARCH,
            (897.0, 5e-3),
            "three printed digits, 72 elements",
            deep_arch,
        )
    ]
    for i, (drop, load) in enumerate(zip(_TOGGLE, _TOGGLE_LOAD, strict=True)):
        name = f"shallow toggle frame: load at a drop of {drop:g} in"
        reason = "three printed digits, whose own mesh error is .3 %"
        checks.append(group.check(name, _WILLIAMS, (load, 5e-3), reason, partial(_item, toggle, i)))
    return checks


ROD_CHECKS: tuple[Check, ...] = (*_deflections(), *_columns(), *_arches())
