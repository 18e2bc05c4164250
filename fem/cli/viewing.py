"""What `pushpast view` and `export` do with finished runs: a window, a picture, a film, one state for other
programs; heavy libraries come with the choice.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from fem.core.atomic import named_run, run_folder
from fem.core.errors import CaseError, InputError
from fem.core.names import run_name
from fem.results.readings import state_words
from fem.results.result import Result, read, with_states
from fem.results.run_files import FIELD_FILE

if TYPE_CHECKING:
    from fem.design.strip import Strip

Progress = Callable[[float, str], None]


@dataclass(frozen=True)
class ViewOptions:
    """Files to write and what they show; without any file a window opens."""

    png: Path | None = None
    gif: Path | None = None
    mp4: Path | None = None
    html: Path | None = None
    at: str | None = None
    colour: str = "strain"

    @property
    def files(self) -> tuple[Path, ...]:
        """What is to be written."""
        return tuple(file for file in (self.png, self.gif, self.mp4, self.html) if file is not None)


def view_runs(
    folders: Sequence[Path], files: Sequence[Path], options: ViewOptions, tell: Progress
) -> tuple[str, ...]:
    """Show finished runs, kept in `folders`, of the cases in `files`; one or two. Returns what to tell the
    user.

    Raises InputError, naming the remedy, for a result, state or colour there is not, for a file that cannot
    be written, and where neither a window nor a picture can be drawn.
    """
    _refuse(options)
    results = [with_states(read(folder)) for folder in folders]
    strips, notes = [], []
    for result, folder, file in zip(results, folders, files, strict=True):
        kept = folder / "case.toml"  # a folder that brings its case along does not need the other
        strip, note = strip_of(result, kept if kept.is_file() else file)
        strips.append(strip)
        notes += [note] if note else []
        notes += [f"{folder}: {warning}" for warning in result.warnings if warning.startswith(FIELD_FILE)]
        if run_folder(folder.parent, result.case_name, result.model).name != folder.name:
            notes.append(f"{folder}: holds a run of {result.case_name}, {result.model} model")
    if not options.files:
        _open_window(results, strips, options)
        return tuple(notes)
    if options.png is not None:
        from fem.view.still import critical_picture

        _written(
            options.png,
            lambda file: critical_picture(results[0], file, options.at, options.colour, strips[0]),
        )
        notes.append(f"wrote {options.png}")
    for film in (options.gif, options.mp4):
        if film is not None:
            from fem.view.film import write_film

            _written(film, lambda file: write_film(results, strips, file, options.colour, tell))
            notes.append(f"wrote {film}")
    if options.html is not None:
        from fem.report.page import write_page
        from fem.report.report import case_of

        case = case_of(results[0], folders[0], files[0])
        _written(options.html, lambda file: write_page(results[0], file, case))
        notes.append(f"wrote {options.html}")
    return tuple(notes)


def export_run(argument: str, file: Path, at: str | None, runs: Path) -> str:
    """Write one state of a finished run for other programs; returns what to tell the user. Raises InputError
    as `view_runs` does.
    """
    from fem.exchange.export import export

    shot = export(read(named_run(runs, run_name(argument))), file, at)
    return f"wrote {file}: step {shot.step} ({state_words(shot)})"


def strip_of(result: Result, file: Path) -> tuple[Strip | None, str]:
    """The strip of the case a result was run with, if its file still says the same; else why not."""
    from fem.case.definition import read_case

    lost = "layers and intended surface are left out"
    if not file.is_file():
        return None, f"{result.case_name}: there is no {file} any more; {lost}"
    try:
        case = read_case(file)
    except CaseError:
        return None, f"{result.case_name}: {file} has faults now (pushpast check tells them); {lost}"
    if case.design_digest != result.provenance.get("design_digest"):
        return (
            None,
            f"{result.case_name}: {file} has changed since this run; {lost} (run it again to have them)",
        )
    return case.strip, ""


def _refuse(options: ViewOptions) -> None:
    """Options that cannot be met, before anything is read."""
    from fem.view.colouring import colouring_named

    colouring_named(options.colour)
    for option, file, ending in (
        ("--png", options.png, ".png"), ("--gif", options.gif, ".gif"), ("--mp4", options.mp4, ".mp4"),
        ("--html", options.html, ".html"),
    ):  # fmt: skip
        if file is not None and file.suffix.lower() != ending:
            raise InputError(f"{option} {file}: the name of the file must end in {ending}")
    if options.at is not None and options.png is None:
        raise InputError("--at chooses the state of a picture: use it with --png FILE")
    if not options.files:
        from fem.view.graphics import need_display

        need_display()


def _open_window(results: Sequence[Result], strips: Sequence[Strip | None], options: ViewOptions) -> None:
    from fem.view.window import Window

    window = Window(results, strips)
    window.playback.colour = options.colour
    window.refresh()
    window.open()


def _written(file: Path, make: Callable[[Path], object]) -> None:
    try:
        make(file)
    except OSError as problem:
        raise InputError(f"{file} cannot be written ({problem.strerror or problem})") from problem
