"""What a design does over ranges of one or several of its numbers: a grid, or points spread evenly."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from fem.batch.workers import Observer
from fem.case.definition import Case
from fem.case.study_tables import Vary, vary_fault
from fem.case.variation import changed
from fem.core.errors import InputError
from fem.study.parameters import vary_from_text
from fem.study.samples import grid, sobol
from fem.study.study import USUAL, Options, Study
from fem.study.table import Row, Table

MOST_KEYS = 3
"""Of a grid; more take too many runs, and no picture shows them."""
Ranges = Sequence[tuple[Vary, "int | None"]]
"""Ranges, each with the number of points asked for (None: whatever is usual)."""


@dataclass(frozen=True)
class Sweep:
    """A case over ranges: what was asked, the table of what came of it, and with which model."""

    case: Case
    ranges: tuple[Vary, ...]
    table: Table
    model: str = "rod"

    @property
    def best(self) -> Row | None:
        """The design that went in and out within its strain limit and asks for least; None: there is none."""
        return self.table.best()

    def best_case(self) -> Case | None:
        """The same as a case."""
        best = self.best
        return None if best is None else changed(self.case, best.changes)


def ranges_of(case: Case, texts: Sequence[str]) -> list[tuple[Vary, int | None]]:
    """Ranges as the command line gives them, else those of the case. Raises InputError where there are none,
    or one key comes twice.
    """
    ranges = [vary_from_text(text) for text in texts] or [(asked, None) for asked in case.vary]
    if not ranges:
        raise InputError(
            f"{case.name}: nothing to vary; give --vary KEY=LOW:HIGH:N, or write [[vary]] into the case with "
            "key, low and high"
        )
    names = [asked.key for asked, _ in ranges]
    for name in names:
        if names.count(name) > 1:
            raise InputError(f"--vary {name}: is given twice; leave one out")
    return ranges


def designs_of(ranges: Ranges, samples: int = 0, seed: int = 1) -> list[dict[str, Any]]:
    """Points to try: `samples` of a low-discrepancy set, or the full grid for 0. Raises InputError for a grid
    of too many keys.
    """
    if samples:
        return sobol([asked for asked, _ in ranges], samples, seed)
    if len(ranges) > MOST_KEYS:
        raise InputError(
            f"a grid of {len(ranges)} keys takes too many runs; name at most {MOST_KEYS}, or ask for "
            "--samples N of all of them"
        )
    return grid(ranges)


def swept(study: Study, ranges: Ranges, samples: int = 0, seed: int = 1) -> Sweep:
    """Run a sweep. Raises InputError for a key that no case has, before anything is run."""
    names = [asked.key for asked, _ in ranges]
    for name in names:
        study.parameter(name)
    rows = study.run(designs_of(ranges, samples, seed))
    return Sweep(study.case, tuple(asked for asked, _ in ranges), study.table(names, rows), study.model)


def sweep(
    case: Case, vary: Mapping[str, Sequence[Any]] | None = None, samples: int = 0,
    options: Options = USUAL, observer: Observer | None = None, model: str = "rod",
) -> Sweep:  # fmt: skip
    """What a design does over ranges.

    vary: key, or a name for several, -> (low, high) or (low, high, number of points), or a list of values;
    None: what the case itself says under `[[vary]]`. samples: points spread evenly instead of the full grid.
    Raises InputError for a key that no case has, an empty range, or too many runs.
    """
    ranges = asked_ranges(case, vary)
    with Study(case, model, options, observer) as study:
        return swept(study, ranges, samples)


def asked_ranges(case: Case, vary: Mapping[str, Sequence[Any]] | None) -> list[tuple[Vary, int | None]]:
    """Ranges as a program gives them (see `sweep`), None: those of the case."""
    return ranges_of(case, ()) if vary is None else [_asked(name, given) for name, given in vary.items()]


def _asked(name: str, given: Sequence[Any]) -> tuple[Vary, int | None]:
    """A range as a tuple, choices as a list."""
    if isinstance(given, tuple) and len(given) in {2, 3}:
        made, count = Vary(name, float(given[0]), float(given[1])), int(given[2]) if len(given) > 2 else None
    else:
        made, count = Vary(name, choices=tuple(given)), None
    fault = vary_fault(made)
    if fault:
        raise InputError(f"{name}: {fault[1]}")
    return made, count
