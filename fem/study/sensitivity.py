"""What matters: by how many per cent a number of a run moves when a number of the case moves by one per cent.

An elasticity d log(quantity) / d log(value), by a difference over both sides of the present value. Two runs
of the same design with other steps and elements do not agree to the last digit, for friction and contact
amplify what is small: that scatter is measured first, with settings that change nothing of the design, and
the difference is made large enough for it. Each elasticity has a band: twice what the scatter makes of it,
and half of how far the slopes on the two sides differ. What is smaller than its band cannot be told from
nothing.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from fem.batch.workers import Observer
from fem.case.definition import Case
from fem.case.study_tables import QUANTITIES
from fem.core.errors import InputError
from fem.results.result import to_json
from fem.study.parameters import value_at
from fem.study.study import Options, Study
from fem.study.table import Row

SCHEMA = 1
TOLD = (
    "deploy_torque_peak_Nmm", "retract_torque_peak_Nmm", "strain_share_working", "stiffness_out_N_per_mm",
    "safe_travel_mm",
)  # fmt: skip
"""Quantities whose elasticities are told: hardest push, winding torque, working strain, stiffness out, safe
travel.
"""
ASIDE = frozenset({"solver", "compare", "vary", "goal", "title", "teaches", "extends", "push"})
"""Tables that say nothing of the design, or what is done to it."""
DESIGN_OF_PUSH = ("push.left_out",)
"""Numbers of a push that are numbers of the design."""
UNMOVED = frozenset({"density", "strain_limit", "strain_limit_2", "no_load_speed"})
"""Last words of keys that move none of `TOLD`, or by a rule that needs no run."""
SMALLEST, LARGEST, NARROW = 0.05, 0.15, 14.0
"""Shares by which a value is moved either way: at least, at most, and as a multiple of the scatter."""
OTHER_SETTINGS = (
    {"solver.turn": 1.06}, {"solver.turn": 0.94}, {"solver.contact_spacing": 1.05}, {"solver.element": 0.96},
    {"solver.element": 1.04, "solver.turn": 0.97},
)  # fmt: skip
"""Factors of settings that change nothing of a design."""
WITH_STIFFNESS = Options(stiffness=True)


@dataclass(frozen=True)
class Elasticity:
    """Of one quantity to one number of the case. band: what cannot be told from it; note: what is special."""

    key: str
    value: float
    band: float
    note: str = ""

    @property
    def told(self) -> bool:
        """Whether it can be told from nothing."""
        return math.isfinite(self.value) and abs(self.value) > self.band


@dataclass(frozen=True)
class Sensitivity:
    """Elasticities of a case by quantity, the largest first.

    scatter: of each quantity's logarithm (standard deviation); step: share by which each number was moved;
    left_out: keys without an answer, and why; rows: every run.
    """

    case: Case
    step: float
    scatter: Mapping[str, float]
    found: Mapping[str, tuple[Elasticity, ...]]
    left_out: tuple[tuple[str, str], ...]
    rows: tuple[Row, ...]

    def document(self) -> Any:
        """The document of `sensitivity --json`."""
        quantities = {
            name: [
                {
                    "key": one.key,
                    "elasticity": one.value,
                    "band": one.band,
                    "told": one.told,
                    "note": one.note,
                }
                for one in each
            ]
            for name, each in self.found.items()
        }
        left_out = [{"key": key, "reason": reason} for key, reason in self.left_out]
        return to_json({
            "schema": SCHEMA, "case": self.case.name, "step": self.step, "scatter": dict(self.scatter),
            "quantities": quantities, "left_out": left_out, "runs": len(self.rows),
        })  # fmt: skip


def numbers_of(case: Case) -> list[str]:
    """Keys of every number of the design that a case file says, what it extends included: of materials only
    those that are used.
    """
    tables = tomllib.loads(case.text)
    used = {layer.get("material") for layer in tables["strip"].get("layers", [])}
    found = []
    for name, table in tables.items():
        if name in ASIDE:
            continue
        if name == "materials":
            table = {key: value for key, value in table.items() if key in used}  # noqa: PLW2901
        found += [key for key in _leaves(name, table) if key.rsplit(".", 1)[-1] not in UNMOVED]
    return found + [key for key in DESIGN_OF_PUSH if value_at(case, key)]


def _leaves(key: str, value: Any) -> Iterator[str]:
    """Keys of all numbers below one, items counted from 1."""
    if isinstance(value, Mapping):
        for name, item in value.items():
            yield from _leaves(f"{key}.{name}", item)
    elif isinstance(value, list):
        for number, item in enumerate(value, 1):
            yield from _leaves(f"{key}[{number}]", item)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield key


def sensitivity_of(study: Study, keys: Sequence[str] = (), step: float = math.nan) -> Sensitivity:
    """Elasticities to `keys` (none: every number of the case). step: share by which each is moved, nan: by
    what the scatter asks for. Raises InputError for a key that is no number of the case, and where the case
    itself gives no verdict.
    """
    case = study.case
    names = list(keys) or numbers_of(case)
    values, left_out = _present(study, names)
    base = study.run([{}])[0]
    if base.went is None and not study.stopping:
        raise InputError(f"{case.name}: gives no verdict as it is ({base.sentence}); mend that first")
    others = study.run([_other(case, factors) for factors in OTHER_SETTINGS])
    scatter = scatter_of([base, *others])
    moved = step if math.isfinite(step) else step_for(scatter)
    sides = [
        {name: value * factor}
        for name, value in values.items()
        for factor in (1.0 / (1.0 + moved), 1.0 + moved)
    ]
    rows = study.run(sides)
    found: dict[str, list[Elasticity]] = {name: [] for name in scatter}
    for number, name in enumerate(values):
        pair = rows[2 * number], rows[2 * number + 1]
        if all(row.went is None for row in pair):
            left_out.append((name, f"{pair[0].status}: {pair[0].sentence}"))
            continue
        for quantity, band in scatter.items():
            one = elasticity(name, quantity, (pair[0], base, pair[1]), band, math.log1p(moved))
            if one is not None:
                found[quantity].append(one)
    ranked = {
        quantity: tuple(sorted(each, key=lambda one: -abs(one.value))) for quantity, each in found.items()
    }
    return Sensitivity(case, moved, scatter, ranked, tuple(left_out), (base, *others, *rows))


def _present(study: Study, names: Sequence[str]) -> tuple[dict[str, float], list[tuple[str, str]]]:
    """Present values of what is to be moved, and what cannot be."""
    values: dict[str, float] = {}
    left_out = []
    for name in names:
        number = study.parameter(name).number
        if math.isnan(number):
            raise InputError(
                f"{study.case.name}: {name} is no number of the case, so that it cannot be moved"
            )
        if number == 0.0:
            left_out.append((name, "is 0, of which no share can be taken"))
        else:
            values[name] = number
    return values, left_out


def _other(case: Case, factors: Mapping[str, float]) -> dict[str, float]:
    """Settings of a case, each times its factor."""
    now = {
        "solver.turn": math.degrees(case.settings.turn),
        "solver.contact_spacing": case.settings.contact_spacing,
        "solver.element": case.settings.element,
    }  # fmt: skip
    found = {key: now[key] * factor for key, factor in factors.items()}
    if "solver.element" in found:
        found["solver.element_fine"] = case.settings.element_fine * factors["solver.element"]
    return found


def scatter_of(rows: Sequence[Row]) -> dict[str, float]:
    """Standard deviation of the logarithm of each quantity over runs of one design with other settings; of
    those that at least three of them have.
    """
    found = {}
    for name in TOLD:
        values = [number for row in rows if not math.isnan(number := _number(row, name))]
        if len(values) >= 3:
            found[name] = float(np.std(np.log(values), ddof=1))
    return found


def step_for(scatter: Mapping[str, float]) -> float:
    """The share by which values are moved, for elasticities to a tenth if that can be."""
    return min(LARGEST, max(SMALLEST, NARROW * max(scatter.values(), default=0.0)))


def _number(row: Row, name: str) -> float:
    """A quantity that can be compared: not one that is known to be larger only; nan otherwise."""
    if row.went is None or (row.at_least and name.startswith(("deploy_torque", "retract_torque"))):
        return math.nan
    value = row.number(name)
    return value if value > 0.0 else math.nan


def elasticity(
    key: str, quantity: str, rows: tuple[Row, Row, Row], scatter: float, distance: float
) -> Elasticity | None:
    """Elasticity from the rows below, at and above the present value, `distance` apart in the logarithm; None
    where the quantity is missing at the present value, or on both sides.
    """
    low, middle, high = (math.log(value) if value > 0.0 else math.nan for value in (
        _number(row, quantity) for row in rows
    ))  # fmt: skip
    slopes = [
        slope for slope in ((middle - low) / distance, (high - middle) / distance) if math.isfinite(slope)
    ]
    if not slopes:
        return None
    noise = 2.0 * math.sqrt(2.0) * scatter / (len(slopes) * distance)
    notes = ["one side only"] if len(slopes) == 1 else []
    verdicts = list(dict.fromkeys(row.verdict for row in rows))
    if len(verdicts) > 1:
        notes.append(f"{verdicts[0]} below, {verdicts[-1]} above")
    bent = 0.5 * abs(slopes[-1] - slopes[0])  # so the band holds the slopes of both sides
    return Elasticity(key, sum(slopes) / len(slopes), noise + bent, "; ".join(notes))


def words_of(quantity: str) -> str:
    """A quantity in words."""
    return QUANTITIES.get(quantity, quantity.replace("_", " "))


def sensitivity(
    case: Case, keys: Sequence[str] = (), step: float = math.nan, options: Options = WITH_STIFFNESS,
    observer: Observer | None = None,
) -> Sensitivity:  # fmt: skip
    """By how much numbers of a case matter (`sensitivity_of`). Raises InputError for a key that is no number
    of the case.
    """
    with Study(case, "rod", options, observer) as study:
        return sensitivity_of(study, keys, step)
