"""What a deformed shell strip carries, read at its Gauss points: strains on both faces, stresses by layer.

Heights z count toward the axle as the layers do; the shell's own normal points the other way, so strain at
height z is e - z k with the shell's bending strain k. Axes are s along the strip and q across it; by layer,
the fibre axes of the material.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fem.equilibrium import Array
from fem.shell_strip import StripShell


@dataclass(frozen=True)
class LayerField:
    """One face of one layer at the Gauss points (ne, np): height z [mm]; strain and stress [MPa] (ne, np, 3)
    in fibre axes (1, 2, 12); share (ne, np) of the elastic limit. nan where the layer has no material.
    """

    layer: int
    height: float
    strain: Array
    stress: Array
    share: Array


def strain_at(model: StripShell, x: Array, height: float) -> Array:
    """Strain (ne, np, 3) = e_s, e_q, 2 e_sq at a height [mm] above the mid-plane, toward the axle."""
    strain = model.shell.strains(x)
    return np.asarray(strain[..., :3] - height * strain[..., 3:])


def surface_strain(model: StripShell, x: Array) -> Array:
    """Principal strain of larger size on either face (ne, np), with its sign."""
    worst = np.zeros(model.shell.grid.weights.shape)
    for height in (-0.5 * model.strip.thickness, 0.5 * model.strip.thickness):
        e = strain_at(model, x, height)
        mean, radius = 0.5 * (e[..., 0] + e[..., 1]), np.hypot(0.5 * (e[..., 0] - e[..., 1]), 0.5 * e[..., 2])
        own = np.where(mean >= 0.0, mean + radius, mean - radius)
        worst = np.where(np.abs(own) > np.abs(worst), own, worst)
    return worst


def curvature_change(model: StripShell, x: Array) -> Array:
    """Change of curvature (ne, np, 3) along, across and twist [1/mm], > 0 toward the axle."""
    return np.asarray(model.shell.strains(x)[..., 3:])


def layer_fields(model: StripShell, x: Array) -> list[LayerField]:
    """Strain, stress and use of the elastic limit on both faces of every layer."""
    grid, strip = model.shell.grid, model.strip
    s = grid.points[..., 0]
    q = grid.points[..., 1] * strip.width_at(s) / strip.width
    fields = []
    reference = strip.stack_at(float(s.flat[0]), float(q.flat[0]))
    for layer in range(len(reference.materials)):
        for face in (0, 1):
            height = float(reference.z_edges[layer + face])
            strain = strain_at(model, x, height)
            own, stress = np.full_like(strain, np.nan), np.full_like(strain, np.nan)
            share = np.full(s.shape, np.nan)
            for index in np.ndindex(*s.shape):
                stack = strip.stack_at(float(s[index]), float(q[index]))
                material, angle = stack.materials[layer], stack.angles[layer]
                if material is None:
                    continue
                own[index] = _to_fibre(strain[index], angle)
                stress[index] = material.plane_stress(0.0) @ own[index]
                share[index] = material.strain_share(strain[index], angle)
            fields.append(LayerField(layer, height, own, stress, share))
    return fields


def _to_fibre(strain: Array, angle: float) -> Array:
    c, s = np.cos(angle), np.sin(angle)
    turn = np.array([[c * c, s * s, c * s], [s * s, c * c, -c * s], [-2 * c * s, 2 * c * s, c * c - s * s]])
    return np.asarray(turn @ strain)
