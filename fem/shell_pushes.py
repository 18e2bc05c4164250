"""Bend, column, press and coil of a strip as a shell, without contact.

Each is a trial of `shell_drive`: one thing is moved, force and moment are read. `start` is the state in which
the grips close (None: at rest); pass what `flattened` returns to grip sections that are pressed flat.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fem.ends import ABOUT_AXIS, ANY, DRIVEN, HELD
from fem.equilibrium import Array
from fem.shell_drive import FLAT_AXIS, Rig, Trial, TrialSettings, drive, flattened, grip, middle_line
from fem.shell_ends import plane_edge
from fem.shell_loads import point_load
from fem.shell_strip import StripShell

__all__ = ["PressAt", "Trial", "TrialSettings", "bend", "chord", "coil", "column", "flattened", "press"]


def bend(
    model: StripShell,
    angles: Sequence[float] | Array,
    settings: TrialSettings,
    station: float | None = None,
    start: Array | None = None,
) -> Trial:
    """Turn one station (None: the tip) by angles [rad] against the held root; no force arises, only a moment.

    Positive angles curl the strip the way the coil turns. settings.sections "rigid": the grip keeps the shape
    of its section; "free": it holds the middle of the section only. With settings.mirrored the root is the
    middle of a strip twice as long, turned at both ends by these angles.
    """
    x = model.shell.rest.ravel() if start is None else start
    index = -1 if station is None else model.station(station)
    across = HELD if settings.mirrored else ANY  # a mirrored strip has to be kept from rising as a whole
    shift = (ANY, across, HELD)
    turned = grip(model, index, settings.sections, x, shift=shift, spin=DRIVEN, axis=FLAT_AXIS, angle=1.0)
    if settings.mirrored:
        return drive(model, Rig((turned,), x, 0), np.asarray(angles, float), settings)
    root = grip(model, 0, "rigid", x)
    return drive(model, Rig((root, turned), x, 1), np.asarray(angles, float), settings)


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
    return drive(model, Rig((root, tip), x, 1), np.asarray(shortenings, float), settings)


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
        model, Rig((grip(model, 0, "rigid", x),), x, 0, (load,)), np.asarray(forces, float), settings
    )


def coil(model: StripShell, angles: Sequence[float] | Array, settings: TrialSettings) -> Trial:
    """Wind a piece of strip into an arc: both end sections stay plane but deform freely, one turns by angles
    [rad].

    It is a stretch of an endless uniform coil; length / angle is its radius.
    """
    shell, strip = model.shell, model.strip
    frames = []
    for s in (0.0, strip.length):
        heading = float(strip.path.heading(s))
        t, n = (
            np.array([np.cos(heading), np.sin(heading), 0.0]),
            np.array([-np.sin(heading), np.cos(heading), 0.0]),
        )
        frames.append(np.stack([t, n, np.array([0.0, 0.0, 1.0])], axis=1))
    # the root plane is fixed but for its shape, its middle pinned; the other turns and shifts along its
    # normal; the middle of neither rolls about the strip
    middle = 4 * middle_line(model)
    level = 3 * (middle + 2) + 1
    mirror = (3 * middle + 2, level, 3 * (middle + 3)) if model.half else (level,)
    pinned = (3 * middle + 1,) if model.half else (3 * middle + 1, 3 * middle + 2)
    root = plane_edge(shell, "start", frames[0], free_shift=(False, False, False), kept=(*mirror, *pinned))
    turned = plane_edge(shell, "end", frames[1], angle=1.0, kept=mirror)
    rig = Rig((root, turned), shell.rest.ravel(), 1)
    return drive(model, rig, np.asarray(angles, float), settings)
