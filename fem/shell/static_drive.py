"""Driving a strip through stable states at rest, and what is written down on the way.

A trial moves one thing (an angle, a shortening, a force) step by step; force, moment, energy and the worst
strain are noted at every step, and snaps with the energy they lost. Grips carry a line of nodes as it is in
the start state; before a trial, sections can be pressed flat, as the axle does to the root.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from fem.core.term import Array, Index, Term
from fem.shell.constraints import rigid_nodes, symmetric, unknowns
from fem.shell.fields import surface_strain
from fem.shell.strip_shell import StripShell
from fem.solvers.constraints import ABOUT_AXIS, ANY, HELD, Carrier, Ends, RigidBody
from fem.solvers.newton import NewtonSettings, Point
from fem.solvers.quasistatic import Course, SettleSettings, Snap, follow_stable, settle
from fem.solvers.static_problem import Structure

Sections = Literal["rigid", "free"]
FLAT_AXIS = (0.0, 0.0, 1.0)  # the axis of the axle, about which planar pushes turn
KINDS = (0, 1, 2, 3)
FLATTENING = 10  # steps in which a section is pressed flat


@dataclass(frozen=True)
class Trial:
    """A driven trial of the whole strip.

    drive (n,): what was driven, in its own unit [rad, mm or N]; moment (n,) [N mm] about z and force (n, 3)
    [N] of the driven end on the strip; energy (n,) [N mm], of it dead (n,) the potential of dead loads;
    strain (n,): worst surface strain; states (n, size).

    stable (n,): True where the tangent is positive definite; iterations (n,) of the last solution.
    """

    model: StripShell
    drive: Array
    moment: Array
    force: Array
    energy: Array
    dead: Array
    strain: Array
    states: Array
    stable: Array
    iterations: Array
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
    """`move`: longest damped step in a snap [mm], None: a twentieth of the width; `correction` [mm] at which
    Newton stops, None: 1e-4 of the thickness (at a hundredth, short steps passed with 3 % of the load
    unbalanced); `halvings` before a level counts as a snap; `steps`: most damped steps of a snap; `sections`
    in the grips "rigid" (as they are at the start) or "free" (a turned one stays plane and deforms, any other
    is held by its middle); `mirrored`: the root is the middle of a strip twice as long; `dead`: loads that
    act all the time, such as weight; `watch` hears each level reached.
    """

    move: float | None = None
    correction: float | None = None
    halvings: int = 4
    steps: int = 400
    sections: Sections = "rigid"
    mirrored: bool = False
    dead: tuple[Term, ...] = ()
    watch: Callable[[float], None] | None = None

    def solver(self, model: StripShell) -> SettleSettings:
        """Settings of the static solver for a strip."""
        strip = model.strip
        move = self.move if self.move is not None else 0.05 * strip.width
        fine, coarse = 1e-4 * strip.thickness, 0.01 * strip.thickness
        if self.correction is not None:
            fine = coarse = self.correction
        newton = NewtonSettings(correction=fine, iterations=8)
        return SettleSettings(
            move=move, nudge=coarse, steps=self.steps, halvings=self.halvings, newton=newton
        )


def middle_line(model: StripShell) -> int:
    """Index across of the nodes at q = 0."""
    return int(np.argmin(np.abs(model.shell.grid.across)))


def line_nodes(model: StripShell, index: int) -> Index:
    """Nodes of a line across the strip."""
    return model.shell.grid.node(index, np.arange(model.shell.grid.across.size))


def grip(model: StripShell, index: int, sections: Sections, at: Array, **how: Any) -> RigidBody:
    """A grip on one line of nodes in the state `at`: the whole section, or its middle node only."""
    middle = model.shell.grid.node(index, middle_line(model))
    nodes = line_nodes(model, index) if sections == "rigid" else np.atleast_1d(middle)
    centre = tuple(float(v) for v in at.reshape(-1, 3)[4 * int(middle)])
    return rigid_nodes(model.shell, nodes, KINDS, at, centre=centre, **how)


def _held(model: StripShell, bodies: tuple[Carrier, ...], mirrored: bool) -> Ends:
    """Ends with what symmetry holds and the bodies; a mirrored root must head along +x."""
    held = [np.zeros(0, dtype=np.int64)]
    if model.half:
        held.append(symmetric(model.shell, "low", 2))
    if mirrored:
        held.append(symmetric(model.shell, "start", 0))
    index = np.unique(np.concatenate(held))
    for body in bodies:
        index = np.setdiff1d(index, body.dofs.ravel())
    return Ends(model.shell.size, index, model.shell.rest.ravel()[index], bodies=bodies)


def flattened(model: StripShell, lines: tuple[int, ...], settings: TrialSettings) -> Array | str:
    """State (size,) with the sections at some lines of nodes pressed flat; or why it was not reached.

    The first line stays where it is, the others go along with the strip. The middles of the sections and
    their headings are those of the rest shape.
    """
    shell, strip = model.shell, model.strip
    x = shell.rest.ravel().copy()
    for part in np.linspace(0.0, 1.0, FLATTENING + 1)[1:]:
        bodies = []
        for number, index in enumerate(lines):
            flat = x.copy()
            dofs = unknowns(line_nodes(model, index), KINDS).reshape(-1, 3)
            rest = shell.rest.ravel()[dofs]
            flat[dofs] = rest + part * (_flat_section(model, index) - rest)
            s = float(shell.grid.stations[index])
            centre = (*(float(v) for v in strip.path.position(s)), 0.0)
            how = {"spin": ABOUT_AXIS, "shift": (ANY, ANY, HELD), "axis": FLAT_AXIS} if number else {}
            bodies.append(rigid_nodes(shell, line_nodes(model, index), KINDS, flat, centre=centre, **how))
        ends = _held(model, tuple(bodies), mirrored=False)
        structure = Structure([shell, *settings.dead], ends, [], shell.weights)
        start = ends.reduce(x)
        for body, slot in zip(bodies, ends.slots, strict=True):
            if body.unknowns:
                start[slot] = _placed(body, x)
        rest_state = settle(structure, start, 0.0, settings.solver(model))
        if not rest_state.at_rest:
            return f"the sections could not be pressed flat: {rest_state.message}"
        x = ends.expand(rest_state.point.u, 0.0)
    return x


def at_rest(model: StripShell, bodies: tuple[Carrier, ...], start: Array, settings: TrialSettings) -> Array:
    """State (size,) to which a strip held by bodies comes under its dead loads, from a start; the start where
    it finds no rest, which a trial from there then tells.
    """
    ends = _held(model, bodies, mirrored=False)
    structure = Structure([model.shell, *settings.dead], ends, [], model.shell.weights)
    rest = settle(structure, ends.reduce(start), 0.0, settings.solver(model))
    return ends.expand(rest.point.u, 0.0) if rest.at_rest else start


def _placed(body: RigidBody, x: Array) -> Array:
    """Unknowns (shift x, shift y, angle) that put a body on its carried middle in a state x."""
    now, was = x[body.dofs], body.vectors
    middle = int(np.argmin(np.linalg.norm(was - np.array(body.centre), axis=1) + 1e9 * ~body.points))
    slope, rest = now[middle + 1], was[middle + 1]
    angle = np.arctan2(slope[1], slope[0]) - np.arctan2(rest[1], rest[0])
    shift = now[middle] - np.array(body.centre)
    return np.array([shift[0], shift[1], (angle + np.pi) % (2.0 * np.pi) - np.pi])


def _flat_section(model: StripShell, index: int) -> Array:
    """Vectors (4 nodes, 3) of a flat section at a line of nodes, heading and middle as at rest."""
    strip, grid = model.strip, model.shell.grid
    s, eta = float(grid.stations[index]), grid.across
    width, slope, _ = (float(value) / strip.width for value in strip.taper(s))
    heading = float(strip.path.heading(s))
    along, across = np.array([np.cos(heading), np.sin(heading), 0.0]), np.array([0.0, 0.0, 1.0])
    middle = np.array([*strip.path.position(s), 0.0])
    place = middle + (width * eta)[:, None] * across
    first = along + (slope * eta)[:, None] * across
    kinds = [
        place,
        first,
        np.broadcast_to(width * across, place.shape),
        np.broadcast_to(slope * across, place.shape),
    ]
    return np.stack(kinds, axis=1).reshape(-1, 3)


@dataclass(frozen=True)
class StaticFixture:
    """What holds and drives a strip: bodies, the state it starts from, the body whose reaction counts, loads
    that grow with the level.
    """

    bodies: tuple[Carrier, ...]
    start: Array
    counted: int
    loads: tuple[Term, ...] = ()


def drive(model: StripShell, fixture: StaticFixture, levels: Array, settings: TrialSettings) -> Trial:
    """Carry a fixture through its levels, at rest at each; dead loads bring it to rest before the first."""
    shell = model.shell
    ends = _held(model, fixture.bodies, settings.mirrored)
    structure = Structure([shell, *settings.dead], ends, fixture.loads, shell.weights)
    rows: list[tuple[float, Array, float, float, float, Array, bool, int]] = []
    copies = model.copies * (2 if settings.mirrored else 1)

    def watch(point: Point) -> None:
        x = ends.expand(point.u, point.level)
        force, moment = structure.reaction(point.u, point.level, fixture.counted)
        if model.half:
            force[2] = 0.0  # the mirrored half pulls the other way
        energy = copies * structure.stored(point.u, point.level)
        dead = copies * sum(load.evaluate(x, 0).energy for load in settings.dead)
        strain = float(np.abs(surface_strain(model, x)).max())
        rows.append(
            (
                model.copies * float(moment[2]),
                model.copies * force,
                energy,
                dead,
                strain,
                x,
                point.stable,
                point.iterations,
            )
        )
        if settings.watch is not None:
            settings.watch(point.level)

    start, begun = ends.reduce(fixture.start), Course((), (), True, "", 0)
    if settings.dead:
        rest = settle(structure, start, 0.0, settings.solver(model))
        start, begun = rest.point.u, Course((), (), rest.at_rest, rest.message, rest.factorisations)
    course = begun
    if begun.finished:
        course = follow_stable(structure, start, levels, settings.solver(model), watch)
    columns = [np.array([row[k] for row in rows]) for k in range(8)]
    return Trial(
        model,
        levels[: len(rows)],
        columns[0],
        columns[1].reshape(-1, 3),
        columns[2],
        columns[3],
        columns[4],
        columns[5],
        columns[6],
        columns[7],
        course.snaps,
        course.finished,
        course.message,
        course.factorisations,
    )
