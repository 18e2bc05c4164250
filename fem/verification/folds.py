"""Strips bent, folded, pushed and coiled as shells, for the published checks of strips.

Folds are made at the mirrored middle of a strip (half the length is modelled); opposite-sense bending keeps
its mirror symmetry across the width, equal-sense bending of thin strips does not and gets the full width.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from fem.core.term import Array
from fem.design.layup import Layer
from fem.design.material import Material
from fem.design.path import Runs, Straight
from fem.design.section import Arc, Flat
from fem.design.strip import Strip
from fem.mesh.bicubic import build_grid
from fem.mesh.line_mesh import Zone
from fem.section_model.fold_model import SectionProblem, SectionZone
from fem.section_model.moment_curvature import moment_curve
from fem.shell.constraints import hold, plane_edge, symmetric
from fem.shell.energy import build_shell, isotropic
from fem.shell.fields import curvature_change
from fem.shell.static_drive import Trial, TrialSettings
from fem.shell.strip_shell import StripMesh, StripShell, strip_shell
from fem.shell.trials import bend, coil, column
from fem.solvers.newton import NewtonSettings
from fem.solvers.quasistatic import SettleSettings, follow_stable
from fem.solvers.static_problem import Structure

OPPOSITE, EQUAL = -1.0, 1.0
SHORTENINGS = (0.02, 0.2, 1.0, 2.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0, 50.0)  # mm, of the pushed strip
EXTREME_LIMIT = 1.0  # strain limit of the reference materials: they never fail


def straight_strip(
    young: float, poisson: float, thickness: float, width: float, radius: float, length: float
) -> Strip:
    """Straight one-layer strip with an arc section (radius 0: flat), edges toward the axle."""
    material = Material.isotropic("reference", young, poisson, 1e-9, EXTREME_LIMIT)
    section = Arc(radius) if radius else Flat()
    return Strip(Runs((Straight(length),), 0.0), section, width, 1, (Layer(material, thickness),))


@dataclass(frozen=True)
class FoldTrial:
    """A fold made and opened to an angle: trial of the whole strip, and at each step the radius of its bent
    part [mm].
    """

    trial: Trial
    radius: Array

    def peak(self) -> float:
        """Largest moment before the first snap or fall [N mm]."""
        return abs(self.trial.peak()[1])

    def steady(self) -> float:
        """Moment at the last step [N mm]."""
        return abs(float(self.trial.moment[-1]))


def _fold(strip: Strip, mesh: StripMesh, angles: Array, settings: TrialSettings) -> FoldTrial:
    model = strip_shell(strip, mesh)
    trial = bend(model, angles, settings)
    return FoldTrial(trial, np.array([fold_radius(model, x) for x in trial.states]))


def fold_radius(model: StripShell, x: Array) -> float:
    """Radius [mm] of the fold: mean curvature over the middle two thirds of the rows bent at least half as
    much as the one bent most.
    """
    curvature = np.abs(mean_curvature(model, x))
    lines = model.shell.grid.stations
    bent = curvature >= 0.5 * curvature.max()
    middle, size = (0.5 * (lines[1:] + lines[:-1]))[bent], np.diff(lines)[bent]
    centre = float(middle @ size / size.sum())
    near = np.abs(middle - centre) <= max(float(size.sum()) / 3.0, float(np.abs(middle - centre).min()))
    return float(size[near].sum() / (curvature[bent] * size)[near].sum())


def mean_curvature(model: StripShell, x: Array) -> Array:
    """Change of longitudinal curvature averaged over the width, for each row of elements along the strip
    [1/mm].
    """
    grid = model.shell.grid
    row = np.searchsorted(grid.stations, grid.points[:, 0, 0]) - 1
    weight = model.shell.area.sum(axis=1)
    curved = np.sum(model.shell.area * curvature_change(model, x)[..., 0], axis=1)
    return np.asarray(np.bincount(row, curved) / np.bincount(row, weight))


@lru_cache
def steel_fold(thickness: float, radius: float, angle: float, half_length: float = 120.0) -> FoldTrial:
    """Steel strip folded in the opposite sense to 60 degrees in all; quarter model, fine at the fold."""
    strip = straight_strip(210000.0, 0.3, thickness, radius * np.radians(angle), radius, half_length)
    mesh = StripMesh(along=6.0, zones=(Zone(0.0, 18.0, 1.0),), across=12, half=True)
    turns = np.radians(
        [0.75, 1.5, 2.25, 3.0, 3.75, 4.25, 4.75, 5.25, 6.0, 10.0, 15.0, 20.0, 25.0, 27.5, 30.0]
    )
    settings = TrialSettings(mirrored=True, move=1.0, correction=1e-3)
    return _fold(strip, mesh, OPPOSITE * turns, settings)


@lru_cache
def printed_fold(sense: float, half_length: float = 200.0) -> FoldTrial:
    """Printed strip (t/R = .032) folded until its moment is steady; quarter model."""
    strip = straight_strip(2300.0, 0.36, 0.8, 25.0 * np.pi / 2.0, 25.0, half_length)
    mesh = StripMesh(along=10.0, zones=(Zone(0.0, 60.0, 4.0),), across=8, half=True)
    turns = np.radians(
        [4.0, 8.0, 12.0, 14.0, 16.0, 18.0, 20.0, 22.0, 24.0, 26.0, 30.0, 40.0, 50.0, 60.0, 70.0, 80.0, 90.0]
    )
    more = np.radians([100.0, 110.0, 120.0]) if sense == EQUAL else np.zeros(0)
    return _fold(strip, mesh, sense * np.concatenate([turns, more]), TrialSettings(mirrored=True, move=2.0))


@lru_cache
def steel_equal(half_length: float = 120.0) -> FoldTrial:
    """Steel strip (t .1, R 15, 90 deg) bent in the equal sense, full width, through the loss of its upright
    shape.
    """
    strip = straight_strip(210000.0, 0.3, 0.1, 15.0 * np.pi / 2.0, 15.0, half_length)
    mesh = StripMesh(along=6.0, zones=(Zone(0.0, 24.0, 1.5),), across=12)
    turns = np.radians(
        [0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0, 12.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0]
    )
    return _fold(
        strip, mesh, EQUAL * turns, TrialSettings(mirrored=True, move=1.0, correction=1e-3, steps=800)
    )


def section_of(strip: Strip) -> SectionProblem:
    """The section model of a uniform strip."""
    stack = strip.stack_at(0.5 * strip.length, 0.0)
    half = 0.5 * strip.width

    def angle(q: Array) -> tuple[Array, Array]:
        phi, _, phi_q, *_ = strip.section_angle(np.full_like(q, 0.5 * strip.length), q)
        return phi, phi_q

    return SectionProblem((SectionZone(-half, half, stack),), angle)


@lru_cache
def boom_coil() -> tuple[Trial, float, float]:
    """One turn of the demonstration boom's section (12 x 1, R 9, E 80) coiled to an axle of radius 3, the way
    it is wound: trial, energy and moment of the section model at that curvature.
    """
    radius = 3.0
    strip = straight_strip(80.0, 0.4, 1.0, 12.0, 9.0, 2.0 * np.pi * radius)
    model = strip_shell(strip, StripMesh(along=strip.length / 12.0, half=True))
    trial = coil(model, np.linspace(0.0, 2.0 * np.pi, 17)[1:], TrialSettings())
    curvature = 1.0 / radius
    branch = moment_curve(section_of(strip), np.linspace(0.0, curvature, 41)).loading
    return trial, float(branch.energy[-1]) * strip.length, float(branch.moment[-1])


@lru_cache
def pushed_flat_strip() -> Trial:
    """Flat strip 100 x 10 x 0.5 (nu 0), pinned at both ends, ends brought together by .1, .2 and .5 of its
    length.
    """
    strip = straight_strip(2000.0, 0.0, 0.5, 10.0, 0.0, 100.0)
    model = strip_shell(strip, StripMesh(along=7.0, across=2, half=True))
    return column(model, SHORTENINGS, TrialSettings(move=2.0), ends="pinned")


def euler_load() -> float:
    """pi^2 E I / L^2 of that strip [N]."""
    return float(np.pi**2 * 2000.0 * 10.0 * 0.5**3 / 12.0 / 100.0**2)


def mid_deflection(trial: Trial, step: int) -> float:
    """Sideways move of the middle of a pushed strip over its length."""
    length = trial.model.strip.length
    point = trial.model.shell.position(trial.states[step], np.array([[0.5 * length, 0.0]]))[0]
    return float(abs(point[1]) / length)


@lru_cache
def tube_limit() -> float:
    """Greatest moment of a tube r 10, t .1 (E 1000, nu .3) in uniform bending [N mm].

    Half the tube, 10 elements round, between two plane sections that may ovalise.
    """
    young, poisson, thickness, radius = 1000.0, 0.3, 0.1, 10.0

    def surface(s: Array, q: Array) -> tuple[Array, Array, Array, Array]:
        a, zero, one = q / radius, np.zeros_like(s), np.ones_like(s)
        point = np.stack([s, -radius * np.cos(a), radius * np.sin(a)], axis=-1)
        across = np.stack([zero, np.sin(a), np.cos(a)], axis=-1)
        return point, np.stack([one, zero, zero], axis=-1), across, np.stack([zero, zero, zero], axis=-1)

    length = 4.0
    grid = build_grid(np.array([0.0, 0.5 * length, length]), np.linspace(0.0, np.pi * radius, 11))
    shell = build_shell(grid, surface, isotropic(young, poisson, thickness))
    last = 4 * (grid.across.size - 1)
    mirror = [n for v in (0, last) for n in (3 * v + 2, 3 * (v + 2) + 1, 3 * (v + 3))]
    frame = np.eye(3)
    root = plane_edge(shell, "start", frame, free_shift=(False, False, False), kept=(*mirror, 1))
    end = plane_edge(shell, "end", frame, angle=1.0, kept=tuple(mirror))
    ends = hold(shell, [symmetric(shell, "low", 2), symmetric(shell, "high", 2)], (root, end))
    structure = Structure([shell], ends, [], shell.weights)
    at_limit = np.sqrt(2.0) / 3.0 * thickness / (radius**2 * np.sqrt(1.0 - poisson**2)) * length
    moments: list[float] = []
    settings = SettleSettings(move=0.5, newton=NewtonSettings(correction=1e-4))
    follow_stable(
        structure,
        ends.reduce(shell.rest.ravel()),
        list(at_limit * np.linspace(0.1, 1.3, 25)),
        settings,
        lambda point: moments.append(2.0 * float(structure.reaction(point.u, point.level, 1)[1][2])),
    )
    return max(moments)


def brazier_moment() -> float:
    """(2 sqrt 2 pi / 9) E r t^2 / sqrt(1 - nu^2) of that tube [N mm]."""
    return float(2.0 * np.sqrt(2.0) * np.pi / 9.0 * 1000.0 * 10.0 * 0.1**2 / np.sqrt(1.0 - 0.3**2))
