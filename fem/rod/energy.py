"""The quick model: a planar rod whose cross-section is free to open.

The strip keeps its mid-line in a plane and its section symmetric about the mid-line. Along s it carries the
mid-line r(s), a few opening amplitudes b_m(s) of the section angle, phi(s,q) = phi0 + sum_m b_m psi_m(q), and
warping amplitudes a_k(s) of the displacement along the strip, a_k f_k(q). A point of the mid-surface is

    P = r + h n + x e_z + (sum_k a_k f_k) t,   h = int_0^q sin phi dq,   x = int_0^q cos phi dq

(n = heading turned by +90 degrees). The energy is that of a Kirchhoff-Love shell of this shape (membrane
strain along, shear, both curvatures, twist; the force across the width is zero), integrated over the half
width. Every strain below is measured from the rest shape, so a doubly curved rest state is free of stress:

    l = |r'|, w = (r' x r'')/l^2, lam = l - w h + sum_k a_k' f_k
    E_ss  = (lam^2 + h_s^2 + x_s^2 - rest)/(2 lam0^2)
    2E_sq = (h_s sin phi + x_s cos phi - rest)/lam0 + sum_k a_k f_k'
    K_ss  = (lam w cos phi + sum_m b_m'' int_0^q psi_m - rest)/lam0^2
    K_qq  = sum_m b_m psi_m',     2K_sq = 2 sum_m b_m' psi_m

with lam0 = 1 - w0 h0; curvatures are positive toward the axle. Stiffness, and strain at height z (E - z K in
a flat strip), are those of layers that are curved by nature: see `fem.design.curved_layers`; K_qq is that of
the angle per length at rest. (Own derivation from the shell strains of a swept surface; the shell model is
the check. In K_ss the small term of the section's second derivative along s is kept to first order.)

What it cannot do: leave the plane or the symmetry about the mid-line. A thin strip that twists over first
(equal-sense bending, a clamped column) gives way earlier than the rod says; bench pushes with the shell show
it. Where a flattened root opens, the one warping of a thick strip stores up to 7 % too much.

Unknowns: cubic Hermite functions, value and slope of each field per node, node by node.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from skfem import Basis, MeshLine

from fem.core.term import Array, Blocks, Evaluation, Index, Term
from fem.jit.simd import LANES, in_lanes
from fem.mesh.hermite_line import HermiteLine, hermite
from fem.rod.kernels.energy import rod_energy
from fem.rod.kernels.width import Tables
from fem.rod.section_tables import RestStrip, SectionTables, mode_count, section_tables, warp_count

GAUSS_ORDER = 5
PROBE = 1e-3
"""Share of a move over which its first effect on stresses is differenced; they serve a tangent alone."""


@dataclass(frozen=True)
class Rod:
    """A rod on a line mesh: numbering, shape tables and section tables at the quadrature stations.

    nodes (N+1,) stations; dofs (N, 4F) with F fields, element unknowns ordered field by field as
    (value, slope at the left node; value, slope at the right node); modes, warps: numbers of opening and
    warping amplitudes; stations (N, G); shape (N, G, 3, 4).
    """

    strip: RestStrip
    nodes: Array
    modes: int
    warps: int
    dofs: Index
    basis: Basis
    stations: Array
    shape: Array
    tables: SectionTables

    @property
    def fields(self) -> int:
        """x, y, opening modes, warping modes."""
        return 2 + self.modes + self.warps

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return 2 * self.fields * len(self.nodes)

    @cached_property
    def weights(self) -> Array:
        """Weights (N, G) of the quadrature stations [mm]."""
        return np.asarray(self.basis.dx, dtype=np.float64).reshape(self.stations.shape)

    def index(self, node: int, field: int, slope: int = 0) -> int:
        """Number of one unknown; negative nodes count from the end."""
        return (node % len(self.nodes) * self.fields + field) * 2 + slope

    def shape_at(self, stations: Array) -> tuple[Index, Array]:
        """Element (n,) and functions with two derivatives (n, 3, 4) at stations (n,) [mm]."""
        element = np.clip(np.searchsorted(self.nodes, stations, side="right") - 1, 0, len(self.nodes) - 2)
        size = np.diff(self.nodes)[element]
        table = hermite((stations - self.nodes[element]) / size, size)
        shape = np.stack([np.stack([f[d] for f in table], axis=-1) for d in range(3)], axis=1)
        return element.astype(np.int64), shape


def build_rod(strip: RestStrip, nodes: Array) -> Rod:
    """Rod over the given node stations [mm] (increasing, from 0 to the strip's length)."""
    mesh = MeshLine(np.asarray(nodes, dtype=float)[None, :])
    basis = Basis(mesh, HermiteLine(), intorder=GAUSS_ORDER)
    count = mode_count(strip)
    elements = len(nodes) - 1
    warps = warp_count(strip)
    fields = 2 + count + warps
    points = basis.X.shape[-1]
    shape = np.empty((elements, points, 3, 4))
    for i in range(4):
        field = basis.basis[i][0]
        shape[:, :, 0, i] = np.asarray(field)
        shape[:, :, 1, i] = np.asarray(field.grad)[0]
        shape[:, :, 2, i] = np.asarray(field.hess)[0, 0]
    stations = np.asarray(basis.global_coordinates())[0]
    tables = section_tables(strip, stations.ravel(), np.zeros((stations.size, 0)), count)
    numbers = element_dofs(elements, fields)
    return Rod(strip, np.asarray(nodes, dtype=float), count, warps, numbers, basis, stations, shape, tables)


def element_dofs(elements: int, fields: int) -> Index:
    """(N, 4F) unknowns of each element, field by field."""
    left = np.arange(elements)[:, None, None] * fields + np.arange(fields)[None, :, None]
    local = np.concatenate([2 * left, 2 * left + 1, 2 * (left + fields), 2 * (left + fields) + 1], axis=2)
    return np.asarray(local.reshape(elements, 4 * fields), dtype=np.int64)


def rest_state(rod: Rod, position: Array, heading: Array) -> Array:
    """Unknowns of the unstressed strip: position (N+1, 2), heading (N+1,) at the nodes, no opening, no
    warping.
    """
    u = np.zeros(rod.size).reshape(len(rod.nodes), rod.fields, 2)
    u[:, 0, 0], u[:, 1, 0] = position[:, 0], position[:, 1]
    u[:, 0, 1], u[:, 1, 1] = np.cos(heading), np.sin(heading)
    return u.ravel()


@dataclass(frozen=True)
class SnapTest:
    """Whether some node of the rod turns farther within a step than `most` [rad]: a snap, which wants more
    than one step.
    """

    rod: Rod
    most: float

    def __call__(self, before: Array, u: Array) -> bool:
        """Whether that is so from one state to another."""
        there, here = (x.reshape(len(self.rod.nodes), self.rod.fields, 2)[:, :2, 1] for x in (before, u))
        across = there[:, 0] * here[:, 1] - there[:, 1] * here[:, 0]
        return bool(np.abs(np.arctan2(across, (there * here).sum(axis=1))).max() > self.most)


def length_weights(rod: Rod) -> Array:
    """Factors (n,) that make every unknown a length [mm]: slopes by the element, openings by the edge's
    height.
    """
    element, edge = float(np.diff(rod.nodes).mean()), 0.125 * rod.strip.width**2
    weights = np.ones((len(rod.nodes), rod.fields, 2))
    weights[:, :, 1] = element
    weights[:, 2 : 2 + rod.modes] *= edge
    return weights.ravel()


def flat_amplitudes(rod: Rod, station: float) -> Array:
    """Opening amplitudes (M,) that press the section flat at a station (least squares over the half
    width).
    """
    tables = section_tables(rod.strip, np.array([station]), np.zeros((1, 0)), rod.modes)
    weight = np.sqrt(tables.rule.weight[0])[:, None]
    fit = np.linalg.lstsq(tables.mode[0] * weight, -tables.angle[0] * weight[:, 0], rcond=None)[0]
    return np.asarray(fit)


def flattened(rod: Rod, strip: RestStrip) -> tuple[Rod, Array]:
    """A rod of the same strip made straight and flat (`strip`), with the same opening modes; and the opening
    amplitudes (size,) at which the section of the former is flat, from which those of the latter are counted.
    """
    own = rod.tables
    tables = section_tables(strip, rod.stations.ravel(), np.zeros((rod.stations.size, 0)), rod.modes)
    tables = replace(
        tables, mode=own.mode, mode_q=own.mode_q, mode_integral=own.mode_integral, warp=own.warp,
        warp_q=own.warp_q,
    )  # fmt: skip
    amplitudes = np.zeros((len(rod.nodes), rod.fields, 2))
    flat = np.array([flat_amplitudes(rod, float(node)) for node in rod.nodes])
    amplitudes[:, 2 : 2 + rod.modes, 0] = flat
    amplitudes[:, 2 : 2 + rod.modes, 1] = np.gradient(flat, rod.nodes, axis=0)
    return replace(rod, strip=strip, tables=tables), amplitudes.ravel()


@dataclass(frozen=True)
class CountedFrom:
    """A term whose unknowns are counted from others (size,)."""

    term: Term
    origin: Array

    def evaluate(self, u: Array, order: int) -> Evaluation:
        """The term's, of what goes beyond the origin."""
        return self.term.evaluate(u - self.origin, order)


@dataclass
class RodEnergy:
    """Elastic energy of the rod as a term of the potential."""

    rod: Rod

    def __post_init__(self) -> None:
        tab, elements = self.rod.tables, len(self.rod.dofs)

        def lanes(table: Array) -> Array:
            """(r, ..., LANES) from (n, ...), n stations element by element."""
            table = in_lanes(table.reshape(elements, -1, *table.shape[1:]))
            return table.reshape(-1, *table.shape[2:])

        self._no_stress = np.zeros((0, 0, 5, LANES))
        weights, shape = lanes(self.rod.weights.ravel()), self.rod.shape
        # lanes beyond the last element do not count
        weights.reshape(-1, shape.shape[1], LANES)[-1, :, (elements - 1) % LANES + 1 :] = 0.0
        share = 2 * tab.rule.weight * tab.rest[..., 0]
        self._tables = Tables(
            weights,
            shape=lanes(shape.reshape(-1, *shape.shape[2:])),
            angle=lanes(tab.angle),
            angle_s=lanes(tab.angle_s),
            mode=lanes(tab.mode),
            mode_q=lanes(tab.mode_q),
            mode_integral=lanes(tab.mode_integral),
            warp=lanes(tab.warp),
            warp_q=lanes(tab.warp_q),
            inner=lanes(tab.rule.inner),
            stiffness=lanes(tab.stiffness * share[..., None, None]),
            rest=lanes(tab.rest),
            couples=np.any(tab.stiffness != 0.0, axis=(0, 1)).astype(np.int64),
        )

    def evaluate(self, u: Array, order: int) -> Evaluation:
        """Energy [N mm], gradient (n,) and element blocks (N, 4F, 4F)."""
        return self._evaluated(u, order, self._no_stress)

    def evaluate_after(self, u: Array, last: Array) -> Evaluation:
        """Order 2 at u (n,), the geometric part of the tangent by stresses extrapolated over `last`."""
        before, beyond = self._stress(u - last), self._stress(u - (1.0 - PROBE) * last)
        return self._evaluated(u, 2, before + (beyond - before) / PROBE)

    def evaluate_stressed(self, u: Array, where: Array) -> Evaluation:
        """Order 2 at u (n,), the geometric part of the tangent by the stresses at `where` (n,)."""
        return self._evaluated(u, 2, self._stress(where))

    def _stress(self, u: Array) -> Array:
        """Stresses of all places as the loops number them."""
        stress = np.zeros((len(self._tables.weights), self._tables.angle.shape[1], 5, LANES))
        rod_energy(0, u, self.rod.dofs, self._tables, np.zeros(0), np.zeros((0, 0, 0)), stress)
        return stress

    def _evaluated(self, u: Array, order: int, stress: Array) -> Evaluation:
        k = self.rod.dofs.shape[1]
        gradient = np.zeros(self.rod.size)
        blocks = np.zeros((len(self.rod.dofs) if order > 1 else 0, k, k))
        energy = rod_energy(order, u, self.rod.dofs, self._tables, gradient, blocks, stress)
        return Evaluation(float(energy), gradient, (Blocks(self.rod.dofs, blocks),) if order > 1 else ())
