"""Case files of a test's own."""

from __future__ import annotations

from pathlib import Path

import pytest
from sound_case import SOUND, Write


@pytest.fixture
def write(tmp_path: Path) -> Write:
    """Writes the text of a case to a file of that name."""

    def written(text: str = SOUND, name: str = "boom") -> Path:
        file = tmp_path / f"{name}.toml"
        file.write_text(text)
        return file

    return written
