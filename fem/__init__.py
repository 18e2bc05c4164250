"""Predict whether a springy curved strip winds in, comes out again, or jams.

The package is a chain of plain stages, each returning what the next one needs: case file -> strip and
surroundings -> mesh -> model and energy terms -> path of stable states -> verdict -> pictures. Units
everywhere: mm, N, MPa, s, tonne; radians in code, degrees in case files.

What other programs may use is named in `__all__`, and loaded when it is first asked for: `read_case` or
`case_from` give a frozen `Case`, `changed` another one like it, `run_case` its `Result`, with the path as
named columns and the `Snapshot`s; `write_result` and `read_result` keep it; `sweep`, `limit`, `remedies`,
`sensitivity` and `optimise` run many changed versions of one case; `verify` runs the published checks.
Input that cannot be used raises `InputError`, faults of a case its kind `CaseError`.
"""

TYPE_CHECKING = False  # known to type checkers; `typing` itself would take longer to load than all of this
if TYPE_CHECKING:
    from fem.case.definition import Case, case_from, read_case
    from fem.case.variation import changed
    from fem.core.errors import CaseError, Fault, InputError
    from fem.results.result import BendPassage, Jam, Quantity, Result
    from fem.results.result import read as read_result
    from fem.results.result import write as write_result
    from fem.results.snapshot import Snapshot
    from fem.simulation.run import run_case
    from fem.study.limit import limit
    from fem.study.optimise import Plan as SearchPlan
    from fem.study.optimise import optimise
    from fem.study.remedies import remedies
    from fem.study.sensitivity import sensitivity
    from fem.study.study import Options as StudyOptions
    from fem.study.sweep import sweep
    from fem.verification.published import CheckResult
    from fem.verification.verify import run_checks as verify

__all__ = [
    "BendPassage",
    "Case",
    "CaseError",
    "CheckResult",
    "Fault",
    "InputError",
    "Jam",
    "Quantity",
    "Result",
    "SearchPlan",
    "Snapshot",
    "StudyOptions",
    "case_from",
    "changed",
    "limit",
    "optimise",
    "read_case",
    "read_result",
    "remedies",
    "run_case",
    "sensitivity",
    "sweep",
    "verify",
    "write_result",
]
__version__ = "0.1.0"

_HOMES = {
    "case.definition": ("Case", "case_from", "read_case"),
    "case.variation": ("changed",),
    "core.errors": ("CaseError", "Fault", "InputError"),
    "results.result": ("BendPassage", "Jam", "Quantity", "Result", "read_result", "write_result"),
    "results.snapshot": ("Snapshot",),
    "simulation.run": ("run_case",),
    "study.limit": ("limit",),
    "study.optimise": ("SearchPlan", "optimise"),
    "study.remedies": ("remedies",),
    "study.sensitivity": ("sensitivity",),
    "study.study": ("StudyOptions",),
    "study.sweep": ("sweep",),
    "verification.published": ("CheckResult",),
    "verification.verify": ("verify",),
}
_NAMES_THERE = {
    "SearchPlan": "Plan", "StudyOptions": "Options", "read_result": "read", "verify": "run_checks",
    "write_result": "write",
}  # fmt: skip


def __getattr__(name: str) -> object:
    """A public name, from the module that holds it."""
    from importlib import import_module

    home = next((module for module, names in _HOMES.items() if name in names), None)
    if home is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found: object = getattr(import_module(f"{__name__}.{home}"), _NAMES_THERE.get(name, name))
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    """What the package offers."""
    return sorted({*globals(), *__all__})
