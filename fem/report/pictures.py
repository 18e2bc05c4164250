"""The pictures a run leaves beside its numbers."""

from __future__ import annotations

from pathlib import Path

from fem.core.errors import MissingLibrary
from fem.results.result import Result


def draw_all(result: Result, folder: Path) -> list[str]:
    """Draw torque.png and critical.png; returns why any of them could not be drawn."""
    missing = []
    for draw, name in ((draw_curves, "torque.png"), (draw_strip, "critical.png")):
        try:
            draw(result, folder / name)
        except MissingLibrary as problem:
            missing.append(f"no picture: {problem}")
        except OSError as problem:
            missing.append(f"no picture: {name} cannot be written ({problem.strerror or problem})")
    return missing


def draw_curves(result: Result, file: Path) -> None:
    """Torque and push against travel."""
    from fem.view.plot import torque_plot

    if result.rows:
        torque_plot(result, file)


def draw_strip(result: Result, file: Path) -> None:
    """The strip at its critical moment; raises MissingLibrary where there is no way to draw."""
    try:
        from fem.view.still import critical_picture
    except ImportError as problem:
        raise MissingLibrary(
            f"the 3-D library cannot be loaded ({problem}); install what it names"
        ) from problem
    if result.snapshots:
        critical_picture(result, file)
