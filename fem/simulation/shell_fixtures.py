"""The shell tried where it works, root on the axle and strip through the slot: a station pushed through a
spring, or the far end pushed back toward the slot.

The whole width is there, with a very small load across the plane of the path: a thin strip may give way
sideways, and a perfectly symmetric one would not find the way.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import cast

import numpy as np

from fem.case.definition import Case
from fem.core.term import Array, Blocks, Evaluation, Index
from fem.design.loading import Column, Press
from fem.mesh.bicubic import shape_at
from fem.rod.axle_clamp import AxleGrip
from fem.rod.model import RodModel
from fem.rod.wall_contact import WallContact
from fem.shell.axle_clamp import ShellGrip
from fem.shell.constraints import unknowns
from fem.shell.energy import Shell
from fem.shell.loads import point_load, weight
from fem.shell.model import ShellModel, build_shell_model
from fem.shell.static_drive import middle_line
from fem.simulation.assembly import assemble
from fem.simulation.deployed_shape import Scene, stand
from fem.simulation.fixtures import (
    DRIVE_STIFFNESS,
    IMPERFECTION,
    ColumnGrip,
    DriveGrip,
    Fields,
    Rig,
    column_way,
    standing_part,
)
from fem.simulation.stepper import Trip

SIDEWAYS = 1e-4
"""Load across the plane of the path, as a share of the force asked for."""
REFINE = 1.25
"""Elements of 2.4 mm outside the slot, as for the other bench pushes of the shell."""


@dataclass
class ShellPush:
    """Spring that drives the middle of a section along a direction in the plane: E = k/2 (d . (r - r0) -
    control)^2.
    """

    shell: Shell
    station: float
    direction: tuple[float, float]
    stiffness: float
    start: float = 0.0
    control: float = 0.0

    def __post_init__(self) -> None:
        dofs, values = shape_at(self.shell.grid, np.array([[self.station, 0.0]]))
        kept = 3 * dofs[0][:, None] + np.arange(2)
        self._dofs: Index = kept.ravel()
        self._row: Array = (values[0, 0][:, None] * np.array(self.direction)).ravel()

    def evaluate(self, u: Array, order: int) -> Evaluation:
        """Energy, gradient and one block."""
        off = self.moved(u) - self.control
        gradient = np.zeros(self.shell.size)
        gradient[self._dofs] = self.stiffness * off * self._row
        block = self.stiffness * np.outer(self._row, self._row)
        blocks = (Blocks(self._dofs[None], block[None]),) if order > 1 else ()
        return Evaluation(0.5 * self.stiffness * off**2, gradient, blocks)

    def load(self, u: Array) -> float:
        """Force [N] the drive puts on the strip along its direction."""
        return self.stiffness * (self.control - self.moved(u))

    def moved(self, u: Array) -> float:
        """How far the station has gone along the direction [mm]."""
        return float(self._row @ u[self._dofs]) - self.start


def shell_rig(case: Case) -> Rig:
    """The rig of a press or a column held by axle and slot; see `fem.simulation.fixtures`."""
    push = case.push
    if isinstance(push, Column):
        return _column_rig(standing_part(case, push), push)
    assert isinstance(push, Press)
    return _press_rig(case, push)


def _in_place(case: Case) -> tuple[ShellModel, ShellGrip, Trip | str]:
    settings = replace(case.settings, wraps_touch=False)  # nothing is wound
    model = build_shell_model(replace(case, settings=settings), REFINE, whole=True)
    root = ShellGrip(model)
    return model, root, assemble(model, root)


def _press_rig(case: Case, push: Press) -> Rig:
    light = replace(case, weight=replace(case.weight, acts=False))
    model, root, trip = _in_place(light)
    shell = model.body.shell
    station = case.strip.length if push.station is None else push.station
    rig = _rig(model, 0.5 * station, "pressed_mm", push.force)
    if isinstance(trip, str):
        rig.trip = trip
        return rig
    gravity = np.array([*replace(case.weight, acts=True).acceleration(), 0.0])
    stood = stand(Scene(case, model.motion, [model.walls], weight(shell, gravity), _places(shell)), trip.u)
    if isinstance(stood, str):
        rig.trip = stood
        return rig
    u, rig.standing = stood
    aside = np.array([0.0, 0.0, SIDEWAYS * push.force])
    model.motion.plain.append(point_load(shell, (station, 0.0), aside))
    way = (math.cos(push.direction), math.sin(push.direction))
    drive = ShellPush(shell, station, way, DRIVE_STIFFNESS * _flat(model) / station**3)
    drive.start = drive.moved(u)
    model.motion.plain.append(drive)
    grip = DriveGrip(cast("AxleGrip", root), drive)
    walls = cast("WallContact", model.walls)
    rig.trip = Trip(model.motion, grip, walls, None, u, 0.0, drives=(drive,))
    return rig


def _column_rig(case: Case, push: Column) -> Rig:
    model, root, trip = _in_place(case)
    shell = model.body.shell
    rig = _rig(model, push.shortening, "shortening_mm")
    if isinstance(trip, str):
        rig.trip = trip
        return rig
    u = trip.u
    middle = shell.grid.node(-1, middle_line(model.body))
    nodes = np.atleast_1d(middle) if push.ends == "pinned" else shell.grid.edge("end")
    held = unknowns(nodes, (0,) if push.ends == "pinned" else (0, 1, 2, 3))
    model.motion.fixed[held] = True
    places = unknowns(nodes, (0,), (0, 1)).reshape(-1, 2)
    way, across = column_way(case, u[unknowns(middle, (0,), (0, 1))])
    span = case.strip.length - case.slot_mouth
    small = math.pi**2 * _flat(model) / span**2 * np.array([*(IMPERFECTION * across), SIDEWAYS])
    model.motion.plain.append(point_load(shell, (case.slot_mouth + 0.5 * span, 0.0), small))
    grip = ColumnGrip(places, held, u[held], way, cast("AxleGrip", root))
    rig.trip = Trip(model.motion, grip, cast("WallContact", model.walls), None, u, 0.0)
    return rig


def _rig(model: ShellModel, target: float, control: str, stop_at: float = math.inf) -> Rig:
    like_rod, fields = cast("RodModel", model), cast("Fields", model)
    return Rig(like_rod, "", target, control, "force_N", fields, stop_at, "shell")


def _flat(model: ShellModel) -> float:
    """Bending stiffness [N mm^2] of the strip pressed flat."""
    return float(model.body.shell.laminate[..., 3, 3].max()) * model.case.strip.width


def _places(shell: Shell) -> Callable[[Array, Array], Array]:
    """Places (n, 2) of the mid-line in a state at stations (n,)."""

    def places(u: Array, s: Array) -> Array:
        return shell.position(u, np.stack([s, np.zeros_like(s)], axis=1))[:, :2]

    return places
