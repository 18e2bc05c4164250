"""Putting the strip in place: its root pressed flat on the axle while axle, casing, slot and obstacles close
in from a distance at which the strip at rest clears all of them, obstacles last.

A wall that closes in pushes the strip ahead of it as long as it moves less in a step than would carry it past
the strip (`closing_share`). Where no distance lets the strip at rest leave casing and slot through the
slot's mouth, because it bends away before or its section is too deep for the casing, or where it gets stuck
on the way, it is put in place straight and flat and takes its shape afterwards. What is in place must lie on
its side of everything: a strip that does not is refused.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from fem.case.definition import Case
from fem.contact.settings import pressure
from fem.contact.sides import Sides
from fem.contact.surroundings import SLOT, closing_share, surrounding_walls, wall_ends, wall_keys
from fem.core.errors import CaseError, Fault
from fem.core.term import Array, Blocks, DeadLoad, Evaluation, Term
from fem.design.obstacle import Wall
from fem.simulation.journal import Journal
from fem.simulation.stepper import Stepper
from fem.simulation.steps import Grip
from fem.simulation.strip_model import AxleClamp, Drive, StripModel, contacts

CLOSING_STEPS, CLOSING_TIME = 15, 1.0
"""Steps that the walls close in at least, and time [s] of each."""
SETTLING_STEPS, MOST_SETTLING, SETTLING_TIME = 4, 40, 5.0
SETTLED = 0.01
"""Move within a step of settling, over the thickness, below which the strip is at rest."""
LEAST_EASE, SOON = 1e-3, 0.05
"""Share of a full step below which closing in is given up: at all, and while there is another way."""
OTHERWISE = "the strip at rest does not clear its surroundings"
"""Why a strip is put in place straight and flat."""
WIDEN, WIDEST = 1.1, 4.0
"""Openings that are tried grow by this; none is wider than so many radii of the casing."""
START_SINK, MOST_HARDENING, MOST_HARDER = 0.045, 8, 4.0
"""Depth of the deepest face at the start, over the thickness, that the penalty is raised for, how often and
by how much at once at most.
"""
CLOSING_SINK, CLOSING_DEPTH = 0.2, 0.4
"""Depth of the deepest face after a closing step, over the thickness, that the penalty is raised for, and at
which the step does not count: beyond half a thickness a wall pushes the strip out on its other side.
"""
MOST_RAISED = 1000.0
"""Closing in raises the penalty so many times at most."""
START_DEPTH = 0.05
"""Depth of a face in a wall at the start, over the thickness, beyond which a strip is refused."""


@dataclass(frozen=True)
class Way:
    """Part of putting a strip in place: from where to where each thing goes, evenly.

    slot, outside: opening [mm] of axle, casing and slot, and of obstacles; pressed: share of the way to a
    flat root; shaped: share of its rest curvature, along and across, that the strip has; weighed: share of
    its weight that acts.
    """

    slot: tuple[float, float]
    outside: tuple[float, float]
    pressed: tuple[float, float] = (1.0, 1.0)
    shaped: tuple[float, float] = (1.0, 1.0)
    weighed: tuple[float, float] = (0.0, 0.0)

    def at(self, span: tuple[float, float], part: float) -> float:
        """Where something is after a part of the way."""
        return span[0] + part * (span[1] - span[0]) if part < 1.0 else span[1]


@dataclass
class Shaping:
    """Strain energy of a strip that has a share of its rest curvature, along and across: a mean of two."""

    flat: Term
    shaped: Term
    share: float = 0.0

    def evaluate(self, u: Array, order: int) -> Evaluation:
        """Energy, gradient and blocks of both, weighted."""
        parts = (self.flat.evaluate(u, order), self.shaped.evaluate(u, order))
        weights = (1.0 - self.share, self.share)
        energy = sum(w * part.energy for w, part in zip(weights, parts, strict=True))
        gradient = weights[0] * parts[0].gradient + weights[1] * parts[1].gradient
        blocks = [
            Blocks(each.dofs, w * each.values)
            for w, part in zip(weights, parts, strict=True)
            for each in part.blocks
        ]
        return Evaluation(energy, gradient, tuple(blocks))


@dataclass
class Assembly:
    """A strip on its way into place: u (size,) as far as it has come; journal of its steps; shaping: its
    energy while it has not its shape yet; raised: how many times the penalty of the case acts. A limp strip
    would fall far in the first step: its weight, by its place among the motion's terms in `loads`, comes to
    act in the end.
    """

    model: StripModel
    clamp: AxleClamp
    u: Array
    journal: Journal = field(default_factory=Journal)
    shaping: Shaping | None = None
    raised: float = 1.0
    loads: dict[int, DeadLoad] = field(init=False)

    def __post_init__(self) -> None:
        terms = enumerate(self.model.motion.terms)
        self.loads = {place: term for place, term in terms if isinstance(term, DeadLoad)}

    def weigh(self) -> str:
        """Let the weight act; "" or why that could not be."""
        return self.go(Way((0.0, 0.0), (0.0, 0.0), weighed=(0.0, 1.0))) if self.loads else ""

    def walls_at(self, way: Way, part: float) -> tuple[Wall, ...]:
        """The walls after a part of the way."""
        return surrounding_walls(self.model.case, way.at(way.slot, part), way.at(way.outside, part))

    def go(self, way: Way, least: float = LEAST_EASE) -> str:
        """Go all of the way; "" or why that could not be. A step that fails is cut, its time with it: less
        time lets the strip move less. least: share of a full step below which the way is given up.
        """
        self._put(way, 0.0)
        self._forget()
        done, ease = 0.0, 1.0
        while done < 1.0:
            part = self._next(way, done, ease / CLOSING_STEPS)
            self._put(way, part)
            start = self.clamp.pressed(way.at(way.pressed, part)).place(self.u, 0.0)
            step = self.journal.step(self.model.motion, self.u, ease * CLOSING_TIME, start)
            depth = 0.0 if step.u is None else self._depth(step.u)
            sunk = depth > CLOSING_DEPTH
            if depth > CLOSING_SINK and self.raised < MOST_RAISED:
                self._raise(min(MOST_HARDER, depth / START_SINK))
            elif sunk or step.u is None:
                ease *= 0.5
                if ease < least:
                    reason = step.reason or "the walls press the strip through each other"
                    return f"the strip could not be put in place: {reason}"
            if step.u is not None and not sunk:
                self.u, done, ease = step.u, part, min(1.0, 1.5 * ease)
                self._taken()
        return ""

    def _depth(self, u: Array) -> float:
        """Depth of the deepest face over the thickness, in walls but the axle, which the root is led into; no
        matter where a case gives the penalty.
        """
        walls, given = self.model.walls, self.model.case.settings.contact_stiffness
        if walls is None or given:
            return 0.0
        return -float(walls.gaps(u)[..., 1:].min()) / self.model.case.strip.thickness

    def _raise(self, factor: float) -> None:
        """Press with so many times the penalty from here on."""
        self.raised *= factor
        for term in contacts(self.model):
            term.harden(factor)

    def settle(self) -> None:
        """Let the strip come to rest; no harm if it cannot. A step that fails is tried in less time, and the
        next ones in more again: at rest is what moves little in all of SETTLING_TIME.
        """
        time = SETTLING_TIME
        for count in range(MOST_SETTLING):
            reached = self.journal.step(self.model.motion, self.u, time, self.u).u
            if reached is None:
                time *= 0.25
                continue
            places = self.model.motion.places
            gone = float(np.abs(reached - self.u)[places].max()) * SETTLING_TIME / time
            self.u, time = reached, min(SETTLING_TIME, 2.0 * time)
            self._taken()
            if count + 1 >= SETTLING_STEPS and gone < SETTLED * self.model.case.strip.thickness:
                break

    def harden(self) -> None:
        """Raise the penalty, unless the case gives one, until no face lies deeper than START_SINK. What it
        was raised by on the way is taken back first, as far as that depth allows.
        """
        walls, case = self.model.walls, self.model.case
        if walls is None or case.settings.contact_stiffness:
            return
        if self.raised > 1.0:
            self._raise(min(1.0, max(1.0 / self.raised, self._overload())))
            self.settle()
        for _ in range(MOST_HARDENING):
            overload = self._overload()
            if overload <= 1.0:
                break
            self._raise(min(MOST_HARDER, max(1.1, overload)))
            self.settle()

    def _overload(self) -> float:
        """Pressure on the deepest face over what lets it sink START_SINK."""
        walls = self.model.walls
        assert walls is not None
        settings, thickness = walls.settings, self.model.case.strip.thickness
        enough = pressure(np.array(-START_SINK * thickness - settings.lead), 1.0, settings.onset)
        gap = walls.least_gap(self.u) - settings.lead
        return float(pressure(np.array(gap), 1.0, settings.onset) / enough)

    def _put(self, way: Way, part: float) -> None:
        """Put walls and rest curvature where they are after a part of the way."""
        if self.model.walls is not None:
            self.model.walls.move_walls(self.walls_at(way, part))
        if self.shaping is not None:
            self.shaping.share = way.at(way.shaped, part)
        for place, load in self.loads.items():
            self.model.motion.terms[place] = DeadLoad(way.at(way.weighed, part) * load.force)

    def _taken(self) -> None:
        self._forget()
        self.journal.taken(self.model.motion, self.u)

    def _forget(self) -> None:
        for term in contacts(self.model):
            term.start(self.u)

    def _next(self, way: Way, done: float, step: float) -> float:
        """End of the next step: `step` on, or as far as no wall moves too far."""
        part, thickness = min(1.0, done + step), self.model.case.strip.thickness
        while self.model.walls is not None:
            share = closing_share(self.walls_at(way, done), self.walls_at(way, part), thickness)
            if share <= 1.0:
                break
            part = done + (part - done) * max(0.25, 0.9 / share)
        return part


def assemble(model: StripModel, clamp: AxleClamp, journal: Journal | None = None) -> Stepper | str:
    """Put the strip in place; the stepper at rest, or why it could not be. journal: keeps the way there.
    Raises CaseError where no way in is found and where the strip then lies across a wall, or deeper in one
    than START_DEPTH, ValueError for a journal of another strip.
    """
    journal = journal or Journal()
    model.motion.prescribe(clamp.indices(), only=True)
    far, terms = model.length, list(model.motion.terms)
    assembly, trouble = Assembly(model, clamp, model.start, journal), OTHERWISE
    opening = clear_opening(model, model.start, lambda opening: (opening, far))
    if opening is not None:
        trouble = assembly.go(Way((opening, 0.0), (far, far), pressed=(0.0, 1.0)), SOON)
    if not trouble and model.case.obstacles:
        # only now: on its way into the slot the strip may pass where they are
        outside = clear_opening(model, assembly.u, lambda opening: (0.0, opening))
        trouble = OTHERWISE if outside is None else assembly.go(Way((0.0, 0.0), (outside, 0.0)), SOON)
    if trouble:
        model.motion.terms[:] = terms
        assembly, trouble = _shaped_in_place(model, clamp, journal)
    trouble = trouble or assembly.weigh()
    model.motion.terms[:] = terms
    if trouble:
        return trouble
    assembly.settle()
    assembly.harden()
    refuse_misplaced(model, assembly.u)
    return begun(model, clamp, assembly.u)


def _shaped_in_place(model: StripModel, clamp: AxleClamp, journal: Journal) -> tuple[Assembly, str]:
    """The strip put in place straight and flat, its obstacles closed in on it, then let take its shape; "" or
    what went wrong. Obstacles that lie across the straight strip close in at the end.
    """
    terms, far = model.motion.terms, model.length
    flat, start = model.laid_flat()
    shaped, shaping = terms[0], Shaping(flat, terms[0])
    assembly = Assembly(model, clamp, start, journal, shaping)
    opening = clear_opening(model, start, lambda opening: (opening, far), least=model.case.strip.thickness)
    if opening is None:
        raise _refused(
            model.case,
            "slot.height",
            "the strip cannot be put in place: straight and flat, it meets casing or slot however far these "
            "are backed off; write a smaller offset or a wider gap",
        )
    terms[0] = shaping
    trouble = assembly.go(Way((opening, 0.0), (far, far), shaped=(0.0, 0.0)))
    outside, beside = far, None
    if model.case.obstacles and not trouble:
        beside = clear_opening(model, assembly.u, lambda opening: (0.0, opening))
    if beside is not None:
        trouble, outside = assembly.go(Way((0.0, 0.0), (beside, 0.0), shaped=(0.0, 0.0))), 0.0
    trouble = trouble or assembly.go(Way((0.0, 0.0), (outside, outside), shaped=(0.0, 1.0)))
    terms[0], assembly.shaping = shaped, None
    if model.case.obstacles and outside and not trouble:
        trouble = assembly.go(Way((0.0, 0.0), (outside, 0.0)))
    return assembly, trouble


def clear_opening(
    model: StripModel,
    u: Array,
    openings: Callable[[float], tuple[float, float]],
    least: float | None = None,
) -> float | None:
    """A small opening [mm], the first to try (None: what a shaped section takes), at which a state clears all
    walls and leaves casing and slot through the mouth; None if there is no sensible one. openings: those of
    slot and obstacles, from one number.
    """
    walls, case = model.walls, model.case
    if walls is None:
        return 0.0
    whole = model.rise + 2.0 * case.strip.thickness
    opening, most = whole if least is None else least, whole + WIDEST * case.casing.radius
    line = walls.mid_line(u)
    while opening <= most:
        walls.move_walls(surrounding_walls(case, *openings(opening)))
        if (
            walls.least_gap(u) >= -START_DEPTH * case.strip.thickness
            and Sides(walls, case.strip.thickness).passage(u) is None
            and _leaves_by_the_mouth(walls.walls, line)
        ):
            return opening
        opening *= WIDEN
    return None


def begun(model: StripModel, grip: Grip, u: Array, drives: Sequence[Drive] = ()) -> Stepper:
    """A stepper at rest in a state; drives: springs of the grip, whose energy is not the strip's."""
    sides = None if model.walls is None else Sides(model.walls, model.case.strip.thickness)
    return Stepper(model.motion, grip, u, 0.0, tuple(drives), model.snap_test, sides)


def _leaves_by_the_mouth(walls: tuple[Wall, ...], line: Array) -> bool:
    """Whether a mid-line (n, 2) that begins inside goes out between the slot's sides: through the line from
    the outer end of one to that of the other, once more than it comes back. (Lips thicker than the slot is
    long do not end one above the other, and a limp strip hangs down around one of them.)
    """
    near, far = (np.array(wall_ends(wall)[-1]) for wall in walls if wall.name.startswith(SLOT))
    gate, away = far - near, line - near
    beyond = gate[0] * away[:, 1] - gate[1] * away[:, 0]  # > 0: on the casing's outside
    i = np.flatnonzero((beyond[1:] > 0.0) != (beyond[:-1] > 0.0))
    part = beyond[i] / (beyond[i] - beyond[i + 1])
    crossing = away[i] + part[:, None] * (away[i + 1] - away[i])
    within = np.abs(crossing @ gate - 0.5 * (gate @ gate)) < 0.5 * (gate @ gate)
    return int(within.sum()) % 2 == 1


def refuse_misplaced(model: StripModel, u: Array) -> None:
    """Raise CaseError where a strip in place passes through a wall or itself, does not leave through the slot
    or has a face deeper in a wall than START_DEPTH.
    """
    walls, case = model.walls, model.case
    if walls is None:
        return
    thickness = case.strip.thickness
    found = Sides(walls, thickness).passage(u)
    if found is not None:
        key, what = "strip.path", "itself"
        if found.wall is not None:
            key, what = wall_keys(case)[found.wall], f"the {walls.walls[found.wall].name}"
        raise _refused(
            case,
            key,
            f"the strip lies across {what} where it starts, {found.station:.1f} mm from the root; keep the "
            "way from the axle through the slot clear of it",
        )
    if not _leaves_by_the_mouth(walls.walls, walls.mid_line(u)):
        raise _refused(
            case,
            "strip.path",
            "the strip in place does not leave through the slot; write a longer straight first",
        )
    gaps = walls.gaps(u)
    station, _, wall = np.unravel_index(int(np.argmin(gaps)), gaps.shape)
    if gaps.min() < -START_DEPTH * thickness:
        raise _refused(
            case,
            wall_keys(case)[wall],
            f"where the strip starts, a face lies {-gaps.min():.3g} mm deep in the "
            f"{walls.walls[wall].name}, {walls.points.stations[station]:.1f} mm from the root; move it away, "
            "or raise solver.contact_stiffness",
        )


def _refused(case: Case, key: str, message: str) -> CaseError:
    return CaseError((Fault(case.name, key, message),))
