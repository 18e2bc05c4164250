"""What a rod carries and how it lies: shape, resultants, strains on both faces of every layer, on a fixed
grid.

Everything that does not depend on the state is tabulated once (`RodFields.build`); a state is then a few
products. The section is symmetric, so places across run from -w/2 to w/2 with heights even and lateral places
odd. Resultants are those of the rod's energy: axial force N = dU/dl and moment M = dU/dw per length, about
the mid-line; the strain across follows from no force across the width. Heights z count toward the axle; the
strain there is that of layers curved by nature (`fem.design.curved_layers`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from fem.core.term import Array, Index
from fem.design.curved_layers import strain_at
from fem.design.layup import Stack
from fem.design.material import Material
from fem.rod.energy import Rod
from fem.rod.kernels.fields import FieldTables
from fem.rod.kernels.fields import summarise as read_summary
from fem.rod.section_tables import RestStrip, SectionTables, tables_at, width_rule


@dataclass(frozen=True, eq=False)
class RodState:
    """One state of the rod at n stations and m places across.

    station (n,) [mm]; position (n, 2) [mm]; heading (n,) [rad], continuous from the root's, which is known up
    to whole turns; stretch (n,) = |r'|; curvature (n,) [1/mm] d(heading)/ds; opening (n, M) amplitudes;
    axial_force (n,) [N], > 0 tension; moment (n,) [N mm], > 0 bends toward the axle; energy (n,) [N] per
    length; across (m,) [mm] at the nominal width (points move in where the strip tapers); height, lateral (n,
    m) [mm]; face_strain (k, n, m, 3): (e_s, e_q, e_sq) at heights face (k,) [mm] of the layers' faces; strain
    (n, m): largest principal size through the thickness; strain_share (n, m): largest share of a material's
    elastic limit; thickness [mm].
    """

    station: Array
    position: Array
    heading: Array
    stretch: Array
    curvature: Array
    opening: Array
    axial_force: Array
    moment: Array
    energy: Array
    across: Array
    height: Array
    lateral: Array
    face: Array
    face_strain: Array
    strain: Array
    layer_strain: Array
    strain_share: Array
    thickness: float


@dataclass(frozen=True, eq=False)
class RodSummary:
    """What is written down of a state in every step: a part of `RodState`, under the same names."""

    station: Array
    position: Array
    curvature: Array
    axial_force: Array
    strain: Array
    strain_share: Array


@dataclass(frozen=True, eq=False)
class _Ply:
    """An anisotropic material somewhere in a layer: where (n, m)."""

    material: Material
    angle: float
    where: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class _LayerTable:
    """One layer over the grid: filled (n, m), elastic limit of isotropic parts (n, m; inf elsewhere),
    plies.
    """

    filled: NDArray[np.bool_]
    limit: Array
    plies: tuple[_Ply, ...]


@dataclass(frozen=True, eq=False)
class RodFields:
    """Tables to read states of one rod on one grid; `build` makes them, `state` reads."""

    rod: Rod
    stations: Array
    across: Array
    element: Index
    shape: Array
    tables: SectionTables
    integral: Array
    fold: Index
    side: Array
    face: Array
    layers: tuple[_LayerTable, ...]

    @classmethod
    def build(cls, rod: Rod, stations: Array, half_width_points: int) -> RodFields:
        """Grid of stations (n,) [mm] and 2 p - 1 evenly spaced places across, p = half_width_points >= 2."""
        strip, p = rod.strip, half_width_points
        stations = np.asarray(stations, dtype=float)
        half = 0.5 * strip.width_at(stations)
        places = half[:, None] * np.linspace(0.0, 1.0, p)
        rule = width_rule(half, strip.zone_edges_q(), places)
        q, integral = np.concatenate([rule.q, places], axis=1), np.concatenate([rule.inner, rule.to], axis=1)
        element, shape = rod.shape_at(stations)
        fold = np.concatenate([np.arange(p - 1, 0, -1), np.arange(p)])
        side = np.concatenate([-np.ones(p - 1), np.ones(p)])
        face, layers = _layers(strip, stations, side * places[:, fold])
        return cls(
            rod, stations, 0.5 * strip.width * np.linspace(-1.0, 1.0, 2 * p - 1), element, shape,
            tables_at(strip, stations, rule, q, integral, rod.modes), integral, fold, side, face, layers,
        )  # fmt: skip

    def state(self, u: Array) -> RodState:
        """Read the unknowns u."""
        rod, tab = self.rod, self.tables
        n, inside = len(self.stations), tab.rule.q.shape[1]
        local = u[rod.dofs[self.element]].reshape(n, rod.fields, 4)
        values = local @ self.shape.transpose(0, 2, 1)  # (n, F, 3)
        line, opening = values[:, :2], values[:, 2 : 2 + rod.modes]
        stretch = np.hypot(line[:, 0, 1], line[:, 1, 1])
        turning = (line[:, 0, 1] * line[:, 1, 2] - line[:, 1, 1] * line[:, 0, 2]) / stretch**2
        angle = tab.angle + (tab.mode @ opening[:, :, 0, None])[..., 0]
        sine, cosine = np.sin(angle), np.cos(angle)
        height = self._integrate(sine[:, :inside])
        lam, strain = self._strains(values, (stretch, turning), (angle, height))
        stress = (tab.stiffness @ strain[..., None])[..., 0]
        per2 = 1.0 / tab.rest[..., 0] ** 2
        weight = 2.0 * tab.rule.weight * tab.rest[:, :inside, 0]
        bend = stress[..., 2] * cosine * per2
        axial = stress[..., 0] * lam * per2 + bend * turning[:, None]
        moment = bend * lam - axial * height
        face_strain, size, share = self._faces(strain[:, inside:])
        return RodState(
            station=self.stations,
            position=line[:, :, 0],
            heading=np.unwrap(np.arctan2(line[:, 1, 1], line[:, 0, 1])),
            stretch=stretch,
            curvature=turning,
            opening=opening[:, :, 0],
            axial_force=np.sum(weight * axial[:, :inside], axis=1),
            moment=np.sum(weight * moment[:, :inside], axis=1),
            energy=0.5 * np.sum(weight * np.sum(stress * strain, axis=-1)[:, :inside], axis=1),
            across=self.across,
            height=height[:, inside:][:, self.fold],
            lateral=self.side * self._integrate(cosine[:, :inside])[:, inside:][:, self.fold],
            face=self.face,
            face_strain=face_strain,
            strain=size,
            layer_strain=self._layer_strain(face_strain),
            strain_share=share,
            thickness=rod.strip.thickness,
        )

    def summary(self, u: Array) -> RodSummary:
        """Read what is written down in every step, faster than the whole `state`."""
        if any(layer.plies for layer in self.layers):
            state = self.state(u)
            return RodSummary(
                state.station, state.position, state.curvature, state.axial_force, state.strain,
                state.strain_share,
            )  # fmt: skip
        n = len(self.stations)
        line, size, share = np.empty((n, 4)), np.empty((n, len(self.fold))), np.empty((n, len(self.fold)))
        read_summary(u, self._kernel_tables, line, size, share)
        return RodSummary(self.stations, line[:, :2], line[:, 2], line[:, 3], size, share)

    @cached_property
    def _kernel_tables(self) -> FieldTables:
        """The same tables for the compiled loop."""
        tab = self.tables
        c, layers = np.ascontiguousarray, self.layers
        filled = np.stack([layer.filled for layer in layers]).astype(np.float64)
        limit = np.stack([layer.limit for layer in layers])
        return FieldTables(
            self.rod.dofs[self.element], c(self.shape), c(tab.angle), c(tab.angle_s), c(tab.mode),
            c(tab.mode_q), c(tab.mode_integral), c(tab.warp), c(tab.warp_q), c(tab.rest), c(tab.stiffness),
            c(tab.across), c(tab.natural), c(self.integral), c(tab.rule.weight), self.fold, self.side,
            self.face, filled, limit,
        )  # fmt: skip

    def _layer_strain(self, faces: Array) -> Array:
        """Largest principal |strain| (layers, n, m) of each layer from the strains at the layers' faces."""
        mean, half = 0.5 * (faces[..., 0] + faces[..., 1]), 0.5 * (faces[..., 0] - faces[..., 1])
        size = np.abs(mean) + np.hypot(half, 0.5 * faces[..., 2])
        filled = np.stack([layer.filled for layer in self.layers])
        return np.where(filled, np.maximum(size[:-1], size[1:]), np.nan)

    def _integrate(self, values: Array) -> Array:
        """Integral from the mid-line to every place, (n, m) -> (n, P)."""
        return np.asarray((self.integral @ values[..., None])[..., 0])

    def _strains(
        self, values: Array, mid: tuple[Array, Array], section: tuple[Array, Array]
    ) -> tuple[Array, Array]:
        """Stretch lam (n, P) and (E_ss, 2E_sq, K_ss, K_qq, 2K_sq) (n, P, 5); formulas of `fem.rod.energy`."""
        tab, inside, modes = self.tables, self.tables.rule.q.shape[1], self.rod.modes
        (stretch, turning), (angle, height) = mid, section
        opening, warp = values[:, 2 : 2 + modes, :, None], values[:, 2 + modes :, :, None]
        slope = tab.angle_s + (tab.mode @ opening[:, :, 1])[..., 0]
        sine, cosine = np.sin(angle), np.cos(angle)
        height_s = self._integrate((cosine * slope)[:, :inside])
        place_s = -self._integrate((sine * slope)[:, :inside])
        lam = stretch[:, None] - turning[:, None] * height + (tab.warp @ warp[:, :, 1])[..., 0]
        lam0, rest_stretch, rest_shear, rest_bend = np.moveaxis(tab.rest, -1, 0)
        shear = (height_s * sine + place_s * cosine - rest_shear) / lam0 + (tab.warp_q @ warp[:, :, 0])[
            ..., 0
        ]
        bend = lam * turning[:, None] * cosine - rest_bend + (tab.mode_integral @ opening[:, :, 2])[..., 0]
        membrane = 0.5 * (lam**2 + height_s**2 + place_s**2 - rest_stretch)
        across, twist = (tab.mode_q @ opening[:, :, 0])[..., 0], (tab.mode @ opening[:, :, 1])[..., 0]
        return lam, np.stack([membrane / lam0**2, shear, bend / lam0**2, across, 2.0 * twist], axis=-1)

    def _faces(self, strain: Array) -> tuple[Array, Array, Array]:
        """Strains at the layers' faces, largest principal size and largest share of the limit, whole
        width.
        """
        inside = self.tables.rule.q.shape[1]
        across = np.sum(self.tables.across[:, inside:] * strain, axis=-1)
        natural = self.tables.natural[:, inside:]
        along, shear, bend, turn, twist = np.moveaxis(strain, -1, 0)
        # a laminate's order and sign: turn is that of the angle, per length at rest
        k_q = -turn - natural[..., 1] * across
        full = np.stack([along, across, shear, -bend, k_q, -twist], axis=-1)[:, self.fold]
        faces = strain_at(full, natural[:, self.fold], self.face[:, None, None])
        faces[..., 2] *= self.side
        mean, half = 0.5 * (faces[..., 0] + faces[..., 1]), 0.5 * (faces[..., 0] - faces[..., 1])
        sizes = np.abs(mean) + np.hypot(half, 0.5 * faces[..., 2])
        size, share = np.zeros(sizes.shape[1:]), np.zeros(sizes.shape[1:])
        for i, layer in enumerate(self.layers):
            worst = np.maximum(sizes[i], sizes[i + 1])
            size = np.maximum(size, np.where(layer.filled, worst, 0.0))
            share = np.maximum(share, worst / layer.limit)
            for ply in layer.plies:
                for face in (faces[i], faces[i + 1]):
                    own = ply.material.strain_share(face[ply.where], ply.angle)
                    share[ply.where] = np.maximum(share[ply.where], own)
        return faces, size, share


def _layers(strip: RestStrip, stations: Array, q: Array) -> tuple[Array, tuple[_LayerTable, ...]]:
    """Faces (k + 1,) and layers of the stacks over the grid q (n, m)."""
    stacks = [[strip.stack_at(float(s), float(at)) for at in row] for s, row in zip(stations, q, strict=True)]
    first = stacks[0][0]
    return np.asarray(first.z_edges), tuple(_layer(stacks, i) for i in range(len(first.materials)))


def _layer(stacks: list[list[Stack]], i: int) -> _LayerTable:
    shape = (len(stacks), len(stacks[0]))
    limit, filled = np.full(shape, np.inf), np.zeros(shape, dtype=bool)
    plies: dict[tuple[str, float], _Ply] = {}
    for row, line in enumerate(stacks):
        for column, stack in enumerate(line):
            material = stack.materials[i]
            if material is None:
                continue
            filled[row, column] = True
            if material.is_isotropic:
                limit[row, column] = material.strain_limit
                continue
            key = (material.name, stack.angles[i])
            ply = plies.setdefault(key, _Ply(material, stack.angles[i], np.zeros(shape, dtype=bool)))
            ply.where[row, column] = True
    return _LayerTable(filled, limit, tuple(plies.values()))
