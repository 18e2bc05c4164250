"""Bend, column, press and coil of a strip as a shell, without contact.

Each trial drives one thing (an angle, a shortening, a force) through stable states at rest and records force,
moment, energy and the worst strain at every step. Snaps on the way are listed with the energy they lost.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from fem.ends import ABOUT_AXIS, ANY, DRIVEN, HELD, Carrier, Ends, RigidBody
from fem.equilibrium import Array, Index, Term
from fem.newton import NewtonSettings, Point
from fem.shell_ends import plane_edge, rigid_nodes, symmetric
from fem.shell_fields import surface_strain
from fem.shell_loads import point_load
from fem.shell_strip import StripShell
from fem.statics import SettleSettings, Snap, follow_stable
from fem.structure import Structure

Sections = Literal["rigid", "free"]
FLAT_AXIS = (0.0, 0.0, 1.0)  # the axis of the axle, about which planar pushes turn
KINDS = (0, 1, 2, 3)


@dataclass(frozen=True)
class Trial:
    """A driven trial of the whole strip.

    drive (n,): what was driven, in its own unit [rad, mm or N]; moment (n,) [N mm] about z and force (n, 3)
    [N] of the driven end on the strip; energy (n,) [N mm]; strain (n,): worst surface strain; states (n,
    size).
    """

    model: StripShell
    drive: Array
    moment: Array
    force: Array
    energy: Array
    strain: Array
    states: Array
    snaps: tuple[Snap, ...]
    finished: bool
    message: str
    factorisations: int

    def peak(self) -> tuple[float, float]:
        """Drive and moment where the moment's size first stops growing."""
        size = np.abs(self.moment)
        k = next((k for k in range(len(size) - 1) if size[k + 1] < size[k]), len(size) - 1)
        return float(self.drive[k]), float(self.moment[k])


@dataclass(frozen=True)
class TrialSettings:
    """`move`: longest damped step in a snap [mm], None: a tenth of the width; `correction` [mm] at which
    Newton stops, None: a hundredth of the thickness; `halvings` before a level counts as a snap.
    """

    move: float | None = None
    correction: float | None = None
    halvings: int = 4
    steps: int = 400
    sections: Sections = "rigid"
    mirrored: bool = False

    def solver(self, model: StripShell) -> SettleSettings:
        """Settings of the static solver for a strip."""
        strip = model.strip
        move = self.move if self.move is not None else 0.05 * strip.width
        correction = self.correction if self.correction is not None else 0.01 * strip.thickness
        newton = NewtonSettings(correction=correction, iterations=8)
        return SettleSettings(
            move=move, nudge=correction, steps=self.steps, halvings=self.halvings, newton=newton
        )


def bend(
    model: StripShell, angles: Sequence[float] | Array, settings: TrialSettings, station: float | None = None
) -> Trial:
    """Turn one station (None: the tip) by angles [rad] against the held root; no force arises, only a moment.

    With settings.mirrored the root is the middle of a strip twice as long, turned at both ends by these
    angles.

    Positive angles curl the strip the way the coil turns. settings.sections "rigid": both grips keep the rest
    shape of their section; "free": they hold the middle of the section only.
    """
    index = -1 if station is None else model.station(station)
    across = HELD if settings.mirrored else ANY  # a mirrored strip has to be kept from rising as a whole
    grip = _grip(
        model, index, settings.sections, shift=(ANY, across, HELD), spin=DRIVEN, axis=FLAT_AXIS, angle=1.0
    )
    if settings.mirrored:
        return _drive(model, (grip,), (), np.asarray(angles, float), settings, 0)
    root = _grip(model, 0, settings.sections)
    return _drive(model, (root, grip), (), np.asarray(angles, float), settings, 1)


def column(
    model: StripShell, shortenings: Sequence[float] | Array, settings: TrialSettings, ends: str = "clamped"
) -> Trial:
    """Bring both ends together by shortenings [mm] along the line between them; the grips do not move
    across.
    """
    spin = HELD if ends == "clamped" else ABOUT_AXIS
    tip = _grip(model, -1, settings.sections)
    root = _grip(model, 0, settings.sections)
    line = np.array(tip.centre) - np.array(root.centre)
    travel = tuple(-line / np.linalg.norm(line))
    root = _grip(model, 0, settings.sections, spin=spin, axis=FLAT_AXIS)
    tip = _grip(
        model, -1, settings.sections, shift=(DRIVEN, DRIVEN, HELD), travel=travel, spin=spin, axis=FLAT_AXIS
    )
    return _drive(model, (root, tip), (), np.asarray(shortenings, float), settings, 1)


def press(
    model: StripShell,
    forces: Sequence[float] | Array,
    direction: float,
    settings: TrialSettings,
    station: float | None = None,
) -> Trial:
    """Press the strip at the middle of a station (None: the tip) with dead forces [N] at an angle from +x to
    +y.
    """
    at = model.strip.length if station is None else station
    unit = np.array([np.cos(direction), np.sin(direction), 0.0]) / model.copies
    load = point_load(model.shell, (at, 0.0), unit)
    root = _grip(model, 0, settings.sections)
    return _drive(model, (root,), (load,), np.asarray(forces, float), settings, 0)


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
    # normal
    middle = 4 * int(np.argmin(np.abs(shell.grid.across)))
    mirror = (3 * middle + 2, 3 * (middle + 2) + 1, 3 * (middle + 3)) if model.half else ()
    pinned = (3 * middle + 1,) if model.half else (3 * middle + 1, 3 * middle + 2)
    root = plane_edge(shell, "start", frames[0], free_shift=(False, False, False), kept=(*mirror, *pinned))
    turned = plane_edge(shell, "end", frames[1], angle=1.0, kept=mirror)
    return _drive(model, (root, turned), (), np.asarray(angles, float), settings, 1)


def _grip(model: StripShell, index: int, sections: Sections, **how: object) -> RigidBody:
    """A grip on one line of nodes: the whole section, or its middle node only."""
    grid = model.shell.grid
    middle = int(np.argmin(np.abs(grid.across)))
    nodes = grid.node(index, np.arange(grid.across.size)) if sections == "rigid" else grid.node(index, middle)
    centre = tuple(float(v) for v in model.shell.rest[4 * int(grid.node(index, middle))])
    return rigid_nodes(model.shell, np.atleast_1d(nodes), KINDS, centre=centre, **how)


def _held(model: StripShell, mirrored: bool) -> Index:
    """Unknowns held by symmetry; a mirrored root must head along +x."""
    held = [np.zeros(0, dtype=np.int64)]
    if model.half:
        held.append(symmetric(model.shell, "low", 2))
    if mirrored:
        held.append(symmetric(model.shell, "start", 0))
    return np.unique(np.concatenate(held))


def _drive(
    model: StripShell,
    bodies: tuple[Carrier, ...],
    loads: tuple[Term, ...],
    levels: Array,
    settings: TrialSettings,
    driven: int,
) -> Trial:
    shell = model.shell
    held = _held(model, settings.mirrored)
    for body in bodies:
        held = np.setdiff1d(held, body.dofs.ravel())
    ends = Ends(shell.size, held, shell.rest.ravel()[held], bodies=bodies)
    structure = Structure([shell], ends, loads, shell.weights)
    rows: list[tuple[float, Array, float, float, Array]] = []

    def watch(point: Point) -> None:
        x = ends.expand(point.u, point.level)
        force, moment = structure.reaction(point.u, point.level, driven)
        energy = structure.stored(point.u, point.level)
        copies = model.copies * (2 if settings.mirrored else 1)
        strain = float(np.abs(surface_strain(model, x)).max())
        rows.append((model.copies * float(moment[2]), model.copies * force, copies * energy, strain, x))

    course = follow_stable(
        structure, ends.reduce(shell.rest.ravel()), list(levels), settings.solver(model), watch
    )
    return Trial(
        model,
        levels[: len(rows)],
        np.array([row[0] for row in rows]),
        np.array([row[1] for row in rows]),
        np.array([row[2] for row in rows]),
        np.array([row[3] for row in rows]),
        np.array([row[4] for row in rows]),
        course.snaps,
        course.finished,
        course.message,
        course.factorisations,
    )
