"""The strip and its surroundings in one state: plain arrays that any model can fill and any picture draw."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from fem.core.term import Array
from fem.design.layup import MOST_LAYERS

PHASES = ("assemble", "retract", "deploy", "push")
"""Meaning of the number in the column `phase` and in `Snapshot.phase`; "push" is every other kind of push."""
PHASE_WORDS = {
    "assemble": "put in place", "retract": "winding in", "deploy": "pushing out", "push": "push on the bench",
}  # fmt: skip
"""How people call the phases."""


def frozen(values: Any) -> Array:
    """A copy as floats that nobody can write into."""
    array = np.array(values, dtype=np.float64)
    array.flags.writeable = False
    return array


@dataclass(frozen=True, eq=False)
class Snapshot:
    """The strip and its surroundings in one state.

    n stations along the strip from root to tip, m points across from one edge to the other. The planar path
    lies in (x, y), the width along z, the normal is the heading turned by +90 degrees; the mid-surface is
    position + height normal + lateral e_z. Raises ValueError if shapes disagree or the phase is unknown.
    """

    label: str
    step: int
    phase: int
    """Index in `PHASES`."""
    travel: float
    """mm wound in through the slot since fully out."""
    axle_angle: float
    """rad, clockwise positive."""
    station: Array
    """(n,) mm from the root along the strip."""
    position: Array
    """(n, 2) mm, mid-line."""
    heading: Array
    """(n,) rad."""
    across: Array
    """(m,) mm, developed coordinate at the widest station; where the strip tapers the points move in."""
    height: Array
    """(n, m) mm along the normal."""
    lateral: Array
    """(n, m) mm along z."""
    curvature: Array
    """(n,) 1/mm, change of heading per length."""
    axial_force: Array
    """(n,) N, > 0 tension."""
    strain: Array
    """(n, m) largest |strain| through the thickness."""
    strain_share: Array
    """(n, m) largest over the layers of |strain| over that material's limit."""
    contact: Array
    """(n, m) N/mm^2, normal force of contact per area, both faces together, of walls and of other wraps; its
    mean over the area nearest to the point, so that the sum over the strip is all of the force.
    """
    thickness: Array
    """() or (n, m) mm, whole stack."""
    obstacles: tuple[Mapping[str, Any], ...] = ()
    """Obstacles where they are in this state, as plain dicts: `name`, `kind`, `radius`, and

    kind "disc": centre `x`, `y`. "bar": from `x`, `y` to `x2`, `y2`. "arc": centre `x`, `y`, radius `core`,
    from angle `start` anticlockwise over `sweep` (rad). "plane": through `x`, `y`, outside toward `nx`, `ny`.
    `radius` is half the thickness of the solid around that core. `turning`: true if it turns with the axle.
    """
    gap: Array = field(default_factory=lambda: np.empty((0, 0)))
    """(n, m) mm, clearance to the nearest wall or wrap; nan where none is near. Left out: nan everywhere.
    Faces press on each other from a few hundredths of the thickness on: what touches lies about at 0.
    """
    layer_strain: Array = field(default_factory=lambda: np.empty((0, 0, 0)))
    """(layers, n, m) largest |strain| of each layer, outermost from the axle first; nan where absent."""
    mode: Array = field(default_factory=lambda: np.empty((0, 0, 3)))
    """(n, m, 3) softest mode of this state, largest displacement 1; (0, 0, 3) where none was looked for."""

    def __post_init__(self) -> None:
        if self.phase not in range(len(PHASES)):
            raise ValueError(
                f"snapshot {self.label!r}: phase must be below {len(PHASES)}, got {self.phase!r}"
            )
        for name in ARRAYS:
            object.__setattr__(self, name, frozen(getattr(self, name)))
        object.__setattr__(self, "obstacles", tuple(self.obstacles))
        n, m = self.station.size, self.across.size
        if self.gap.size == 0:
            object.__setattr__(self, "gap", frozen(np.full((n, m), np.nan)))
        if self.layer_strain.size == 0:
            object.__setattr__(self, "layer_strain", frozen(np.empty((0, n, m))))
        for name, allowed in _shapes(n, m).items():
            if (shape := getattr(self, name).shape) not in allowed:
                wanted = " or ".join(map(str, allowed))
                raise ValueError(f"snapshot {self.label!r}: {name} must have shape {wanted}, got {shape}")

    def surface(self) -> Array:
        """Mid-surface in space, (n, m, 3), mm."""
        normal = np.stack([-np.sin(self.heading), np.cos(self.heading)], axis=-1)
        plane = self.position[:, None, :] + self.height[..., None] * normal[:, None, :]
        return np.concatenate([plane, self.lateral[..., None]], axis=-1)


def _shapes(n: int, m: int) -> dict[str, tuple[tuple[int, ...], ...]]:
    along = ("station", "heading", "curvature", "axial_force")
    over = ("height", "lateral", "strain", "strain_share", "contact")
    shapes: dict[str, tuple[tuple[int, ...], ...]] = {"position": ((n, 2),), "across": ((m,),)}
    shapes |= dict.fromkeys(along, ((n,),)) | dict.fromkeys(over, ((n, m),))
    layers = tuple((k, n, m) for k in range(MOST_LAYERS + 1))
    shapes |= {"gap": ((n, m),), "layer_strain": layers, "mode": ((n, m, 3), (0, 0, 3))}
    return shapes | {"thickness": ((), (n, m))}


ARRAYS = tuple(_shapes(0, 0))
