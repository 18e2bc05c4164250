"""The model of a case, by its name."""

from __future__ import annotations

from dataclasses import replace

from fem.case.definition import Case
from fem.jit.allocator import keep_memory
from fem.rod.model import build_rod_model
from fem.shell.model import build_shell_model
from fem.shell.symmetry import Guard
from fem.simulation.strip_model import StripModel


def winding_model(case: Case, kind: str) -> StripModel:
    """The "rod" or "shell" of a case, to be wound: of a symmetric shell half the width, which is watched."""
    if kind == "rod":
        return build_rod_model(case)
    keep_memory()
    model = build_shell_model(case)
    return replace(model, guard=Guard()) if model.body.half else model
