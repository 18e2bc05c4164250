"""What a deformed shell strip carries, read at its Gauss points: strains on both faces, stresses by layer.

Heights z count toward the axle as the layers do; the shell's own normal points the other way, so the height
along that is -z. Strain there is that of layers curved by nature (`fem.design.curved_layers`). Axes are s
along the strip and q across it; by layer, the fibre axes of the material.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fem.core.term import Array
from fem.design.curved_layers import strain_at
from fem.shell.strip_shell import StripShell


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


def surface_strain(model: StripShell, x: Array) -> Array:
    """Principal strain of larger size on either face (ne, np), with its sign."""
    shell = model.shell
    worst, strains = np.zeros(shell.grid.weights.shape), shell.strains(x)
    for height in (-0.5 * model.strip.thickness, 0.5 * model.strip.thickness):
        e = strain_at(strains, shell.natural_curvature, -height)
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
    fields, strains = [], model.shell.strains(x)
    height = -0.5 * strip.thickness
    for number, layer in enumerate(strip.layers):
        inside = layer.inside(s, q)
        parts = [(layer.material, inside)]
        if layer.elsewhere is not None and not inside.all():
            parts.append((layer.elsewhere, ~inside))
        for z in (height, height + layer.thickness):
            strain = strain_at(strains, model.shell.natural_curvature, -z)
            own, stress = np.full_like(strain, np.nan), np.full_like(strain, np.nan)
            share = np.full(s.shape, np.nan)
            for material, where in parts:
                own[where] = strain[where] @ _fibre_axes(layer.angle).T
                stress[where] = own[where] @ material.plane_stress().T
                share[where] = material.strain_share(strain[where], layer.angle)
            fields.append(LayerField(number, z, own, stress, share))
        height += layer.thickness
    return fields


def _fibre_axes(angle: float) -> Array:
    """Matrix (3, 3) from strains (s, q, sq) to those along and across fibres at `angle` from s toward q."""
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c * c, s * s, c * s], [s * s, c * c, -c * s], [-2 * c * s, 2 * c * s, c * c - s * s]])
