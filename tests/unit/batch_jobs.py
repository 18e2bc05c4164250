"""Small jobs, somebody who watches them, and when two results are the same."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from small_cases import small_text

from fem.batch.job import Done, Job
from fem.case.definition import Case, read_case
from fem.results.result import read

BEND = 'kind = "bend"\nangle = 10.0'


def a_case(name: str, push: str = BEND, **changes: object) -> Case:
    file = Path(f"{name}.toml")
    file.write_text(small_text(push, **changes))
    return read_case(file)


def a_job(name: str, push: str = BEND, fresh: bool = False, **changes: object) -> Job:
    return Job(a_case(name, push, **changes), "rod", Path("runs") / name, pictures=False, fresh=fresh)


@dataclass
class Seen:
    """Watches a batch; `act` is called with every piece of progress."""

    act: Callable[[Seen, str, float], None] = lambda seen, name, share: None
    results: dict[str, Done] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    stopping: bool = False

    def advanced(self, name: str, share: float, text: str) -> None:  # noqa: ARG002 (part of the protocol)
        self.act(self, name, share)

    def note(self, text: str) -> None:
        self.notes.append(text)

    def done(self, name: str, done: Done) -> None:
        assert name not in self.results
        self.results[name] = done

    def status(self, name: str) -> str:
        return str(self.results[name].summary["status"])


def same_numbers(first: Path, second: Path) -> bool:
    a, b = read(first), read(second)
    return (
        a.path.keys() == b.path.keys()
        and all(np.array_equal(a.path[key], b.path[key], equal_nan=True) for key in a.path)
        and a.quantities == b.quantities
        and (first / "fields.vtkhdf").read_bytes() == (second / "fields.vtkhdf").read_bytes()
    )
