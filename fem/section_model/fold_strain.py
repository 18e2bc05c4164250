"""How strained the layers are when the section is pressed flat or coiled, and whether a coil stays by itself.

Two states matter: *pressed* (a flat section, as in the slot or clamped on the axle) and *free* (the section
at a coil radius with free edges, which curl a little). There never is an axial force. Strain at a layer's
face is that of layers curved by nature (`fem.design.curved_layers`), the free width and shear strains
restored, worst place per layer face.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fem.core.errors import InputError
from fem.design.curved_layers import strain_at
from fem.design.material import Laminate
from fem.section_model.fold_model import SectionModel, SectionProblem, Strains
from fem.section_model.moment_curvature import MomentCurve, SectionState, rest_state, state_at

_TIGHTER = 2.0  # a coil that is unbent to its radius comes from a radius smaller by this


@dataclass(frozen=True)
class LayerStrain:
    """Strain at one face of one layer where its share of the elastic limit is largest (1 = at the limit).

    layer: number in its stack from the face away from the axle; zone: (q0, q1) [mm]; face: "away" or "axle";
    along, across: strains in s and q there, > 0 tension; q: place across the width [mm].
    """

    layer: int
    material: str
    zone: tuple[float, float]
    face: str
    along: float
    across: float
    share: float
    q: float


@dataclass(frozen=True)
class Pressed:
    """A section held flat at a curvature: stretch of the middle, energy per length [N], strains."""

    curvature: float
    stretch: float
    energy: float
    strains: Strains


@dataclass(frozen=True)
class Bistability:
    """Second stable state of a thin curved strip (Guest & Pellegrino 2006, Proc. R. Soc. A 462:839).

    measure S = 4 D66/D11 + 2 nu - 2 D22/(D11 nu), nu = D12/D11, on bending stiffness free of membrane force:
    S > 0 a coil stays closed (twist cannot undo it), S < 0 it springs open. coil_ratio = coil radius over
    section radius = D11/D12.
    """

    measure: float
    coil_ratio: float


def pressed(problem: SectionProblem, curvature: float) -> Pressed:
    """Press the section flat at a path curvature [1/mm]; the middle takes the stretch of least energy."""
    model = problem.model
    flat, bend = np.zeros_like(model.q), -model.angle_q
    stretch = 1.0
    for _ in range(30):
        strains = model.strains(flat, bend, stretch, curvature)
        scale = 1.0 / model.lam0**2
        by = np.stack([strains.lam * scale, -curvature * scale, 0.0 * scale], axis=1)
        sigma = np.einsum("gij,gj->gi", model.stiffness, strains.v)
        slope = model.weights @ (np.einsum("gi,gi->g", sigma, by))
        stiff = model.weights @ (np.einsum("gi,gij,gj->g", by, model.stiffness, by) + sigma[:, 0] * scale)
        step = float(slope / stiff)
        stretch -= step
        if abs(step) < 1e-14:
            break
    strains = model.strains(flat, bend, stretch, curvature)
    return Pressed(curvature, stretch, model.energy(strains), strains)


def free_coil(problem: SectionProblem, radius: float, direction: int = 1) -> SectionState:
    """The section coiled to a mid-plane radius [mm] with edges free to curl: of the shapes that are reached
    by bending from rest and by unbending from a tighter coil, the one of less energy.

    Its energy per length is what a coil of that radius stores at least; pressed flat, as in `pressed`, it
    stores more, up to the plate's 1 / (1 - nu^2) of a narrow beam.
    """
    if radius <= 0.0:
        raise InputError(f"coil radius must be > 0 mm, got {radius:g}")
    model, curvature = problem.model, direction / radius
    bent = state_at(model, rest_state(model), curvature)
    tight = state_at(model, bent, _TIGHTER * curvature)
    return min(bent, state_at(model, tight, curvature), key=lambda state: state.energy)


def flattening_strain(problem: SectionProblem) -> tuple[LayerStrain, ...]:
    """Strains of every layer face with the section pressed flat and the path straight."""
    return layer_strains(problem, pressed(problem, 0.0).strains)


def coil_strain(
    problem: SectionProblem, radius: float, direction: int = 1, start: SectionState | None = None
) -> tuple[LayerStrain, ...]:
    """Strains of every layer face coiled, edges free, to a mid-plane radius [mm]; start: a state near it.

    On the axle itself, where the section is clamped flat, take `pressed(problem, 1/radius)`.
    """
    if radius <= 0.0:
        raise InputError(f"coil radius must be > 0 mm, got {radius:g}")
    model = problem.model
    state = state_at(model, start or rest_state(model), direction / radius)
    return layer_strains(problem, state_strains(model, state))


def state_strains(model: SectionModel, state: SectionState) -> Strains:
    """Strains of a bent section at the points of the model."""
    bend = model.basis_q @ state.x[:-1]
    return model.strains(model.section_angle(state.x), bend, float(state.x[-1]), state.curvature)


def layer_strains(problem: SectionProblem, strains: Strains) -> tuple[LayerStrain, ...]:
    """Worst strain at both faces of each layer of each zone; mirrored zones are listed once."""
    model, found = problem.model, []
    for number, zone in enumerate(problem.zones):
        here = np.flatnonzero(model.zone == number)
        if here.size == 0:
            continue
        v = strains.v[here]
        free = np.einsum("gij,gj->gi", model.recovery[here], v)
        natural = model.natural[here]
        k_q = v[:, 2] - natural[:, 1] * free[:, 0]  # v has the turn of the section per length at rest
        full = np.stack([v[:, 0], free[:, 0], free[:, 1], v[:, 1], k_q, np.zeros_like(k_q)], axis=1)
        stack = zone.stack
        for i, (material, angle) in enumerate(zip(stack.materials, stack.angles, strict=True)):
            if material is None:
                continue
            for face, z in (("away", stack.z_edges[i]), ("axle", stack.z_edges[i + 1])):
                strain = strain_at(full, natural, z)
                share = material.strain_share(strain, angle)
                worst = int(np.argmax(share))
                found.append(
                    LayerStrain(
                        i, material.name, (zone.q0, zone.q1), face, float(strain[worst, 0]),
                        float(strain[worst, 1]), float(share[worst]), float(model.q[here[worst]]),
                    )
                )  # fmt: skip
    return tuple(found)


def largest_share(strains: tuple[LayerStrain, ...]) -> LayerStrain:
    """The layer face nearest its limit."""
    return max(strains, key=lambda s: s.share)


def opening(problem: SectionProblem, state: SectionState) -> tuple[float, float]:
    """Width between the edges and height of the section (highest minus lowest point) [mm]."""
    model = problem.model
    phi = model.section_angle(state.x)
    across, height = model.integral @ np.cos(phi), model.integral @ np.sin(phi)
    double = 2.0 if model.mirrored else 1.0
    return double * float(across[-1] - across[0]), float(np.ptp(height))


def coiled_state(curve: MomentCurve, direction: int) -> SectionState | None:
    """The bent state without moment on the far branch of one side, None if there is none.

    Bending alone does not undo it; twisting may (see `Bistability`).
    """
    far = curve.outward(direction, "returning")
    resisting = far.moment * direction
    crossings = np.flatnonzero((resisting[1:-1] < 0.0) & (resisting[2:] >= 0.0)) + 1
    if crossings.size == 0:
        return None
    state, beyond = far.states[int(crossings[-1])], far.states[int(crossings[-1]) + 1]
    low, high = state.curvature, beyond.curvature
    for _ in range(30):
        if abs(state.moment) < 1e-10 * float(np.max(np.abs(far.moment))):
            break
        low, high = (state.curvature, high) if state.moment * direction < 0.0 else (low, state.curvature)
        at = state.curvature - state.moment / state.slope
        if not min(low, high) < at < max(low, high):
            at = 0.5 * (low + high)
        state = state_at(curve.model, state, at)
    return state


def bistability(layers: Laminate) -> Bistability:
    """Twist measure and coil ratio of a strip of one stack; coil_ratio inf when D12 = 0."""
    d = layers.reduced()
    nu = float(d[0, 1] / d[0, 0])
    if nu == 0.0:
        return Bistability(-math.inf, math.inf)
    return Bistability(float(4.0 * d[2, 2] / d[0, 0] + 2.0 * nu - 2.0 * d[1, 1] / d[0, 0] / nu), 1.0 / nu)


@dataclass(frozen=True)
class CurvedBar:
    """Rectangular bar with a rest bend: neutral radius, its offset from the middle [mm], face factors.

    inner, outer: stress at the hollow and the other face over that of the straight bar, 6 M / (b t^2).
    """

    neutral_radius: float
    offset: float
    inner: float
    outer: float


def curved_bar(radius: float, thickness: float) -> CurvedBar:
    """Winkler's curved bar: rest radius of the middle and thickness [mm], radius > thickness / 2.

    rn = t / ln(ro/ri), e = r - rn, stress = M (rn - rho) / (A e rho), dM/d(curvature) = E A e r (Timoshenko,
    Strength of Materials II, from memory). Rod, shell and section are compared with it: see
    `fem.design.curved_layers`.
    """
    if radius <= 0.5 * thickness:
        raise InputError(f"bend radius must be > half the thickness, got {radius:g} for {thickness:g} mm")
    inside, outside = radius - 0.5 * thickness, radius + 0.5 * thickness
    neutral = thickness / math.log(outside / inside)
    offset = radius - neutral
    straight = 6.0 / thickness**2
    inner = (neutral - inside) / (thickness * offset * inside) / straight
    outer = (outside - neutral) / (thickness * offset * outside) / straight
    return CurvedBar(neutral, offset, inner, outer)
