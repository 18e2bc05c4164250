"""The cross-section of the rod: its quadrature across the half width, its opening modes, its rest state.

The angle of the section is phi = phi0 + sum_m b_m psi_m(q) with few amplitudes b_m(s): mode 1 opens the
section evenly, mode 2 bends the edges; a further one takes what of the rest shape these two cannot
flatten, and in a thin strip another one
relaxes the edges, where a fold bends the section over a length of about sqrt(R t) only.
Heights and lateral places are integrals from the mid-line, int_0^q sin phi and int_0^q cos phi, done by
matrices that take the values at Gauss points to the integral of the polynomial through them. Everything is
tabulated once per station.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.polynomial import legendre

from fem.core.term import Array
from fem.design.curved_layers import with_turn_across
from fem.design.layup import Stack
from fem.design.material import rod_reduced

LINES = 4
"""Lines of contact points across the half width, mid-line and edge included."""
WIDTH_POINTS = 5
ZONE_POINTS = 3
MODE_RESIDUAL = 0.02
EDGE_LAYER = 0.2
"""Edge layer over half width below which the edges get a mode of their own. Without it a fold of the steel
lamp strip
(share .10) carries 6 % too much; with it .4 % against the section model, at a third more time."""
STEEPEST_EDGE = 8
"""Largest power of the edge mode that the quadrature across still sees."""
FLAT, FLAT_EDGE = 1e-6, 4.0
"""rad of section angle below which a strip is flat, and the power of its edge mode. Bent to a radius r it
curls in an edge layer sqrt(r t), a third of half the width where a boom is wound. With that mode the rod
takes the shell's torque within .3 % winding in and 2.7 % pushing out (lateral contraction .45), without it
within .5 % and 3.0 %.
"""
_FINE = 401


class RestStrip(Protocol):
    """What the rod needs to know of a strip; `fem.design.strip.Strip` is one."""

    @property
    def length(self) -> float: ...
    @property
    def width(self) -> float: ...
    @property
    def thickness(self) -> float: ...
    def width_at(self, s: Array) -> Array: ...
    def rest_arrays(self, s: Array, q: Array) -> Any: ...
    def zone_edges_q(self) -> Array: ...
    def stack_at(self, s: float, q: float) -> Stack: ...


@dataclass(frozen=True)
class WidthRule:
    """Quadrature over the half width at n stations.

    q, weight (n, m): places and weights [mm]; inner (n, m, m): inner[i] @ f = int_0^q f dq at the places; to
    (n, k, m): the same integral up to k other places.
    """

    q: Array
    weight: Array
    inner: Array
    to: Array


def width_rule(half_width: Array, breaks: Array, targets: Array) -> WidthRule:
    """Gauss points over [0, half width], piece by piece between `breaks` (layer edges).

    half_width (n,) [mm]; breaks: q of layer edges; targets (n, k): other places to integrate to.
    """
    n = len(half_width)
    cuts = np.unique(np.round(np.abs(breaks), 9))
    cuts = cuts[(cuts > 1e-6) & (cuts < half_width.min() * (1 - 1e-6))]
    points = WIDTH_POINTS if len(cuts) == 0 else ZONE_POINTS
    node, node_weight = legendre.leggauss(points)
    ends = np.concatenate([np.zeros((n, 1)), np.tile(cuts, (n, 1)), half_width[:, None]], axis=1)
    low, size = ends[:, :-1], np.diff(ends)
    q = (low[..., None] + 0.5 * size[..., None] * (1 + node)).reshape(n, -1)
    weight = (0.5 * size[..., None] * node_weight).reshape(n, -1)
    return WidthRule(q, weight, _integrals(q, low, size, node), _integrals(targets, low, size, node))


def _integrals(upto: Array, low: Array, size: Array, node: Array) -> Array:
    """Weights (n, k, m) of int_0^upto f dq for f known at the Gauss points of every piece; upto (n, k)."""
    points = len(node)
    t = np.clip(2 * (upto[:, :, None] - low[:, None]) / size[:, None] - 1, -1.0, 1.0)
    values = legendre.legvander(t, points)
    primitive = np.empty((*t.shape, points))  # int_-1^t P_k = (P_k+1 - P_k-1) / (2 k + 1)
    primitive[..., 0] = t + 1.0
    order = np.arange(1, points)
    primitive[..., 1:] = (values[..., 2:] - values[..., :-2]) / (2 * order + 1)
    rows = primitive @ np.linalg.inv(legendre.legvander(node, points - 1))
    return np.asarray((0.5 * size[:, None, :, None] * rows).reshape(*upto.shape, low.shape[1] * points))


@dataclass(frozen=True)
class SectionTables:
    """Section shape and its modes at stations (n) and width places (m): all that the kernels read.

    angle, angle_s (n, m): rest angle [rad] and slope along [1/mm]; mode, mode_q, mode_integral (n, m, M):
    opening modes, derivative, integral from the mid-line; warp, warp_q (n, m, W): warping functions and
    derivative; stiffness (n, m, 5, 5) for (E_ss, 2E_sq, K_ss, K_qq, 2K_sq); across (n, m, 5): E_qq from the
    same five; rest (n, m, 4): lam0 and the rest values of lam^2 + h_s^2 + x_s^2, of the shear sum and of lam
    w cos phi; natural (n, m, 2): curvatures K_s, K_q of the surface at rest [1/mm]; mass (n, m) [tonne/mm^2].
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
    across: Array
    rest: Array
    natural: Array
    mass: Array


def section_tables(strip: RestStrip, stations: Array, targets: Array, modes: int) -> SectionTables:
    """Tabulate the rest section along the strip. targets (n, k): places for contact lines."""
    half = 0.5 * strip.width_at(stations)
    rule = width_rule(half, strip.zone_edges_q(), targets)
    return tables_at(strip, stations, rule, rule.q, rule.inner, modes)


def tables_at(
    strip: RestStrip, stations: Array, rule: WidthRule, q: Array, integral: Array, modes: int
) -> SectionTables:
    """Tables at places q (n, p) >= 0 whose integrals from the mid-line are integral (n, p, m) @ f(rule.q)."""
    right, left = strip.rest_arrays(stations, q), strip.rest_arrays(stations, -q)
    angle, angle_s = 0.5 * (right.phi - left.phi), 0.5 * (right.phi_s - left.phi_s)
    natural = 0.5 * (right.natural + left.natural)
    abd = with_turn_across(0.5 * (right.abd + mirror(left.abd)), natural[..., 1])
    abd = bending_toward_axle(abd)
    mode, mode_q = opening_modes(strip, q, modes)
    eta = 2 * q / strip.width
    power = 2 * np.arange(1, warp_count(strip) + 1)
    inside_right, inside_left = strip.rest_arrays(stations, rule.q), strip.rest_arrays(stations, -rule.q)
    inside = 0.5 * (inside_right.phi - inside_left.phi), 0.5 * (inside_right.phi_s - inside_left.phi_s)
    return SectionTables(
        rule=rule,
        angle=angle,
        angle_s=angle_s,
        mode=mode,
        mode_q=mode_q,
        mode_integral=np.asarray(integral @ opening_modes(strip, rule.q, modes)[0]),
        warp=eta[..., None] ** power,
        warp_q=power * eta[..., None] ** (power - 1) * 2 / strip.width,
        stiffness=rod_reduced(abd),
        across=-abd[..., 1, _KEPT] / abd[..., 1, 1][..., None],
        rest=_rest_values(integral, inside, (angle, angle_s), np.asarray(right.curvature)),
        natural=natural,
        mass=0.5 * (right.mass + left.mass),
    )


_KEPT = [0, 2, 3, 4, 5]


def mirror(abd: Array) -> Array:
    """ABD of the mirrored half: the couplings with shear and twist change sign with q."""
    sign = np.array([1.0, 1.0, -1.0, 1.0, 1.0, -1.0])
    return np.asarray(abd * sign[:, None] * sign[None, :])


def bending_toward_axle(abd: Array) -> Array:
    """ABD for curvatures that are positive toward the axle, where strain at height z is E - z K (laminate: e
    + z k).
    """
    sign = np.array([1.0, 1.0, 1.0, -1.0, -1.0, -1.0])
    return np.asarray(abd * sign[:, None] * sign[None, :])


def opening_modes(strip: RestStrip, q: Array, count: int) -> tuple[Array, Array]:
    """Section angle modes (..., count) and q-derivatives at places q >= 0, unit amplitude = 1/mm at the edge.

    Mode 1 opens evenly (uniform curvature across), mode 2 bends the edges (curvature growing from the
    mid-line). Then come,
    where `mode_count` asks for them, what of the rest shape these two cannot flatten, so that a clamp can
    press any
    section flat, and the edge layer of a thin strip, curvature (2 q / w)^(p - 1).
    """
    half = 0.5 * strip.width
    mode = [q, q * q / (2 * half)]
    mode_q = [np.ones_like(q), q / half]
    if count > 2:
        shape, shape_q = _shape_residual(strip)
        if np.abs(shape).max() > 0:
            grid = np.linspace(0, half, len(shape))
            mode.append(np.interp(q, grid, shape))
            mode_q.append(np.interp(q, grid, shape_q))
        power = _edge_power(strip)
        if power:
            mode.append(half * (q / half) ** power / power)
            mode_q.append((q / half) ** (power - 1))
    return np.stack(mode[:count], axis=-1), np.stack(mode_q[:count], axis=-1)


def mode_count(strip: RestStrip) -> int:
    """2, one more when the rest section is not spanned by even opening and edge bending (2 % of its angle),
    one more when the strip is flat or so thin that its edges relax by themselves (EDGE_LAYER).
    """
    shape, _ = _shape_residual(strip)
    return 2 + int(np.abs(shape).max() > 0) + int(_edge_power(strip) > 0)


def warp_count(strip: RestStrip) -> int:
    """1 for (2 q / w)^2; 2, with (2 q / w)^4, in a strip so thin that its edges have a layer of their own.

    There a flattened root opens over a length of many widths and warps far: with one function its transition
    stores 11.6 N mm in the steel lamp strip, with two 7.0; the shell says 6.8.
    """
    return 2 if _edge_power(strip) > 0 else 1


def field_count(strip: RestStrip) -> int:
    """Fields of the rod of a strip: x, y, opening modes, warping modes."""
    return 2 + mode_count(strip) + warp_count(strip)


def _edge_power(strip: RestStrip) -> float:
    """Power p of the edge mode, 0 for none, FLAT_EDGE of a flat strip.

    The layer sqrt(R t) / (3 (1 - nu^2))^(1/4) of a cylinder's free edge (Timoshenko & Woinowsky-Krieger 1959,
    art. 115, from memory; nu = .3) decays like the power half width / layer. R is the radius of the section,
    to which a fold bends the strip (Calladine 1983, ch. 12, from memory).
    """
    half = 0.5 * strip.width
    stations = np.linspace(0, strip.length, 41)
    angle = np.abs(strip.rest_arrays(stations, np.array([half])).phi).max()
    if angle < FLAT:
        return FLAT_EDGE
    layer = math.sqrt(half / angle * strip.thickness) / (3 * 0.91) ** 0.25
    return min(STEEPEST_EDGE, 1 + half / layer) if layer < EDGE_LAYER * half else 0.0


def _shape_residual(strip: RestStrip) -> tuple[Array, Array]:
    """Part of the deepest rest section outside modes 1 and 2 on a fine grid, scaled to slope 1 (zero if
    small).
    """
    half = 0.5 * strip.width
    q = np.linspace(0, half, _FINE)
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


def _rest_values(
    integral: Array, inside: tuple[Array, Array], here: tuple[Array, Array], curvature: Array
) -> Array:
    """Rest values (n, p, 4); angles and slopes `inside` at the Gauss points and `here` at the places."""
    height = _along(integral, np.sin(inside[0]))
    height_s = _along(integral, np.cos(inside[0]) * inside[1])
    place_s = -_along(integral, np.sin(inside[0]) * inside[1])
    sine, cosine = np.sin(here[0]), np.cos(here[0])
    lam0 = 1 - curvature[:, None] * height
    stretch = lam0**2 + height_s**2 + place_s**2
    return np.stack(
        [lam0, stretch, height_s * sine + place_s * cosine, lam0 * curvature[:, None] * cosine], -1
    )


def _along(matrix: Array, values: Array) -> Array:
    """Matrices (n, p, m) times values (n, m)."""
    return np.asarray((matrix @ values[..., None])[..., 0])
