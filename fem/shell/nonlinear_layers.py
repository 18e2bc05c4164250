"""A shell whose material is not linear: stress summed over points through the thickness.

At every Gauss point of the surface a point law turns the strain at height z (that of layers curved by nature,
`fem.design.curved_layers`; e + z k in a flat sheet) into energy, stress and tangent, and Gauss points over
each layer sum them to forces, moments and their stiffness. The compiled loops of the linear shell then see
stress = law @ strain + extra with the tangent as the law.

A point law is any frozen object with the method of `PointLaw`; `Softening` is one: linear for small strains,
yielding gradually, with the energy 2 w (sqrt(1 + W / w) - 1) of the linear energy density W (deformation
theory: unloading follows the loading curve).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np

from fem.core.term import Array, Blocks, Evaluation
from fem.design.curved_layers import strain_factors
from fem.shell.energy import Shell
from fem.shell.kernels import energy as shell_kernels
from fem.shell.kinematics import strains


class PointLaw(Protocol):
    """Material at a point in plane stress; strains (..., 3) = (1, 2, 12) with engineering shear."""

    def respond(self, strain: Array) -> tuple[Array, Array, Array]:
        """Energy density (...), stress (..., 3) [MPa] and tangent (..., 3, 3)."""
        ...


@dataclass(frozen=True)
class Hooke:
    """Linear law with plane-stress stiffness (3, 3) [MPa]."""

    stiffness: Array

    def respond(self, strain: Array) -> tuple[Array, Array, Array]:
        """Energy, stress and the constant tangent."""
        stress = strain @ self.stiffness
        tangent = np.broadcast_to(self.stiffness, (*strain.shape, 3))
        return 0.5 * np.sum(stress * strain, axis=-1), stress, tangent


@dataclass(frozen=True)
class Softening:
    """Stiffness (3, 3) at small strain and the energy density w [MPa] at which it has lost about a third."""

    stiffness: Array
    energy: float

    def respond(self, strain: Array) -> tuple[Array, Array, Array]:
        """Stress Q e / r and tangent Q / r - (Q e)(Q e)^T / (2 w r^3), r = sqrt(1 + W / w)."""
        linear = strain @ self.stiffness
        root = np.sqrt(1.0 + 0.5 * np.sum(linear * strain, axis=-1) / self.energy)[..., None]
        outer = linear[..., :, None] * linear[..., None, :]
        tangent = self.stiffness / root[..., None] - outer / (2.0 * self.energy * root[..., None] ** 3)
        return 2.0 * self.energy * (root[..., 0] - 1.0), linear / root, tangent


@dataclass(frozen=True)
class Ply:
    """One layer: law and the heights (z0, z1) [mm] between which it lies, along the shell's own normal."""

    law: PointLaw
    low: float
    high: float


@dataclass(frozen=True)
class LayeredShell:
    """The strain energy of `shell` (whose own laminate is not used) with plies of any law, `points` in
    each.
    """

    shell: Shell
    plies: Sequence[Ply]
    points: int = 3

    @cached_property
    def _rule(self) -> list[tuple[PointLaw, float, float]]:
        node, weight = np.polynomial.legendre.leggauss(self.points)
        rule: list[tuple[PointLaw, float, float]] = []
        for ply in self.plies:
            middle, half = 0.5 * (ply.low + ply.high), 0.5 * (ply.high - ply.low)
            rule += [
                (ply.law, middle + half * float(n), half * float(w))
                for n, w in zip(node, weight, strict=True)
            ]
        return rule

    def resultants(self, u: Array) -> tuple[Array, Array, Array]:
        """Energy per area (ne, np), forces and moments (ne, np, 6) and their stiffness (ne, np, 6, 6), local
        axes.
        """
        strain = self.shell.strains(u)
        energy, force = np.zeros(strain.shape[:2]), np.zeros(strain.shape)
        stiffness = np.zeros((*strain.shape, 6))
        for law, height, weight in self._rule:
            factors, volume = strain_factors(self.shell.natural_curvature, np.asarray(height))
            at_height = factors * strain
            density, stress, tangent = law.respond(at_height[..., :3] + at_height[..., 3:])
            energy += weight * volume * density
            weighted = factors * (weight * volume)[..., None]
            force += weighted * np.tile(stress, 2)
            stiffness += weighted[..., :, None] * factors[..., None, :] * np.tile(tangent, (2, 2))
        return energy, force, stiffness

    def evaluate(self, u: Array, order: int) -> Evaluation:
        """Energy [N mm], gradient (size,), tangent blocks (ne, 48, 48)."""
        energy, law, extra = self._linearised(u)
        x, grid = np.ascontiguousarray(u).reshape(-1, 3), self.shell.grid
        gradient = np.zeros_like(x)
        rest = self.shell.rest_metric
        shell_kernels.energy_gradient(x, grid.dofs, grid.derivatives, rest, law, extra, gradient)
        blocks = self._blocks(u, np.zeros_like(u), law, extra) if order > 1 else ()
        return Evaluation(energy, gradient.ravel(), blocks)

    def extrapolated(self, u: Array, step: Array) -> tuple[Blocks, ...]:
        """Tangent blocks with the membrane force of the geometric part extrapolated over the last step."""
        _, law, extra = self._linearised(u)
        return self._blocks(u, step, law, extra)

    def _linearised(self, u: Array) -> tuple[float, Array, Array]:
        """Energy, tangent law and what stress it leaves over, in parameter strains times area."""
        density, force, stiffness = self.resultants(u)
        shell = self.shell
        turned = np.swapaxes(shell.axes, -1, -2)
        law = np.ascontiguousarray(turned @ stiffness @ shell.axes * shell.area[..., None, None])
        stress = (turned @ force[..., None])[..., 0] * shell.area[..., None]
        strain = strains(shell.frame(u), shell.rest_metric)
        extra = np.ascontiguousarray(stress - np.einsum("eprs,eps->epr", law, strain))
        return float(np.sum(density * shell.area)), law, extra

    def _blocks(self, u: Array, step: Array, law: Array, extra: Array) -> tuple[Blocks, ...]:
        shell, grid = self.shell, self.shell.grid
        values = np.empty((len(grid.dofs), 48, 48))
        x, move = np.ascontiguousarray(u).reshape(-1, 3), np.ascontiguousarray(step).reshape(-1, 3)
        shell_kernels.tangent(x, move, grid.dofs, grid.derivatives, shell.rest_metric, law, extra, values)
        return (Blocks(shell.dofs, values),)
