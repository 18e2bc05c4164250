"""Remedies as concrete changes: for every lever that a verdict names, by how much to move it in this case.

A lever of a verdict is a key and a direction (`fem.results.outcome.Lever`); here each gets a size that a
maker would try first, large enough to show and small enough to make. A lever whose size only the maker can
know (another material, where to guide the strip) is told as not tried.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from fem.case.changes import text as value_text
from fem.case.definition import Case
from fem.case.variation import changed
from fem.core.errors import CaseError, InputError
from fem.results import outcome
from fem.results.outcome import OVER_STRAINED, Condition, Lever, Status
from fem.simulation.jam_modes import (
    GENTLER_BEND,
    OBSTACLES,
    ROUNDER_LIPS,
    SHORTER_CHANNEL,
    SHORTER_SPAN,
    SOONER_OPEN,
    JamMode,
)
from fem.study.parameters import parameter, value_at

HALVINGS = 3
"""Times that a move is halved at most where the case cannot be with all of it."""


@dataclass(frozen=True)
class Move:
    """One remedy made concrete. text: what changes, with old and new value; values: by name, as a study takes
    them; words: the remedy as the verdict has it; does: what it does.
    """

    text: str
    values: dict[str, Any]
    words: str
    does: str

    @property
    def names(self) -> frozenset[str]:
        """What it changes."""
        return frozenset(self.values)


@dataclass(frozen=True)
class Untried:
    """A remedy that is told and not tried, and why."""

    words: str
    why: str


Sized = Callable[[Case, float], "dict[str, Any] | None"]
"""Values for a share of the usual size of a move (1, then less); None: this case has no such thing."""


def by_factor(name: str, factor: float) -> Sized:
    """A number of the case times a factor, rounded to what can be read."""

    def sized(case: Case, share: float) -> dict[str, Any] | None:
        try:
            number = parameter(case, name).number
        except InputError:
            return None
        if math.isnan(number) or number <= 0.0:
            return None
        return {name: _rounded(number * factor**share)}

    return sized


def _rounded(value: float) -> float:
    """Two digits more than the first, as on a drawing."""
    return float(f"{value:.3g}")


def _left_out(case: Case, share: float) -> dict[str, Any] | None:
    """A fifth less wound in."""
    travel = case.travel
    if travel <= 0.0:
        return None
    less = 0.2 * share * travel
    if value_at(case, "push.travel") is not None:
        return {"push.travel": _rounded(travel - less)}
    return {"push.left_out": _rounded(float(value_at(case, "push.left_out") or 0.0) + less)}


def _casing(case: Case, share: float) -> dict[str, Any] | None:
    """Half of the room between the tight coil and the casing less, and at least a thickness of it left."""
    area = (case.travel + case.casing.radius) * case.strip.thickness / math.pi
    tight = math.sqrt(case.axle.radius**2 + area) + case.strip.thickness
    room = case.casing.radius - tight
    return {"casing": _rounded(case.casing.radius - 0.5 * share * room)} if room > 0.0 else None


def _stiffer_root(case: Case, share: float) -> dict[str, Any] | None:
    """Another layer of the material of the first, half as thick, as far as the slot."""
    layers = value_at(case, "strip.layers")
    if not isinstance(layers, list) or not layers:
        return None
    more = {
        "material": layers[0]["material"],
        "thickness": _rounded(0.5 * share * float(layers[0]["thickness"])),
        "along": [0.0, _rounded(case.casing.radius)],
    }
    return {"strip.layers": [*layers, more]}


def _root_opening(case: Case, share: float) -> dict[str, Any] | None:
    """Half a width more to open over."""
    now = float(value_at(case, "strip.root_opening") or 0.0)
    return {"strip.root_opening": _rounded(now + 0.5 * share * case.strip.width)}


def _no_obstacles(case: Case, share: float) -> dict[str, Any] | None:  # noqa: ARG001 (all of them or none)
    return {"obstacles": []} if case.obstacles else None


def _section(factor: float) -> Sized:
    """A section shallower (factor > 1) or deeper, by its radius or by its rise."""

    def sized(case: Case, share: float) -> dict[str, Any] | None:
        if value_at(case, "strip.section.depth") is not None:
            return by_factor("strip.section.depth", 1.0 / factor)(case, share)
        return by_factor("strip.section.radius", factor)(case, share)

    return sized


_SIZED: tuple[tuple[Lever, Sized], ...] = (
    (outcome.LESS_FRICTION, by_factor("friction", 0.6)),
    (outcome.LESS_FRICTION_OF_WRAPS, by_factor("friction.wraps", 0.6)),
    (outcome.SMALLER_CASING, _casing),
    (SHORTER_SPAN, _casing),
    (outcome.LESS_WOUND, _left_out),
    (outcome.WIDER_SLOT, by_factor("slot.gap", 1.25)),
    (outcome.THINNER, by_factor("thickness", 0.85)),
    (outcome.SHALLOWER, _section(1.35)),
    (outcome.DEEPER, _section(1.0 / 1.35)),
    (outcome.LARGER_AXLE, by_factor("axle.radius", 1.2)),
    (outcome.HIGHER_RATIO, by_factor("motor.gear_ratio", 1.5)),
    (outcome.STRONGER_MOTOR, by_factor("motor", 1.5)),
    (outcome.STIFFER_ROOT, _stiffer_root),
    (SOONER_OPEN, by_factor("slot.length", 0.6)),
    (SHORTER_CHANNEL, by_factor("slot.length", 0.6)),
    (ROUNDER_LIPS, by_factor("slot.lip", 1.6)),
    (GENTLER_BEND, by_factor("bend", 1.4)),
    (OBSTACLES, _no_obstacles),
    (Lever("strip.root_opening", "raise", ""), _root_opening),
    (Lever("push.travel", "lower", ""), _left_out),
)
SIZES = {(lever.key, lever.way): sized for lever, sized in _SIZED}
"""Key and way of a lever -> its usual size."""

ALSO: dict[str, tuple[Lever, ...]] = {
    JamMode.ROOT_FOLDS: (outcome.THINNER, outcome.SHALLOWER),
    JamMode.FOLDS_BEFORE_SLOT: (outcome.THINNER, outcome.LESS_WOUND),
    JamMode.FOLDS_OUTSIDE_SLOT: (outcome.THINNER, outcome.LESS_FRICTION),
    JamMode.BEND_STUCK: (outcome.LESS_FRICTION, outcome.HIGHER_RATIO),
    JamMode.COIL_LOCKS: (outcome.THINNER, outcome.LARGER_AXLE, outcome.HIGHER_RATIO),
    JamMode.MOTOR_TOO_WEAK: (outcome.SMALLER_CASING, outcome.LESS_WOUND),
    JamMode.STOPS_MOVING: (outcome.THINNER, outcome.SHALLOWER, outcome.HIGHER_RATIO),
}
"""The obvious others of a mode, beside what its verdict offers."""


def moves_for(case: Case, status: str, mode: str, strained: bool = False) -> tuple[list[Move], list[Untried]]:
    """Remedies of a verdict as moves that this case can make, and those that are not tried, each once.
    strained: whether the limit of a material is passed, besides.
    """
    moves: list[Move] = []
    untried: list[Untried] = []
    for words, lever in _offered(status, mode, strained):
        sized = SIZES.get((lever.key, lever.way))
        made = None if sized is None else _fitting(case, sized, words, lever)
        if made is None:
            why = "how is yours to choose" if sized is None else "this case has nothing there to move"
            if all(one.words != words for one in untried):
                untried.append(Untried(words, why))
        elif isinstance(made, Untried):
            untried.append(made)
        elif all(made.values != other.values for other in moves):
            moves.append(made)
    return moves, untried


def _offered(status: str, mode: str, strained: bool) -> Iterable[tuple[str, Lever]]:
    """Words and lever of all that a verdict offers: of its mode, of its status, the obvious others, and what
    strains less.
    """
    known = next((one for one in JamMode if one == mode), None)
    entry = next((one for one in Status if one == status), None)
    if known is not None and status != Status.STALLED:
        for remedy in known.entry.remedies:
            yield from ((remedy.words, lever) for lever in remedy.levers)
        yield from ((f"{lever.way} {lever.key}", lever) for lever in ALSO.get(known, ()))
    elif entry is not None:
        yield from ((f"{lever.way} {lever.key}", lever) for lever in entry.levers)
    if strained and status not in OVER_STRAINED:
        yield from ((f"{lever.way} {lever.key}", lever) for lever in Condition.OVER_STRAINED.levers)


def _fitting(case: Case, sized: Sized, words: str, lever: Lever) -> Move | Untried | None:
    """The largest share of a move with which the case can be."""
    reason = ""
    for halved in range(HALVINGS + 1):
        values = sized(case, 0.5**halved)
        if values is None:
            return None
        changes: dict[str, Any] = {}
        for name, value in values.items():
            changes |= parameter(case, name).changes(value)
        try:
            if changed(case, changes).digest != case.digest:
                return Move(_text(case, values), values, words, lever.does)
        except CaseError as problem:
            reason = f"{problem.faults[0].key}: {problem.faults[0].message}"
    return Untried(words, f"it cannot be: {reason}") if reason else None


def _text(case: Case, values: dict[str, Any]) -> str:
    """`casing 9 -> 7.5`."""
    told = []
    for name, value in values.items():
        if name == "strip.layers":
            more = value[-1]
            low, high = more["along"]
            layer = f"{more['thickness']:g} mm of {more['material']}"
            told.append(f"another layer, {layer}, along {low:g} to {high:g} mm")
        elif name == "obstacles":
            told.append("without the obstacles")
        else:
            told.append(f"{name} {value_text(parameter(case, name).present)} -> {value_text(value)}")
    return ", ".join(told)
