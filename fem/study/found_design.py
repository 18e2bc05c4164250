"""What a search found, told: old beside new, how every bound is kept, what stops the goal, the new case."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fem.case.study_tables import Bound
from fem.core.errors import InputError
from fem.results.columns import unit_of
from fem.results.result import to_json
from fem.study.goal_terms import MARGINS, in_words
from fem.study.measure import value_of
from fem.study.new_case import write_extending
from fem.study.parameters import parameter
from fem.study.search_result import Optimised
from fem.study.trial import Trial

SCHEMA = 1
SHOWN = (
    "asked_over_available", "retract_torque_peak_Nmm", "deploy_torque_peak_Nmm", "deploy_margin",
    "strain_share_working", "stiffness_out_N_per_mm", "shape_error_mm",
)  # fmt: skip
"""Numbers that are told beside those of the goal, where runs have them."""


@dataclass(frozen=True)
class Line:
    """One number of old and new. asked: of the goal, in words; values: of the case as it is, of the design,
    of its finer run, of the shell, as far as there are any; kept: whether the last keeps the bound.
    """

    name: str
    unit: str
    asked: str
    values: tuple[float, ...]
    kept: bool | None


def columns(made: Optimised) -> list[tuple[str, Trial]]:
    """The runs that are told side by side, by what they are."""
    found = [("as it is", made.present)]
    if made.best is not None:
        found.append(("new", made.best))
        if made.finer_of_best is not None:
            found.append(("new, finer", made.finer_of_best))
        if made.shell is not None:
            found.append(("new, shell", made.shell))
    return found


def compared(made: Optimised) -> list[Line]:
    """A line per number of the goal and of `SHOWN`."""
    runs = [trial for _, trial in columns(made)]
    bounds = {bound.name: (place, bound) for place, bound in enumerate(made.terms.bounds)}
    aims = {
        aim.name: "as small as can be" if aim.sense > 0 else "as large as can be" for aim in made.terms.aims
    }
    found = []
    for name in dict.fromkeys([*bounds, *aims, *SHOWN]):
        values = tuple(_worst(made, trial, name) for trial in runs)
        if name not in bounds and name not in aims and all(math.isnan(value) for value in values):
            continue
        asked, kept = aims.get(name, ""), None
        if name in bounds:
            place, bound = bounds[name]
            asked = ", ".join(text for text in (_sides(bound), asked) if text)
            kept = None if made.best is None else runs[-1].missed[place] <= 0.0
        found.append(Line(name, unit_of(name), asked, values, kept))
    return found


def _sides(bound: Bound) -> str:
    return in_words(bound).removeprefix(f"{bound.name} ")


def _worst(made: Optimised, trial: Trial, name: str) -> float:
    """A number of a design, at its worst friction."""
    places = [place for place, bound in enumerate(made.terms.bounds) if bound.name == name]
    row = max(trial.rows, key=lambda row: made.terms.missed(row)[places[0]]) if places else trial.row
    return value_of(made.terms.case, row, name)


def changed_values(made: Optimised) -> list[tuple[str, Any, Any, str]]:
    """Key, old value, new value and unit of whatever the design changes."""
    if made.best is None:
        return []
    found = []
    for asked in made.ranges:
        one = parameter(made.terms.case, asked.key)
        value = made.best.values[asked.key]
        if value != one.present:
            found.append((asked.key, one.present, value, one.unit))
    return found


def sentences(made: Optimised) -> Iterator[str]:
    """What came of it, in sentences: whether the goal is met, what stops it, what stands at its end."""
    best = made.best
    if best is None:
        yield f"No run gave a verdict in {made.runs} runs; look at the reasons, and narrow the ranges."
        return
    if made.met:
        yield f"The goal is met, found in {made.runs} runs."
    elif best.met:
        missed = _missed_words(made, columns(made)[-1][1])
        yield f"The quick model meets the goal, its confirmation misses {missed}."
    else:
        missed = _missed_words(made, best)
        yield f"The goal is not met in {made.runs} runs. The nearest design misses {missed}."
        yield from _stops(made)
    ends = [f"{key} at its {end} end" for key, end in made.at_ends]
    if ends:
        yield f"At the end of what may change: {', '.join(ends)}; a wider range may do better."


def _missed_words(made: Optimised, trial: Trial) -> str:
    """Every bound that a design misses, the worst first, with its value."""
    if trial.failed:
        return trial.row.verdict
    order = sorted(range(len(trial.missed)), key=lambda place: -trial.missed[place])
    return ", ".join(
        f"{in_words(made.terms.bounds[place])} ({_value(made, trial, made.terms.bounds[place])})"
        for place in order if trial.missed[place] > 0.0
    )  # fmt: skip


def _value(made: Optimised, trial: Trial, bound: Bound) -> str:
    return f"{_worst(made, trial, bound.name):.3g}"


def _stops(made: Optimised) -> Iterator[str]:
    """Which bound stops the goal: with which one relaxed least the designs that were tried would meet it."""
    relaxed = [(place, trial) for place, trial in made.relaxed() if trial.missed[place] > 0.0]
    if not relaxed:
        yield "No design that was tried keeps all bounds but one."
        return
    named = {bound.name for bound in made.terms.case.goal.bounds} if made.terms.case.goal else set()
    told = [one for one in relaxed if made.terms.bounds[one[0]].name in named] or relaxed
    for number, (place, trial) in enumerate(told):
        bound = made.terms.bounds[place]
        word = "What stops it is" if number == 0 else "Else"
        yield (
            f"{word} {in_words(bound)}: of the designs that keep all other bounds the best has "
            f"{_value(made, trial, bound)}."
        )


def document(made: Optimised, file: Path | None) -> Any:
    """The document of `optimise --json`."""
    best = made.best
    told = None
    if best is not None:
        told = {
            "values": dict(best.values), "status": best.row.status, "quantities": best.row.numbers,
            "missed": _by_bound(made, best),
        }  # fmt: skip
    confirmed = [
        {"model": name, "met": trial.met, "status": trial.row.status, "quantities": trial.row.numbers}
        for name, trial in columns(made)[2:]
    ]
    relaxed = {
        in_words(made.terms.bounds[place]): {
            "values": dict(trial.values), "value": _worst(made, trial, made.terms.bounds[place].name),
        }
        for place, trial in made.relaxed() if not made.met
    }  # fmt: skip
    front = [
        {"values": dict(trial.values), "costs": list(trial.costs)}
        for trial in (made.front if len(made.terms.aims) > 1 else ())
    ]
    return to_json({
        "schema": SCHEMA, "case": made.terms.case.name, "met": made.met, "best": told, "runs": made.runs,
        "file": None if file is None else str(file), "ended": made.ended, "refused": made.refused,
        "present": {"status": made.present.row.status, "quantities": made.present.row.numbers},
        "confirmed": confirmed, "stops": relaxed, "front": front, "sentences": list(sentences(made)),
    })  # fmt: skip


def _by_bound(made: Optimised, trial: Trial) -> Mapping[str, float]:
    """By which share each bound is missed (below 0: kept), of a margin the share of what is asked for."""
    return {
        in_words(bound): math.expm1(by) if bound.name in MARGINS or by < 50.0 else by
        for bound, by in zip(made.terms.bounds, trial.missed, strict=True)
    }


def write_case(made: Optimised, file: Path) -> Path:
    """Write the best design as a case that extends the old one. Raises InputError where it cannot be written,
    and where there is none.
    """
    if made.best is None:
        raise InputError(f"{file}: no design was found that could be written")
    case = made.terms.case
    notes = [f"Found by a search of {made.runs} runs from {case.name}.", *sentences(made)]
    notes += [
        f"{line.name}: {line.values[0]:.4g} -> {line.values[-1]:.4g} {line.unit}".rstrip()
        for line in compared(made) if line.asked
    ]  # fmt: skip
    word = "optimised" if made.met else "nearest to the goal"
    return write_extending(case, made.changes, file, notes, f"{case.title}, {word}")
