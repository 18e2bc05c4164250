"""A column on the bench: two grips on a strip, or axle and slot and one grip, that come together.

Both grips of a column in the air close on the strip as it is made; its weight then comes to act between them.
Clamped ends are pressed flat first, as the axle does.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from fem.case.definition import Case
from fem.core.term import Array
from fem.design.loading import Column
from fem.rod.constraints import line_unknowns, section_unknowns
from fem.rod.energy import flat_amplitudes
from fem.rod.model import RodModel, build_rod_model
from fem.shell import trials
from fem.simulation.assembly import assemble, begun
from fem.simulation.grips import ColumnGrip
from fem.simulation.load_curve import BenchRules, LoadCurve
from fem.simulation.models import bench_model
from fem.simulation.run_context import Progress
from fem.simulation.slow_drive import Fixture, at_rest
from fem.simulation.static_bench import air_mesh, dense_levels, shell_in_air
from fem.simulation.strip_model import StripModel

IMPERFECTION = 1e-4
"""Load across the middle of a column, as a share of Euler's load of the flat strip."""
FIRST_SHORTENING = 0.1
"""First step of a column, as a share of the shortening at which the flat strip buckles: the start of its
curve, by which giving way is told, must lie before that.
"""
FLATTENING, FLATTENING_TIME = 15, 1.0
"""Steps in which both ends are pressed flat, and seconds of each: inertia must hold what is far from them."""
SIDEWAYS = 1e-4
"""Load across the plane of the path, as a share of the force asked for: a thin strip may give way sideways,
and a perfectly symmetric one would not find the way. The rod cannot leave its plane.
"""


def part_of(case: Case, length: float | None) -> Case:
    """The case with the strip cut at `length` [mm] (None: whole)."""
    if length is None or length >= case.strip.length * (1.0 - 1e-9):
        return case
    return replace(case, strip=case.strip.up_to(length))


def column_rules(case: Case) -> BenchRules:
    """A force that brings the ends together until the strip buckles."""
    push = case.push
    assert isinstance(push, Column)
    return BenchRules(push.control_column, push.load_column, buckles=True, clamps=_clamps(case, push))


def _clamps(case: Case, push: Column) -> tuple[float, ...]:
    """Stations [mm] at which a column in the air is held by its whole section."""
    if (push.held, push.ends) != ("clamped", "clamped"):
        return ()
    return (0.0, part_of(case, push.free_length).strip.length)


def rod_column(case: Case) -> Fixture:
    """Two grips on the strip up to its free length come together along the line between them."""
    push = case.push
    assert isinstance(push, Column)
    case = part_of(case, push.free_length)
    model = build_rod_model(weightless(case), surrounded=False, clamps=_clamps(case, push))
    rod, last = model.rod, len(model.rod.nodes) - 1
    ends = model.start.reshape(-1, rod.fields, 2)[[0, last], :2, 0]
    across = np.array([ends[0, 1] - ends[1, 1], ends[1, 0] - ends[0, 0]]) / np.linalg.norm(ends[1] - ends[0])
    model.motion.add(model.point_load(0.5 * model.length, _unsettling(model, model.length, across)))
    clamped = push.ends == "clamped"
    u, trouble = _closed(model, last) if clamped else (model.start, "")
    if trouble:
        return Fixture(model, f"the strip could not be gripped: {trouble}", push.shortening)
    if case.weight.acts:
        model.motion.add(model.weight(np.array(case.weight.acceleration())))
    held = [*section_unknowns(rod, 0), *section_unknowns(rod, last)]
    for node in (0, last):
        held += line_unknowns(rod, node) if clamped else [rod.index(node, 0), rod.index(node, 1)]
    index = np.array(held, dtype=np.int64)
    line = u.reshape(-1, rod.fields, 2)[0, :2, 0] - u.reshape(-1, rod.fields, 2)[last, :2, 0]
    _, places = model.tip_unknowns(clamped)
    grip = ColumnGrip(places, index, u[index], line / np.linalg.norm(line))
    model.motion.prescribe(index, only=True)
    u, trouble = at_rest(model, u)
    if trouble:
        return Fixture(model, f"the strip could not be brought to rest: {trouble}", push.shortening)
    stepper = begun(model, grip, u)
    stepper.force = grip.force(u, model.motion.total(u, 1).gradient, 0.0)
    first = FIRST_SHORTENING * math.pi**2 * case.strip.thickness**2 / (12.0 * model.length)
    return Fixture(model, stepper, push.shortening, first=first)


def weightless(case: Case) -> Case:
    """The case without weight: grips close on a strip as it is made, then its weight comes to act."""
    return replace(case, weight=replace(case.weight, acts=False))


def shell_column(case: Case, progress: Progress) -> LoadCurve:
    """The same, static."""
    push = case.push
    assert isinstance(push, Column)
    case = part_of(case, push.free_length)
    flat = (0, -1) if push.ends == "clamped" else ()
    air = shell_in_air(weightless(case), air_mesh(case, clamps=_clamps(case, push)), flat, progress)
    if isinstance(air, LoadCurve):
        return air
    settings = air.weighed(case).telling(push.shortening, "shortened {:.3f} mm")
    trial = trials.column(air.body, dense_levels(push.shortening), settings, push.ends, air.start)
    return air.curve(trial, trial.drive, trial.force @ trials.chord(air.body, air.start))


def slot_column(case: Case, kind: str) -> Fixture:
    """The far end comes nearer to the slot's mouth, the near one is held by axle and slot."""
    push = case.push
    assert isinstance(push, Column)
    end = None if push.free_length is None else case.slot_mouth + push.free_length
    model = bench_model(part_of(case, end), kind)
    root = model.clamp()
    stepper = assemble(model, root)
    if isinstance(stepper, str):
        return Fixture(model, stepper, push.shortening)
    u = stepper.u
    held, places = model.tip_unknowns(push.ends == "clamped")
    model.motion.prescribe(held)
    way = np.array([case.slot_mouth, case.slot_level]) - model.places(u, np.array([model.length]))[0]
    way = way / np.linalg.norm(way)
    span = model.length - case.slot_mouth
    load = _unsettling(model, span, np.array([-way[1], way[0]]))
    model.motion.add(model.point_load(case.slot_mouth + 0.5 * span, load))
    return Fixture(model, begun(model, ColumnGrip(places, held, u[held], way, root), u), push.shortening)


def _unsettling(model: StripModel, span: float, across: Array) -> Array:
    """A very small load (3,) [N] for the middle of a column of a span [mm]: across it in the plane, along the
    unit vector `across` (2,), and across the plane, without which a straight one would not find the way.
    """
    euler = math.pi**2 * model.flat_stiffness / span**2
    return np.array(
        [*(IMPERFECTION * math.pi**2 * model.flat_stiffness / span**2 * across), SIDEWAYS * euler]
    )


def _closed(model: RodModel, last: int) -> tuple[Array, str]:
    """State with both end sections pressed flat, the root where it was, the other end wherever it goes."""
    rod, motion = model.rod, model.motion
    held = [*line_unknowns(rod, 0), *section_unknowns(rod, 0), *section_unknowns(rod, last)]
    motion.prescribe(held, only=True)
    u, opened = model.start, np.zeros((len(rod.nodes), rod.fields, 2))
    for node in (0, last):  # the sections beside a grip open with it, or the first guess tears elements apart
        away = (rod.nodes - rod.nodes[node]) / (0.5 * rod.strip.width)
        near = np.stack([np.exp(-(away**2)), -4.0 * away / rod.strip.width * np.exp(-(away**2))], axis=1)
        amplitudes = flat_amplitudes(rod, float(rod.nodes[node]))
        opened[:, 2 : 2 + rod.modes] += amplitudes[:, None] * near[:, None]
    for part in np.linspace(0.0, 1.0, FLATTENING + 1)[1:]:
        flat = u + opened.ravel() / FLATTENING
        for node in (0, last):
            amplitudes = flat_amplitudes(rod, float(rod.nodes[node]))
            for mode in range(rod.modes):
                flat[rod.index(node, 2 + mode)] = part * amplitudes[mode]
                flat[rod.index(node, 2 + mode, 1)] = 0.0
        outcome = motion.step(u, np.zeros_like(u), FLATTENING_TIME, flat)
        if not outcome.accepted:
            return u, outcome.reason
        u = outcome.u
    return at_rest(model, u)
