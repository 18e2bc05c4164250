"""Bend, column, press and coil of a strip as a shell, without contact.

Each is a trial of `fem.shell.static_drive`: one thing is moved, force and moment are read. `start` is the
state in which the grips close (None: at rest); pass what `flattened` returns to grip sections that are
pressed flat.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from fem.core.term import Array
from fem.shell.constraints import plane_nodes
from fem.shell.loads import point_load
from fem.shell.static_drive import (
    FLAT_AXIS,
    StaticFixture,
    Trial,
    TrialSettings,
    at_rest,
    drive,
    flattened,
    grip,
    line_nodes,
    middle_line,
)
from fem.shell.strip_shell import StripShell
from fem.solvers.constraints import ABOUT_AXIS, ANY, DRIVEN, HELD, Carrier
from fem.solvers.edge_constraints import PlaneEnd

__all__ = [
    "BendRoot",
    "PressAt",
    "Trial",
    "TrialSettings",
    "bend",
    "chord",
    "coil",
    "column",
    "flattened",
    "press",
]


@dataclass(frozen=True)
class BendRoot:
    """The root of a bend, in the state `start` (size,) (None: at rest): "rigid" keeps the shape its section
    has there; "free" stays plane and square to the strip and is free to flatten.
    """

    sections: Literal["rigid", "free"] = "rigid"
    start: Array | None = None

    def carrier(self, model: StripShell, x: Array) -> Carrier:
        """What holds the root as it lies in a state x."""
        return grip(model, 0, "rigid", x) if self.sections == "rigid" else _held_plane(model, x)

    def placed(self, model: StripShell, settings: TrialSettings) -> Array:
        """The state in which the turning grip closes: the start, or at rest under dead loads, held by the
        root.
        """
        x = model.shell.rest.ravel() if self.start is None else self.start
        return at_rest(model, (self.carrier(model, x),), x, settings) if settings.dead else x


def bend(
    model: StripShell,
    angles: Sequence[float] | Array,
    settings: TrialSettings,
    station: float | None = None,
    held: BendRoot | None = None,
) -> Trial:
    """Turn one station (None: the tip) by angles [rad] against the held root; no force arises, only a moment.

    Positive angles curl the strip the way the coil turns. settings.sections "rigid": the grip keeps the shape
    of its section; "free": the section stays plane and square to the strip but deforms in its plane. With
    settings.mirrored the root is the middle of a strip twice as long, turned at both ends by these angles.
    """
    held = held or BendRoot()
    x = held.placed(model, settings)
    index = -1 if station is None else model.station(station)
    across = HELD if settings.mirrored else ANY  # a mirrored strip has to be kept from rising as a whole
    shift = (ANY, across, HELD)
    turned: Carrier
    if settings.sections == "rigid":
        turned = grip(model, index, "rigid", x, shift=shift, spin=DRIVEN, axis=FLAT_AXIS, angle=1.0)
    else:
        turned = _plane(model, index % model.shell.grid.stations.size, x, pinned=settings.mirrored)
    if settings.mirrored:
        return drive(model, StaticFixture((turned,), x, 0), np.asarray(angles, float), settings)
    root = held.carrier(model, x)
    return drive(model, StaticFixture((root, turned), x, 1), np.asarray(angles, float), settings)


def column(
    model: StripShell,
    shortenings: Sequence[float] | Array,
    settings: TrialSettings,
    ends: str = "clamped",
    start: Array | None = None,
) -> Trial:
    """Bring both ends together by shortenings [mm] along the line between them; grips do not move across.

    ends "clamped", or "pinned": free to turn about the width axis.
    """
    x = model.shell.rest.ravel() if start is None else start
    spin = HELD if ends == "clamped" else ABOUT_AXIS
    root = grip(model, 0, settings.sections, x, spin=spin, axis=FLAT_AXIS)
    travel = tuple(float(v) for v in chord(model, x))
    shift = (DRIVEN, DRIVEN, HELD)
    tip = grip(model, -1, settings.sections, x, shift=shift, travel=travel, spin=spin, axis=FLAT_AXIS)
    return drive(model, StaticFixture((root, tip), x, 1), np.asarray(shortenings, float), settings)


def chord(model: StripShell, x: Array) -> Array:
    """Unit vector (3,) from the middle of the last section to the middle of the root in a state x."""
    middles = [model.shell.grid.node(index, middle_line(model)) for index in (-1, 0)]
    tip, root = (x.reshape(-1, 3)[4 * int(middle)] for middle in middles)
    return np.asarray((root - tip) / np.linalg.norm(root - tip))


@dataclass(frozen=True)
class PressAt:
    """Where and which way a strip is pressed: station [mm] (None: the tip), angle [rad] from +x to +y."""

    direction: float = -np.pi / 2.0
    station: float | None = None


def press(
    model: StripShell,
    forces: Sequence[float] | Array,
    where: PressAt,
    settings: TrialSettings,
    start: Array | None = None,
) -> Trial:
    """Press the strip at the middle of a section with dead forces [N], its root held."""
    x = model.shell.rest.ravel() if start is None else start
    at = model.strip.length if where.station is None else where.station
    unit = np.array([np.cos(where.direction), np.sin(where.direction), 0.0]) / model.copies
    load = point_load(model.shell, (at, 0.0), unit)
    return drive(
        model,
        StaticFixture((grip(model, 0, "rigid", x),), x, 0, (load,)),
        np.asarray(forces, float),
        settings,
    )


def coil(model: StripShell, angles: Sequence[float] | Array, settings: TrialSettings) -> Trial:
    """Wind a piece of strip into an arc: both end sections stay plane but deform freely, one turns by angles
    [rad].

    It is a stretch of an endless uniform coil; length / angle is its radius.
    """
    x = model.shell.rest.ravel()
    root = _held_plane(model, x)
    turned = _plane(model, model.shell.grid.stations.size - 1, x)
    return drive(model, StaticFixture((root, turned), x, 1), np.asarray(angles, float), settings)


def _held_plane(model: StripShell, x: Array) -> PlaneEnd:
    """The root in the state x, which stays where it is, plane and square to the strip, free to flatten."""
    return _plane(model, 0, x, pinned=True, angle=0.0, free_shift=(False, False, False))


def _plane(
    model: StripShell,
    index: int,
    x: Array,
    pinned: bool = False,
    angle: float = 1.0,
    free_shift: tuple[bool, bool, bool] = (True, False, False),
) -> PlaneEnd:
    """A line of nodes in the state x that stays plane, turned by angle times the level; its middle stays on
    the plane of symmetry and does not roll about the strip; `pinned`: nor does it rise.
    """
    middle = middle_line(model)
    slope = x.reshape(-1, 3)[4 * int(model.shell.grid.node(index, middle)) + 1]
    t = slope / np.linalg.norm(slope)
    frame = np.stack([t, np.array([-t[1], t[0], 0.0]), np.array([0.0, 0.0, 1.0])], axis=1)
    first = 4 * middle  # vectors of the middle: position, slope along, across, mixed
    kept = [3 * first + 2, 3 * (first + 2) + 1]
    if model.half:
        kept.append(3 * (first + 3))
    if pinned:
        kept.append(3 * first + 1)
    nodes, how = line_nodes(model, index), {"angle": angle, "free_shift": free_shift}
    return plane_nodes(model.shell, nodes, 2, frame, x, kept=tuple(kept), **how)
