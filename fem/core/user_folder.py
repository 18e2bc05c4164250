"""Where each system wants what a program keeps for a user and could make again."""

from __future__ import annotations

import os
import sys
from pathlib import Path


def caches() -> Path:
    """The user's folder for caches. Raises RuntimeError for a user without a home."""
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches"
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
