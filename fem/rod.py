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

with lam0 = 1 - w0 h0. (Own derivation from the shell strains of a swept surface; the shell model is the
check. In K_ss the small term of the section's second derivative along s is kept to first order.)

Unknowns: cubic Hermite functions, value and slope of each field per node, node by node.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numba import njit
from numpy.typing import NDArray
from skfem import Basis, MeshLine
from skfem.element import DiscreteField, Element
from skfem.refdom import RefLine

from fem.equilibrium import Array, Blocks, Evaluation, Index

WARP_MODES = 2
WIDTH_POINTS = 5
GAUSS_ORDER = 5
MODE_RESIDUAL = 0.02


class RestArrays(Protocol):
    """Rest state of the strip on a grid (n stations, m places across); see `fem.strip.Strip.rest_arrays`."""

    phi: Array
    phi_s: Array
    phi_q: Array
    curvature: Array
    abd: Array
    mass: Array


class RestStrip(Protocol):
    """What the rod needs to know of a strip."""

    @property
    def length(self) -> float: ...
    @property
    def width(self) -> float: ...
    @property
    def thickness(self) -> float: ...
    def width_at(self, s: Array) -> Array: ...
    def rest_arrays(self, s: Array, q: Array) -> Any: ...
    def zone_edges_q(self) -> Array: ...


class HermiteLine(Element):  # type: ignore[misc]
    """Cubic Hermite line element in closed form (value and slope at both ends).

    The stock element inverts one matrix of global monomials and loses digits on strips of 100 mm; here the
    four functions are written out on the unit interval.
    """

    nodal_dofs = 2
    maxdeg = 3
    dofnames = ["u", "u_s"]
    doflocs = np.array([[0.0], [0.0], [1.0], [1.0]])
    refdom = RefLine

    def gbasis(self, mapping: Any, X: Array, i: int, tind: Any = None) -> tuple[DiscreteField]:
        """Function i (0..3) with first and second derivative at reference points X (1, Q)."""
        size = np.abs(mapping.detDF(X, tind))
        t = np.broadcast_to(X[0] if X.ndim == 2 else X[0], size.shape)
        value, first, second = hermite(t, size)[i]
        return (DiscreteField(value=value, grad=first[None], hess=second[None, None]),)


def hermite(t: Array, size: Array) -> list[tuple[Array, Array, Array]]:
    """Four cubic Hermite functions on an element of length `size` at t in [0, 1]: value, d/ds, d2/ds2."""
    return [
        (1 - 3 * t**2 + 2 * t**3, (-6 * t + 6 * t**2) / size, (-6 + 12 * t) / size**2),
        ((t - 2 * t**2 + t**3) * size, 1 - 4 * t + 3 * t**2, (-4 + 6 * t) / size),
        (3 * t**2 - 2 * t**3, (6 * t - 6 * t**2) / size, (6 - 12 * t) / size**2),
        ((-(t**2) + t**3) * size, -2 * t + 3 * t**2, (-2 + 6 * t) / size),
    ]


@dataclass(frozen=True)
class WidthRule:
    """Quadrature over the half width at a set of stations.

    q, weight (n, m): places and weights; inner (n, m, m): inner[i] @ f = int_0^q f dq at the places; to (n, k, m): the
    same integral up to k other places.
    """

    q: Array
    weight: Array
    inner: Array
    to: Array


def width_rule(half_width: Array, breaks: Array, targets: Array) -> WidthRule:
    """Gauss points over [0, half width], piece by piece between `breaks` (layer edges).

    half_width (n,); breaks: |q| of layer edges; targets (n, k): other places to integrate to.
    """
    n = len(half_width)
    cuts = np.unique(np.round(np.abs(breaks), 9))
    cuts = cuts[(cuts > 1e-6) & (cuts < half_width.min() * (1 - 1e-6))]
    pieces = len(cuts) + 1
    points = WIDTH_POINTS if pieces == 1 else 3
    node, weight = np.polynomial.legendre.leggauss(points)
    m = pieces * points
    q, wq = np.empty((n, m)), np.empty((n, m))
    inner, to = np.zeros((n, m, m)), np.zeros((n, targets.shape[1], m))
    for row in range(n):
        ends = np.concatenate([[0.0], cuts, [half_width[row]]])
        for piece in range(pieces):
            low, high = ends[piece], ends[piece + 1]
            sl = slice(piece * points, (piece + 1) * points)
            q[row, sl] = 0.5 * (low + high) + 0.5 * (high - low) * node
            wq[row, sl] = 0.5 * (high - low) * weight
        for place, matrix in ((q[row], inner[row]), (targets[row], to[row])):
            for j, upto in enumerate(place):
                matrix[j] = _integral_row(upto, ends, node, wq[row])
    return WidthRule(q, wq, inner, to)


def _integral_row(upto: float, ends: Array, node: Array, weights: Array) -> Array:
    """Weights of int_0^upto f dq for f known at the Gauss points of every piece."""
    points = len(node)
    row = np.zeros_like(weights)
    for piece in range(len(ends) - 1):
        sl = slice(piece * points, (piece + 1) * points)
        low, high = ends[piece], ends[piece + 1]
        if upto >= high - 1e-12 * high:
            row[sl] = weights[sl]
        elif upto > low:
            vander = np.polynomial.legendre.legvander(node, points - 1)
            top = 2 * (upto - low) / (high - low) - 1
            primitive = np.empty(points)
            for k in range(points):
                c = np.zeros(k + 1)
                c[k] = 1
                integral = np.polynomial.legendre.legint(c, lbnd=-1)
                primitive[k] = np.polynomial.legendre.legval(top, integral)
            row[sl] = 0.5 * (high - low) * np.linalg.solve(vander.T, primitive)
    return row


@dataclass(frozen=True)
class SectionTables:
    """Section shape and its modes at stations (n) and width places (m): all that the kernels read.

    angle, angle_s (n, m) rest; mode (n, m, M), mode_q (n, m, M), mode_integral (n, m, M); warp, warp_q (n, m, W);
    stiffness (n, m, 5, 5) for (E_ss, 2E_sq, K_ss, K_qq, 2K_sq); rest (n, m, 4): lam0, E, shear and K_ss offsets.
    """

    rule: WidthRule
    angle: Array
    angle_s: Array
    mode: Array
    mode_q: Array
    mode_integral: Array
    warp: Array
    warp_q: Array
    stiffness: Array
    rest: Array
    mass: Array


def section_tables(strip: RestStrip, stations: Array, targets: Array, modes: int) -> SectionTables:
    """Tabulate the rest section along the strip. targets (n, k): places for contact lines."""
    half = 0.5 * strip.width_at(stations)
    rule = width_rule(half, strip.zone_edges_q(), targets)
    right, left = _rest(strip, stations, rule.q), _rest(strip, stations, -rule.q)
    angle = 0.5 * (right["phi"] - left["phi"])
    angle_s = 0.5 * (right["phi_s"] - left["phi_s"])
    abd = 0.5 * (right["abd"] + mirror(left["abd"]))
    mode, mode_q = opening_modes(strip, stations, rule.q, modes)
    eta = 2 * rule.q / strip.width
    power = 2 * np.arange(1, WARP_MODES + 1)
    warp = eta[..., None] ** power
    warp_q = power * eta[..., None] ** (power - 1) * 2 / strip.width
    integral = np.einsum("nij,njm->nim", rule.inner, mode)
    tables = SectionTables(rule, angle, angle_s, mode, mode_q, integral, warp, warp_q, condense(abd),
                           _rest_offsets(rule, angle, angle_s, right["curvature"]), 0.5 * (right["mass"] + left["mass"]))
    return tables


def mirror(abd: Array) -> Array:
    """ABD of the mirrored half: the couplings with shear and twist change sign with q."""
    sign = np.array([1.0, 1.0, -1.0, 1.0, 1.0, -1.0])
    return np.asarray(abd * sign[:, None] * sign[None, :])


def _rest(strip: RestStrip, stations: Array, q: Array) -> dict[str, Array]:
    """Rest arrays with places across that differ from station to station, q (n, m)."""
    out: dict[str, list[Array]] = {"phi": [], "phi_s": [], "phi_q": [], "curvature": [], "abd": [], "mass": []}
    same = bool(np.allclose(q, q[:1]))
    if same:
        rest = strip.rest_arrays(stations, q[0])
        return {name: np.asarray(getattr(rest, name)) for name in out}
    for station, row in zip(stations, q, strict=True):
        rest = strip.rest_arrays(np.array([station]), row)
        for name, values in out.items():
            values.append(np.asarray(getattr(rest, name))[0])
    return {name: np.array(values) for name, values in out.items()}


def opening_modes(strip: RestStrip, stations: Array, q: Array, count: int) -> tuple[Array, Array]:
    """Section angle modes (n, m, count) and their q-derivatives for unit amplitude [1/mm] at the edge.

    Mode 1 opens evenly (uniform curvature across), mode 2 bends the edges (curvature growing from the mid-line); a third takes what
    of the rest shape the first two cannot flatten, so that a clamp can press any section flat.
    """
    half = 0.5 * strip.width
    mode = np.stack([q, q * np.abs(q) / (2 * half)], axis=-1)
    mode_q = np.stack([np.ones_like(q), np.abs(q) / half], axis=-1)
    if count > 2:
        shape, shape_q = _shape_residual(strip)
        grid = np.linspace(0, half, len(shape))
        third = np.interp(q, grid, shape)
        third_q = np.interp(q, grid, shape_q)
        mode = np.concatenate([mode, third[..., None]], axis=-1)
        mode_q = np.concatenate([mode_q, third_q[..., None]], axis=-1)
    return mode, mode_q


def mode_count(strip: RestStrip) -> int:
    """2, or 3 when the rest section is not spanned by even opening and edge bending (2 % of its angle)."""
    shape, _ = _shape_residual(strip)
    return 3 if np.abs(shape).max() > 0 else 2


def _shape_residual(strip: RestStrip) -> tuple[Array, Array]:
    """Part of the deepest rest section outside modes 1 and 2 on a fine grid, scaled to slope 1 (zero if small)."""
    half = 0.5 * strip.width
    q = np.linspace(0, half, 401)
    stations = np.linspace(0, strip.length, 41)
    right, left = strip.rest_arrays(stations, q), strip.rest_arrays(stations, -q)
    angles = 0.5 * (right.phi - left.phi)
    slopes = 0.5 * (right.phi_q + left.phi_q)
    row = int(np.argmax(np.abs(angles).max(axis=1)))
    angle, slope = angles[row], slopes[row]
    base = np.stack([q, q * q / (2 * half)], axis=1)
    base_q = np.stack([np.ones_like(q), q / half], axis=1)
    fit = np.linalg.lstsq(base, angle, rcond=None)[0]
    left_over, left_over_q = angle - base @ fit, slope - base_q @ fit
    if np.abs(left_over).max() <= MODE_RESIDUAL * max(np.abs(angle).max(), 1e-12):
        return np.zeros_like(q), np.zeros_like(q)
    scale = np.abs(left_over_q).max()
    return left_over / scale, left_over_q / scale


def condense(abd: Array) -> Array:
    """Stiffness (..., 5, 5) for (E_ss, 2E_sq, K_ss, K_qq, 2K_sq) with zero membrane force across the width."""
    keep = [0, 2, 3, 4, 5]
    core = abd[..., keep, :][..., :, keep]
    column = abd[..., keep, 1]
    return np.asarray(core - column[..., :, None] * column[..., None, :] / abd[..., 1, 1][..., None, None])


def _rest_offsets(rule: WidthRule, angle: Array, angle_s: Array, curvature: Array) -> Array:
    """lam0 and the rest values of lam^2 + h_s^2 + x_s^2, of the shear sum and of lam w cos phi, (n, m, 4)."""
    sin, cos = np.sin(angle), np.cos(angle)
    height = np.einsum("nij,nj->ni", rule.inner, sin)
    height_s = np.einsum("nij,nj->ni", rule.inner, cos * angle_s)
    place_s = -np.einsum("nij,nj->ni", rule.inner, sin * angle_s)
    lam0 = 1 - curvature[:, None] * height
    return np.stack([lam0, lam0**2 + height_s**2 + place_s**2, height_s * sin + place_s * cos,
                     lam0 * curvature[:, None] * cos], axis=-1)


@dataclass(frozen=True)
class Rod:
    """A rod on a line mesh: numbering, shape tables and section tables at the quadrature stations.

    nodes (N+1,) stations; dofs (N, 4F) with F fields, element unknowns ordered field by field as
    (value, slope at the left node; value, slope at the right node).
    """

    strip: RestStrip
    nodes: Array
    modes: int
    dofs: Index
    basis: Basis
    stations: Array
    shape: Array
    tables: SectionTables

    @property
    def fields(self) -> int:
        """x, y, opening modes, warping modes."""
        return 2 + self.modes + WARP_MODES

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return 2 * self.fields * len(self.nodes)

    def index(self, node: int, field: int, slope: int = 0) -> int:
        """Number of one unknown."""
        return (node * self.fields + field) * 2 + slope


def build_rod(strip: RestStrip, nodes: Array) -> Rod:
    """Rod over the given node stations [mm] (increasing, from 0 to the strip's length)."""
    mesh = MeshLine(np.asarray(nodes, dtype=float)[None, :])
    basis = Basis(mesh, HermiteLine(), intorder=GAUSS_ORDER)
    count = mode_count(strip)
    elements = len(nodes) - 1
    fields = 2 + count + WARP_MODES
    points = basis.X.shape[-1]
    shape = np.empty((elements, points, 3, 4))
    for i in range(4):
        field = basis.basis[i][0]
        shape[:, :, 0, i] = np.asarray(field.value)
        shape[:, :, 1, i] = np.asarray(field.grad)[0]
        shape[:, :, 2, i] = np.asarray(field.hess)[0, 0]
    stations = np.asarray(basis.global_coordinates().value)[0]
    tables = section_tables(strip, stations.ravel(), np.zeros((stations.size, 0)), count)
    return Rod(strip, np.asarray(nodes, dtype=float), count, element_dofs(elements, fields), basis, stations, shape, tables)


def element_dofs(elements: int, fields: int) -> Index:
    """(N, 4F) unknowns of each element, field by field."""
    left = np.arange(elements)[:, None, None] * fields + np.arange(fields)[None, :, None]
    local = np.concatenate([2 * left, 2 * left + 1, 2 * (left + fields), 2 * (left + fields) + 1], axis=2)
    return np.asarray(local.reshape(elements, 4 * fields), dtype=np.int64)


def rest_state(rod: Rod, position: Array, heading: Array) -> Array:
    """Unknowns of the unstressed strip: position (N+1, 2), heading (N+1,) at the nodes, no opening, no warping."""
    u = np.zeros(rod.size).reshape(len(rod.nodes), rod.fields, 2)
    u[:, 0, 0], u[:, 1, 0] = position[:, 0], position[:, 1]
    u[:, 0, 1], u[:, 1, 1] = np.cos(heading), np.sin(heading)
    return u.ravel()


def flat_amplitudes(rod: Rod, station: float) -> Array:
    """Opening amplitudes (M,) that press the section flat at a station (least squares over the half width)."""
    tables = section_tables(rod.strip, np.array([station]), np.zeros((1, 0)), rod.modes)
    weight = np.sqrt(tables.rule.weight[0])[:, None]
    fit = np.linalg.lstsq(tables.mode[0] * weight, -tables.angle[0] * weight[:, 0], rcond=None)[0]
    return np.asarray(fit)


@dataclass
class RodEnergy:
    """Elastic energy of the rod as a term of the potential."""

    rod: Rod

    def evaluate(self, u: Array, order: int) -> Evaluation:
        """Energy [N mm], gradient and element blocks (N, 4F, 4F)."""
        rod, tab = self.rod, self.rod.tables
        elements, points = rod.stations.shape
        k = rod.dofs.shape[1]
        energy = np.zeros(elements)
        gradient = np.zeros(rod.size)
        blocks = np.zeros((elements if order > 1 else 0, k, k))
        weights = np.asarray(rod.basis.dx).reshape(elements, points)
        _rod_kernel(order, u, rod.dofs, rod.shape, weights, rod.modes, tab.angle, tab.angle_s, tab.mode, tab.mode_q,
                    tab.mode_integral, tab.warp, tab.warp_q, tab.rule.weight, tab.rule.inner, tab.stiffness, tab.rest,
                    energy, gradient, blocks)
        made = (Blocks(rod.dofs, blocks),) if order > 1 else ()
        return Evaluation(float(energy.sum()), gradient, made)


@njit(cache=True, fastmath=False)  # type: ignore[untyped-decorator]
def _rod_kernel(order, u, dofs, shape, weights, M, angle, angle_s, mode, mode_q, mode_int, warp, warp_q, wq, inner, stiff, rest,
                energy, gradient, blocks):  # type: ignore[no-untyped-def]
    """Energy, gradient and blocks; see the module's text for the strains, names follow it.

    z = (l, w, b_m, b_m', b_m'', a_k, a_k') per station; v = (r', r'', the rest of z).
    """
    elements, points = weights.shape
    m = angle.shape[1]
    W = warp.shape[2]
    F = 2 + M + W
    nz = 2 + 3 * M + 2 * W
    nv = nz + 2
    ob, obs, obss, oa, oas = 2, 2 + M, 2 + 2 * M, 2 + 3 * M, 2 + 3 * M + W
    gz, Hz = np.zeros(nz), np.zeros((nz, nz))
    gv, Hv = np.zeros(nv), np.zeros((nv, nv))
    de = np.zeros((5, nz))
    cde = np.zeros((5, nz))
    eps, sig = np.zeros(5), np.zeros(5)
    phi, phis = np.zeros(m), np.zeros(m)
    sn, cs = np.zeros(m), np.zeros(m)
    hm, xm, hsm, xsm = np.zeros(M), np.zeros(M), np.zeros(M), np.zeros(M)
    hmn, xmn, hsmn, xsmn = np.zeros((M, M)), np.zeros((M, M)), np.zeros((M, M)), np.zeros((M, M))
    dlam, dhs, dxs, dsh = np.zeros(nz), np.zeros(nz), np.zeros(nz), np.zeros(nz)
    val = np.zeros((F, 3))
    dl, dw = np.zeros(4), np.zeros(4)
    Hl, Hw = np.zeros((4, 4)), np.zeros((4, 4))
    vfield, vder = np.zeros(nv, np.int64), np.zeros(nv, np.int64)
    # which field and which derivative each component of v is
    vfield[0], vfield[1], vfield[2], vfield[3] = 0, 1, 0, 1
    vder[0], vder[1], vder[2], vder[3] = 1, 1, 2, 2
    for i in range(M):
        for d in range(3):
            vfield[2 + ob + d * M + i] = 2 + i
            vder[2 + ob + d * M + i] = d
    for i in range(W):
        for d in range(2):
            vfield[2 + oa + d * W + i] = 2 + M + i
            vder[2 + oa + d * W + i] = d
    for e in range(elements):
        for g in range(points):
            row = e * points + g
            for f in range(F):
                for d in range(3):
                    total = 0.0
                    for i in range(4):
                        total += shape[e, g, d, i] * u[dofs[e, 4 * f + i]]
                    val[f, d] = total
            rx, ry, rxx, ryy = val[0, 1], val[1, 1], val[0, 2], val[1, 2]
            l2 = rx * rx + ry * ry
            l = np.sqrt(l2)
            cross = rx * ryy - ry * rxx
            w = cross / l2
            gz[:] = 0.0
            if order > 1:
                Hz[:, :] = 0.0
            dens = 0.0
            for i in range(m):
                p, ps = angle[row, i], angle_s[row, i]
                for a in range(M):
                    p += val[2 + a, 0] * mode[row, i, a]
                    ps += val[2 + a, 1] * mode[row, i, a]
                phi[i], phis[i] = p, ps
                sn[i], cs[i] = np.sin(p), np.cos(p)
            for i in range(m):
                h, hs, xs = 0.0, 0.0, 0.0
                for a in range(M):
                    hm[a] = 0.0
                    xm[a] = 0.0
                    hsm[a] = 0.0
                    xsm[a] = 0.0
                    for b in range(M):
                        hmn[a, b] = 0.0
                        xmn[a, b] = 0.0
                        hsmn[a, b] = 0.0
                        xsmn[a, b] = 0.0
                for j in range(m):
                    wi = inner[row, i, j]
                    si, co, pj = wi * sn[j], wi * cs[j], phis[j]
                    h += si
                    hs += co * pj
                    xs -= si * pj
                    if order > 0:
                        for a in range(M):
                            pa = mode[row, j, a]
                            hm[a] += co * pa
                            xm[a] -= si * pa
                            hsm[a] -= si * pj * pa
                            xsm[a] -= co * pj * pa
                            if order > 1:
                                for b in range(a + 1):
                                    pab = pa * mode[row, j, b]
                                    hmn[a, b] -= si * pab
                                    xmn[a, b] -= co * pab
                                    hsmn[a, b] -= co * pj * pab
                                    xsmn[a, b] += si * pj * pab
                s, c = sn[i], cs[i]
                lam = l - w * h
                gam = 0.0
                for k in range(W):
                    lam += val[2 + M + k, 1] * warp[row, i, k]
                    gam += val[2 + M + k, 0] * warp_q[row, i, k]
                lam0 = rest[row, i, 0]
                il, il2 = 1.0 / lam0, 1.0 / (lam0 * lam0)
                bend = lam * w * c - rest[row, i, 3]
                kqq, ksq = 0.0, 0.0
                for a in range(M):
                    bend += val[2 + a, 2] * mode_int[row, i, a]
                    kqq += val[2 + a, 0] * mode_q[row, i, a]
                    ksq += val[2 + a, 1] * mode[row, i, a]
                eps[0] = 0.5 * (lam * lam + hs * hs + xs * xs - rest[row, i, 1]) * il2
                eps[1] = (hs * s + xs * c - rest[row, i, 2]) * il + gam
                eps[2] = bend * il2
                eps[3] = kqq
                eps[4] = 2.0 * ksq
                wt = 2.0 * wq[row, i] * lam0
                for a in range(5):
                    total = 0.0
                    for b in range(5):
                        total += stiff[row, i, a, b] * eps[b]
                    sig[a] = total * wt
                    dens += 0.5 * eps[a] * sig[a]
                if order == 0:
                    continue
                dlam[:] = 0.0
                dhs[:] = 0.0
                dxs[:] = 0.0
                dsh[:] = 0.0
                de[:, :] = 0.0
                dlam[0], dlam[1] = 1.0, -h
                for a in range(M):
                    dlam[ob + a] = -w * hm[a]
                    dhs[ob + a], dhs[obs + a] = hsm[a], hm[a]
                    dxs[ob + a], dxs[obs + a] = xsm[a], xm[a]
                    dsh[ob + a] = hsm[a] * s + xsm[a] * c + mode[row, i, a] * (hs * c - xs * s)
                    dsh[obs + a] = hm[a] * s + xm[a] * c
                for k in range(W):
                    dlam[oas + k] = warp[row, i, k]
                for a in range(nz):
                    de[0, a] = (lam * dlam[a] + hs * dhs[a] + xs * dxs[a]) * il2
                    de[1, a] = dsh[a] * il
                    de[2, a] = w * c * dlam[a] * il2
                de[2, 1] += lam * c * il2
                for a in range(M):
                    de[2, ob + a] -= lam * w * s * mode[row, i, a] * il2
                    de[2, obss + a] += mode_int[row, i, a] * il2
                    de[3, ob + a] = mode_q[row, i, a]
                    de[4, obs + a] = 2.0 * mode[row, i, a]
                for k in range(W):
                    de[1, oa + k] = warp_q[row, i, k]
                for a in range(nz):
                    total = 0.0
                    for b in range(5):
                        total += sig[b] * de[b, a]
                    gz[a] += total
                if order == 1:
                    continue
                for a in range(5):
                    for z in range(nz):
                        total = 0.0
                        for b in range(5):
                            total += stiff[row, i, a, b] * de[b, z]
                        cde[a, z] = total * wt
                s0, s1, s2 = sig[0] * il2, sig[1] * il, sig[2] * il2
                for a in range(nz):
                    for b in range(a + 1):
                        total = 0.0
                        for k in range(5):
                            total += de[k, a] * cde[k, b]
                        total += s0 * (dlam[a] * dlam[b] + dhs[a] * dhs[b] + dxs[a] * dxs[b])
                        Hz[a, b] += total
                # second derivatives, lower triangle; weights of d2 lam, d2 hs, d2 xs
                cl = s0 * lam + s2 * w * c
                ch = s0 * hs + s1 * s
                cx = s0 * xs + s1 * c
                turn = s1 * (hs * c - xs * s)
                Hz[1, 0] += s2 * c
                Hz[1, 1] -= 2.0 * s2 * h * c
                for a in range(M):
                    pa = mode[row, i, a]
                    Hz[ob + a, 0] -= s2 * w * s * pa
                    Hz[ob + a, 1] += -cl * hm[a] - s2 * (w * hm[a] * c + (lam - w * h) * s * pa)
                    for k in range(W):
                        Hz[oas + k, ob + a] -= s2 * w * s * pa * warp[row, i, k]
                    for b in range(M):
                        pb = mode[row, i, b]
                        lo, hi = min(a, b), max(a, b)
                        h2, x2 = hmn[hi, lo], xmn[hi, lo]
                        # b_b by b_a'
                        Hz[obs + a, ob + b] += ch * h2 + cx * x2 + s1 * pb * (hm[a] * c - xm[a] * s)
                        if b <= a:
                            second = -cl * w * h2 + ch * hsmn[hi, lo] + cx * xsmn[hi, lo]
                            second += s1 * (pb * (hsm[a] * c - xsm[a] * s) + pa * (hsm[b] * c - xsm[b] * s))
                            second -= s1 * pa * pb * (hs * s + xs * c)
                            second += s2 * (w * w * s * (hm[a] * pb + hm[b] * pa) - lam * w * c * pa * pb)
                            Hz[ob + a, ob + b] += second
                for k in range(W):
                    Hz[oas + k, 1] += s2 * c * warp[row, i, k]
            dx = weights[e, g]
            energy[e] += dens * dx
            if order == 0:
                continue
            # from (l, w) to (r', r'')
            tx, ty = rx / l, ry / l
            dl[0], dl[1], dl[2], dl[3] = tx, ty, 0.0, 0.0
            dw[0] = ryy / l2 - 2.0 * w * rx / l2
            dw[1] = -rxx / l2 - 2.0 * w * ry / l2
            dw[2], dw[3] = -ry / l2, rx / l2
            for a in range(4):
                gv[a] = gz[0] * dl[a] + gz[1] * dw[a]
            for a in range(2, nz):
                gv[a + 2] = gz[a]
            for a in range(nv):
                base, d, value = 4 * vfield[a], vder[a], gv[a] * dx
                for i in range(4):
                    gradient[dofs[e, base + i]] += value * shape[e, g, d, i]
            if order == 1:
                continue
            Hl[0, 0], Hl[0, 1], Hl[1, 0], Hl[1, 1] = ty * ty / l, -tx * ty / l, -tx * ty / l, tx * tx / l
            l4 = l2 * l2
            Hw[0, 0] = -4.0 * rx * ryy / l4 - 2.0 * w / l2 + 8.0 * w * rx * rx / l4
            Hw[1, 1] = 4.0 * ry * rxx / l4 - 2.0 * w / l2 + 8.0 * w * ry * ry / l4
            Hw[0, 1] = (-2.0 * ry * ryy + 2.0 * rx * rxx) / l4 + 8.0 * w * rx * ry / l4
            Hw[1, 0] = Hw[0, 1]
            Hw[0, 2] = 2.0 * rx * ry / l4
            Hw[0, 3] = 1.0 / l2 - 2.0 * rx * rx / l4
            Hw[1, 2] = -1.0 / l2 + 2.0 * ry * ry / l4
            Hw[1, 3] = -2.0 * rx * ry / l4
            for a in range(2):
                for b in range(2, 4):
                    Hw[b, a] = Hw[a, b]
            for a in range(4):
                for b in range(a + 1):
                    Hv[a, b] = (Hz[0, 0] * dl[a] * dl[b] + Hz[1, 0] * (dl[a] * dw[b] + dw[a] * dl[b])
                                + Hz[1, 1] * dw[a] * dw[b] + gz[0] * Hl[a, b] + gz[1] * Hw[a, b])
            for a in range(2, nz):
                for b in range(4):
                    Hv[a + 2, b] = Hz[a, 0] * dl[b] + Hz[a, 1] * dw[b]
                for b in range(2, a + 1):
                    Hv[a + 2, b + 2] = Hz[a, b]
            for a in range(nv):
                fa, da = 4 * vfield[a], vder[a]
                for b in range(a + 1):
                    value = Hv[a, b] * dx
                    if value == 0.0:
                        continue
                    fb, db = 4 * vfield[b], vder[b]
                    for i in range(4):
                        left = value * shape[e, g, da, i]
                        for j in range(4):
                            blocks[e, fa + i, fb + j] += left * shape[e, g, db, j]
                            if a != b:
                                blocks[e, fb + j, fa + i] += left * shape[e, g, db, j]
