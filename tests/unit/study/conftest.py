"""A place of its own for every study, and runs that take no time."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from small_cases import CYCLE, motor, small_case
from stand_in_runs import StandIn, put_in_place

from fem.case.definition import Case


@pytest.fixture
def workplace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty working folder."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def runs(workplace: Path, monkeypatch: pytest.MonkeyPatch) -> StandIn:
    """Puts the formula in place of the simulation."""
    return put_in_place(monkeypatch)


@pytest.fixture
def case_of(tmp_path: Path) -> Callable[..., Case]:
    """Makes a small case whose motor has so much torque [N mm]."""

    def made(torque: float = 20.0, extra: str = "", **changes: object) -> Case:
        return small_case(tmp_path, CYCLE, extra=motor(torque) + extra, **({"friction": 0.1} | changes))

    return made
