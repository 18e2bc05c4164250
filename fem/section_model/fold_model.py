"""The section model: one cross-section of the strip, bent lengthwise to a given curvature.

Nothing changes along the strip, so the shape of the section and the stretch of its middle are all that is
left to find: minimise the energy per length U(curvature) and M = dU/d(curvature) follows. A curved section
resists until it flattens; the fall of M after that is why the strip folds.

The section angle is the rest angle plus a spectral series across the width (Legendre polynomials for its
derivative, one set per layer zone, half the width where left and right mirror each other). Rotations are
large, the width keeps its length but carries no force, edges are free, the axial force is zero. Turning of
the whole section about the path is held (mean turn zero), as in a planar rod: rolling over is not seen.

With the path's curvature w, stretch l of the middle, h(q) = int sin(phi), lam = l - w h, and 0 for rest:
    e_s = (lam^2 - lam0^2) / (2 lam0^2),  k_s = -(lam w cos(phi) - lam0 w0 cos(phi0)) / lam0^2,
    k_q = -(phi_q - phi0_q)
which are the membrane strain and curvature changes of a Kirchhoff-Love shell swept along a circle (k_q: that
of the angle per length at rest). Stiffness, and strain at height z toward the axle, are those of layers that
are curved by nature (`fem.design.curved_layers`): K_s = w0 cos(phi0) / lam0, K_q = phi0_q. Curvature > 0
bends toward the axle.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import pairwise

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray

from fem.core.errors import InputError
from fem.core.term import Array
from fem.design.curved_layers import curved_laminate, with_turn_across
from fem.design.layup import Stack
from fem.design.material import Laminate, condense, laminate

_SOUGHT = (0, 3, 4)  # e_s, k_s, k_q of (e_s, e_q, e_sq, k_s, k_q, k_sq)
_HELD = (0, 3, 4, 5)  # the same and the twist, which a planar path keeps at zero


def stack_laminate(stack: Stack) -> Laminate:
    """A, B, D of a flat stack about z = 0; layers of nothing have no stiffness."""
    return laminate(stack.z_edges, stack.plies)


@dataclass(frozen=True, eq=False)
class SectionZone:
    """Stretch q0..q1 [mm] of the width with one stack of layers."""

    q0: float
    q1: float
    stack: Stack


@dataclass(frozen=True, eq=False)
class SectionProblem:
    """A cross-section to bend: zones side by side across the width, rest angle, rest curvature of the path.

    angle: q (n,) [mm] -> (phi0, dphi0/dq), each (n,), [rad], [rad/mm]; edges toward the axle are positive.
    rest_curvature [1/mm], > 0 toward the axle. modes: polynomials per half width (fewer in a
    narrower zone).
    """

    zones: tuple[SectionZone, ...]
    angle: Callable[[Array], tuple[Array, Array]]
    rest_curvature: float = 0.0
    modes: int = 22

    def __post_init__(self) -> None:
        edges = [zone.q0 for zone in self.zones] + [self.zones[-1].q1]
        if not (all(a < b for a, b in pairwise(edges)) and edges[0] < 0.0 < edges[-1]):
            raise InputError(f"zones must follow each other across q = 0, got edges {edges}")
        if any(a.q1 != b.q0 for a, b in pairwise(self.zones)):
            raise InputError("zones must touch: each q0 must equal the q1 before it")

    @classmethod
    def at_station(
        cls,
        edges: Array,
        stack_at: Callable[[float], Stack],
        angle: Callable[[Array], tuple[Array, Array]],
        rest_curvature: float = 0.0,
    ) -> SectionProblem:
        """From functions of q: edges (n + 1,) [mm] rise across the width, one stack between two."""
        zones = [SectionZone(float(a), float(b), stack_at(0.5 * float(a + b))) for a, b in pairwise(edges)]
        return cls(tuple(zones), angle, rest_curvature)

    @property
    def width(self) -> float:
        """Developed width [mm]."""
        return self.zones[-1].q1 - self.zones[0].q0

    @cached_property
    def model(self) -> SectionModel:
        """The discretised section, built once."""
        return SectionModel.build(self)

    def mean_section_curvature(self) -> float:
        """Turn of the section from edge to edge over the width [1/mm]; > 0: edges toward the axle."""
        phi, _ = self.angle(np.array([self.zones[0].q0, self.zones[-1].q1]))
        return float(phi[1] - phi[0]) / self.width


@dataclass(frozen=True)
class Strains:
    """Generalised strains v (g, 3) = (e_s, k_s, k_q), stretch lam (g,) and height h (g,) at the points."""

    v: Array
    lam: Array
    h: Array


@dataclass(frozen=True)
class SectionModel:
    """The section on its points: q (g,), weights (g,) times lam0, basis and integration matrices, stiffness.

    basis (g, n), basis_q (g, n): angle series and derivative; integral (g, g): f at points -> int_0^q f.
    stiffness (g, 3, 3) for (e_s, k_s, k_q) with force across and shear force free; recovery (g, 2, 3) gives
    (e_q, e_sq) from them; zone (g,) index of the zone of each point; natural (g, 2): curvatures (K_s, K_q) of
    the surface at rest.
    """

    q: Array
    weights: Array
    basis: Array
    basis_q: Array
    integral: Array
    stiffness: Array
    recovery: Array
    zone: NDArray[np.int64]
    natural: Array
    mirrored: bool
    angle: Array
    angle_q: Array
    lam0: Array
    bend0: Array
    rest_curvature: float

    @classmethod
    def build(cls, problem: SectionProblem) -> SectionModel:
        """Points, basis and stiffness of a problem; half the width when it mirrors itself."""
        mirrored = _mirrors(problem)
        low = 0.0 if mirrored else problem.zones[0].q0
        parts = [(max(z.q0, low), z.q1, i) for i, z in enumerate(problem.zones) if z.q1 > low]
        parts = [
            p for z in parts for p in ([(z[0], 0.0, z[2]), (0.0, z[1], z[2])] if z[0] < 0 < z[1] else [z])
        ]
        grid = _grid(parts, problem.modes, 0.5 * problem.width)
        phi0, phi0_q = problem.angle(grid.q)
        basis = grid.basis
        if not mirrored:  # hold the mean turn of the whole section
            basis = basis - (grid.weights @ basis) / grid.weights.sum()
        lam0 = 1.0 - problem.rest_curvature * (grid.integral @ np.sin(phi0))
        if lam0.min() <= 0.0:
            raise InputError(
                "the section reaches the centre of the rest bend: bend radius or depth is impossible"
            )
        natural = np.column_stack([problem.rest_curvature * np.cos(phi0) / lam0, phi0_q])
        abd = _laminates(problem, grid.zone, natural)
        twistless = condense(abd, _HELD)[:, :3, :3]
        free = np.ix_(range(len(abd)), (1, 2), (1, 2))
        recovery = np.linalg.solve(abd[free], -abd[np.ix_(range(len(abd)), (1, 2), _SOUGHT)])
        return cls(
            grid.q, grid.weights * lam0 * (2.0 if mirrored else 1.0), basis, grid.basis_q, grid.integral,
            twistless, np.asarray(recovery), grid.zone, natural, mirrored, phi0, phi0_q, lam0,
            lam0 * problem.rest_curvature * np.cos(phi0), problem.rest_curvature,
        )  # fmt: skip

    @property
    def rest(self) -> Array:
        """Unknowns at rest: no change of angle, stretch 1."""
        return np.append(np.zeros(self.basis.shape[1]), 1.0)

    def section_angle(self, x: Array) -> Array:
        """Section angle (g,) [rad] of unknowns x."""
        return np.asarray(self.angle + self.basis @ x[:-1])

    def strains(self, phi: Array, bend: Array, stretch: float, curvature: float) -> Strains:
        """Strains of a section with angle phi (g,), change of phi_q `bend` (g,), stretch and curvature."""
        h = self.integral @ np.sin(phi)
        lam = stretch - curvature * h
        scale = 1.0 / self.lam0**2
        e_s = 0.5 * (lam**2 * scale - 1.0)
        k_s = -(lam * curvature * np.cos(phi) - self.bend0) * scale
        return Strains(np.stack([e_s, k_s, -bend], axis=1), lam, h)

    def energy(self, strains: Strains) -> float:
        """Strain energy per length of the rest path [N mm/mm]."""
        v = strains.v
        return float(0.5 * self.weights @ np.einsum("gi,gij,gj->g", v, self.stiffness, v))

    def energy_at(self, x: Array, curvature: float) -> float:
        """Energy per length [N] of unknowns x at a curvature."""
        bend = self.basis_q @ x[:-1]
        return self.energy(self.strains(self.section_angle(x), bend, float(x[-1]), curvature))

    def derivatives(self, x: Array, curvature: float) -> tuple[Array, Array, Array, float, float]:
        """Gradient (n,), Hessian (n, n), d(gradient)/dw (n,), dU/dw and d2U/dw2 at fixed x; w = curvature."""
        w, n = curvature, x.size
        phi = self.section_angle(x)
        sin, cos = np.sin(phi), np.cos(phi)
        strains = self.strains(phi, self.basis_q @ x[:-1], float(x[-1]), w)
        lam, h, scale = strains.lam, strains.h, 1.0 / self.lam0**2
        weighted = self.weights[:, None, None] * self.stiffness
        sigma = np.einsum("gij,gj->gi", weighted, strains.v)
        force, bend = sigma[:, 0] * scale, sigma[:, 1] * scale

        rows = np.zeros((self.q.size, 3, n))  # first derivatives of lam, phi, phi_q
        lift = self.integral @ (cos[:, None] * self.basis)
        rows[:, 0, :-1] = -w * lift
        rows[:, 0, -1] = 1.0
        rows[:, 1, :-1] = self.basis
        rows[:, 2, :-1] = self.basis_q

        first = np.zeros((self.q.size, 3, 3))  # d(e_s, k_s, k_q) / d(lam, phi, phi_q)
        first[:, 0, 0] = lam * scale
        first[:, 1, 0] = -w * cos * scale
        first[:, 1, 1] = lam * w * sin * scale
        first[:, 2, 2] = -1.0
        inner = np.swapaxes(first, 1, 2) @ weighted
        block = inner @ first
        on_lam = lam * force - w * cos * bend  # conjugate of the second variation of lam
        block[:, 0, 0] += force
        block[:, 0, 1] += w * sin * bend
        block[:, 1, 0] += w * sin * bend
        block[:, 1, 1] += lam * w * cos * bend + w * sin * (self.integral.T @ on_lam)
        flat = rows.reshape(-1, n)
        hessian = flat.T @ (block @ rows).reshape(-1, n)
        gradient = flat.T @ np.einsum("gia,gi->ga", first, sigma).reshape(-1)

        by_w = np.zeros((self.q.size, 3))  # d(e_s, k_s, k_q)/dw at fixed x
        by_w[:, 0] = -lam * h * scale
        by_w[:, 1] = -cos * (lam - w * h) * scale
        mixed = np.einsum("gij,gj->gi", inner, by_w)
        mixed[:, 0] += -h * force - cos * bend
        mixed[:, 1] += sin * (lam - w * h) * bend
        cross = flat.T @ mixed.reshape(-1)
        cross[:-1] += lift.T @ (w * cos * bend - lam * force)
        moment = float(np.sum(sigma * by_w))
        stiff = float(
            np.einsum("gi,gij,gj->", by_w, weighted, by_w) + np.sum(h * h * force + 2.0 * h * cos * bend)
        )
        return gradient, hessian, cross, moment, stiff


def _laminates(problem: SectionProblem, zone: NDArray[np.int64], natural: Array) -> Array:
    """Stiffness (g, 6, 6), for this model's k_q, at points in zones (g,) of natural curvatures (g, 2)."""
    abd = np.empty((len(zone), 6, 6))
    for number, part in enumerate(problem.zones):
        here = zone == number
        abd[here] = curved_laminate(part.stack.z_edges, part.stack.plies, natural[here])
    return with_turn_across(abd, natural[:, 1])


@dataclass(frozen=True)
class _Grid:
    """Points of all parts in order of q; the ends of each part are points of no weight."""

    q: Array
    weights: Array
    basis: Array
    basis_q: Array
    integral: Array
    zone: NDArray[np.int64]


@lru_cache(maxsize=64)
def _series(modes: int) -> tuple[Array, Array, Array, Array, Array]:
    """On -1..1: points, weights, scaled Legendre values and integrals (m, modes), integration (m, m)."""
    gauss, gauss_weights = legendre.leggauss(modes + 8)
    nodes = np.concatenate([[-1.0], gauss, [1.0]])
    orders = np.arange(modes + 8)
    values = legendre.legvander(nodes, orders.size)
    grown = np.empty((nodes.size, orders.size))  # int_-1^x P_m = (P_m+1 - P_m-1) / (2 m + 1)
    grown[:, 0] = nodes + 1.0
    grown[:, 1:] = (values[:, 2:] - values[:, :-2]) / (2.0 * orders[1:] + 1.0)
    within = np.zeros((nodes.size, nodes.size))
    within[:, 1:-1] = grown @ ((orders + 0.5)[:, None] * values[1:-1, :-1].T * gauss_weights)
    scale = np.sqrt(2.0 * orders[:modes] + 1.0)
    weights = np.concatenate([[0.0], gauss_weights, [0.0]])
    return nodes, weights, values[:, :modes] * scale, grown[:, :modes] * scale, within


def _grid(parts: Sequence[tuple[float, float, int]], modes: int, half_width: float) -> _Grid:
    """Series on every part (q0, q1, zone), integrals from q = 0; fewer polynomials on a part that is short.

    An edge layer of thickness d needs about sqrt(length / d) polynomials.
    """
    counts = [max(8, math.ceil(modes * math.sqrt(min(1.0, (q1 - q0) / half_width)))) for q0, q1, _ in parts]
    size, unknowns = sum(counts) + 10 * len(parts), sum(counts)
    q, weights, zone = np.empty(size), np.zeros(size), np.empty(size, dtype=np.int64)
    basis, basis_q = np.zeros((size, unknowns)), np.zeros((size, unknowns))
    integral = np.zeros((size, size))
    row = column = 0
    for (q0, q1, number), count in zip(parts, counts, strict=True):
        nodes, part_weights, values, grown, within = _series(count)
        end = row + nodes.size
        rows, columns, half = slice(row, end), slice(column, column + count), 0.5 * (q1 - q0)
        q[rows], zone[rows], weights[rows] = q0 + half * (nodes + 1.0), number, half * part_weights
        basis[rows, columns], basis_q[rows, columns] = grown, values / half
        basis[end:, columns] = grown[-1]
        integral[rows, rows] = half * within
        integral[end:, rows] = half * within[-1]
        row, column = end, column + count
    middle = int(np.argmin(np.abs(q)))  # a part ends at q = 0
    return _Grid(q, weights, basis, basis_q, integral - integral[middle], zone)


def _same(one: Stack, other: Stack) -> bool:
    """Whether two stacks have the same layers at the same heights."""
    return (
        one.materials == other.materials
        and one.angles == other.angles
        and np.array_equal(one.z_edges, other.z_edges)
    )


def _mirrors(problem: SectionProblem) -> bool:
    """True when the rest angle is odd in q and the stacks are even: half the width then is enough."""
    low, high = problem.zones[0].q0, problem.zones[-1].q1
    if not math.isclose(-low, high, rel_tol=1e-9):
        return False
    for zone, other in zip(problem.zones, reversed(problem.zones), strict=True):
        if not _same(zone.stack, other.stack) or not math.isclose(zone.q0, -other.q1, abs_tol=1e-6 * high):
            return False
    q = np.linspace(0.0, high, 40)[1:]
    (right, _), (left, _) = problem.angle(q), problem.angle(-q)
    return bool(np.allclose(right, -left, rtol=0.0, atol=1e-9))
