"""How a strip can jam: the one registry of modes, each with its rule and all that is ever said about it.

A mode is drawn from the facts of a state by the first rule that applies, from the sharpest evidence to the
mildest. A member of `JamMode` is its text, which is what a result holds. To add a mode, write a member at its
place in the order: verdict, pages, terminal and the tables of the README follow from its entry.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from fem.results.outcome import (
    DEEPER,
    HIGHER_RATIO,
    LESS_FRICTION,
    LESS_FRICTION_OF_WRAPS,
    LESS_WOUND,
    PRACTICE,
    SHALLOWER,
    SMALLER_CASING,
    STIFFER_ROOT,
    STRONGER_MOTOR,
    THINNER,
    WIDER_SLOT,
    Explanation,
    Lever,
    Outcome,
)

LOCKED_CONTACT = 3.0
"""Contact of the coil with the casing [rad] from which friction there can lock it (exp(0.2 * 3) = 1.8)."""


@dataclass(frozen=True)
class Facts:
    """What is seen in one state.

    Stations [mm from the root]: last contact with the axle (lift), first and last contact of the coil with
    casing or itself (coil_start, coil_end), slot's inner and outer end, sharpest curvature (sharpest) with
    its value [1/mm]. casing contact [rad], length of touching wraps [mm], number of the bend whose stretch
    lies in the slot (0 if none), largest axial compression [N] and its station.
    """

    lift: float
    coil_start: float
    coil_end: float
    slot: float
    mouth: float
    sharpest: float
    curvature: float
    casing_contact: float
    wrap_contact: float
    bend: int
    compression: float
    compression_station: float
    sharp_limit: float

    def region(self) -> str:
        """Where the sharpest curvature sits, in words."""
        s = self.sharpest
        if s > self.mouth:
            return "outside the slot"
        if s > self.slot:
            return "in the slot"
        if s > self.coil_end:
            return "between coil and slot"
        if s > self.coil_start:
            return "in the coil"
        return "at the root" if s <= self.lift else "between axle and coil"

    def folded(self, low: float, high: float) -> bool:
        """Whether the sharpest curvature is a fold, and lies between two stations."""
        return self.curvature > self.sharp_limit and low <= self.sharpest <= high


@dataclass(frozen=True)
class Signs:
    """What a rule looks at.

    facts: of the state; moved: the strip has come out some way since pushing began; overload: more torque is
    asked for than the motor has.
    """

    facts: Facts
    moved: bool
    overload: bool


@dataclass(frozen=True)
class Remedy:
    """One thing to try, in words, and the numbers of a case that do it."""

    words: str
    levers: tuple[Lever, ...]


SHORTER_SPAN = Lever("casing.radius", "lower", "the slot comes nearer the coil, the free span shorter")
SOONER_OPEN = Lever("slot.length", "lower", "the section opens sooner behind the slot")
GENTLER_BEND = Lever("strip.path.runs", "raise the radius in", "a gentler bend takes less to straighten")
SHORTER_CHANNEL = Lever("slot.length", "lower", "less of the bend has to be straight at once")
ROUNDER_LIPS = Lever("slot.lip", "raise", "rounder lips let the bend turn into the channel")
OBSTACLES = Lever("obstacles", "change", "guide the strip until its section is open; move what it hits")
FRICTION_INSIDE = Remedy("lower the friction inside the casing", (LESS_FRICTION,))
CASING = Remedy("make the casing smaller so that the coil cannot swell", (SMALLER_CASING,))
ROOT = Remedy("stiffen the root", (STIFFER_ROOT,))
WIND_LESS = Remedy("wind in less of the strip", (LESS_WOUND,))
DEEPEN = Remedy("deepen the section", (DEEPER,))


def _at_fold(facts: Facts) -> float:
    return facts.sharpest


def _mid_coil(facts: Facts) -> float:
    return 0.5 * (facts.coil_start + facts.coil_end)


def _at_slot(facts: Facts) -> float:
    return facts.slot


def _most_pushed(facts: Facts) -> float:
    return facts.compression_station


@dataclass(frozen=True)
class ModeEntry(Explanation):
    """Everything said about a mode.

    seen: what is seen, in half a sentence. applies: its rule. place: station [mm from the root] at which to
    mark it. remedies: what to try, the best first; their levers are the mode's. fold: the strip folds over.
    at_slot: the state at the slot settles the mode, whatever the strip does when it is pushed on.
    """

    levers: tuple[Lever, ...] = field(init=False)
    seen: str = field(kw_only=True)
    applies: Callable[[Signs], bool] = field(kw_only=True)
    place: Callable[[Facts], float] = field(kw_only=True)
    remedies: tuple[Remedy, ...] = field(kw_only=True)
    fold: bool = field(default=False, kw_only=True)
    at_slot: bool = field(default=False, kw_only=True)

    def __post_init__(self) -> None:
        levers = dict.fromkeys(lever for remedy in self.remedies for lever in remedy.levers)
        object.__setattr__(self, "levers", tuple(levers))


class JamMode(Outcome):
    """Where and how a strip jams, from the sharpest evidence to the mildest; the first that applies."""

    entry: ModeEntry

    ROOT_FOLDS = (
        "root span folds",
        ModeEntry(
            happens="The coil holds fast in the casing. The short span from the axle to the coil takes the "
            "whole push, buckles and folds over; the axle turns on and nothing comes out.",
            bench="The motor turns but the tip stands still. With the lid off, a sharp kink shows right "
            "behind the clamp, often with a white crease in a printed strip. Pulling the tip by hand frees "
            f"it at once {PRACTICE}.",
            seen="the coil holds fast in the casing and the span from the axle to it folds over",
            applies=lambda now: (
                now.facts.folded(0.0, min(now.facts.coil_start, now.facts.slot)) and not now.moved
            ),
            place=_at_fold,
            remedies=(
                Remedy(FRICTION_INSIDE.words, (LESS_FRICTION, LESS_FRICTION_OF_WRAPS)),
                CASING,
                ROOT,
                WIND_LESS,
            ),
            fold=True,
        ),
    )
    FOLDS_BEFORE_SLOT = (
        "strip folds before the slot",
        ModeEntry(
            happens="The strip leaves the coil, but the free span that runs to the slot is pushed from "
            "behind, held in front, and folds over inside the casing.",
            bench="A soft knock inside the casing, then the torque drops and the tip stops. A loop stands "
            "between coil and slot when you look in; it comes back at the same place "
            f"{PRACTICE}.",
            seen="the span that runs to the slot folds over inside the casing",
            applies=lambda now: now.facts.folded(now.facts.coil_start, now.facts.slot),
            place=_at_fold,
            remedies=(
                Remedy("move the slot nearer the coil", (SHORTER_SPAN,)),
                Remedy("lower the friction at the slot", (LESS_FRICTION, WIDER_SLOT)),
                DEEPEN,
            ),
            fold=True,
            at_slot=True,
        ),
    )
    FOLDS_OUTSIDE_SLOT = (
        "strip folds outside the slot",
        ModeEntry(
            happens="The strip comes through, but folds at the lip or beyond it: it runs into something, its "
            "own weight or load bends it, or the section has not opened yet when the load comes on.",
            bench="The part outside hangs or kinks at the lip while the axle goes on pushing; lifting the "
            f"tip by hand lets it go on {PRACTICE}.",
            seen="the strip folds at or beyond the slot",
            applies=lambda now: now.facts.folded(now.facts.slot, np.inf),
            place=_at_fold,
            remedies=(
                Remedy("guide the strip outside the slot", (OBSTACLES, SOONER_OPEN)),
                DEEPEN,
                Remedy("remove what it runs into", (OBSTACLES,)),
            ),
            fold=True,
            at_slot=True,
        ),
    )
    BEND_STUCK = (
        "bend does not pass the slot",
        ModeEntry(
            happens="A bend formed into the strip has to be straightened to slide through the slot. That "
            "costs more push than there is, and the bend stays in the channel.",
            bench="It stops every time with the same bend in the slot. Fresh rub marks on the lips at the "
            f"bend; a straight strip of the same section runs through {PRACTICE}.",
            seen="a pre-formed bend is straightened in the slot and costs more than there is",
            applies=lambda now: now.facts.bend > 0 and now.moved,
            place=_at_slot,
            remedies=(
                Remedy("make the bend's radius larger", (GENTLER_BEND,)),
                Remedy("widen or shorten the slot", (WIDER_SLOT, SHORTER_CHANNEL)),
                Remedy("round the lips more", (ROUNDER_LIPS,)),
                Remedy("thin the strip at the bend", (THINNER,)),
            ),
            at_slot=True,
        ),
    )
    COIL_LOCKS = (
        "coil locks in the casing",
        ModeEntry(
            happens="Pushed from the axle, the coil swells and lies against the casing. Around that arc "
            "friction adds up as on a belt around a drum: push at the root decays to nothing before it "
            "reaches the slot.",
            bench="Torque climbs smoothly and fast with no movement at the tip, without a knock. Turning the "
            "axle the other way frees it at once; a drop of dry lubricant changes everything "
            f"{PRACTICE}.",
            seen=f"the coil lies on the casing over more than {LOCKED_CONTACT:g} rad and friction around it "
            "grows like a belt's",
            applies=lambda now: now.facts.casing_contact > LOCKED_CONTACT,
            place=_mid_coil,
            remedies=(FRICTION_INSIDE, CASING, Remedy("shallow the section", (SHALLOWER,)), WIND_LESS),
        ),
    )
    MOTOR_TOO_WEAK = (
        "motor too weak",
        ModeEntry(
            happens="Nothing folds or locks; the strip only asks for more torque than the motor has at the "
            "axle.",
            bench="The motor slows down and stalls, the same strip turned by hand with a key on the axle "
            f"comes out. Cut the power soon: a stalled motor heats within seconds {PRACTICE}.",
            seen="nothing folds or locks, but more torque is asked for than the motor has",
            applies=lambda now: now.overload,
            place=_most_pushed,
            remedies=(
                Remedy("choose a stronger motor or a higher gear ratio", (HIGHER_RATIO, STRONGER_MOTOR)),
                Remedy("lower the friction", (LESS_FRICTION,)),
                Remedy("thin the strip or shallow its section", (THINNER, SHALLOWER)),
            ),
        ),
    )
    STOPS_MOVING = (
        "strip stops moving",
        ModeEntry(
            happens="The axle goes on turning but no more strip comes through the slot, and the state shows "
            "no sharper reason: the turning goes into loosening the coil.",
            bench="Turning the axle back and forth moves the coil, not the tip. If the coil is tight on the "
            "axle, look at the clamp: a slipping root looks the same and is not simulated "
            f"{PRACTICE}.",
            seen="the axle goes on turning, but no more strip comes through the slot",
            applies=lambda now: True,
            place=_most_pushed,
            remedies=(FRICTION_INSIDE, CASING, ROOT),
        ),
    )

    @property
    def remedies(self) -> tuple[str, ...]:
        """What to try, in words, the best first."""
        return tuple(remedy.words for remedy in self.entry.remedies)

    def place(self, facts: Facts) -> float:
        """Station [mm from the root] at which to mark the jam."""
        return self.entry.place(facts)


def name_mode(facts: Facts, moved: bool, overload: bool) -> JamMode:
    """The mode that the facts speak for; arguments as in `Signs`."""
    now = Signs(facts, moved, overload)
    return next(mode for mode in JamMode if mode.entry.applies(now))
