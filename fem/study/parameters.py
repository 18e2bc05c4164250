"""What a study changes: one number or choice of a case, by its key or by a name for several keys at once.

A key is written as in faults: `casing.radius`, `strip.layers[2].thickness`. A few names stand for what a
designer means by one word though a case file says it in several places (`NAMED`).
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from fem.case.definition import Case
from fem.case.keys import content_name
from fem.case.schema import nearest
from fem.case.study_tables import Vary, vary_fault
from fem.case.variation import changed, key_of
from fem.core.errors import CaseError, InputError
from fem.results.columns import unit_of

Changes = dict[str, Any]
"""Key of a case -> value, as `fem.case.variation.changed` takes them."""


@dataclass(frozen=True)
class Parameter:
    """Something of a case that may change.

    name: as the user named it; present: its value in the case (None: the case has none); unit; changes: of
    the case, for a value.
    """

    name: str
    present: Any
    unit: str
    changes: Callable[[Any], Changes]

    @property
    def number(self) -> float:
        """Its present value; nan where it is no number."""
        value = self.present
        return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else math.nan


def parameter(case: Case, name: str) -> Parameter:
    """What a key, or one of `NAMED`, means in a case. Raises InputError for what is neither."""
    if name in NAMED:
        return NAMED[name].of(case)
    key = key_of(name)
    if key is None or len(key) < 2:
        known = f"write a key of the case, as casing.radius, or one of {', '.join(NAMED)}"
        raise InputError(f"{name!r} is nothing of a case that can change{nearest(name, NAMED)}; {known}")
    present = value_at(case, name)
    if present is None:
        # the reader of cases knows which keys there are and what each wants, so its fault tells them
        _refuse_unknown(case, name)
    return Parameter(name, present, _unit(name), lambda value: {name: value})


def _refuse_unknown(case: Case, name: str) -> None:
    """Raise InputError for a key that no case has; a key that this case merely leaves out is none."""
    try:
        changed(case, {name: 1.0})
    except CaseError as problem:
        for fault in problem.faults:
            above = fault.key != "" and name.startswith((f"{fault.key}.", f"{fault.key}["))
            if above or (fault.key == name and any(words in fault.message for words in NO_KEY)):
                raise InputError(f"{case.name}: {name}: {fault.message}") from problem


NO_KEY = ("unknown key", "no key of a case", "no such item", "no list here")
"""What the reader of cases says of a key that there is not."""


def value_at(case: Case, name: str) -> Any:
    """What a case has at a key, defaults included, in the units of a case file; None where it has nothing."""
    key = key_of(name)
    if key is None:
        return None
    here: Any = tomllib.loads(case.text)
    for part in key:
        try:
            here = here[part]
        except (KeyError, IndexError, TypeError):
            break
    else:
        return here
    for depth in range(len(key) - 1, 0, -1):
        table = case.content.get(content_name(key[:depth]))
        if isinstance(table, Mapping) and key[depth] in table:
            return table[key[depth]] if depth == len(key) - 1 else None
    return None


def _unit(name: str) -> str:
    """Unit of a key, where its last word tells it; lengths are most of them."""
    last = name.rsplit(".", 1)[-1]
    return _UNITS.get(last, unit_of(last))


_UNITS = {
    **dict.fromkeys(
        ("radius", "thickness", "width", "gap", "length", "lip", "height", "depth", "travel", "left_out",
         "root_opening", "transition", "straight"), "mm",
    ),
    "stall_torque": "N mm", "young": "MPa", "bend": "deg", "angle": "deg",
}  # fmt: skip


# ---- names for several keys --------------------------------------------------------------------------------


@dataclass(frozen=True)
class Named:
    """A name for several keys: what it is, and the parameter it stands for in a case."""

    about: str
    of: Callable[[Case], Parameter]


def _friction(case: Case) -> Parameter:
    """Strip on walls and wrap on wrap together, in the proportion they have."""
    walls, wraps = case.friction.strip, case.friction.wraps
    share = wraps / walls if walls > 0.0 else 1.0
    return Parameter(
        "friction", walls, "", lambda value: {"friction.strip": value, "friction.wraps": value * share}
    )


def _thickness(case: Case) -> Parameter:
    """All layers together, in the proportion they have."""
    total = case.strip.thickness
    layers = [layer.thickness for layer in case.strip.layers]

    def changes(value: float) -> Changes:
        return {
            f"strip.layers[{number}].thickness": float(f"{layer * value / total:.12g}")
            for number, layer in enumerate(layers, 1)
        }

    return Parameter("thickness", total, "mm", changes)


def _bend(case: Case) -> Parameter:
    """The radius of the bend that turns farthest."""
    runs = tomllib.loads(case.text)["strip"]["path"].get("runs", [])
    bends = [(abs(run["bend"]), -number) for number, run in enumerate(runs, 1) if "bend" in run]
    if not bends:
        raise InputError(f"{case.name}: has no bend in strip.path.runs whose radius could change")
    number = -max(bends)[1]
    key = f"strip.path.runs[{number}].radius"
    return Parameter("bend", runs[number - 1]["radius"], "mm", lambda value: {key: value})


def _motor(case: Case) -> Parameter:
    if case.motor is None:
        raise InputError(f"{case.name}: has no motor; add the table [motor]")
    return Parameter("motor", case.motor.stall_torque, "N mm", lambda value: {"motor.stall_torque": value})


def _key(name: str, key: str) -> Callable[[Case], Parameter]:
    """A short name for one key."""

    def made(case: Case) -> Parameter:
        one = parameter(case, key)
        return Parameter(name, one.present, one.unit, one.changes)

    return made


NAMED: dict[str, Named] = {
    "friction": Named("friction of the strip on walls and of wrap on wrap, together", _friction),
    "thickness": Named("thickness of all layers together", _thickness),
    "casing": Named("radius of the casing", _key("casing", "casing.radius")),
    "bend": Named("radius of the bend that turns farthest", _bend),
    "motor": Named("stall torque of the motor at its own shaft", _motor),
}
"""Names that stand for what a case file says in several places."""


# ---- ranges ------------------------------------------------------------------------------------------------


def vary_from_text(text: str) -> tuple[Vary, int | None]:
    """`casing.radius=7:9:5` -> the range and 5; `slot.gap=1.2:1.8` -> the range and None;
    `strip.winding=equal,opposite` -> choices. Raises InputError, naming the remedy.
    """
    key, equals, rest = text.partition("=")
    advice = "write KEY=LOW:HIGH:N, as friction.strip=0.05:0.25:6, or KEY=VALUE,VALUE,..."
    if not equals or not key.strip() or not rest.strip():
        raise InputError(f"--vary {text}: names no range; {advice}")
    parts = rest.split(":")
    if len(parts) == 1:
        made, count = Vary(key.strip(), choices=tuple(_value(part) for part in rest.split(","))), None
    else:
        try:
            low, high = (float(part) for part in parts[:2])
            count = int(parts[2]) if len(parts) > 2 else None
        except ValueError as problem:
            raise InputError(f"--vary {text}: {rest!r} is no range of numbers; {advice}") from problem
        if len(parts) > 3:
            raise InputError(f"--vary {text}: has {len(parts)} parts; {advice}")
        made = Vary(key.strip(), low, high)
    fault = vary_fault(made)
    if fault:
        raise InputError(f"--vary {text}: {fault[1]}")
    if count is not None and count < 2:
        raise InputError(f"--vary {text}: {count} points make no range; write at least 2")
    return made, count


def _value(text: str) -> Any:
    """A value as a case file would have it; a bare word is a text."""
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except ValueError:
        return text.strip()
