"""The layers of a strip and where each of them is: extents along and across with hard edges.

The stack at a point decides its laminate stiffness and its mass, together with how the strip is curved there
by nature (`fem.design.curved_layers`). A strip has few distinct stacks and is asked at many points, so points
of one stack are worked out together.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fem.core.term import Array, Index
from fem.core.units import Angle, Extent, Length
from fem.design.curved_layers import curved_laminate
from fem.design.material import Material

Mask = NDArray[np.bool_]

MOST_LAYERS = 64
"""More layers than a printed or laminated strip has."""


@dataclass(frozen=True)
class Layer:
    """One layer: material, thickness [mm] and direction of its axis 1 [rad] from s toward q.

    across (q0, q1) and along (s0, s1) [mm] limit the material to a rectangle with hard edges (None: no limit
    that way; edges belong to the inside); outside, the layer is `elsewhere`, at the same angle, or nothing.
    Where it is nothing the other layers keep their heights.
    """

    material: Material
    thickness: Length
    angle: Angle = 0.0
    across: Extent | None = None
    along: Extent | None = None
    elsewhere: Material | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.thickness) and self.thickness > 0.0):
            raise ValueError(f"the thickness of a layer must be > 0 mm, got {self.thickness:g}")
        for name, extent in (("across", self.across), ("along", self.along)):
            if extent is not None and not extent[0] < extent[1]:
                raise ValueError(
                    f"the extent {name} of a layer must rise, got [{extent[0]:g}, {extent[1]:g}] mm"
                )

    def inside(self, s: ArrayLike, q: ArrayLike) -> Mask:
        """Whether points lie in the layer's extents."""
        along, across = np.broadcast_arrays(s, q)
        inside = np.ones(along.shape, dtype=bool)
        for extent, place in ((self.along, along), (self.across, across)):
            if extent is not None:
                inside &= (place >= extent[0]) & (place <= extent[1])
        return inside


@dataclass(frozen=True, eq=False)
class Stack:
    """The layers at one point: faces z_edges (n+1,) [mm], materials (None: nothing) and angles [rad]."""

    z_edges: Array
    materials: tuple[Material | None, ...]
    angles: tuple[float, ...]

    @property
    def plies(self) -> Array:
        """Reduced stiffness (n, 3, 3) [MPa] of each layer in (s, q, sq); layers of nothing have none."""
        return np.array(
            [
                np.zeros((3, 3)) if material is None else material.plane_stress(angle)
                for material, angle in zip(self.materials, self.angles, strict=True)
            ]
        )


@dataclass(frozen=True)
class Layup:
    """Layers from the face away from the axle (z = -t/2) to the face toward it (z = +t/2)."""

    layers: tuple[Layer, ...]

    def __post_init__(self) -> None:
        if not self.layers:
            raise ValueError("a strip needs at least one layer")

    @property
    def thickness(self) -> float:
        """Nominal thickness: sum over all layers [mm]."""
        return math.fsum(layer.thickness for layer in self.layers)

    @cached_property
    def z_edges(self) -> Array:
        """Heights of the layer faces (n+1,) [mm], from -t/2 to +t/2."""
        edges = np.concatenate([[0.0], np.cumsum([layer.thickness for layer in self.layers])])
        return np.asarray(edges - 0.5 * edges[-1])

    def _filled(self, s: ArrayLike, q: ArrayLike) -> Mask:
        """Whether any layer has material at each point."""
        filled = [layer.inside(s, q) | (layer.elsewhere is not None) for layer in self.layers]
        return np.asarray(np.any(filled, axis=0))

    def _kinds(self, s: ArrayLike, q: ArrayLike) -> tuple[Index, Index]:
        """Distinct stacks as bit codes, and the index of each point's stack."""
        bits = [layer.inside(s, q).astype(np.int64) << k for k, layer in enumerate(self.layers)]
        code = np.sum(bits, axis=0)
        kinds, index = np.unique(code, return_inverse=True)
        return kinds, index.reshape(code.shape)

    def _materials(self, code: int) -> tuple[Material | None, ...]:
        return tuple(
            layer.material if code >> k & 1 else layer.elsewhere for k, layer in enumerate(self.layers)
        )

    def _stack(self, code: int) -> Stack:
        return Stack(self.z_edges, self._materials(code), tuple(layer.angle for layer in self.layers))

    def laminate(self, s: ArrayLike, q: ArrayLike, curvature: ArrayLike = (0.0, 0.0)) -> Array:
        """Laminate stiffness (..., 6, 6) [[A, B], [B, D]] about z = 0 of a sheet of natural curvatures
        (..., 2) = (K_s, K_q) [1/mm], which broadcast with the points.
        """
        kinds, index = self._kinds(s, q)
        own = np.broadcast_to(np.asarray(curvature, dtype=np.float64), (*index.shape, 2))
        result = np.empty((*index.shape, 6, 6))
        for number, code in enumerate(kinds):
            here = index == number
            stack = self._stack(int(code))
            result[here] = curved_laminate(stack.z_edges, stack.plies, own[here])
        return result

    def mass_per_area(self, s: ArrayLike, q: ArrayLike) -> Array:
        """Mass per area of the mid-surface [tonne/mm^2]."""
        kinds, index = self._kinds(s, q)
        masses = [
            math.fsum(
                0.0 if m is None else m.density * layer.thickness
                for m, layer in zip(found, self.layers, strict=True)
            )
            for found in (self._materials(int(code)) for code in kinds)
        ]
        return np.array(masses)[index]

    def stack_at(self, s: float, q: float) -> Stack:
        """The layers at one point."""
        kinds, _ = self._kinds(s, q)
        return self._stack(int(kinds[0]))

    def edges_across(self, half_width: float) -> Array:
        """Sorted breakpoints across [mm] from -half_width to +half_width."""
        return _breakpoints(-half_width, half_width, [layer.across for layer in self.layers])

    def edges_along(self, length: float) -> Array:
        """Sorted breakpoints along [mm] from 0 to the length."""
        return _breakpoints(0.0, length, [layer.along for layer in self.layers])

    def refuse_gaps(self, half_width: float, length: float) -> None:
        """Raise ValueError for an extent off the strip, or a zone of it that no layer fills."""
        for number, layer in enumerate(self.layers, 1):
            for name, extent, low, high in (
                ("across", layer.across, -half_width, half_width),
                ("along", layer.along, 0.0, length),
            ):
                if extent is not None and not (extent[0] < high and extent[1] > low):
                    raise ValueError(
                        f"the extent {name} of layer {number}, {extent[0]:g} to {extent[1]:g} mm, lies "
                        f"outside the strip ({low:g} to {high:g} mm)"
                    )
        s, q = self.edges_along(length), self.edges_across(half_width)
        s_middle, q_middle = 0.5 * (s[:-1] + s[1:]), 0.5 * (q[:-1] + q[1:])
        empty = np.argwhere(~self._filled(s_middle[:, None], q_middle))
        if len(empty):
            i, j = empty[0]
            raise ValueError(
                f"no layer fills s {s[i]:g} to {s[i + 1]:g} mm, q {q[j]:g} to {q[j + 1]:g} mm; "
                "widen an extent or give a layer a material elsewhere"
            )


def _breakpoints(first: float, last: float, extents: list[Extent | None]) -> Array:
    inner = sorted(edge for extent in extents if extent is not None for edge in extent if first < edge < last)
    edges = np.array([first, *inner, last])
    keep = np.append(np.diff(edges) > 1e-9 * (last - first), True)
    keep[0] = True
    return np.asarray(edges[keep])
