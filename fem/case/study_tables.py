"""What a case file asks of studies: `[[vary]]`, what may change and between which bounds, and `[goal]`, what
a design has to reach.

Neither is part of what is simulated, nor of a digest: the same case with another goal is the same case.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Any

from annotated_types import Unit

from fem.case.keys import Key
from fem.case.schema import Reader, Table, nearest, shown
from fem.core.units import Sense

QUANTITIES = {
    "asked_over_available": "hardest torque asked for, over what the motor has",
    "retract_torque_peak_Nmm": "hardest torque winding in",
    "deploy_torque_peak_Nmm": "hardest torque pushing out",
    "deploy_push_peak_N": "largest push at the slot on the way out",
    "retract_margin": "share of the motor's torque left winding in",
    "deploy_margin": "share of the motor's torque left pushing out",
    "motor_stall_torque_at_axle_Nmm": "torque of the motor at the axle",
    "strain_share_working": "largest strain that counts, over the material's limit",
    "retract_strain_share": "largest strain winding in, over the material's limit",
    "deploy_strain_share": "largest strain pushing out, over the material's limit",
    "travel_wound_mm": "strip wound in",
    "safe_travel_mm": "largest travel from which it still comes out",
    "jam_travel_mm": "travel at which it jams",
    "stiffness_out_N_per_mm": "stiffness of the tip when the strip is out",
    "shape_error_mm": "largest distance from the intended path when it is out",
    "tip_sag_mm": "sag of the tip under its own weight",
}
"""Numbers of a run that studies tell, and that a goal may bound, in words."""
OfItsKey = Annotated[float, Unit("the unit of its key")]
"""A number in whatever unit the key or quantity has that it belongs to."""
WISHES = ("minimise", "maximise")
MOST_WISHES = 2


@dataclass(frozen=True)
class Vary:
    """What may change: a key of a case, or a name for several of them (`fem.study.parameters`).

    low, high: its bounds in the units of a case file; step: of what can be made, counted from low, None: any
    value; choices: values in place of bounds.
    """

    key: str
    low: OfItsKey = math.nan
    high: OfItsKey = math.nan
    step: OfItsKey | None = None
    choices: tuple[Any, ...] = ()


@dataclass(frozen=True)
class Bound:
    """Between which values a number of a run (a name in QUANTITIES), or a key of the case, has to lie."""

    name: str
    at_least: OfItsKey = -math.inf
    at_most: OfItsKey = math.inf

    def margin(self, value: float) -> float:
        """How far inside a value is, in the number's own unit; < 0 outside, nan for nan."""
        return min(value - self.at_least, self.at_most - value)


@dataclass(frozen=True)
class Aim:
    """A number, or a key of the case, to make as small (sense 1) or as large (sense -1) as can be."""

    name: str
    sense: Sense


@dataclass(frozen=True)
class Goal:
    """What a design has to reach: all bounds, and then as much as can be of one wish, or of two."""

    bounds: tuple[Bound, ...] = ()
    aims: tuple[Aim, ...] = ()


class VaryTable(Table):
    """One item of `[[vary]]`."""

    key: str
    low: OfItsKey | None = None
    high: OfItsKey | None = None
    step: OfItsKey | None = None
    choices: tuple[Any, ...] | None = None


def read_vary(reader: Reader) -> tuple[Vary, ...]:
    """The list `vary`; what is wrong with an item is a fault of the file."""
    found: list[Vary] = []
    for key, item in reader.items(("vary",)):
        table = reader.read(VaryTable, key, item)
        reader.effective.pop(f"vary[{key[-1]}]", None)  # no part of a digest
        if table is None:
            continue
        low, high = (math.nan if end is None else end for end in (table.low, table.high))
        asked = Vary(table.key, low, high, table.step, table.choices or ())
        fault = vary_fault(asked, choices=table.choices is not None)
        if fault:
            reader.fault((*key, fault[0]), fault[1])
        elif any(asked.key == other.key for other in found):
            reader.fault((*key, "key"), f"{shown(asked.key)} is listed twice; remove one of the two")
        else:
            found.append(asked)
    return tuple(found)


def vary_fault(asked: Vary, choices: bool | None = None) -> tuple[str, str] | None:
    """What is wrong with a range or with choices: the key of the item, and a message; None if nothing is."""
    listed = bool(asked.choices) if choices is None else choices
    if not asked.key.strip():
        return "key", "is empty; name a key of the case, as casing.radius"
    if listed:
        if not (math.isnan(asked.low) and math.isnan(asked.high) and asked.step is None):
            return "choices", "stands beside low, high or step; write either choices or a range"
        if len(asked.choices) < 2:
            return "choices", f"must list at least 2 values to choose from, got {shown(asked.choices)}"
        return None
    for name, end in (("low", asked.low), ("high", asked.high)):
        if not math.isfinite(end):
            return name, f"is missing for {asked.key}; write low and high, or choices"
    if not asked.low < asked.high:
        return "high", f"{asked.high:g} is not above low, {asked.low:g}: the range is empty; swap or widen"
    if asked.step is not None and not 0.0 < asked.step <= asked.high - asked.low:
        return "step", (
            f"must be > 0 and at most the range of {asked.high - asked.low:g}, got {asked.step:g}; write a "
            "smaller one, or leave it out"
        )
    return None


def read_goal(reader: Reader) -> Goal | None:
    """The table `goal`; None where there is none."""
    table = reader.table(("goal",))
    if table is None:
        return None
    bounds: list[Bound] = []
    for key, name, value in _bounds(reader, ("goal",), "", table):
        bound = _bound(reader, key, name, value)
        if bound is not None:
            bounds.append(bound)
    aims = tuple(_aims(reader, table))
    if len(aims) > MOST_WISHES:
        reader.fault(("goal",), f"has {len(aims)} wishes, at most {MOST_WISHES}; make bounds of the others")
    return Goal(tuple(bounds), aims)


def _bounds(
    reader: Reader, at: Key, name: str, table: Mapping[str, Any]
) -> Iterator[tuple[Key, str, Mapping[str, Any]]]:
    """Every `{ at_least = ..., at_most = ... }` below a table, whether its dotted name was quoted or not."""
    for part, value in table.items():
        key, full = (*at, part), f"{name}.{part}" if name else part
        if not name and part in WISHES:
            continue
        if not isinstance(value, Mapping) or not value:
            text = f"must be a bound, got {shown(value)}; write {{ at_least = ... }} or {{ at_most = ... }}"
            reader.fault(key, text)
        elif value.keys() & {"at_least", "at_most"} or not any(
            isinstance(inner, Mapping) for inner in value.values()
        ):
            yield key, full, value
        else:
            yield from _bounds(reader, key, full, value)


def _bound(reader: Reader, key: Key, name: str, value: Mapping[str, Any]) -> Bound | None:
    if not _known(reader, key, name):
        return None
    for side, number in value.items():
        if side not in {"at_least", "at_most"}:
            known = ("at_least", "at_most")
            reader.fault((*key, side), f"unknown key{nearest(side, known)}; known here: {', '.join(known)}")
            return None
        if isinstance(number, bool) or not isinstance(number, int | float) or not math.isfinite(number):
            reader.fault((*key, side), f"must be a number, got {shown(number)}; write the value itself")
            return None
    bound = Bound(name, float(value.get("at_least", -math.inf)), float(value.get("at_most", math.inf)))
    if bound.at_least > bound.at_most:
        text = f"contradicts itself: at least {bound.at_least:g}, but at most {bound.at_most:g}; swap them"
        reader.fault(key, text)
        return None
    return bound


def _aims(reader: Reader, table: Mapping[str, Any]) -> Iterator[Aim]:
    for word, sense in zip(WISHES, (1, -1), strict=True):
        named = table.get(word, [])
        for name in named if isinstance(named, list | tuple) else [named]:
            if not isinstance(name, str):
                reader.fault(
                    ("goal", word), f"must name a number or a key, got {shown(name)}; put it in quotes"
                )
            elif _known(reader, ("goal", word), name):
                yield Aim(name, sense)


def _known(reader: Reader, key: Key, name: str) -> bool:
    """Whether a name is one of the numbers of a run or could be a key of the case (whose names have dots)."""
    if name in QUANTITIES or "." in name:
        return True
    text = (
        f"{shown(name)} is no number of a run{nearest(name, QUANTITIES)}; known: {', '.join(QUANTITIES)}; or "
    )
    reader.fault(key, text + "name a key of the case, as casing.radius")
    return False
