"""The verbs `accept` and `compare`: which cases, which of them must run first, what came of each.

A run is taken from its folder where it still holds (same case, model, program and libraries); only the
others are run, by whoever is asked to, all together. A case that cannot be compared is listed with its faults
and stops no other.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from fem.case.definition import Case
from fem.core.atomic import run_folder
from fem.core.errors import (
    EXIT_BAD_INPUT,
    EXIT_DIFFERS,
    EXIT_DONE,
    EXIT_NOT_CONVERGED,
    Fault,
    InputError,
    defect_fault,
)
from fem.results.baseline import Acceptance, Baseline, accepted, read, reference_file, reference_files, write
from fem.results.compare import Comparison, compare, unaccepted
from fem.results.outcome import Status
from fem.results.provenance import same, stamp
from fem.results.result import Result
from fem.results.result import read as read_result

FAST = 30.0
"""Seconds that a fast case took at most when it was accepted."""

UNFINISHED = "has not run to its end (see the messages above)"

Entry = tuple[str, Case | None, tuple[Fault, ...]]
"""Name of a case with the case, or with its faults."""
Wanted = tuple[Case, str]
"""A case and the model to run it with."""


@dataclass(frozen=True)
class Workplace:
    """Folders of finished runs and of references, and what runs cases so that their folders are there."""

    runs: Path
    references: Path
    run: Callable[[Sequence[Wanted]], None]


@dataclass(frozen=True)
class Compared:
    """One case and model: the comparison with what it is drawn from, or the faults that were in the way."""

    case: str
    model: str
    comparison: Comparison | None = None
    faults: tuple[Fault, ...] = ()
    result: Result | None = None
    baseline: Baseline | None = None


@dataclass(frozen=True)
class Accepted:
    """One case and model: the line that its history begins with now, or why nothing was accepted."""

    case: str
    model: str
    file: Path
    line: Acceptance | None = None
    fault: str = ""
    not_converged: bool = False


def accept_cases(entries: Sequence[Entry], model: str, why: str, place: Workplace) -> list[Accepted]:
    """Make the present numbers of some cases the accepted ones; a case at fault keeps what it has."""
    if not why.strip():
        raise InputError('--why is empty; say why the new numbers are right, as in --why "softer lining"')
    results = up_to_date([(case, model) for _, case, _ in entries if case is not None], place)
    made = []
    for name, case, faults in entries:
        file = reference_file(place.references, name, model)
        if case is None:
            made.append(Accepted(name, model, file, fault="\n".join(map(str, faults))))
        elif (result := results.get((name, model))) is None:
            made.append(Accepted(name, model, file, fault=f"{name}: {UNFINISHED}; nothing was accepted"))
        else:
            made.append(_accept(case, result, why, place, file))
    return made


def _accept(case: Case, result: Result, why: str, place: Workplace, file: Path) -> Accepted:
    try:
        baseline = accepted(case, result, why, read(file) if file.exists() else None)
        write(baseline, place.references)
    except InputError as problem:
        stopped = result.status == Status.NOT_CONVERGED
        return Accepted(case.name, result.model, file, fault=str(problem), not_converged=stopped)
    return Accepted(case.name, result.model, file, baseline.history[0])


def compare_cases(
    entries: Sequence[Entry], model: str, place: Workplace, fast: bool = False
) -> list[Compared]:
    """Compare some cases with what was accepted for them and a model, in the order of `entries`.

    fast: only references that took no longer than `FAST`, and no new cases.
    """
    cases = {name: case for name, case, _ in entries if case is not None}
    opened = [_opened(entry, model, place.references) for entry in entries]
    if fast:
        opened = [one for one in opened if one.faults or (one.baseline and one.baseline.seconds <= FAST)]
    results = up_to_date([(cases[one.case], model) for one in opened if one.baseline], place)
    return [
        one
        if one.baseline is None
        else _compared(cases[one.case], results.get((one.case, model)), one.baseline)
        for one in opened
    ]


def _opened(entry: Entry, model: str, references: Path) -> Compared:
    """The reference of a case; that it is new, or its faults."""
    name, case, faults = entry
    file = reference_file(references, name, model)
    if case is None:
        return Compared(name, model, faults=faults)
    if not file.exists():
        others = [other for stem, other, _ in reference_files(references) if stem == name]
        return Compared(name, model, unaccepted(name, model, others))
    try:
        return Compared(name, model, baseline=read(file))
    except InputError as problem:
        text = str(problem).removeprefix(f"{file}: ")
        return Compared(name, model, faults=(Fault(str(file), "", text),))


def _compared(case: Case, result: Result | None, baseline: Baseline) -> Compared:
    if result is None:
        return Compared(case.name, baseline.model, faults=(Fault(case.name, "", f"{UNFINISHED}"),))
    try:
        made = compare(case, result, baseline)
    except Exception as defect:  # noqa: BLE001 (a defect in comparing one case must not cost the others)
        return Compared(case.name, baseline.model, faults=(defect_fault(case.name, defect),))
    return Compared(case.name, baseline.model, made, result=result, baseline=baseline)


def up_to_date(wanted: Sequence[Wanted], place: Workplace) -> dict[tuple[str, str], Result]:
    """Finished runs by case and model, without their snapshots; those that do not count any more are run."""
    found = {(case.name, model): finished(case, model, place.runs) for case, model in wanted}
    missing = [(case, model) for case, model in wanted if found[case.name, model] is None]
    if missing:
        place.run(missing)
        found |= {(case.name, model): finished(case, model, place.runs) for case, model in missing}
    return {key: result for key, result in found.items() if result is not None}


def finished(case: Case, model: str, runs: Path) -> Result | None:
    """The finished run of exactly this case, model and program; None where there is none."""
    try:
        result = read_result(run_folder(runs, case.name, model), states=False)
    except InputError:
        return None
    told = result.case_name == case.name and same(result.provenance, stamp(case, model))
    return result if told else None


def orphans(names: Sequence[str], references: Path) -> list[tuple[str, str, Path]]:
    """Case, model and file of references whose case is not among `names`."""
    return [one for one in reference_files(references) if one[0] not in names]


def exit_code(outcomes: Sequence[Compared]) -> int:
    """2 where something could not be compared, 1 for a code regression or another status, else 0."""
    made = [one.comparison for one in outcomes if one.comparison is not None]
    if any(one.faults for one in outcomes):
        return EXIT_BAD_INPUT
    return EXIT_DIFFERS if any(one.fails for one in made) else EXIT_DONE


def accept_code(made: Sequence[Accepted]) -> int:
    """2 for bad input, 3 for a run that did not converge, else 0."""
    if any(one.fault and not one.not_converged for one in made):
        return EXIT_BAD_INPUT
    return EXIT_NOT_CONVERGED if any(one.not_converged for one in made) else EXIT_DONE
