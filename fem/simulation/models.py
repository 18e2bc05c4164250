"""The model of a case, by its name."""

from __future__ import annotations

from dataclasses import replace

from fem.case.definition import Case
from fem.jit.allocator import keep_memory
from fem.rod.model import build_rod_model
from fem.shell.model import SKEW, build_shell_model
from fem.shell.symmetry import Guard
from fem.simulation.kept_run import ModelState
from fem.simulation.strip_model import StripModel

BENCH_REFINE = 1.25
"""Elements of 2.4 mm outside the slot, as for the other bench pushes of the shell."""


def winding_model(case: Case, kind: str) -> StripModel:
    """The "rod" or "shell" of a case, to be wound: of a symmetric shell half the width, which is watched."""
    if kind == "rod":
        return build_rod_model(case)
    keep_memory()
    model = build_shell_model(case)
    return replace(model, guard=Guard()) if model.body.half else model


def model_as(case: Case, kind: str, state: ModelState) -> StripModel:
    """The "rod" or "shell" of a case that a state is of; its contact does not press as it did yet."""
    case = replace(case, settings=state.settings)
    if kind == "rod":
        return build_rod_model(case)
    keep_memory()
    model = build_shell_model(case, whole=state.whole, skew=SKEW if state.whole else 0.0)
    guard = None if state.guard is None else replace(state.guard)
    return replace(model, lost=state.lost, guard=guard)


def bench_model(case: Case, kind: str) -> StripModel:
    """The "rod" or "shell" of a case, held by axle and slot on the bench: of the shell the whole width, which
    a thin strip may leave sideways, a little coarser than to be wound, and nothing is wound.
    """
    if kind == "rod":
        return build_rod_model(case)
    settings = replace(case.settings, wraps_touch=False)
    return build_shell_model(replace(case, settings=settings), BENCH_REFINE, whole=True)
