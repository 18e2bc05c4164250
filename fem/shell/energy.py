"""The shell: strain energy of a thin layered surface as one term of the potential.

Rotation-free Kirchhoff-Love, total Lagrangian: the unknown is position x itself in the C1 bicubic space, and
the rest metric and curvature come from the rest surface interpolated in the same space, so a rigid motion
costs exactly nothing. The energy per rest area is (e, k) . [[A, B], [B, D]] . (e, k) / 2 with the laminate's
stiffness at every Gauss point, in axes along and across the first parameter; that of a thick bend is in the
laminate (`fem.design.curved_layers`).

Unknown numbers: node k carries x, x_1, x_2, x_12 (kinds 0..3), each with three components:
unknown (4 k + kind) * 3 + component.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from fem.core.errors import InputError
from fem.core.term import Array, Blocks, Evaluation, Index
from fem.mesh.bicubic import Grid, shape_at
from fem.shell.kernels import energy as shell_kernels
from fem.shell.kinematics import Frame, frame, local_axes, rest_state

Surface = Callable[[Array, Array], tuple[Array, Array, Array, Array]]
"""A surface: parameters p1, p2 (m,) -> X, X_1, X_2, X_12, each (m, 3)."""

Law = Callable[[Array, Array], Array]
"""Laminate stiffness: parameters p1, p2 (...) -> (..., 6, 6) in (1, 2, 12) local axes, N/mm, N, N mm."""

Density = float | Callable[[Array, Array], Array]
"""Mass per rest area [tonne/mm^2], constant or by parameters."""

LEAST_AREA = 1e-9
"""Area per parameter area, over the product of the longest sides, below which a surface has no normal."""
COARSEST_TURN = 0.45  # rad; an element that turns its normal by more bends the section off its shape


def stiffness(membrane: Array, coupling: Array, bending: Array, sense: float = 1.0) -> Array:
    """[[A, B], [B, D]] (6, 6); sense -1 if layers are listed along the normal -(a_1 x a_2)."""
    return np.block([[membrane, sense * coupling], [sense * coupling.T, bending]])


def isotropic(young: float, poisson: float, thickness: float) -> Array:
    """(6, 6) stiffness of one isotropic layer, mid-surface at the middle."""
    plane = np.array([[1.0, poisson, 0.0], [poisson, 1.0, 0.0], [0.0, 0.0, (1.0 - poisson) / 2.0]])
    plane *= young / (1.0 - poisson**2)
    return stiffness(plane * thickness, np.zeros((3, 3)), plane * thickness**3 / 12.0)


def differentiated(position: Callable[[Array, Array], Array], scale: tuple[float, float]) -> Surface:
    """Surface with derivatives by sixth-order central differences of a position function (m,), (m,) -> (m,
    3).

    `scale`: lengths in each parameter over which the surface changes; steps are 2 % of them.
    """
    offsets = np.array([-3.0, -2.0, -1.0, 1.0, 2.0, 3.0])
    factors = np.array([-1.0, 9.0, -45.0, 45.0, -9.0, 1.0]) / 60.0
    h1, h2 = 0.02 * scale[0], 0.02 * scale[1]

    def along_1(p1: Array, p2: Array) -> Array:
        return np.asarray(
            sum(f * position(p1 + o * h1, p2) for o, f in zip(offsets, factors, strict=True)) / h1
        )

    def surface(p1: Array, p2: Array) -> tuple[Array, Array, Array, Array]:
        second = sum(f * position(p1, p2 + o * h2) for o, f in zip(offsets, factors, strict=True)) / h2
        mixed = sum(f * along_1(p1, p2 + o * h2) for o, f in zip(offsets, factors, strict=True)) / h2
        return position(p1, p2), along_1(p1, p2), np.asarray(second), np.asarray(mixed)

    return surface


@dataclass(frozen=True)
class Shell:
    """Strain energy term over a grid: rest (n, 3) nodal rest vectors (n = 4 nodes), laminate (ne, np, 6, 6)
    in local axes, density per rest area (ne, np) [tonne/mm^2]; direction (ne, np, 2): local axis 1 in
    parameters, None along the first.
    """

    grid: Grid
    rest: Array
    laminate: Array
    density: Array
    direction: Array | None = None

    @property
    def size(self) -> int:
        return int(self.rest.size)

    @cached_property
    def dofs(self) -> Index:
        """Unknowns (ne, 48) of each element."""
        return np.ascontiguousarray((3 * self.grid.dofs[:, :, None] + np.arange(3)).reshape(-1, 48))

    @cached_property
    def rest_frame(self) -> Frame:
        """Geometry of the interpolated rest surface at the Gauss points."""
        return self.frame(self.rest.ravel())

    @cached_property
    def rest_metric(self) -> Array:
        return np.ascontiguousarray(rest_state(self.rest_frame))

    @cached_property
    def natural_curvature(self) -> Array:
        """Curvatures (ne, np, 2) of the rest surface along local axes 1, 2 [1/mm], > 0 along its normal."""
        curved = np.array(self.rest_frame.b)
        curved[..., 2] *= 2.0
        return np.asarray((self.axes[..., :2, :3] @ curved[..., None])[..., 0])

    @cached_property
    def area(self) -> Array:
        """Rest area (ne, np) of each Gauss point [mm^2]."""
        a11, a22, a12 = np.moveaxis(self.rest_frame.metric, -1, 0)
        return np.asarray(np.sqrt(a11 * a22 - a12**2) * self.grid.weights)

    @cached_property
    def axes(self) -> Array:
        """(ne, np, 6, 6): parameter strains to strains in local axes."""
        t = local_axes(self.rest_frame, self.direction)
        both = np.zeros((*t.shape[:-2], 6, 6))
        both[..., :3, :3] = both[..., 3:, 3:] = t
        return both

    @cached_property
    def law(self) -> Array:
        """Stiffness in parameter strains times area (ne, np, 6, 6)."""
        product = np.swapaxes(self.axes, -1, -2) @ self.laminate @ self.axes
        return np.ascontiguousarray(product * self.area[..., None, None])

    @cached_property
    def no_extra(self) -> Array:
        """Stress besides law @ strain: none."""
        return np.zeros((*self.grid.weights.shape, 6))

    @cached_property
    def weights(self) -> Array:
        """What makes each unknown a length (size,): 1 for positions, mean element sides for derivatives."""
        sides = []
        for lines in (self.grid.stations, self.grid.across):
            gaps = np.diff(lines)
            sides.append(np.convolve(np.pad(gaps, 1, mode="edge"), [0.5, 0.5], mode="valid"))
        h1, h2 = (h.ravel() for h in np.meshgrid(*sides, indexing="ij"))
        per_node = np.stack([np.ones_like(h1), h1, h2, h1 * h2], axis=1)
        return np.asarray(np.repeat(per_node.ravel(), 3))

    def frame(self, x: Array) -> Frame:
        """Geometry at the Gauss points of a configuration x (size,)."""
        local = x.reshape(-1, 3)[self.grid.dofs]
        return frame(np.einsum("epai,eic->epac", self.grid.derivatives, local))

    def strains(self, x: Array) -> Array:
        """Membrane and bending strains (ne, np, 6) in local axes: e11, e22, 2e12, k11, k22, 2k12."""
        out = np.empty((*self.grid.weights.shape, 6))
        shell_kernels.strains(
            np.ascontiguousarray(x).reshape(-1, 3), self.grid.dofs, self.grid.derivatives, self.rest_metric,
            self.axes, out,
        )  # fmt: skip
        return out

    def evaluate(self, u: Array, order: int) -> Evaluation:
        """Energy [N mm], gradient (size,), tangent blocks (ne, 48, 48)."""
        x = np.ascontiguousarray(u).reshape(-1, 3)
        gradient = np.zeros_like(x)
        energy = shell_kernels.energy_gradient(
            x, self.grid.dofs, self.grid.derivatives, self.rest_metric, self.law, self.no_extra, gradient
        )
        blocks = self.extrapolated(u, np.zeros_like(u)) if order > 1 else ()
        return Evaluation(float(energy), gradient.ravel(), blocks)

    def extrapolated(self, u: Array, step: Array) -> tuple[Blocks, ...]:
        """Tangent blocks with the membrane force of the geometric part extrapolated over the last step."""
        values = np.empty((len(self.grid.dofs), 48, 48))
        x, move = np.ascontiguousarray(u).reshape(-1, 3), np.ascontiguousarray(step).reshape(-1, 3)
        shell_kernels.tangent(
            x,
            move,
            self.grid.dofs,
            self.grid.derivatives,
            self.rest_metric,
            self.law,
            self.no_extra,
            values,
        )
        return (Blocks(self.dofs, values),)

    def mass(self) -> Array:
        """Consistent mass blocks (ne, 16, 16) [tonne] of one component."""
        weight = self.density * self.area
        return np.asarray(np.einsum("ep,epi,epj->eij", weight, self.grid.values, self.grid.values))

    def position(self, x: Array, parameters: Array) -> Array:
        """Points (m, 3) of a configuration at parameters (m, 2)."""
        dofs, values = shape_at(self.grid, parameters)
        return np.asarray(np.einsum("mi,mic->mc", values[:, 0], x.reshape(-1, 3)[dofs]))


def build_shell(
    grid: Grid, surface: Surface, law: Law | Array, density: Density = 0.0, check: bool = True
) -> Shell:
    """Shell over a grid from a parametrised surface and a laminate, constant (6, 6) or by place.

    Raises InputError if the surface has no normal at a node, such as at a pole where parameter lines meet, or
    if an element turns the rest normal so far that the section's shape is lost.
    """
    p1, p2 = grid.coordinates().T
    value, first, second, mixed = surface(p1, p2)
    rest = np.ascontiguousarray(np.stack([value, first, second, mixed], axis=1).reshape(-1, 3))
    shape = grid.weights.shape
    if callable(law):
        laminate = np.asarray(law(grid.points[..., 0], grid.points[..., 1]))
    else:
        laminate = np.broadcast_to(law, (*shape, 6, 6))
    mass = density(grid.points[..., 0], grid.points[..., 1]) if callable(density) else np.full(shape, density)
    shell = Shell(grid, rest, laminate, mass)
    _refuse_pole(shell)
    if check:
        _refuse_coarse(shell)
    return shell


def _refuse_pole(shell: Shell) -> None:
    node = shell.rest.reshape(-1, 4, 3)
    area = np.linalg.norm(np.cross(node[:, 1], node[:, 2]), axis=1)
    sides = np.nanmax(np.linalg.norm(node[:, 1:3], axis=2), axis=0)
    lost = np.flatnonzero(~(area > LEAST_AREA * sides.prod()) | ~np.isfinite(node).all(axis=(1, 2)))
    if lost.size:
        places = shell.grid.coordinates()
        p1, p2 = places[lost[0]]
        raise InputError(
            f"the surface has no normal at parameters ({p1:.6g}, {p2:.6g}) and {lost.size - 1} more nodes: "
            "its parameter lines meet or lie along each other there, as at a pole; leave a hole around that "
            "place, or take other parameters"
        )


def _refuse_coarse(shell: Shell) -> None:
    node = shell.rest.reshape(-1, 4, 3)
    normal = np.cross(node[:, 1], node[:, 2])
    normal = (normal / np.linalg.norm(normal, axis=1, keepdims=True)).reshape(
        shell.grid.stations.size, shell.grid.across.size, 3
    )
    for name, a, b in (("along", normal[1:], normal[:-1]), ("across", normal[:, 1:], normal[:, :-1])):
        turned = np.arctan2(np.linalg.norm(np.cross(a, b), axis=-1), (a * b).sum(-1))
        if turned.max() > COARSEST_TURN:
            need = int(np.ceil(turned.max() / COARSEST_TURN))
            raise InputError(
                f"the mesh is too coarse {name} the surface: one element turns the normal by "
                f"{turned.max():.2f} rad, at most {COARSEST_TURN} allowed; use {need} times as many there"
            )
