"""What happens next to a rigid clamp, and how finely a strip is divided there.

A clamp that holds a curved section flat bends it across by 1/R. At a free edge no moment acts across, so the
edge must bend along instead, by 1/(nu R): the strain gathers in the two corners, over the layer

    sqrt(R t) / (3 (1 - nu^2))^(1/4)

of a cylinder's free edge (Timoshenko & Woinowsky-Krieger 1959, art. 115, from memory). In the corner itself
strains hardly converge: where a clamped edge meets a free one at a right angle, moments go as r^.07 and
membrane forces as r^-.24 (first roots, for nu = .3, of the equations of Williams 1952, J. Appl. Mech. 19:526,
from memory). Thin-shell theory means nothing nearer than about one thickness anyway, where a real clamp is
rounded or gives. What is called the strain of a strip is therefore that at least one thickness away, which
does converge; nearer it is the clamp's own, and told apart.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from fem.core.term import Array
from fem.design.strip import Strip
from fem.mesh.line_mesh import Zone

LAYER_ELEMENTS = 4.0
"""Elements along one layer, at a clamp."""
FLAT_RISE = 0.01
"""Twice the rise of a section, over the thickness, below which it is flat: nothing bends it at a clamp."""
LEAST_ELEMENT = 0.5
"""Smallest element at a clamp, as a share of the thickness: nearer nothing is read."""


def edge_layer(strip: Strip, station: float) -> float:
    """Length [mm] of the layer in which the free edge of a section bends; inf where the section is flat."""
    half = 0.5 * float(strip.width_at(station))
    angle = float(np.abs(strip.section_angle(station, np.array([half]))[0]).max())
    if angle * half < FLAT_RISE * strip.thickness:
        return math.inf
    bending = strip.laminate(station, 0.0)[3:, 3:]
    contraction = float(bending[0, 1] / bending[1, 1])
    return float(math.sqrt(half / angle * strip.thickness) / (3.0 * (1.0 - contraction**2)) ** 0.25)


def clamp_zones(strip: Strip, clamps: Iterable[float], largest: float) -> tuple[Zone, ...]:
    """Elements next to clamps at stations [mm]: a quarter of the layer there, at most `largest` [mm]."""
    least = LEAST_ELEMENT * strip.thickness
    sizes = ((at, max(least, edge_layer(strip, at) / LAYER_ELEMENTS)) for at in clamps)
    return tuple(Zone(at, at, min(largest, size)) for at, size in sizes)


def clear_stations(strip: Strip, clamps: Iterable[float]) -> tuple[float, ...]:
    """Stations [mm] one thickness away from clamps, on the strip."""
    away = (at + side * strip.thickness for at in clamps for side in (-1.0, 1.0))
    return tuple(sorted(s for s in away if 0.0 < s < strip.length))


def clear_of(stations: Array, clamps: Iterable[float], thickness: float) -> NDArray[np.bool_]:
    """Whether stations (n,) [mm] are at least a thickness away from all clamps: (n,) of bool."""
    away = [np.abs(stations - at) for at in clamps]
    nearest = np.min(away, axis=0) if away else np.full(stations.shape, math.inf)
    return np.asarray(nearest >= thickness * (1.0 - 1e-6))
