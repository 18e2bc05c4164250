"""The command line: `pushpast VERB ...`. Verbs are plain words; each hands over to one module of the package.

Exit codes: 0 done (a jam is a result, not an error), 1 a verification differs, 2 bad input, 3 a case did not
converge. `--json` puts exactly one document on stdout; progress and messages go to stderr. Nothing heavy is
imported before a verb needs it, so that help and faults come at once.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
import traceback
from collections.abc import Iterator, Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from fem import __version__
from fem.errors import (
    EXIT_BAD_INPUT,
    EXIT_DIFFERS,
    EXIT_DONE,
    EXIT_NOT_CONVERGED,
    CaseError,
    Fault,
    InputError,
    MissingLibrary,
)

if TYPE_CHECKING:
    from rich.console import Console

    from fem.case import Case
    from fem.estimate import Derived
    from fem.result import Result

CASES, RUNS = Path("cases"), Path("results") / "runs"

app = typer.Typer(
    name="pushpast",
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)

CaseNames = Annotated[
    list[str], typer.Argument(metavar="CASE", help="Case files, or names of cases below cases/.")
]
CaseName = Annotated[
    str, typer.Argument(metavar="CASE", help="A case file, or the name of a case below cases/.")
]
AsJson = Annotated[bool, typer.Option("--json", help="One JSON document on stdout, messages on stderr.")]


Entry = tuple[str, "Case | None", tuple[Fault, ...]]
"""Name of a case with the case, or with its faults."""


class Model(StrEnum):
    """Models a case can be run with."""

    rod = "rod"
    shell = "shell"


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"pushpast {__version__}")
        raise typer.Exit


@app.callback()
def pushpast(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Does a springy curved strip wind in, come out again, or jam?

    Exit codes: 0 done, 1 a check differs, 2 bad input, 3 a case did not converge.
    """


@app.command()
def new(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Name of the case, or the file to write.")],
) -> None:
    """Write a commented starter case to cases/NAME.toml."""
    from fem.starter import starter

    file = Path(name) if name.endswith(".toml") else CASES / f"{name}.toml"
    if not file.stem.replace("-", "").replace("_", "").isalnum():
        _stop(f"{name!r} is no name for a case: use letters, digits, - and _")
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        with open(file, "x", encoding="utf-8") as text:
            text.write(starter(file.stem))
    except FileExistsError:
        _stop(f"{file} exists already; choose another name or remove it")
    except OSError as problem:
        _stop(f"{file} cannot be written ({problem.strerror})")
    typer.echo(f"wrote {file}\nnext: pushpast check {file}", err=True)


@app.command()
def check(cases: CaseNames, as_json: AsJson = False) -> None:
    """Read and validate cases and print what follows from their numbers, without a solve."""
    from fem.documents import cases_document, checked
    from fem.estimate import derive

    console, documents, bad = _console(as_json), [], False
    for name, case, found in _read_all(cases):
        derived, faults = None, found
        if case is not None:
            try:
                derived = derive(case)
            except InputError as problem:
                faults = (Fault(name, "", str(problem)),)
        bad = bad or bool(faults)
        documents.append(checked(name, case, derived, faults))
        if not as_json:
            _print_check(console, case, derived, faults)
    if as_json:
        _print_json(cases_document(documents))
    else:
        wrong, read = sum(len(document["faults"]) for document in documents), len(documents)
        typer.echo(f"{_count(wrong, 'fault')} in {_count(read, 'case')}", err=True)
    raise typer.Exit(EXIT_BAD_INPUT if bad else EXIT_DONE)


@app.command()
def run(
    cases: CaseNames,
    model: Annotated[Model, typer.Option(help="Which model of the strip to run.")] = Model.rod,
    pictures: Annotated[
        bool, typer.Option(help="Draw torque.png and critical.png beside the numbers.")
    ] = True,
    as_json: AsJson = False,
) -> None:
    """Run cases; results go to results/runs/CASE/, one verdict table at the end."""
    from fem.documents import cases_document
    from fem.screen import print_verdicts

    messages = _console(True)
    with _library_output_to_stderr():
        read = list(_read_all(cases))  # faults come before the first long run
        ran = [_run_one(messages, entry, model.value, pictures) for entry in read]
    summaries, codes = [summary for summary, _ in ran], [code for _, code in ran]
    if as_json:
        _print_json(cases_document(summaries))
    else:
        print_verdicts(_console(False), summaries)
    raise typer.Exit(EXIT_BAD_INPUT if EXIT_BAD_INPUT in codes else max(codes))


@app.command()
def view(
    case: CaseName,
    png: Annotated[Path, typer.Option(help="Picture file to write; no display is needed.", metavar="FILE")],
) -> None:
    """Draw a finished run in 3-D at its critical moment."""
    from fem.result import read

    try:
        result = read(RUNS / Path(case).stem)
        if not result.snapshots:
            _stop(
                f"the run of {result.case_name} ended before its first state was kept; there is nothing "
                "to draw"
            )
        with _library_output_to_stderr():
            _draw_strip(result, png)
    except InputError as problem:
        _stop(str(problem))
    except OSError as problem:
        _stop(f"{png} cannot be written ({problem.strerror or problem})")
    typer.echo(f"wrote {png}", err=True)


@app.command()
def verify(
    fast: Annotated[bool, typer.Option("--fast", help="Only the checks that take seconds.")] = False,
    as_json: AsJson = False,
) -> None:
    """Run the published checks: source, published value, computed value, error."""
    from fem.documents import checks_document
    from fem.screen import print_checks
    from fem.verify import run_checks

    with _library_output_to_stderr(), _console(True).status("checking") as note:
        made = run_checks(fast=fast, progress=lambda check: note.update(f"checked {check.name}"))
    document = checks_document(made)
    if as_json:
        _print_json(document)
    else:
        print_checks(_console(False), document["checks"])
    raise typer.Exit(EXIT_DONE if all(row["ok"] for row in document["checks"]) else EXIT_DIFFERS)


# ---- reading cases -----------------------------------------------------------------------------------------


def _case_file(argument: str) -> Path:
    """A path as given, or the case of that name below cases/."""
    path = Path(argument)
    if path.exists() or path.suffix == ".toml":
        return path
    found = sorted(CASES.rglob(f"{path.name}.toml")) if path.name == argument else []
    return found[0] if found else CASES / f"{argument}.toml"


def _read_all(arguments: Sequence[str]) -> Iterator[Entry]:
    """Each case with its name, or its faults; a name that comes twice is refused the second time."""
    from fem.case import read_case

    seen: dict[str, Path] = {}
    for argument in arguments:
        file = _case_file(argument)
        name = file.stem
        if name in seen:
            text = f"a case called {name} is already in this list ({seen[name]}); rename one of them"
            yield name, None, (Fault(str(file), "", text),)
            continue
        seen[name] = file
        try:
            yield name, read_case(file), ()
        except CaseError as problem:
            yield name, None, problem.faults


# ---- running -----------------------------------------------------------------------------------------------


def _run_one(console: Console, entry: Entry, model: str, pictures: bool) -> tuple[dict[str, Any], int]:
    """Run and keep one case: its part of the document and its exit code. Nothing stops the next case."""
    from fem.documents import broken_off, refused
    from fem.screen import print_faults

    name, case, faults = entry
    if case is None:
        print_faults(console, faults)
        return refused(name, model, faults), EXIT_BAD_INPUT
    try:
        result = _run_with_bar(console, case, model)
        summary = _kept(console, result, case, pictures)
    except InputError as problem:
        refusal = (Fault(name, "", str(problem)),)
        print_faults(console, refusal)
        return refused(name, model, refusal), EXIT_BAD_INPUT
    except Exception as defect:  # noqa: BLE001 (a defect in one case must not cost the others of a batch)
        traceback.print_exc()
        return broken_off(name, model, defect), EXIT_NOT_CONVERGED
    return summary, EXIT_NOT_CONVERGED if result.status == "not converged" else EXIT_DONE


def _run_with_bar(console: Console, case: Case, model: str) -> Result:
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    from fem.run import run_case

    columns = (
        TextColumn("{task.fields[case]}"),
        BarColumn(),
        TimeElapsedColumn(),
        TextColumn("{task.description}"),
    )
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task("starting", total=1.0, case=case.name)

        def progress(share: float, text: str) -> None:
            bar.update(task, completed=share, description=text)

        return run_case(case, model=model, progress=progress)


def _kept(console: Console, result: Result, case: Case, pictures: bool) -> dict[str, Any]:
    """Write a result with its pictures; a picture that cannot be drawn is a message, not a failure."""
    from fem.result import write

    folder = write(result, RUNS / case.name)
    for warning in result.warnings:
        console.print(f"{case.name}: {warning}", markup=False, highlight=False, style="yellow")
    for draw, name in ((_draw_curves, "torque.png"), (_draw_strip, "critical.png")) if pictures else ():
        try:
            draw(result, folder / name)
        except MissingLibrary as missing:
            console.print(
                f"{case.name}: no picture: {missing}", markup=False, highlight=False, style="yellow"
            )
    return result.summary(folder)


def _draw_curves(result: Result, file: Path) -> None:
    from fem.plot import torque_plot

    if result.rows:
        torque_plot(result, file)


def _draw_strip(result: Result, file: Path) -> None:
    try:
        from fem.view import critical_picture
    except ImportError as problem:
        raise MissingLibrary(
            f"the 3-D library cannot be loaded ({problem}); install what it names"
        ) from problem
    if result.snapshots:
        critical_picture(result, file)


# ---- output ------------------------------------------------------------------------------------------------


@contextlib.contextmanager
def _library_output_to_stderr() -> Iterator[None]:
    """Send whatever libraries print to stderr, at the level of the descriptor: stdout is ours alone."""
    sys.stdout.flush()
    kept = os.dup(1)
    os.dup2(2, 1)
    try:
        yield
    finally:
        sys.stdout.flush()
        os.dup2(kept, 1)
        os.close(kept)


def _console(to_stderr: bool) -> Console:
    from rich.console import Console

    return Console(stderr=to_stderr)


def _print_check(
    console: Console, case: Case | None, derived: Derived | None, faults: Sequence[Fault]
) -> None:
    from fem.screen import print_bends, print_faults, print_numbers, print_remarks

    if case is None or derived is None:
        print_faults(_console(True), faults)
        return
    console.print(f"{case.name}: {case.title}", style="bold", markup=False, highlight=False)
    print_numbers(console, "the case", derived.quantities)
    print_numbers(console, f"its section, {derived.section_station:.4g} mm from the root", derived.section)
    print_bends(console, derived.bends)
    print_remarks(console, derived.remarks)


def _print_json(document: Any) -> None:
    sys.stdout.write(json.dumps(document, indent=1, allow_nan=False, ensure_ascii=False) + "\n")


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def _stop(message: str) -> None:
    typer.echo(message, err=True)
    raise typer.Exit(EXIT_BAD_INPUT)


def main() -> None:
    """Entry point of the command."""
    # Small matrices: more threads only fight each other. Set before numpy loads.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    app(prog_name="pushpast")


if __name__ == "__main__":
    main()
