"""Rigs of the test bench: what holds the strip and what drives it, for each push that does not turn the axle.

A grip takes a section as it lies when it closes: nothing pulls before the test starts. The root, and both
ends of a clamped column, are pressed flat first, as the axle does; the other grips keep the section's own
shape. A rig is at rest when it is handed over.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np

from fem.case.definition import Case
from fem.core.term import Array, Evaluation, Index
from fem.design.loading import Bend, Coil, Column, Press
from fem.rod.axle_clamp import AxleGrip
from fem.rod.constraints import line_unknowns, plane_unknowns, section_unknowns
from fem.rod.drives import PushDrive, TurnDrive
from fem.rod.energy import Rod, flat_amplitudes
from fem.rod.fields import RodFields
from fem.rod.loads import point_load, weight
from fem.rod.model import RodModel, build_rod_model, flat_stiffness
from fem.simulation.assembly import assemble
from fem.simulation.deployed_shape import Scene, Standing, stand
from fem.simulation.stepper import Trip
from fem.simulation.strip_model import StripState
from fem.solvers.implicit_dynamics import Motion

DRIVE_STIFFNESS = 5000.0
"""Drive springs are this much stiffer than the flat strip, so that a load may fall after a snap."""
IMPERFECTION = 1e-4
"""Load across the middle of a column, as a share of Euler's load of the flat strip."""
COIL_ELEMENT = 0.4
"""Largest element of a coil, as a share of its radius."""
CLOSING = 8
SETTLING, SETTLING_TIME = 3, 200.0


class Fields(Protocol):
    """Reads a state of the strip."""

    def state(self, u: Array) -> StripState: ...


class Drive(Protocol):
    """A spring that drives one coordinate of the strip by its control."""

    control: float

    def evaluate(self, u: Array, order: int) -> Evaluation: ...
    def load(self, u: Array) -> float: ...
    def moved(self, u: Array) -> float: ...


def rod_fields(model: RodModel) -> RodFields:
    """What reads states of a rod on the bench."""
    return RodFields.build(model.rod, np.linspace(0.0, float(model.rod.nodes[-1]), 121), 5)


@dataclass
class Rig:
    """A push ready to go: trip (or why there is none), target of the control, names of control and load.

    fields: reads a state; stop_at: load at which the push is done before the control arrives; kind: the
    model's name; standing: how the strip stood before it was pressed, if it was put in place.
    """

    model: RodModel
    trip: Trip | str
    target: float
    control_name: str
    load_name: str
    fields: Fields
    stop_at: float = math.inf
    kind: str = "rod"
    standing: Standing | None = None

    @property
    def length(self) -> float:
        """Length of strip in the rig [mm]."""
        return float(self.model.rod.strip.length)


def build_rig(case: Case) -> Rig:
    """The rig of a bend, coil, column or press."""
    push = case.push
    if isinstance(push, Column):
        return column_rig(case, push)
    if isinstance(push, Coil):
        return coil_rig(case, push)
    if isinstance(push, Bend):
        return bend_rig(case, push)
    assert isinstance(push, Press)
    return press_rig(case, push)


def part_of(case: Case, length: float | None) -> Case:
    """The case with the strip cut at `length` [mm] (None: whole)."""
    if length is None or length >= case.strip.length * (1.0 - 1e-9):
        return case
    return replace(case, strip=case.strip.up_to(length))


@dataclass
class DriveGrip:
    """A drive has the control; the root is held as on the axle (None: by `held`), and unknowns `held` (n,)
    stay at `values` (n,).
    """

    root: AxleGrip | None
    drive: Drive
    held: Index = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    values: Array = field(default_factory=lambda: np.zeros(0))

    def place(self, u: Array, control: float) -> Array:  # noqa: ARG002 - the drive does the moving
        """What is held stays."""
        u = u.copy() if self.root is None else self.root.place(u, 0.0)
        u[self.held] = self.values
        return u

    def force(self, u: Array, gradient: Array, control: float) -> float:  # noqa: ARG002 - read off the spring
        """Load of the drive, at the control it was given."""
        return self.drive.load(u)

    def reach(self, u: Array, control: float) -> float:  # noqa: ARG002 - read off the strip
        """How far the driven station has gone."""
        return self.drive.moved(u)

    def prepare(self, before: float, control: float) -> None:  # noqa: ARG002 - no memory
        """Move the drive."""
        self.drive.control = control
        if self.root is not None:
            self.root.prepare(0.0, 0.0)


@dataclass
class ColumnGrip:
    """Two grips that hold unknowns (n,) at values (n,), or the axle (root) and one grip; places (k, 2), the
    x and y unknowns of what is gripped at the far end, come nearer along the unit vector `way` (2,) by the
    control [mm].
    """

    places: Index
    held: Index
    values: Array
    way: Array
    root: AxleGrip | None = None

    def place(self, u: Array, control: float) -> Array:
        """Both grips where they belong."""
        u = u.copy() if self.root is None else self.root.place(u, 0.0)
        u[self.held] = self.values
        u[self.places] += control * self.way
        return u

    def force(self, u: Array, gradient: Array, control: float) -> float:  # noqa: ARG002 - a dead direction
        """Compressive force [N] along the way."""
        return float((gradient[self.places] @ self.way).sum())

    def reach(self, u: Array, control: float) -> float:  # noqa: ARG002 - the control itself
        """The shortening."""
        return control

    def prepare(self, before: float, control: float) -> None:  # noqa: ARG002 - the axle stands still
        """Nothing follows."""
        if self.root is not None:
            self.root.prepare(0.0, 0.0)


def bend_rig(case: Case, push: Bend) -> Rig:
    """Root pressed flat and held, one station turned; nothing pulls along or across."""
    station = case.strip.length if push.station is None else push.station
    model = build_rod_model(case, surrounded=False, nodes=(station,))
    rod, root = model.rod, AxleGrip(model)
    trip = assemble(model, root)
    if not isinstance(trip, str):
        node = int(np.argmin(np.abs(rod.nodes - station)))
        held = section_unknowns if push.grip == "rigid" else plane_unknowns
        trip = _turned_at(model, root, node, held(rod, node), trip.u)
    return Rig(model, trip, push.angle, "turn_rad", "moment_Nmm", rod_fields(model))


def coil_rig(case: Case, push: Coil) -> Rig:
    """Both ends plane, square to the strip and free to flatten; the root stays, the other end turns."""
    refine = max(1.0, case.settings.element / (COIL_ELEMENT * push.radius))
    model = build_rod_model(part_of(case, push.station), surrounded=False, refine=refine)
    rod, last = model.rod, len(model.rod.nodes) - 1
    root = [rod.index(0, 0), rod.index(0, 1), rod.index(0, 1, 1), *plane_unknowns(rod, 0)]
    model.motion.fixed[:] = False
    trip = _turned_at(model, None, last, [*root, *plane_unknowns(rod, last)], model.start)
    heading = float(model.case.strip.path.heading(rod.nodes[-1]))
    target = push.turn(float(rod.nodes[-1]), heading)
    return Rig(model, trip, target, "turn_rad", "moment_Nmm", rod_fields(model))


def _turned_at(model: RodModel, root: AxleGrip | None, node: int, held: list[int], u: Array) -> Trip | str:
    """The trip of a drive that turns a node from the state u on, with unknowns held as they lie."""
    rod, station = model.rod, float(model.rod.nodes[node])
    drive = TurnDrive(rod, station, DRIVE_STIFFNESS * flat_stiffness(rod) / station, 0.0)
    drive.start = drive.heading(u)
    index = np.array(held, dtype=np.int64)
    return _driven(model, DriveGrip(root, drive, index, u[index]), u)


def _driven(model: RodModel, grip: DriveGrip, u: Array) -> Trip | str:
    """The trip of a drive from the state u on, at rest."""
    model.motion.plain.append(grip.drive)
    model.motion.fixed[grip.held] = True
    if model.walls is None:  # with walls the assembly has settled it, friction included
        u, trouble = _at_rest(model.motion, u)
        if trouble:
            return f"the strip could not be brought to rest: {trouble}"
    trip = Trip(model.motion, grip, model.walls, model.wraps, u, 0.0, drives=(grip.drive,))
    trip.force = grip.drive.load(u)
    return trip


def _at_rest(motion: Motion, u: Array) -> tuple[Array, str]:
    """State at rest near u, and what went wrong."""
    for _ in range(SETTLING):
        outcome = motion.step(u, np.zeros_like(u), SETTLING_TIME, u)
        if not outcome.accepted:
            return u, outcome.reason
        u = outcome.u
    return u, ""


def column_rig(case: Case, push: Column) -> Rig:
    """Two grips on the strip up to its free length come together along the line between them."""
    if push.held == "slot":
        return slot_column_rig(case, push)
    model = build_rod_model(part_of(case, push.free_length), surrounded=False)
    rod, last = model.rod, len(model.rod.nodes) - 1
    length = float(rod.nodes[-1])
    ends = model.start.reshape(-1, rod.fields, 2)[[0, last], :2, 0]
    across = np.array([ends[0, 1] - ends[1, 1], ends[1, 0] - ends[0, 0]]) / np.linalg.norm(ends[1] - ends[0])
    small = IMPERFECTION * math.pi**2 * flat_stiffness(rod) / length**2
    model.motion.plain.append(point_load(rod, 0.5 * length, small * across))
    clamped = push.ends == "clamped"
    u, trouble = _closed(model, last) if clamped else (model.start, "")
    trip: Trip | str = f"the strip could not be gripped: {trouble}"
    if not trouble:
        held = [*section_unknowns(rod, 0), *section_unknowns(rod, last)]
        for node in (0, last):
            held += line_unknowns(rod, node) if clamped else [rod.index(node, 0), rod.index(node, 1)]
        index = np.array(held, dtype=np.int64)
        line = u.reshape(-1, rod.fields, 2)[0, :2, 0] - u.reshape(-1, rod.fields, 2)[last, :2, 0]
        places = np.array([[rod.index(last, 0), rod.index(last, 1)]], dtype=np.int64)
        grip = ColumnGrip(places, index, u[index], line / np.linalg.norm(line))
        model.motion.fixed[:] = False
        model.motion.fixed[index] = True
        u, trouble = _at_rest(model.motion, u)
        trip = Trip(model.motion, grip, None, None, u, 0.0)
        trip.force = grip.force(u, model.motion.total(u, 1).gradient, 0.0)
    return Rig(model, trip, push.shortening, "shortening_mm", "force_N", rod_fields(model))


def standing_part(case: Case, push: Column) -> Case:
    """The case with the strip cut a free length beyond the slot's mouth."""
    return part_of(case, None if push.free_length is None else case.slot_mouth + push.free_length)


def slot_column_rig(case: Case, push: Column) -> Rig:
    """The far end comes nearer to the slot's mouth, the near one is held by axle and slot."""
    model = build_rod_model(standing_part(case, push))
    rod, last, root = model.rod, len(model.rod.nodes) - 1, AxleGrip(model)
    rig = Rig(model, "", push.shortening, "shortening_mm", "force_N", rod_fields(model))
    trip = assemble(model, root)
    if isinstance(trip, str):
        rig.trip = trip
        return rig
    u = trip.u
    held = [rod.index(last, 0), rod.index(last, 1)]
    if push.ends == "clamped":
        held = [*line_unknowns(rod, last), *section_unknowns(rod, last)]
    index = np.array(held, dtype=np.int64)
    model.motion.fixed[index] = True
    places = np.array([[rod.index(last, 0), rod.index(last, 1)]], dtype=np.int64)
    way, across = column_way(case, u[places[0]])
    span = float(rod.nodes[-1]) - case.slot_mouth
    small = IMPERFECTION * math.pi**2 * flat_stiffness(rod) / span**2
    model.motion.plain.append(point_load(rod, case.slot_mouth + 0.5 * span, small * across))
    grip = ColumnGrip(places, index, u[index], way, root)
    rig.trip = Trip(model.motion, grip, model.walls, model.wraps, u, 0.0)
    return rig


def column_way(case: Case, tip: Array) -> tuple[Array, Array]:
    """Unit vectors (2,) from a place of the tip (2,) to the slot's mouth and across that."""
    way = np.array([case.slot_mouth, case.slot_level]) - tip
    way = way / np.linalg.norm(way)
    return way, np.array([-way[1], way[0]])


def _closed(model: RodModel, last: int) -> tuple[Array, str]:
    """State with both end sections pressed flat, the root where it was, the other end wherever it goes."""
    rod, motion = model.rod, model.motion
    held = [*line_unknowns(rod, 0), *section_unknowns(rod, 0), *section_unknowns(rod, last)]
    motion.fixed[:] = False
    motion.fixed[held] = True
    u = model.start
    for part in np.linspace(0.0, 1.0, CLOSING + 1)[1:]:
        flat = u.copy()
        for node in (0, last):
            amplitudes = flat_amplitudes(rod, float(rod.nodes[node]))
            for mode in range(rod.modes):
                flat[rod.index(node, 2 + mode)] = part * amplitudes[mode]
        outcome = motion.step(u, np.zeros_like(u), SETTLING_TIME, flat)
        if not outcome.accepted:
            return u, outcome.reason
        u = outcome.u
    return _at_rest(motion, u)


def press_rig(case: Case, push: Press) -> Rig:
    """One station pushed through a spring; the strip where it works, held by axle and slot, or by its
    flattened root alone.
    """
    slot = push.held == "slot"
    station = case.strip.length if push.station is None else push.station
    light = replace(case, weight=replace(case.weight, acts=False)) if slot else case
    model = build_rod_model(light, surrounded=slot, nodes=() if slot else (station,))
    rod, root = model.rod, AxleGrip(model)
    rig = Rig(model, "", 0.5 * station, "pressed_mm", "force_N", rod_fields(model), push.force)
    trip = assemble(model, root)
    if isinstance(trip, str):
        rig.trip = trip
        return rig
    u = trip.u
    if slot:
        gravity = np.array(replace(case.weight, acts=True).acceleration())
        contacts = [term for term in (model.walls, model.wraps) if term is not None]
        scene = Scene(case, model.motion, contacts, weight(rod, gravity), _places(rod))
        stood = stand(scene, u)
        if isinstance(stood, str):
            rig.trip = stood
            return rig
        u, rig.standing = stood
    x, y = _places(rod)(u, np.array([station]))[0]
    way = (math.cos(push.direction), math.sin(push.direction))
    stiffness = DRIVE_STIFFNESS * flat_stiffness(rod) / station**3
    drive = PushDrive(rod, station, way, stiffness, (float(x), float(y)))
    rig.trip = _driven(model, DriveGrip(root, drive), u)
    return rig


def _places(rod: Rod) -> Callable[[Array, Array], Array]:
    """Places (n, 2) of the mid-line in a state at stations (n,)."""

    def places(u: Array, s: Array) -> Array:
        element, shape = rod.shape_at(s)
        local = u[rod.dofs[element, :8]].reshape(-1, 2, 4)
        return np.asarray(np.einsum("ni,nci->nc", shape[:, 0], local))

    return places
