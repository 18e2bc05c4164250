"""Putting the strip in place: its root pressed flat on the axle while axle, casing, slot and obstacles close
in from a distance at which the strip at rest clears all of them.

A wall that closes in pushes the strip ahead of it as long as it moves less in a step than would carry it past
the strip (`closing_share`). Where no distance lets the strip at rest leave casing and slot through the
slot's mouth, because it bends away before, it is put in place straight and let bend afterwards, and obstacles
close in last. What is in place must lie on its side of everything: a strip that does not is refused.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from fem.case.definition import Case
from fem.contact.settings import pressure
from fem.contact.sides import Sides
from fem.contact.state import like
from fem.contact.surroundings import closing_share, surrounding_walls, wall_keys
from fem.core.checkpoint import NOWHERE, Keeper
from fem.core.errors import CaseError, Fault
from fem.core.term import Array, Blocks, Evaluation, Term
from fem.design.obstacle import Wall
from fem.simulation.kept_run import PlacedStep, PlacingState, RunState, check_unknowns
from fem.simulation.stepper import Grip, Stepper
from fem.simulation.strip_model import AxleClamp, Contact, Drive, StripModel
from fem.solvers.implicit_dynamics import Motion

CLOSING_STEPS, CLOSING_TIME = 15, 1.0
"""Steps that the walls close in at least, and time [s] of each."""
SETTLING_STEPS, MOST_SETTLING, SETTLING_TIME = 4, 40, 5.0
SETTLED = 0.01
"""Move within a step of settling, over the thickness, below which the strip is at rest."""
LEAST_EASE = 1e-3
WIDEN, WIDEST = 1.1, 4.0
"""Openings that are tried grow by this; none is wider than so many radii of the casing."""
START_SINK, MOST_HARDENING, MOST_HARDER = 0.045, 8, 4.0
"""Depth of the deepest face at the start, over the thickness, that the penalty is raised for, how often and
by how much at once at most.
"""
START_DEPTH = 0.05
"""Depth of a face in a wall at the start, over the thickness, beyond which a strip is refused."""


@dataclass(frozen=True)
class Way:
    """Part of putting a strip in place: from where to where each thing goes, evenly.

    slot, outside: opening [mm] of axle, casing and slot, and of obstacles; pressed: share of the way to a
    flat root; bent: share of its rest curvature that the strip has.
    """

    slot: tuple[float, float]
    outside: tuple[float, float]
    pressed: tuple[float, float] = (1.0, 1.0)
    bent: tuple[float, float] = (1.0, 1.0)

    def at(self, span: tuple[float, float], part: float) -> float:
        """Where something is after a part of the way."""
        return span[0] + part * (span[1] - span[0]) if part < 1.0 else span[1]


@dataclass
class Bending:
    """Strain energy of a strip whose path has a share of its rest curvature: a mean of two."""

    straight: Term
    bent: Term
    share: float = 0.0

    def evaluate(self, u: Array, order: int) -> Evaluation:
        """Energy, gradient and blocks of both, weighted."""
        parts = (self.straight.evaluate(u, order), self.bent.evaluate(u, order))
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
class Journal:
    """Steps of putting a strip in place, kept as they are made: those that are found are not made again, and
    what comes after them is the same to the last digit.

    made: all steps so far; found: what there is to go through again before any is made, at: how far that is.
    """

    keeper: Keeper = NOWHERE
    found: PlacingState | None = None
    made: list[PlacedStep] = field(default_factory=list)
    at: int = 0

    def step(self, motion: Motion, u: Array, time: float, start: Array) -> Array | str:
        """The end of a step from rest at u; why there is none."""
        if self.found is not None and self.at < len(self.found.steps):
            known = self.found.steps[self.at]
            self.made.append(known)
            self.at += 1
            if known.u is None:
                return known.reason
            check_unknowns(known.u)
            return like(known.u, u)
        outcome = motion.step(u, np.zeros_like(u), time, start)
        self.made.append(PlacedStep(outcome.u if outcome.accepted else None, outcome.reason))
        return outcome.u if outcome.accepted else outcome.reason

    def taken(self, motion: Motion, u: Array) -> None:
        """A step has been taken and friction forgotten."""
        if self.found is None:
            self.keeper.offer(lambda: RunState(self._state(motion)))
        elif self.at == len(self.found.steps):
            motion.backoff = self.found.backoff
            for term, history in zip(motion.friction, self.found.histories, strict=True):
                term.restore(history, u)
            self.found = None

    def _state(self, motion: Motion) -> PlacingState:
        histories = tuple(term.save() for term in motion.friction)
        return PlacingState(tuple(self.made), histories, motion.backoff)


@dataclass
class Assembly:
    """A strip on its way into place: u (size,) as far as it has come; journal of its steps; bending: its
    energy while it is not bent yet.
    """

    model: StripModel
    clamp: AxleClamp
    u: Array
    journal: Journal = field(default_factory=Journal)
    bending: Bending | None = None

    def walls_at(self, way: Way, part: float) -> tuple[Wall, ...]:
        """The walls after a part of the way."""
        return surrounding_walls(self.model.case, way.at(way.slot, part), way.at(way.outside, part))

    def go(self, way: Way) -> str:
        """Go all of the way; "" or why that could not be. A step that fails is cut, its time with it: less
        time lets the strip move less.
        """
        self._put(way, 0.0)
        self._forget()
        done, ease = 0.0, 1.0
        while done < 1.0:
            part = self._next(way, done, ease / CLOSING_STEPS)
            self._put(way, part)
            start = self.clamp.pressed(way.at(way.pressed, part)).place(self.u, 0.0)
            reached = self.journal.step(self.model.motion, self.u, ease * CLOSING_TIME, start)
            if isinstance(reached, str):
                ease *= 0.5
                if ease < LEAST_EASE:
                    return f"the strip could not be put in place: {reached}"
                continue
            self.u, done, ease = reached, part, min(1.0, 1.5 * ease)
            self._taken()
        return ""

    def settle(self) -> None:
        """Let the strip come to rest; no harm if it cannot."""
        time = SETTLING_TIME
        for count in range(MOST_SETTLING):
            reached = self.journal.step(self.model.motion, self.u, time, self.u)
            if isinstance(reached, str):
                time *= 0.25
                continue
            places = self.model.motion.places
            gone = float(np.abs(reached - self.u)[places].max())
            self.u = reached
            self._taken()
            if count + 1 >= SETTLING_STEPS and gone < SETTLED * self.model.case.strip.thickness:
                break

    def harden(self) -> None:
        """Raise the penalty, unless the case gives one, until no face lies deeper than START_SINK."""
        walls, case = self.model.walls, self.model.case
        if walls is None or case.settings.contact_stiffness:
            return
        thickness, settings = case.strip.thickness, walls.settings
        enough = pressure(np.array(-START_SINK * thickness - settings.lead), 1.0, settings.onset)
        for _ in range(MOST_HARDENING):
            gap = walls.least_gap(self.u) - settings.lead
            deepest = pressure(np.array(gap), 1.0, settings.onset)
            if deepest <= enough:
                break
            for term in contacts(self.model):
                term.harden(min(MOST_HARDER, max(1.1, float(deepest / enough))))
            self.settle()

    def _put(self, way: Way, part: float) -> None:
        """Put walls and rest curvature where they are after a part of the way."""
        if self.model.walls is not None:
            self.model.walls.move_walls(self.walls_at(way, part))
        if self.bending is not None:
            self.bending.share = way.at(way.bent, part)

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
    opening = clear_opening(model, model.start)
    if opening is not None:
        assembly = Assembly(model, clamp, model.start, journal)
        trouble = assembly.go(Way((opening, 0.0), (opening, 0.0), pressed=(0.0, 1.0)))
    else:
        assembly, trouble = _bent_in_place(model, clamp, journal)
    if trouble:
        return trouble
    assembly.settle()
    assembly.harden()
    refuse_misplaced(model, assembly.u)
    return begun(model, clamp, assembly.u)


def _bent_in_place(model: StripModel, clamp: AxleClamp, journal: Journal) -> tuple[Assembly, str]:
    """The strip put in place straight, then let bend, then with its obstacles; "" or what went wrong."""
    terms, far = model.motion.terms, model.length
    straight, start = model.unbent()
    bent, bending = terms[0], Bending(straight, terms[0])
    assembly = Assembly(model, clamp, start, journal, bending)
    opening = clear_opening(model, start, lambda opening: (opening, far))
    if opening is None:
        raise _refused(
            model.case,
            "casing.radius",
            f"the strip cannot be put in place: its section, which rises {model.rise:.3g} mm, meets casing "
            "or slot however far these are backed off, straight or bent; write a larger casing, a shallower "
            "section or a narrower strip",
        )
    terms[0] = bending
    try:
        trouble = assembly.go(Way((opening, 0.0), (far, far), pressed=(0.0, 1.0), bent=(0.0, 0.0)))
        trouble = trouble or assembly.go(Way((0.0, 0.0), (far, far), bent=(0.0, 1.0)))
    finally:
        terms[0] = bent
    if not trouble and model.case.obstacles:
        outside = clear_opening(model, assembly.u, lambda opening: (0.0, opening))
        trouble = assembly.go(Way((0.0, 0.0), (far if outside is None else outside, 0.0)))
    return assembly, trouble


def clear_opening(
    model: StripModel,
    u: Array,
    openings: Callable[[float], tuple[float, float]] = lambda all_of: (all_of, all_of),
) -> float | None:
    """A small opening [mm] at which a state clears all walls and leaves casing and slot through the mouth;
    None if there is no sensible one. openings: those of slot and obstacles, from one number.
    """
    walls, case = model.walls, model.case
    if walls is None:
        return 0.0
    opening = model.rise + 2.0 * case.strip.thickness
    most = opening + WIDEST * case.casing.radius
    line = walls.mid_line(u)
    while opening <= most:
        walls.move_walls(surrounding_walls(case, *openings(opening)))
        if (
            walls.least_gap(u) >= -START_DEPTH * case.strip.thickness
            and Sides(walls, case.strip.thickness).passage(u) is None
            and _leaves_by_the_mouth(case, line, openings(opening)[0])
        ):
            return opening
        opening *= WIDEN
    return None


def contacts(model: StripModel) -> list[Contact]:
    """What has friction to forget while the strip settles."""
    return [term for term in (model.walls, model.wraps) if term is not None]


def begun(model: StripModel, grip: Grip, u: Array, drives: Sequence[Drive] = ()) -> Stepper:
    """A stepper at rest in a state; drives: springs of the grip, whose energy is not the strip's."""
    sides = None if model.walls is None else Sides(model.walls, model.case.strip.thickness)
    return Stepper(model.motion, grip, u, 0.0, tuple(drives), model.snap_test, sides)


def _leaves_by_the_mouth(case: Case, line: Array, opening: float) -> bool:
    """Whether a mid-line (n, 2) first passes the mouth between the slot's sides, each `opening` mm back."""
    outside = np.flatnonzero(line[:, 0] > case.slot_mouth)
    if len(outside) == 0:
        return False
    return bool(abs(line[outside[0], 1] - case.slot_level) < 0.5 * case.slot.gap + opening)


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
    if not _leaves_by_the_mouth(case, walls.mid_line(u), 0.0):
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
