"""The strip at rest: a layered sheet whose mid-surface is a cross-section swept along a plane path.

With r(s) the rest path, n = its tangent turned +90 degrees (toward the axle), e_z the width axis and
(h, x)(s, q) the height and lateral place of the section,

    X(s, q) = r(s) + h n(s) + x e_z,        dt/ds = omega n,   dn/ds = -omega t   (plane Frenet formulas),

so every derivative is closed form in the curvature omega and the section (sweep of a profile in the normal
plane of a curve: do Carmo 1976, sections 1-5 and 2-2; Struik, Lectures on Classical Differential Geometry,
sections 1-6 and 2-1; both from memory). s is arc length along the mid-line q = 0 and q is arc length across,
since |X_q| = 1 everywhere and X_s = t on the mid-line.

Axes: the root's mid-point is the origin, heading +x, n = +y, width axis z; X_q x X_s points along +n where
the section is level, toward the axle. Curvatures are positive when the centre is on that side. Layers are
listed from the face away from the axle (z = -t/2) to the face toward it (z = +t/2).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from fem.core.term import Array
from fem.core.units import Distance, Length, Sense, Share
from fem.design.layup import Layer, Layup, Stack
from fem.design.path import Path, Runs, Straight, UpTo
from fem.design.section import WIDTH_SLACK, Section

__all__ = ["Layer", "RestArrays", "Stack", "Station", "Strip", "Surface"]

_PROBES_ALONG = 201
_PROBES_ACROSS = 13
_PROBE_STEP = 0.25  # mm


@dataclass(frozen=True)
class Station:
    """Width [mm] and depth factor of the section (1 = full depth, 0 = flat) at one place s = at [mm]."""

    at: Distance
    width: Length
    depth: Share = 1.0


@dataclass(frozen=True, eq=False)
class Surface:
    """Mid-surface points and derivatives by s and q, arrays (..., 3) [mm, 1, 1/mm]."""

    X: Array
    X_s: Array
    X_q: Array
    X_ss: Array
    X_sq: Array
    X_qq: Array

    @property
    def normal(self) -> Array:
        """Unit normal (..., 3) toward the axle's side, X_q x X_s normalised."""
        normal = np.cross(self.X_q, self.X_s)
        return np.asarray(normal / np.linalg.norm(normal, axis=-1, keepdims=True))


@dataclass(frozen=True, eq=False)
class RestArrays:
    """What a rod needs of the rest strip at n stations s and m points across.

    phi, phi_s, phi_q, phi_ss (n, m) [rad, 1/mm, 1/mm, 1/mm^2], slopes by s at fixed q; curvature omega0 and
    omega0_s (n,); width (n,); natural (n, m, 2): curvatures K_s, K_q of the surface [1/mm]; abd (n, m, 6, 6);
    mass (n, m) [tonne/mm^2]; thickness [mm].
    """

    phi: Array
    phi_s: Array
    phi_q: Array
    phi_ss: Array
    curvature: Array
    curvature_s: Array
    width: Array
    natural: Array
    abd: Array
    mass: Array
    thickness: float


@dataclass(frozen=True)
class Strip:
    """A strip at rest.

    path and section describe the shape; width [mm] is the largest developed width; sense +1 lifts the edges
    toward the axle (equal sense), -1 away (opposite sense). stations let width and depth vary: between
    neighbours they follow the quintic smoothstep (two continuous derivatives), beyond the first and last they
    stay. The depth factor multiplies the section's angle; a narrower width trims the edges and leaves the
    angle at each q as it is. Methods take s [mm] and q [mm] of any shapes that broadcast. Raises ValueError
    when a part cannot exist.
    """

    path: Path
    section: Section
    width: Length
    sense: Sense
    layers: tuple[Layer, ...]
    stations: tuple[Station, ...] = ()

    def __post_init__(self) -> None:
        if not (math.isfinite(self.width) and self.width > 0.0):
            raise ValueError(f"the width of a strip must be > 0 mm, got {self.width:g}")
        if self.width > self.section.developed_width * (1.0 + WIDTH_SLACK):
            raise ValueError(
                f"the strip is {self.width:.6g} mm wide but its section's points span a developed width of "
                f"{self.section.developed_width:.6g} mm; use a width of at most that, or points further out"
            )
        if self.sense not in (1, -1):
            raise ValueError(f"the sense of a section must be +1 (equal) or -1 (opposite), got {self.sense}")
        for before, after in zip(self.stations, self.stations[1:], strict=False):
            if not before.at < after.at:
                raise ValueError(
                    f"stations must be in order along the strip, got {before.at:g} then {after.at:g} mm"
                )
        for station in self.stations:
            if not 0.0 < station.width <= self.width:
                raise ValueError(
                    f"the width at station {station.at:g} mm must be > 0 and at most the strip's "
                    f"{self.width:g} mm, got {station.width:g}"
                )
            if not (math.isfinite(station.depth) and station.depth >= 0.0):
                raise ValueError(
                    f"the depth factor at station {station.at:g} mm must be >= 0, got {station.depth:g}"
                )
        self.layup.refuse_gaps(0.5 * self.width, self.length)
        self._refuse_overturned()

    def _refuse_overturned(self) -> None:
        """In a bend the side toward the centre is shorter, by 1 - omega h; not shorter than nothing."""
        s = np.linspace(0.0, self.length, _PROBES_ALONG)
        edge = self.developed_edge(s)[0][:, None]
        height, _ = self.section_place(s[:, None], edge * np.linspace(-1.0, 1.0, _PROBES_ACROSS))
        omega = self.path.curvature(s)[:, None]
        worst, _ = np.unravel_index(np.argmax(omega * height), height.shape)
        if np.max(omega * height) >= 1.0:
            raise ValueError(
                f"at s {s[worst]:.4g} mm the section reaches {np.max(np.abs(height[worst])):.4g} mm toward "
                f"the centre of a bend of radius {1.0 / abs(omega[worst, 0]):.4g} mm, past the centre; make "
                "the bend wider, the section shallower, or turn the sense"
            )

    def up_to(self, length: float) -> Strip:
        """The first `length` [mm] of the strip, as if cut there; layers that begin beyond are gone."""
        return _Part(
            UpTo(self.path, length), self.section, self.width, self.sense, self.layers, self.stations
        )

    def flattened(self) -> Strip:
        """The same strip with a straight path and a flat section."""
        stations = self.stations or (Station(0.0, self.width),)
        return _Part(
            Runs((Straight(self.length),), 0.0),
            self.section,
            self.width,
            self.sense,
            self.layers,
            tuple(replace(station, depth=0.0) for station in stations),
        )

    # ---- lengths ---------------------------------------------------------------------------------

    @property
    def length(self) -> float:
        """Length along the mid-line [mm]."""
        return self.path.length

    @property
    def thickness(self) -> float:
        """Nominal thickness: sum over all layers [mm]."""
        return self.layup.thickness

    def taper(self, s: ArrayLike) -> tuple[Array, Array, Array]:
        """Developed width w [mm] with dw/ds and d2w/ds2."""
        return self._between([station.width for station in self.stations], self.width, s)

    def width_at(self, s: ArrayLike) -> Array:
        """Developed width [mm]."""
        return self.taper(s)[0]

    def developed_edge(self, s: ArrayLike) -> tuple[Array, Array, Array]:
        """The edge on the +q side, q = w/2, with its two derivatives by s; the other edge mirrors it."""
        width, width_s, width_ss = self.taper(s)
        return 0.5 * width, 0.5 * width_s, 0.5 * width_ss

    def depth_at(self, s: ArrayLike) -> tuple[Array, Array, Array]:
        """Depth factor d with dd/ds [1/mm] and d2d/ds2 [1/mm^2]."""
        return self._between([station.depth for station in self.stations], 1.0, s)

    def _between(self, values: list[float], nominal: float, s: ArrayLike) -> tuple[Array, Array, Array]:
        """Value and two derivatives of the quintic smoothstep 10 t^3 - 15 t^4 + 6 t^5 between stations."""
        along = np.asarray(s, dtype=np.float64)
        value = np.full(along.shape, values[0] if values else nominal)
        first, second = np.zeros(along.shape), np.zeros(along.shape)
        for i in range(len(values) - 1):
            start, size = self.stations[i].at, self.stations[i + 1].at - self.stations[i].at
            step = values[i + 1] - values[i]
            t = np.clip((along - start) / size, 0.0, 1.0)
            value += step * t**3 * (10.0 - 15.0 * t + 6.0 * t**2)
            first += step / size * 30.0 * t**2 * (1.0 - t) ** 2
            second += step / size**2 * 60.0 * t * (1.0 - t) * (1.0 - 2.0 * t)
        return value, first, second

    # ---- section and surface ---------------------------------------------------------------------

    def section_angle(self, s: ArrayLike, q: ArrayLike) -> tuple[Array, Array, Array, Array, Array, Array]:
        """phi, phi_s, phi_q, phi_ss, phi_sq, phi_qq of phi(s, q) = sense d(s) phi0(q)."""
        d, d_s, d_ss = (self.sense * value for value in self.depth_at(s))
        angle, angle_q, angle_qq = self.section.angle(q)
        return d * angle, d_s * angle, d * angle_q, d_ss * angle, d_s * angle_q, d * angle_qq

    @cached_property
    def edge_angle(self) -> float:
        """Size of the section's angle [rad] at its edge, halfway along the strip."""
        angle = self.section_angle(np.array([0.5 * self.length]), np.array([0.5 * self.width]))[0]
        return float(np.abs(np.asarray(angle)).max())

    @cached_property
    def path_curvature(self) -> float:
        """Size of the path's largest curvature [1/mm]."""
        places = np.linspace(0.0, self.length, 1 + math.ceil(self.length / _PROBE_STEP))
        return float(np.abs(self.path.curvature(places)).max())

    def section_place(self, s: ArrayLike, q: ArrayLike) -> tuple[Array, Array]:
        """Height h (toward the axle) and lateral place x_l of the section [mm]."""
        place = self.section.place(q, self.sense * self.depth_at(s)[0])
        return place.height, place.lateral

    def surface(self, s: ArrayLike, q: ArrayLike) -> Surface:
        """The rest mid-surface with derivatives to second order.

        With omega = path curvature (Frenet formulas applied twice):
        X_s = t (1 - omega h) + n h_s + e_z x_s, X_q = n sin phi + e_z cos phi,
        X_ss = t (-omega_s h - 2 omega h_s) + n (omega (1 - omega h) + h_ss) + e_z x_ss,
        X_sq = -t omega sin phi + (n cos phi - e_z sin phi) phi_s, X_qq = (n cos phi - e_z sin phi) phi_q.
        """
        phi, phi_s, phi_q, *_ = self.section_angle(s, q)
        a, a_s, a_ss = (self.sense * value for value in self.depth_at(s))
        p = self.section.place(q, a)
        h_s, x_s = p.height_a * a_s, p.lateral_a * a_s
        h_ss = p.height_aa * a_s**2 + p.height_a * a_ss
        x_ss = p.lateral_aa * a_s**2 + p.lateral_a * a_ss
        omega, omega_s = self.path.curvature(s), self.path.curvature_s(s)
        along = self._to_space(s)
        sine, cosine = np.sin(phi), np.cos(phi)
        stretch = 1.0 - omega * p.height
        points = along(np.zeros(()), p.height, p.lateral)
        points[..., :2] += self.path.position(s)
        return Surface(
            points,
            along(stretch, h_s, x_s),
            along(np.zeros(()), sine, cosine),
            along(-omega_s * p.height - 2.0 * omega * h_s, omega * stretch + h_ss, x_ss),
            along(-omega * sine, cosine * phi_s, -sine * phi_s),
            along(np.zeros(()), cosine * phi_q, -sine * phi_q),
        )

    def natural_curvature(self, s: ArrayLike, q: ArrayLike) -> Array:
        """Curvatures (..., 2) = (K_s, K_q) [1/mm] of the rest surface along and across, > 0 toward the axle.

        Of a section that does not change along the strip: X_ss . N / |X_s|^2 = omega cos phi / (1 - omega h)
        and X_qq . N = phi_q with the derivatives of `surface`, N = n cos phi - e_z sin phi.
        """
        phi, _, phi_q, *_ = self.section_angle(s, q)
        omega = self.path.curvature(s)
        height, _ = self.section_place(s, q)
        along = omega * np.cos(phi) / (1.0 - omega * height)
        return np.stack(np.broadcast_arrays(along, phi_q), axis=-1)

    def _to_space(self, s: ArrayLike) -> Callable[[Array, Array, Array], Array]:
        """Function taking components along (t, n, e_z) at s to arrays (..., 3) in (x, y, z)."""
        theta = self.path.heading(s)
        cosine, sine = np.cos(theta), np.sin(theta)

        def to_space(t: Array, n: Array, z: Array) -> Array:
            parts = (t * cosine - n * sine, t * sine + n * cosine, z)
            return np.stack(np.broadcast_arrays(*parts), axis=-1)

        return to_space

    # ---- layers ----------------------------------------------------------------------------------

    @cached_property
    def layup(self) -> Layup:
        """The layers with their extents."""
        return Layup(self.layers)

    def laminate(self, s: ArrayLike, q: ArrayLike) -> Array:
        """Laminate stiffness (..., 6, 6) [[A, B], [B, D]] about z = 0; order (s, q, sq); per area of the rest
        mid-surface, whose own curvature is in it.
        """
        return self.layup.laminate(s, q, self.natural_curvature(s, q))

    def mass_per_area(self, s: ArrayLike, q: ArrayLike) -> Array:
        """Mass per area of the mid-surface [tonne/mm^2]."""
        return self.layup.mass_per_area(s, q)

    def stack_at(self, s: float, q: float) -> Stack:
        """The layers at one point."""
        return self.layup.stack_at(s, q)

    def zone_edges_q(self) -> Array:
        """Breakpoints across [mm]: -w/2, the layers' edges between, +w/2, for piecewise quadrature."""
        return self.layup.edges_across(0.5 * self.width)

    def zone_edges_s(self) -> Array:
        """Breakpoints along [mm]: 0, the layers' edges between, the length."""
        return self.layup.edges_along(self.length)

    def rest_arrays(self, s: Array, q: Array) -> RestArrays:
        """All a rod needs at stations s (n,) and points across q (m,), or q (n, m) if they differ by s."""
        along = np.asarray(s, dtype=np.float64)[:, None]
        phi, phi_s, phi_q, phi_ss, _, _ = self.section_angle(along, q)
        return RestArrays(
            phi,
            phi_s,
            phi_q,
            phi_ss,
            self.path.curvature(s),
            self.path.curvature_s(s),
            self.width_at(s),
            self.natural_curvature(along, q),
            self.laminate(along, q),
            self.mass_per_area(along, q),
            self.thickness,
        )


@dataclass(frozen=True)
class _Part(Strip):
    """A part of a strip that was checked as a whole: its layers and stations may lie beyond its end."""

    def __post_init__(self) -> None:
        """Nothing to refuse."""
