"""What the command hands to other programs: plain values for one JSON document, keys fixed per schema.

Keys may be added within a schema; a number that is not finite is null.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from fem.case.definition import Case
from fem.case.estimate import Derived
from fem.core.errors import Fault
from fem.core.plain_text import in_json
from fem.results.compare import CurveDifference
from fem.results.outcome import NoResult
from fem.results.regression import Compared
from fem.results.result import to_json
from fem.section_model.summary import Estimate

SCHEMA = 1


def json_text(document: Any) -> str:
    """A document as text: whatever a terminal or a reader of UTF-8 could not bear stands as its code."""
    text = json.dumps(document, indent=1, allow_nan=False, ensure_ascii=False)
    return in_json(text) + "\n"


def cases_document(cases: Sequence[dict[str, Any]]) -> Any:
    """The document of `check` and `run`."""
    return to_json({"schema": SCHEMA, "cases": list(cases)})


def checks_document(checks: Sequence[Any]) -> Any:
    """The document of `verify`, of results of published checks."""
    keys = ("name", "source", "model", "published", "computed", "error", "tolerance", "ok", "seconds")
    rows = [{key: getattr(check, key) for key in keys} for check in checks]
    return to_json({"schema": SCHEMA, "checks": rows})


def _fault(fault: Fault) -> dict[str, Any]:
    return {"file": fault.file, "key": fault.key, "line": fault.line, "message": fault.message}


def _number(number: Estimate) -> dict[str, Any]:
    return {"value": number.value, "unit": number.unit, "note": number.note}


def checked(name: str, case: Case | None, derived: Derived | None, faults: Sequence[Fault]) -> dict[str, Any]:
    """What one case contributes to `check --json`; without derived numbers it has faults."""
    document: dict[str, Any] = {
        "case": name,
        "faults": [_fault(fault) for fault in faults],
        "section": {},
        "quantities": {},
    }
    if case is not None and derived is not None:
        document |= {
            "title": case.title,
            "section": {key: _number(number) for key, number in derived.section.items()},
            "section_station_mm": derived.section_station,
            "quantities": {key: _number(number) for key, number in derived.quantities.items()},
            "bends": list(derived.bends),
            "remarks": list(derived.remarks),
            "digest": case.digest,
            "design_digest": case.design_digest,
        }
    return document


def refused(name: str, model: str, faults: Sequence[Fault]) -> dict[str, Any]:
    """What a case that cannot be run contributes to `run --json`; a fault of no file is none of the case."""
    count = f"{len(faults)} faults" if len(faults) != 1 else "1 fault"
    sentence = f"Not run: the case has {count}; mend what `pushpast check` lists."
    if all(fault.file in {"", name} for fault in faults):
        sentence = f"No result: {'; '.join(fault.message for fault in faults)}."
    return _unrun(name, model, NoResult.BAD_INPUT, sentence) | {"faults": [_fault(fault) for fault in faults]}


def stopped(name: str, model: str) -> dict[str, Any]:
    """What a case that the user stopped contributes to `run --json`."""
    return _unrun(name, model, NoResult.STOPPED, "Stopped; the same command goes on from there.")


def lost(name: str, model: str) -> dict[str, Any]:
    """What a case contributes to `run --json` whose process was killed twice."""
    sentence = (
        "Its process was killed, and again when it was run once more: often the memory did not suffice, so "
        "run fewer cases at a time."
    )
    return _unrun(name, model, NoResult.BROKEN_OFF, sentence)


def overdue(name: str, model: str, seconds: float) -> dict[str, Any]:
    """What a case contributes to `run --json` whose time ran out and that could not be asked to end."""
    sentence = (
        f"It did not end within its time of {seconds:.0f} s and could not be asked to, so its process was "
        "ended; that is a defect, please report it."
    )
    return _unrun(name, model, NoResult.BROKEN_OFF, sentence) | {"overdue": True}


def broken_off(name: str, model: str, defect: BaseException) -> dict[str, Any]:
    """What a case contributes to `run --json` when the program itself failed on it."""
    what = f"{type(defect).__name__}: {defect}"
    sentence = f"The program failed on this case ({what}); that is a defect, please report it."
    return _unrun(name, model, NoResult.BROKEN_OFF, sentence)


def _unrun(name: str, model: str, status: NoResult, sentence: str) -> dict[str, Any]:
    return {
        "case": name, "model": model, "status": status, "sentence": sentence, "quantities": {}, "jam": None,
        "bends": [], "attempts": [], "energy_audit": None, "seconds": 0.0, "folder": None,
    }  # fmt: skip


def compared(one: Compared) -> dict[str, Any]:
    """What one case contributes to `compare --json`; one that could not be compared is of the kind
    `NoResult.BAD_INPUT`.

    quantities: [{quantity, unit, old, new, change (share of old), allowed, verdict}], every number; verdict
    is "same", "within" or "beyond" the allowed difference, "vanished" or "new". curves: [{quantity, phase,
    distance, allowed, verdict, place: null | {x, y, old: [x, y], new: [x, y]}}], distances as shares of the
    old curve's height and width.
    """
    made = one.comparison
    document: dict[str, Any] = {
        "case": one.case, "model": one.model, "kind": NoResult.BAD_INPUT if made is None else made.kind,
        "fails": made is None or made.fails, "faults": [_fault(fault) for fault in one.faults],
        "quantities": [],
    }  # fmt: skip
    if made is not None and one.baseline is not None:
        document |= {
            "cause": made.cause,
            "status": {"old": made.status[0], "new": made.status[1]},
            "jam": {"old": made.mode[0] or None, "new": made.mode[1] or None},
            "keys": [{"key": key.key, "old": key.old, "new": key.new} for key in made.keys],
            "quantities": [
                {
                    "quantity": number.quantity, "unit": number.unit, "old": number.old, "new": number.new,
                    "change": number.change, "allowed": number.allowed, "verdict": number.verdict,
                }
                for number in made.numbers
            ],
            "curves": [_curve(curve) for curve in made.curves],
            "notes": list(made.notes),
            "accepted": one.baseline.history[0].date if one.baseline.history else None,
        }  # fmt: skip
    return document


def _curve(curve: CurveDifference) -> dict[str, Any]:
    place = curve.place
    where = None
    if place is not None:
        where = {"x": place.names[0], "y": place.names[1], "old": place.old, "new": place.new}
    return {
        "quantity": curve.quantity, "phase": curve.phase, "distance": curve.distance,
        "allowed": curve.allowed, "verdict": curve.verdict, "place": where,
    }  # fmt: skip
