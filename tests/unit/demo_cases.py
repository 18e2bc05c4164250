"""The cases that come along, by name: whoever works here may have more files beside them."""

from __future__ import annotations

from pathlib import Path

FOLDER = Path(__file__).resolve().parents[2] / "cases"
NAMES = ("boom-corrected", "boom-soft", "boom-spine", "boom-stiff", "lamp-strip")
FILES = [FOLDER / f"{name}.toml" for name in NAMES]
