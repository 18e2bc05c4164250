"""Checks of thick bends: Winkler's curved bar as a section, a rod and a shell; a thick arc as a section.

A piece of a bend, one layer without lateral contraction, is turned a little more by a moment alone. Its
stiffness is told over E I of the straight bar, the stress at its faces over 6 M / (b t^2). A straight strip
whose section is a thick arc is bent about its own axis.
"""

from __future__ import annotations

import math
from functools import lru_cache, partial

import numpy as np

from fem.design.layup import Layer, Stack
from fem.design.material import Material
from fem.design.path import BendRun, Runs
from fem.design.section import Flat
from fem.design.strip import Strip
from fem.rod.fields import RodFields
from fem.section_model.fold_model import SectionProblem, SectionZone
from fem.section_model.fold_strain import curved_bar, layer_strains, state_strains
from fem.section_model.moment_curvature import rest_state, state_at
from fem.shell.fields import layer_fields
from fem.shell.static_drive import TrialSettings
from fem.shell.strip_shell import StripMesh, strip_shell
from fem.shell.trials import coil
from fem.verification.beams import Beam, UniformBending
from fem.verification.published import Check

WINKLER = (
    "Winkler's curved bar (1858): r_n = t / ln(r_o / r_i), e = R - r_n, stress M (r_n - r) / (A e r), "
    "stiffness E A e R (Timoshenko, Strength of Materials II, from memory), computed from the formula"
)
RATIOS = (1.5, 2.5, 5.5)
"""Radii over thickness."""
_YOUNG, _WIDTH, _TURN = 1000.0, 1.0, 1e-4
_STRAIGHT = _YOUNG * _WIDTH / 12.0

Found = tuple[float, float, float]
"""Stiffness, stress at the inner and at the outer face, each over that of the straight bar."""


def _found(moment: float, change: float, faces: tuple[float, float]) -> Found:
    """From moment, change of curvature and strains at the (inner, outer) face; the thickness is 1."""
    inner, outer = (abs(strain * _YOUNG / (6.0 * moment / _WIDTH)) for strain in faces)
    return moment / change / _STRAIGHT, inner, outer


@lru_cache
def section_bend(radius: float) -> Found:
    """The section model, whose rest curvature is that of the bend."""
    stack = Stack(np.array([-0.5, 0.5]), (Material.isotropic("bar", _YOUNG, 0.0, 1e-9, 1.0),), (0.0,))
    zone = SectionZone(-0.5 * _WIDTH, 0.5 * _WIDTH, stack)
    problem = SectionProblem((zone,), lambda q: (0.0 * q, 0.0 * q), 1.0 / radius)
    change = _TURN / radius
    state = state_at(problem.model, rest_state(problem.model), 1.0 / radius + change)
    faces = {face.face: face.along for face in layer_strains(problem, state_strains(problem.model, state))}
    return _found(state.moment, change, (faces["axle"], faces["away"]))


@lru_cache
def rod_bend(radius: float) -> Found:
    """A rod bent evenly."""
    bending = UniformBending.build(Beam(1.0, _WIDTH, 1.0, _YOUNG, 0.0, 1.0 / radius))
    change = _TURN / radius
    x, _, moment = bending.solve(1.0 / radius + change, bending.rest)
    u = bending.shape(1.0 / radius + change) @ x
    state = RodFields.build(bending.bench.rod, np.zeros(1), 2).state(u)
    outer, inner = state.face_strain[:, 0, 1, 0]
    return _found(moment, change, (float(inner), float(outer)))


@lru_cache
def shell_bend(radius: float) -> Found:
    """A shell of one radian of the bend between sections that stay plane."""
    layer = Layer(Material.isotropic("bar", _YOUNG, 0.0, 1e-9, 1.0), 1.0)
    strip = Strip(Runs((BendRun(1.0, radius),), 0.0), Flat(), _WIDTH, 1, (layer,))
    model = strip_shell(strip, StripMesh(across=2, half=True))
    trial = coil(model, [_TURN], TrialSettings())
    away, toward = layer_fields(model, trial.states[-1])
    middle = len(model.shell.grid.dofs) // 2
    faces = (float(field.strain[middle, :, 0].mean()) for field in (toward, away))
    return _found(float(trial.moment[-1]), _TURN / radius, (next(faces), next(faces)))


def annular_sector(radius: float, angle: float) -> float:
    """Second moment of area [mm^4] of a sector of a ring 1 mm thick, about the axis through its centroid that
    is square to its axis of symmetry: int r^2 cos^2 dA - (int r cos dA)^2 / A.
    """
    half, inner, outer = 0.5 * angle, radius - 0.5, radius + 0.5
    area = half * (outer**2 - inner**2)
    first = 2.0 / 3.0 * math.sin(half) * (outer**3 - inner**3)
    second = 0.25 * (half + math.sin(half) * math.cos(half)) * (outer**4 - inner**4)
    return second - first**2 / area


def section_arc(radius: float) -> float:
    """E I over E of a straight strip whose section is an arc of a radian, 1 mm thick: section model."""
    stack = Stack(np.array([-0.5, 0.5]), (Material.isotropic("bar", _YOUNG, 0.0, 1e-9, 1.0),), (0.0,))
    zone = SectionZone(-0.5 * radius, 0.5 * radius, stack)
    problem = SectionProblem((zone,), lambda q: (q / radius, np.full_like(q, 1.0 / radius)))
    return rest_state(problem.model).slope / _YOUNG


def rod_arc(radius: float) -> float:
    """The same of a rod bent evenly."""
    bending = UniformBending.build(Beam(1.0, radius, 1.0, _YOUNG, 0.0, 0.0, 1.0 / radius))
    change = 1e-5 / radius
    return bending.solve(change, bending.rest)[2] / change / _YOUNG


def _checks() -> list[Check]:
    found = []
    for model, compute in (("section", section_bend), ("rod", rod_bend), ("shell", shell_bend)):
        for ratio in RATIOS:
            bar = curved_bar(ratio, 1.0)
            values = (12.0 * bar.offset * ratio, bar.inner, bar.outer)
            names = ("stiffness over E I", "inner face over 6 M / b t^2", "outer face over 6 M / b t^2")
            for i, (name, value) in enumerate(zip(names, values, strict=True)):
                found.append(
                    Check(
                        f"bend R/t = {ratio:g}, {model}: {name}",
                        "thick bends of strips",
                        model,
                        WINKLER,
                        value,
                        1e-3,
                        "turned by 1e-4 of its angle; Gauss points beside the middle of an element",
                        partial(lambda how, r, k: how(r)[k], compute, ratio, i),
                    )
                )
    for model, arc in (("section", section_arc), ("rod", rod_arc)):
        for ratio in RATIOS:
            found.append(
                Check(
                    f"E I of a thick arc of a radian, R/t = {ratio:g}, {model}",
                    "thick bends of strips",
                    model,
                    "second moment of area of a sector of a ring (geometry), computed from the formula",
                    annular_sector(ratio, 1.0),
                    1e-3,
                    "bent by 1e-5 over its radius; few Gauss points across in the rod",
                    partial(arc, ratio),
                )
            )
    return found


THICK_BEND_CHECKS: tuple[Check, ...] = tuple(_checks())
