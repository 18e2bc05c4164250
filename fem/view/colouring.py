"""What the strip can be coloured by: one line of `COLOURINGS` each; keys, command and legend loop over it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from fem.core.errors import InputError
from fem.core.term import Array
from fem.results.snapshot import Snapshot
from fem.view.colour import Scale, round_up
from fem.view.intended import IntendedShape, rise

MOST = 99.5
"""Per cent of all values of a run that a scale without a natural end holds; single peaks go beyond."""


@dataclass(frozen=True)
class Colouring:
    """A quantity on the strip; `of` gives (n, m) values of a state in the unit of the scale, nan unknown.

    The scale is the same for all states of a run. end: its fixed end; 0: taken from the run. thick: the end
    is that many thicknesses of the strip.
    """

    name: str
    title: str
    unit: str
    of: Callable[[Snapshot, IntendedShape], Array]
    end: float = 0.0
    thick: float = 0.0
    signed: bool = False
    falling: bool = False
    limit: bool = False
    without: str = ""
    """What to say where no value is known."""

    def scale(self, shots: Sequence[Snapshot], aim: IntendedShape) -> Scale:
        """The scale for all these states."""
        end = self.end
        if self.thick:
            end = round_up(self.thick * float(np.mean(shots[0].thickness)))
        elif not end:
            values = np.abs(np.concatenate([self.of(shot, aim).ravel() for shot in shots]))
            values = values[np.isfinite(values) & (values > 0)]
            end = round_up(float(np.percentile(values, MOST))) if values.size else 1.0
        low = -end if self.signed else 0.0
        return Scale(self.title, self.unit, low, end, self.signed, self.falling, self.limit)


def _wide(values: Array, shot: Snapshot) -> Array:
    return np.asarray(np.broadcast_to(values[:, None], shot.height.shape))


COLOURINGS = (
    Colouring("strain", "strain in the worst layer over its limit", "%",
          lambda shot, aim: 100.0 * shot.strain_share, end=100.0, limit=True,
          without="no limit is known for the material"),
    Colouring("contact", "contact pressure, both faces", "MPa", lambda shot, aim: shot.contact,
          without="contact was not recorded"),
    Colouring("flattening", "flattening: section height lost", "%",
          lambda shot, aim: _wide(100.0 * (1.0 - rise(shot) / aim.rise), shot), end=100.0,
          without="the section is flat"),
    Colouring("curvature", "change of curvature along the strip", "1/mm",
          lambda shot, aim: _wide(shot.curvature - aim.curvature, shot), signed=True),
    Colouring("gap", "gap to the nearest wall or wrap", "mm", lambda shot, aim: shot.gap,
          thick=2.0, falling=True, without="gaps were not recorded"),
    Colouring("displacement", "distance from the place when fully out", "mm",
          lambda shot, aim: np.linalg.norm(shot.surface() - aim.place, axis=-1)),
)  # fmt: skip
LAYERS = "layers"
"""The colouring that shows materials, not values."""
NAMES = (*(colouring.name for colouring in COLOURINGS), LAYERS)


def colouring_named(name: str) -> Colouring | None:
    """The colouring of a name; None for the layers. Raises InputError for any other word."""
    if name not in NAMES:
        raise InputError(f"no colouring named {name!r}; there are: {', '.join(NAMES)}")
    return next((colouring for colouring in COLOURINGS if colouring.name == name), None)
