"""What holds and drives the strip in each push on the bench.

`TESTS` lists the pushes: what each is judged by, and its fixtures. By axle and slot one fixture serves rod
and shell. In the air the rod moves slowly by the stepper, while the shell, whose steps are dear, goes through
static states; both leave the same `LoadCurve`.

A grip takes a section as it lies when it closes: nothing pulls before the test starts. The root, unless a
bend wants it as it is made, and both ends of a clamped column are pressed flat first, as the axle does; the
other grips keep the section's own shape. A fixture is at rest when it is handed over.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from fem.case.definition import Case
from fem.core.errors import InputError
from fem.core.term import Array
from fem.design.loading import Bend, Coil, Column, Press
from fem.rod.constraints import line_unknowns, plane_unknowns, section_unknowns
from fem.rod.drives import TurnDrive
from fem.rod.energy import Rod
from fem.rod.model import RodModel, build_rod_model
from fem.shell import trials
from fem.simulation.assembly import assemble
from fem.simulation.coil_arc import uneven_arc
from fem.simulation.column_fixtures import (
    SIDEWAYS,
    column_rules,
    part_of,
    rod_column,
    shell_column,
    slot_column,
    weightless,
)
from fem.simulation.deployed_shape import settled_shape
from fem.simulation.grips import DriveGrip
from fem.simulation.load_curve import BenchRules, LoadCurve
from fem.simulation.models import bench_model
from fem.simulation.run_context import Progress
from fem.simulation.slow_drive import LARGEST_TURN, Fixture, at_rest, driven
from fem.simulation.static_bench import LEVELS, AirShell, air_mesh, levels, shell_in_air
from fem.simulation.stepper import Stepper
from fem.simulation.strip_model import StripModel

DRIVE_STIFFNESS = 5000.0
"""Drive springs are this much stiffer than the flat strip, so that a load may fall after a snap."""
COIL_ELEMENT = 0.4
"""Largest element of a coil, as a share of its radius."""
TOO_FAR = 0.5
"""Move of a pressed station, over its distance from the root, by which it must hold its load."""


@dataclass(frozen=True)
class InAir:
    """How a push is made in the air, where nothing but grips touches the strip: the rod's fixture, the
    shell's load curve.
    """

    rod: Callable[[Case], Fixture]
    shell: Callable[[Case, Progress], LoadCurve]


@dataclass(frozen=True)
class BenchTest:
    """A push on the bench: its class, what it is judged by, how it is made in the air, and the fixture of
    either model by axle and slot; None where it is never made so.
    """

    push: type
    rules: Callable[[Case], BenchRules]
    air: InAir | None = None
    slot: Callable[[Case, str], Fixture] | None = None

    def in_air(self, case: Case) -> InAir | None:
        """How the push of a case is made in the air; None where axle and slot hold the strip."""
        by_slot = self.slot is not None and getattr(case.push, "held", "slot") == "slot"
        return None if by_slot else self.air

    def fixture(self, case: Case, kind: str) -> Fixture:
        """What the stepper moves: the rod in the air, or the "rod" or "shell" held by axle and slot."""
        air = self.in_air(case)
        if air is not None:
            return air.rod(case)
        assert self.slot is not None  # a test has one of both
        return self.slot(case, kind)


# ---- bend --------------------------------------------------------------------------------------------------


def bend_rules(case: Case) -> BenchRules:
    """A moment that turns a station."""
    push = case.push
    assert isinstance(push, Bend)
    return BenchRules(push.control_column, push.load_column, clamps=_bend_clamps(case, push))


def _bend_clamps(case: Case, push: Bend) -> tuple[float, ...]:
    """Stations [mm] at which a bend holds the whole section."""
    station = case.strip.length if push.station is None else push.station
    root, turned = push.root != "free", push.grip == "rigid"
    return ((0.0,) if root else ()) + ((station,) if turned else ())


def rod_bend(case: Case) -> Fixture:
    """Root held, pressed flat or as it is made, one station turned; nothing pulls along or across."""
    push = case.push
    assert isinstance(push, Bend)
    station = case.strip.length if push.station is None else push.station
    clamps = _bend_clamps(case, push)
    model = build_rod_model(case, surrounded=False, nodes=(station,), clamps=clamps)
    rod, flat = model.rod, push.root == "flat"
    node = int(np.argmin(np.abs(rod.nodes - station)))
    held = section_unknowns(rod, node) if push.grip == "rigid" else plane_unknowns(rod, node)
    u: Array | str
    if flat:
        stepper = _by_its_root(model)
        u = stepper if isinstance(stepper, str) else stepper.u
    else:
        root = (
            _plane_root(rod) if push.root == "free" else [*line_unknowns(rod, 0), *section_unknowns(rod, 0)]
        )
        model.motion.prescribe(root, only=True)
        u, held = _sunk(model, model.start), [*root, *held]
    return Fixture(model, u if isinstance(u, str) else _turned_at(model, node, held, u, flat), push.angle)


def _plane_root(rod: Rod) -> list[int]:
    """What a root holds that stays where it is, plane and square to the strip, and is free to flatten."""
    return [rod.index(0, 0), rod.index(0, 1), rod.index(0, 1, 1), *plane_unknowns(rod, 0)]


def shell_bend(case: Case, progress: Progress) -> LoadCurve:
    """The same, static."""
    push = case.push
    assert isinstance(push, Bend)
    nodes = () if push.station is None else (push.station,)
    mesh = air_mesh(case, nodes=nodes, clamps=_bend_clamps(case, push))
    air = shell_in_air(case, mesh, (0,) if push.root == "flat" else (), progress)
    if isinstance(air, LoadCurve):
        return air
    settings = replace(air.telling(push.angle, "turned {:.3f} rad"), sections=push.grip)
    held = trials.BendRoot("free" if push.root == "free" else "rigid", air.start)
    trial = trials.bend(air.body, levels(push.angle), settings, push.station, held)
    return air.curve(trial, trial.drive, trial.moment)


def _by_its_root(model: RodModel) -> Stepper | str:
    """The strip with its root pressed flat and held, at rest under its weight before anything grips it."""
    stepper = assemble(model, model.clamp())
    if isinstance(stepper, str):
        return stepper
    u = _sunk(model, stepper.u)
    if not isinstance(u, str):
        stepper.u = u
        return stepper
    return u


def _sunk(model: RodModel, u: Array) -> Array | str:
    """The state near u in which a strip held as it is prescribed lies under its weight; or why there is
    none.
    """
    if not model.case.weight.acts:
        return u
    u, trouble = at_rest(model, u)
    return f"the strip could not be brought to rest: {trouble}" if trouble else u


def _turned_at(model: RodModel, node: int, held: list[int], u: Array, clamped: bool) -> Stepper | str:
    """The stepper of a drive that turns a node from the state u on, with unknowns held as they lie; clamped:
    and the root on the axle.
    """
    rod, station = model.rod, float(model.rod.nodes[node])
    drive = TurnDrive(rod, station, DRIVE_STIFFNESS * model.flat_stiffness / station, 0.0)
    drive.start = drive.heading(u)
    index = np.array(held, dtype=np.int64)
    return driven(model, DriveGrip(model.clamp() if clamped else None, drive, index, u[index]), u)


# ---- coil --------------------------------------------------------------------------------------------------


def coil_rules(case: Case) -> BenchRules:
    """The moment that winds a strip, and whether it is an even arc where it is wound to."""
    push = case.push
    assert isinstance(push, Coil)
    rules = BenchRules(push.control_column, push.load_column)
    uneven = uneven_arc(part_of(case, push.station), push.radius)
    if uneven is None:
        return rules
    return replace(rules, told=(uneven.sentence(),), numbers=uneven.quantities())


def rod_coil(case: Case) -> Fixture:
    """Both ends plane, square to the strip and free to flatten; the root stays, the other end turns."""
    push = case.push
    assert isinstance(push, Coil)
    refine = max(1.0, case.settings.element / (COIL_ELEMENT * push.radius))
    model = build_rod_model(part_of(case, push.station), surrounded=False, refine=refine, clamps=())
    rod, last = model.rod, len(model.rod.nodes) - 1
    model.motion.prescribe([], only=True)
    held = [*_plane_root(rod), *plane_unknowns(rod, last)]
    stepper = _turned_at(model, last, held, model.start, clamped=False)
    heading = float(model.case.strip.path.heading(rod.nodes[-1]))
    return Fixture(model, stepper, push.turn(float(rod.nodes[-1]), heading))


def shell_coil(case: Case, progress: Progress) -> LoadCurve:
    """The same, static; half the width, for a strip wound in the air by more than a turn swings out of its
    plane, which an axle would not let it.
    """
    push = case.push
    assert isinstance(push, Coil)
    case = part_of(case, push.station)
    air = shell_in_air(case, air_mesh(case, COIL_ELEMENT * push.radius, half=True), (), progress)
    if isinstance(air, LoadCurve):
        return air
    length = case.strip.length
    angle = push.turn(length, float(case.strip.path.heading(length)))
    count = max(LEVELS, int(np.ceil(abs(angle) / LARGEST_TURN)))
    trial = trials.coil(air.body, levels(angle, count), air.telling(angle, "wound {:.3f} rad"))
    return air.curve(trial, trial.drive, trial.moment)


# ---- press -------------------------------------------------------------------------------------------------


def press_rules(case: Case) -> BenchRules:
    """A force on a station, to be reached before that has gone half its distance from the root."""
    push, station = _pressed(case)
    names = {"stiffness_start": "stiffness_N_per_mm", "force_peak_N": "snap_load_N"}
    columns = (push.control_column, push.load_column)
    clamps = (0.0,) if push.held == "clamped" else ()
    return BenchRules(*columns, wanted=push.force, within=TOO_FAR * station, names=names, clamps=clamps)


def rod_press(case: Case) -> Fixture:
    """One station pushed through a spring, the strip held by its flattened root alone."""
    _, station = _pressed(case)
    model = build_rod_model(case, surrounded=False, nodes=(station,), clamps=(0.0,))
    stepper = _by_its_root(model)
    if not isinstance(stepper, str):
        stepper = _pressed_by_spring(model, case, stepper.u)
    return Fixture(model, stepper, TOO_FAR * station)


def shell_press(case: Case, progress: Progress) -> LoadCurve:
    """The same, static, under a dead force."""
    push, station = _pressed(case)
    nodes = () if push.station is None else (push.station,)
    air = shell_in_air(case, air_mesh(case, nodes=nodes, clamps=(0.0,)), (0,), progress)
    if isinstance(air, LoadCurve):
        return air
    settings = air.telling(push.force, "pressed with {:.3f} N")
    where = trials.PressAt(push.direction, push.station)
    trial = trials.press(air.body, levels(push.force), where, settings, air.start)
    return air.curve(trial, _gone(air, trial.states, station, push.direction), trial.drive, load_driven=True)


def slot_press(case: Case, kind: str) -> Fixture:
    """One station pushed through a spring, the strip where it works, held by axle and slot."""
    push, station = _pressed(case)
    model = bench_model(weightless(case), kind)
    fixture = Fixture(model, assemble(model, model.clamp()), TOO_FAR * station)
    if isinstance(fixture.stepper, str):
        return fixture
    found = settled_shape(model, case, fixture.stepper.u)
    if isinstance(found, str):
        return replace(fixture, stepper=found)
    u, shape = found
    model.motion.add(model.point_load(station, np.array([0.0, 0.0, SIDEWAYS * push.force])))
    return replace(fixture, stepper=_pressed_by_spring(model, case, u), deployed=shape)


def _pressed(case: Case) -> tuple[Press, float]:
    """The press of a case and its station [mm]."""
    push = case.push
    assert isinstance(push, Press)
    return push, case.strip.length if push.station is None else push.station


def _pressed_by_spring(model: StripModel, case: Case, u: Array) -> Stepper | str:
    """The stepper of a spring that pushes the station from the state u on, the root on the axle."""
    push, station = _pressed(case)
    way = (math.cos(push.direction), math.sin(push.direction))
    drive = model.push_drive(station, way, DRIVE_STIFFNESS * model.flat_stiffness / station**3, u)
    return driven(model, DriveGrip(model.clamp(), drive), u)


def _gone(air: AirShell, states: Array, station: float, direction: float) -> Array:
    """How far a station has gone along a direction [rad] in states (n, size): (n,) [mm]."""
    at, way = np.array([[station, 0.0]]), np.array([math.cos(direction), math.sin(direction), 0.0])
    origin = air.body.shell.position(air.start, at)[0]
    return np.array([(air.body.shell.position(x, at)[0] - origin) @ way for x in states])


TESTS: tuple[BenchTest, ...] = (
    BenchTest(Bend, bend_rules, InAir(rod_bend, shell_bend)),
    BenchTest(Coil, coil_rules, InAir(rod_coil, shell_coil)),
    BenchTest(Column, column_rules, InAir(rod_column, shell_column), slot_column),
    BenchTest(Press, press_rules, InAir(rod_press, shell_press), slot_press),
)


def bench_test(case: Case) -> BenchTest:
    """The test of a case's push. Raises InputError for a push by the axle."""
    for test in TESTS:
        if isinstance(case.push, test.push):
            return test
    raise InputError(f"the bench does not turn the axle: a push {case.push.kind!r} is none of its tests")
