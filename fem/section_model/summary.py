"""What one cross-section says about a strip before anything is solved: the hand estimates.

A handful of named numbers with units: stiffness when out, moments and radii of folds both ways, what
flattening and coiling on the axle cost in energy and strain. They hold for a long free strip of that section;
slot, friction, wraps and ends are not in them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from fem.core.errors import InputError
from fem.core.term import Array
from fem.design.material import Laminate, condense
from fem.design.strip import Strip
from fem.section_model.fold import Fold, fold
from fem.section_model.fold_model import SectionProblem, stack_laminate
from fem.section_model.fold_strain import (
    LayerStrain,
    bistability,
    coil_strain,
    coiled_state,
    flattening_strain,
    free_coil,
    largest_share,
    layer_strains,
    opening,
    pressed,
)
from fem.section_model.moment_curvature import MomentCurve, moment_curve

_WAYS = ((1, "toward"), (-1, "away"))


@dataclass(frozen=True)
class Estimate:
    """A number, its unit ("" for a pure number) and what to know about it; nan where there is none."""

    value: float
    unit: str
    note: str = ""


@dataclass(frozen=True, eq=False)
class SectionSummary:
    """Named estimates, the folds there are, strains by layer face (flat; coiled flat on the axle), curve."""

    quantities: Mapping[str, Estimate]
    folds: tuple[Fold, ...]
    flattened: tuple[LayerStrain, ...]
    coiled: tuple[LayerStrain, ...]
    curve: MomentCurve


def section_problem(strip: Strip, s: float) -> SectionProblem:
    """The cross-section of a strip at s [mm] from the root, with its layers and its rest curvature there."""
    half = 0.5 * float(strip.width_at(s))
    edges = strip.zone_edges_q()
    inner = edges[(edges > -half * (1.0 - 1e-9)) & (edges < half * (1.0 - 1e-9))]

    def angle(q: Array) -> tuple[Array, Array]:
        found = strip.section_angle(s, q)
        return found[0], found[2]

    return SectionProblem.at_station(
        np.array([-half, *inner, half]), lambda q: strip.stack_at(s, q), angle, float(strip.path.curvature(s))
    )


def section_summary(problem: SectionProblem, axle_radius: float) -> SectionSummary:
    """All estimates of one section; axle_radius [mm] is that of the bare axle (the coil's is t/2 larger)."""
    if not (math.isfinite(axle_radius) and axle_radius > 0.0):
        raise InputError(f"axle radius must be > 0 mm, got {axle_radius:g}")
    edges = problem.zones[0].stack.z_edges
    thickness = float(edges[-1] - edges[0])
    radius = axle_radius + 0.5 * thickness
    curve = moment_curve(problem)
    folds = {way: fold(curve, direction) for direction, way in _WAYS}
    flat, coil = pressed(problem, 0.0), pressed(problem, 1.0 / radius)
    flattened, coiled = flattening_strain(problem), layer_strains(problem, coil.strains)
    found = _shape(problem, curve, thickness)
    for direction, way in _WAYS:
        found |= _fold_estimates(folds[way], way)
        state = coiled_state(curve, direction)
        if state is not None:
            found[f"own_coil_radius_{way}"] = Estimate(
                1.0 / abs(state.curvature), "mm", "bending alone does not undo this coil; twist may"
            )
    note = "pressed flat, path straight"
    found["flattening_energy"] = Estimate(flat.energy, "N mm/mm", note)
    found |= _strain_estimates("flattening", flattened, note)
    note = f"edges free at mid-plane radius {radius:g} mm"
    energy = free_coil(problem, radius).energy
    found["coil_energy"] = Estimate(energy, "N mm/mm", note)
    found["coil_push"] = Estimate(energy, "N", "axial force of a coil of fixed radius that unrolls by itself")
    found["coil_torque"] = Estimate(energy * radius, "N mm", "holds that coil, no friction")
    free = coil_strain(problem, radius, 1, curve.returning.nearest(1.0 / radius))
    found |= _strain_estimates("coil_free_edges", free, note)
    note = f"pressed flat at mid-plane radius {radius:g} mm"
    found["coil_energy_pressed"] = Estimate(coil.energy, "N mm/mm", note)
    found |= _strain_estimates("coil", coiled, note)
    found |= _stack_estimates(problem)
    there = tuple(f for f in folds.values() if f is not None)
    return SectionSummary(MappingProxyType(found), there, flattened, coiled, curve)


def _shape(problem: SectionProblem, curve: MomentCurve, thickness: float) -> dict[str, Estimate]:
    """Geometry and stiffness at rest."""
    rest = curve.loading.states[curve.rest_index]
    chord, depth = opening(problem, rest)
    turn = problem.mean_section_curvature() * problem.width
    axial = sum((zone.q1 - zone.q0) * _uniaxial(stack_laminate(zone.stack)) for zone in problem.zones)
    return {
        "thickness": Estimate(thickness, "mm"),
        "developed_width": Estimate(problem.width, "mm"),
        "open_width": Estimate(chord, "mm", "edge to edge at rest"),
        "width_growth": Estimate(problem.width - chord, "mm", "wider by this when pressed flat"),
        "section_depth": Estimate(depth, "mm", "mid-surface, without thickness"),
        "section_angle": Estimate(math.degrees(turn), "deg", "> 0: edges toward the axle"),
        "rest_curvature": Estimate(problem.rest_curvature, "1/mm", "of the path, > 0 toward the axle"),
        "axial_stiffness": Estimate(axial, "N", "EA"),
        "bending_stiffness": Estimate(curve.initial_stiffness, "N mm^2", "EI about rest"),
    }


def _uniaxial(layers: Laminate) -> float:
    """Axial stiffness per width [N/mm] of flat layers, force across and moments but that of twist free."""
    return float(condense(layers.abd, (0, 5))[0, 0])


def _fold_estimates(found: Fold | None, way: str) -> dict[str, Estimate]:
    """Peak and steady moments of one direction; nan with the reason if the section does not fold."""
    names = {"peak_moment": "N mm", "peak_curvature": "1/mm", "steady_moment": "N mm", "fold_radius": "mm"}
    if found is None:
        reason = "no fold: the section flattens evenly, its moment has no limit followed by a steady fold"
        return {f"{name}_{way}": Estimate(math.nan, unit, reason) for name, unit in names.items()}
    sense = "section not hollow" if found.sense == "none" else f"{found.sense} sense"
    if not math.isfinite(found.steady.moment):
        sense += "; no steady fold: the curve ends or jumps before one settles"
    values = (found.peak_moment, found.peak_curvature, found.steady.moment, found.fold_radius)
    return {
        f"{name}_{way}": Estimate(value, unit, sense)
        for (name, unit), value in zip(names.items(), values, strict=True)
    }


def _strain_estimates(what: str, strains: tuple[LayerStrain, ...], note: str) -> dict[str, Estimate]:
    """Largest strain and largest share of the elastic limit of a state."""
    worst = largest_share(strains)
    place = f"{note}; {worst.material}, layer {worst.layer + 1}, {worst.face} face, q = {worst.q:.3g} mm"
    size = max(max(abs(s.along), abs(s.across)) for s in strains)
    return {
        f"{what}_strain": Estimate(size, "", note),
        f"{what}_share": Estimate(worst.share, "", "of the elastic limit; " + place),
    }


def _stack_estimates(problem: SectionProblem) -> dict[str, Estimate]:
    """What follows from the layers alone."""
    found: dict[str, Estimate] = {}
    if len(problem.zones) == 1:
        layers = bistability(stack_laminate(problem.zones[0].stack))
        found["twist_measure"] = Estimate(
            layers.measure,
            "",
            "> 0: a coil can stay closed by itself (Guest & Pellegrino 2006); < 0: it opens",
        )
    return found
