"""The pictures a run leaves beside its numbers. To add one, write its function and its line in `PICTURES`:
a run draws it, the report shows it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from fem.core.errors import MissingLibrary
from fem.results.result import Result


@dataclass(frozen=True)
class Picture:
    """One picture: its file in the result folder, what it shows, the function that draws it into a file.

    applies: whether a run has anything to draw. in_report: whether the report shows it; what the report draws
    by itself, it need not show twice.
    """

    file: str
    shows: str
    draw: Callable[[Result, Path], object]
    applies: Callable[[Result], bool]
    in_report: bool = True


def draw_curves(result: Result, file: Path) -> None:
    """The curves of a run."""
    from fem.view.plot import torque_plot

    torque_plot(result, file)


def draw_strip(result: Result, file: Path) -> None:
    """The strip at its critical state; raises MissingLibrary where there is no way to draw."""
    try:
        from fem.view.still import critical_picture
    except ImportError as problem:
        raise MissingLibrary(
            f"the 3-D library cannot be loaded ({problem}); install what it names"
        ) from problem
    critical_picture(result, file)


PICTURES = (
    Picture("torque.png", "torque and push against travel, and where the work goes", draw_curves,
            lambda result: result.rows > 0, in_report=False),
    Picture("critical.png", "the strip at the critical state", draw_strip,
            lambda result: bool(result.snapshots)),
)  # fmt: skip


def draw_all(result: Result, folder: Path) -> list[str]:
    """Draw every picture that applies to a run; returns why any of them could not be drawn."""
    missing = []
    for picture in PICTURES:
        if not picture.applies(result):
            continue
        try:
            picture.draw(result, folder / picture.file)
        except MissingLibrary as problem:
            missing.append(f"no picture: {problem}")
        except OSError as problem:
            why = problem.strerror or problem
            missing.append(f"no picture: {picture.file} cannot be written ({why})")
    return missing
