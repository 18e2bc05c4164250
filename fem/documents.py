"""What the command hands to other programs: plain values for one JSON document, keys fixed per schema.

Keys may be added within a schema; a number that is not finite is null.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from fem.case import Case
from fem.errors import Fault
from fem.estimate import Derived
from fem.result import to_json
from fem.section_summary import Estimate

SCHEMA = 1


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
    """What a case that cannot be run contributes to `run --json`."""
    count = f"{len(faults)} faults" if len(faults) != 1 else "1 fault"
    sentence = f"Not run: the case has {count}; mend what `pushpast check` lists."
    return _unrun(name, model, "bad input", sentence) | {"faults": [_fault(fault) for fault in faults]}


def broken_off(name: str, model: str, defect: Exception) -> dict[str, Any]:
    """What a case contributes to `run --json` when the program itself failed on it."""
    what = f"{type(defect).__name__}: {defect}"
    sentence = f"The program failed on this case ({what}); that is a defect, please report it."
    return _unrun(name, model, "broken off", sentence)


def _unrun(name: str, model: str, status: str, sentence: str) -> dict[str, Any]:
    return {
        "case": name, "model": model, "status": status, "sentence": sentence, "quantities": {}, "jam": None,
        "bends": [], "energy_audit": None, "seconds": 0.0, "folder": None,
    }  # fmt: skip
