"""What would mend a design: every remedy of its verdict tried on it, and the best of them in pairs.

A remedy is a concrete changed case (`fem.study.moves`) and its run an ordinary run; what is told is how
status, torque, strain and stiffness change. The best is the one that makes most of what there is: of those
that come out within their strain limit, the one whose tightest use (of the motor's torque, of the strain
limit) is least.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from fem.batch.workers import Observer
from fem.case.definition import Case
from fem.case.variation import changed
from fem.core.errors import InputError
from fem.results.outcome import SHARE_LIMIT
from fem.results.result import to_json
from fem.study.moves import Move, Untried, moves_for
from fem.study.new_case import write_extending
from fem.study.study import Options, Study
from fem.study.table import SCHEMA, Row, Table

PRESSED_TOO = Options(stiffness=True)
"""A remedy that brings a strip out may cost its stiffness: that is computed, too."""
PAIRS = 3
"""Pairs that are tried: those that promise most by what each does alone."""
SAME = (frozenset({"motor", "motor.gear_ratio"}), frozenset({"casing", "casing.radius"}),
        frozenset({"friction", "friction.wraps"}))  # fmt: skip
"""Names that move the same thing, so that both of them make no pair."""


@dataclass(frozen=True)
class Tried:
    """One remedy, or two at once, with the row that came of it."""

    moves: tuple[Move, ...]
    row: Row

    @property
    def text(self) -> str:
        """What was changed."""
        return " and ".join(move.text for move in self.moves)


@dataclass(frozen=True)
class Remedies:
    """A design as it is, what each remedy makes of it, and what the best pairs do; untried: remedies that
    were not tried, and why.
    """

    case: Case
    base: Row
    singles: tuple[Tried, ...]
    pairs: tuple[Tried, ...]
    untried: tuple[Untried, ...]
    beyond: float

    @property
    def best(self) -> Tried | None:
        """The best single one; None where none is better than the design as it is."""
        return _best(self.base, self.singles)

    @property
    def best_pair(self) -> Tried | None:
        """The best pair; None where none is better than the design as it is."""
        return _best(self.base, self.pairs)

    @property
    def best_of_all(self) -> Tried | None:
        """The better of the two; a single one before a pair that mends no more."""
        single, pair = self.best, self.best_pair
        if single is None or pair is None:
            return single or pair
        return pair if pair.row.sound and not single.row.sound else single

    def best_case(self) -> Case | None:
        """The best as a case."""
        best = self.best_of_all
        return None if best is None else changed(self.case, best.row.changes)

    @property
    def table(self) -> Table:
        """All rows, the design as it is first."""
        rows = (self.base, *(tried.row for tried in (*self.singles, *self.pairs)))
        names = dict.fromkeys(name for row in rows for name in row.values)
        return Table(self.case.name, tuple(names), rows, self.beyond)

    def write(self, file: Path, tried: Tried | None = None) -> Path:
        """Write a remedy (None: the best) as a case that extends this one. Raises InputError where there is
        none, or it cannot be written.
        """
        chosen = tried or self.best_of_all
        if chosen is None:
            raise InputError(f"{self.case.name}: no remedy is better than the design as it is")
        notes = [f"A remedy tried on {self.case.name}: {chosen.row.sentence}"]
        notes += [f"{move.text}: {move.does}." for move in chosen.moves]
        return write_extending(self.case, chosen.row.changes, file, notes)

    def document(self) -> Any:
        """The document of `remedies --json`."""
        best, pair = self.best, self.best_pair
        return to_json(
            {
                "schema": SCHEMA, "case": self.case.name, "present": _entry("as it is", self.base),
                "remedies": [_entry(tried.text, tried.row) for tried in self.singles],
                "pairs": [_entry(tried.text, tried.row) for tried in self.pairs],
                "best": None if best is None else best.text,
                "best_pair": None if pair is None else pair.text,
                "untried": [{"text": one.words, "why": one.why} for one in self.untried],
            }
        )  # fmt: skip


def _entry(text: str, row: Row) -> dict[str, Any]:
    return {
        "text": text, "values": dict(row.changes), "status": row.status, "mode": row.mode or None,
        "quantities": row.numbers, "at_least": row.at_least, "sentence": row.sentence,
    }  # fmt: skip


def use_of(row: Row) -> float:
    """How much of what there is a design uses at its tightest: of the motor's torque, of the strain limit."""
    used = [value for value in (row.asked, row.number("strain_share_working")) if not math.isnan(value)]
    return max(used, default=math.inf)


def rank(row: Row) -> tuple[bool, bool, bool, float]:
    """By which rows are better: sound, then out, then any verdict, then by the tightest use."""
    return not row.sound, not row.went, row.went is None, use_of(row)


def _best(base: Row, tried: Sequence[Tried]) -> Tried | None:
    best = min(tried, key=lambda one: rank(one.row), default=None)
    return best if best is not None and rank(best.row) < rank(base) else None


def remedies_of(study: Study, pairs: int = PAIRS) -> Remedies:
    """Try every remedy of the verdict of a study's case, side by side, and then the most promising pairs.

    Raises InputError for a case that cannot be run, or has no verdict to mend.
    """
    (base,) = study.run([{}])
    if base.went is None and not study.stopping:
        raise InputError(f"{study.case.name}: has no verdict to mend ({base.status}): {base.sentence}")
    strained = base.number("strain_share_working") > SHARE_LIMIT
    moves, untried = ([], []) if study.stopping else moves_for(study.case, base.status, base.mode, strained)
    singles = [
        Tried((move,), row)
        for move, row in zip(moves, study.run([move.values for move in moves]), strict=True)
    ]
    chosen = promising(base, singles)[:pairs]
    together = [one.moves[0].values | other.moves[0].values for one, other in chosen]
    rows = study.run(together)
    made = [
        Tried((one.moves[0], other.moves[0]), row) for (one, other), row in zip(chosen, rows, strict=True)
    ]
    return Remedies(
        study.case, base, tuple(sorted(singles, key=lambda one: rank(one.row))),
        tuple(sorted(made, key=lambda one: rank(one.row))), tuple(untried), study.options.wanted.beyond,
    )  # fmt: skip


def promising(base: Row, singles: Sequence[Tried]) -> list[tuple[Tried, Tried]]:
    """Pairs of remedies of different things, those first that would use least if each did beside the other
    what it does alone (their shares multiply). What asks for "at least" so much alone promises less than what
    is known to ask for that.
    """
    useful = [one for one in singles if one.row.went is not None and not math.isnan(one.row.asked)]
    pairs = [
        (one, other)
        for one, other in itertools.combinations(useful, 2)
        if not _same(one.moves[0], other.moves[0])
    ]
    return sorted(pairs, key=lambda pair: (sum(one.row.at_least for one in pair), _together(base, pair)))


def _same(one: Move, other: Move) -> bool:
    both = one.names | other.names
    return bool(one.names & other.names) or any(names <= both for names in SAME)


def _together(base: Row, pair: tuple[Tried, Tried]) -> float:
    """Tightest use that two remedies together should come to."""
    shares = []
    for name in ("asked_over_available", "strain_share_working"):
        start = base.number(name)
        ends = [tried.row.number(name) for tried in pair]
        if start > 0.0 and all(end > 0.0 for end in ends):
            shares.append(start * math.prod(end / start for end in ends))
    return max(shares, default=math.inf)


def remedies(
    case: Case, options: Options = PRESSED_TOO, model: str = "rod", observer: Observer | None = None,
) -> Remedies:  # fmt: skip
    """What would mend a design: each remedy of its verdict as a changed case, run and compared.

    Raises InputError for a case without a verdict.
    """
    with Study(case, model, options, observer) as study:
        return remedies_of(study)
