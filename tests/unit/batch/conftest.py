"""A place of its own for every batch."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from batch_jobs import Seen, a_job

from fem.batch.workers import run_here


@pytest.fixture
def workplace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An empty working folder."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def undisturbed(workplace: Path) -> Callable[[str], Path]:
    """Runs a case by itself: the folder of its result."""

    def made(push: str, **changes: object) -> Path:
        job = a_job("calm", push, **changes)
        run_here([job], Seen())
        return job.folder

    return made
