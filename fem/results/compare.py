"""A finished run against what was accepted: what changed, why, and whether it matters.

The case decides first. A case that says the same must give the same numbers: if not, the program has changed
(*code regression*), and one that the accepted ones lack is a difference too: a reference that was emptied
guards nothing. Where only the table `solver` says something else it is a *mesh change*, elsewhere a
*design change*, and numbers that move are the effect of it, not a failure. Another status is a *status
change* whatever the cause, because a design that jams now must never pass for a number that moved.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from fem.case.changes import KeyChange, key_changes, rewritten
from fem.case.definition import Case
from fem.case.tolerance import tolerance
from fem.results.baseline import (
    MADE_WITH,
    Baseline,
    curve_columns,
    curve_points,
    numbers,
    phase_rows,
    scale_of,
    unmoved,
)
from fem.results.columns import TRAVEL
from fem.results.curve_distance import departure
from fem.results.outcome import Status
from fem.results.result import Result

SAME, CODE, MESH, DESIGN, STATUS, NEW = (
    "same", "code regression", "mesh change", "design change", "status change", "new",
)  # fmt: skip
KINDS = (SAME, CODE, MESH, DESIGN, STATUS, NEW)
SOLVER = frozenset({"solver"})
ENDS = 0.02
"""Share of its width that a curve may be longer at an end: a run stops some step later or sooner."""


@dataclass(frozen=True)
class Difference:
    """One number before and now. verdict: "same" but for rounding, "within" its tolerance, "beyond" it,
    "vanished", "new". allowed: the difference that does not matter, in the number's unit; by_share: whether
    it was given as a share of the old value.
    """

    quantity: str
    unit: str
    old: float
    new: float
    allowed: float
    verdict: str
    by_share: bool

    @property
    def change(self) -> float:
        """Share of the old value; nan where that says nothing."""
        return (self.new - self.old) / abs(self.old) if self.old else math.nan

    @property
    def weight(self) -> float:
        """How many times its tolerance a number moved; what is gone outweighs all, what is new nothing."""
        if self.verdict in {"vanished", "new", "same"}:
            return math.inf if self.verdict == "vanished" else 0.0
        return abs(self.new - self.old) / self.allowed if self.allowed else math.inf


@dataclass(frozen=True)
class FarthestPoint:
    """Where two curves are farthest apart: travel (or what the bench does) and load, on old and on new.

    done: axle angle (or what the bench does) on old and on new, as in the plane they are compared in.
    """

    old: tuple[float, float]
    new: tuple[float, float]
    names: tuple[str, str]
    done: tuple[float, float]


@dataclass(frozen=True)
class CurveDifference:
    """Distance of two curves of one phase as a share of the old one's height and width, and where it is.

    place: None for a curve that vanished or is new, and for one that is the same.
    """

    quantity: str
    phase: str
    distance: float
    allowed: float
    verdict: str
    place: FarthestPoint | None = None


@dataclass(frozen=True)
class Comparison:
    """What became of one accepted case. cause: CODE, MESH or DESIGN, whatever the kind."""

    case: str
    model: str
    kind: str
    cause: str
    status: tuple[str, str]
    mode: tuple[str, str]
    """Jam before and now; empty without one."""
    keys: tuple[KeyChange, ...] = ()
    numbers: tuple[Difference, ...] = ()
    curves: tuple[CurveDifference, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def fails(self) -> bool:
        """Whether this must not go unnoticed: a code regression or another status."""
        return self.kind in {CODE, STATUS}

    @property
    def telling(self) -> tuple[Difference, ...]:
        """Numbers that moved beyond their tolerance, came or went; the weightiest first."""
        return tuple(
            sorted(
                (number for number in self.numbers if number.verdict not in {"same", "within"}),
                key=lambda number: -number.weight,
            )
        )


def compare(case: Case, result: Result, old: Baseline) -> Comparison:
    """Compare a run of `case` with what was accepted for the same case and model."""
    tables = tomllib.loads(case.text)
    cause = _cause(case, tables, old)
    found = _numbers(case, result, old)
    lines = _curves(case, result, old)
    status, mode = (old.status, result.status), (_mode(old), _mode(result))
    if status[0] != status[1]:
        kind = STATUS
    elif cause != CODE:
        kind = cause
    else:
        verdicts = {number.verdict for number in found} | {curve.verdict for curve in lines}
        wrong = bool(verdicts & {"beyond", "vanished", "new"})
        kind = CODE if wrong or mode[0] != mode[1] else SAME
    keys = key_changes(old.content, case.content, old.tables, tables)
    notes = _notes(result, old, kind, cause, keys)
    return Comparison(case.name, result.model, kind, cause, status, mode, keys, found, lines, notes)


def unaccepted(case: str, model: str, others: Sequence[str] = ()) -> Comparison:
    """A case that nothing was accepted for; others: models for which something was."""
    notes = tuple(f"accepted for the {other} model: compare --model {other}" for other in others)
    return Comparison(case, model, NEW, CODE, ("", ""), ("", ""), notes=notes)


def _cause(case: Case, tables: Mapping[str, Any], old: Baseline) -> str:
    if case.digest == old.case_digest or not rewritten(old.tables, tables):
        return CODE  # or the program fills in other values than it did
    solver_only = case.design_digest == old.design_digest or not rewritten(old.tables, tables, SOLVER)
    return MESH if solver_only else DESIGN


def _mode(run: Result | Baseline) -> str:
    return "" if run.jam is None else run.jam.mode


def _jammed(run: Result | Baseline) -> bool:
    return run.jam is not None


def _numbers(case: Case, result: Result, old: Baseline) -> tuple[Difference, ...]:
    before, now = numbers(old), numbers(result)
    jammed = _jammed(old) and _jammed(result)
    made = []
    for name in [*now, *(name for name in before if name not in now)]:
        unit = (now[name] if name in now else before[name]).unit
        was, is_ = (side[name].value if name in side else math.nan for side in (before, now))
        known = tolerance(name, case.tolerances, jammed)
        allowed = known.allowed(was)
        if name not in before or (math.isnan(was) and not math.isnan(is_)):
            verdict = "new"
        elif name not in now or (math.isnan(is_) and not math.isnan(was)):
            verdict = "vanished"
        elif unmoved(was, is_):
            verdict = "same"
        else:
            verdict = "within" if abs(is_ - was) <= allowed else "beyond"
        made.append(Difference(name, unit, was, is_, allowed, verdict, known.by_share(was)))
    return tuple(made)


def _curves(case: Case, result: Result, old: Baseline) -> tuple[CurveDifference, ...]:
    before, now = phase_rows(old.path, old.jam), phase_rows(result.path, result.jam)
    alike = curve_columns(old.path) == curve_columns(result.path)
    made = []
    for phase in [*now, *(phase for phase in before if phase not in now)]:
        name = f"curve_{phase}"
        allowed = tolerance(name, case.tolerances).absolute
        if phase not in before or phase not in now or not alike:
            verdict = "vanished" if phase in before else "new"
            made.append(CurveDifference(name, phase, math.nan, allowed, verdict))
            continue
        scale = scale_of(old.path, before[phase])
        sides = curve_points(old.path, before[phase], scale), curve_points(result.path, now[phase], scale)
        apart = departure(*sides, ENDS)
        # the accepted curve is known to no more than it was thinned to
        sag = old.thinned_within.get(phase, 0.0) + 1e-4
        place, verdict = None, "same"
        if apart.distance > sag:
            verdict = "within" if apart.distance <= allowed + sag else "beyond"
            place = _place(old.path, result.path, (before[phase], now[phase]), (apart.place_a, apart.place_b))
        made.append(CurveDifference(name, phase, apart.distance, allowed, verdict, place))
    return tuple(made)


def _place(
    old: Mapping[str, Any], new: Mapping[str, Any], rows: tuple[Any, Any], at: tuple[float, float]
) -> FarthestPoint:
    """Both ends of the largest distance, by travel where the strip travels."""
    pair = curve_columns(old)
    assert pair is not None
    way = TRAVEL.name if TRAVEL.name in old and TRAVEL.name in new else pair[0]

    def read(side: int, name: str) -> float:
        column = np.asarray((old, new)[side][name], dtype=float)[rows[side]]
        return float(np.interp(at[side], np.arange(column.size), column))

    names = (way, pair[1])
    before, now = ((read(side, names[0]), read(side, names[1])) for side in (0, 1))
    return FarthestPoint(before, now, names, (read(0, pair[0]), read(1, pair[0])))


def _notes(
    result: Result, old: Baseline, kind: str, cause: str, keys: tuple[KeyChange, ...]
) -> tuple[str, ...]:
    notes = []
    if result.status == Status.NOT_CONVERGED:
        notes.append("the program stopped, not the strip: this says nothing about the design")
    if cause == CODE and keys:
        notes.append("the file says the same, but the program fills in other values (see the keys)")
    if kind == SAME:
        return tuple(notes)
    if cause != CODE and old.code and result.provenance.get("code_digest", old.code) != old.code:
        notes.append("the program has changed too since this was accepted; part of the effect may be its")
    with_what = {name: str(result.provenance.get(name, "")) for name in MADE_WITH}
    other = [
        f"{name} {old.made_with.get(name, '-')} -> {now}"
        for name, now in with_what.items()
        if now and now != old.made_with.get(name, now)
    ]
    if other:
        notes.append(f"made with something else: {', '.join(other)}")
    return tuple(notes)
