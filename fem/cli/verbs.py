"""The command line: `pushpast VERB ...`. Verbs are plain words; each hands over to one module of the package.

Exit codes: 0 done (a jam is a result, not an error), 1 a verification or comparison differs, 2 bad input, 3 a
case did not converge, 4 the time of a case ran out. `--json` puts exactly one document on stdout; progress
and messages go to stderr.
Nothing heavy is imported before a verb needs it, so that help and faults come at once.
"""

from __future__ import annotations

import math
import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from fem import __version__
from fem.cli.optimise_verbs import add_optimise_verbs
from fem.cli.output import AsJson, AtATime, CaseName, CaseNames, File, Model
from fem.cli.output import console as _console
from fem.cli.output import count as _count
from fem.cli.output import library_output_to_stderr as _library_output_to_stderr
from fem.cli.output import stop as _stop
from fem.cli.output import tell as _tell
from fem.cli.study_verbs import add_study_verbs
from fem.core.errors import (
    EXIT_BAD_INPUT,
    EXIT_DIFFERS,
    EXIT_DONE,
    CaseError,
    Fault,
    InputError,
    defect_fault,
)

CASES, RUNS = Path("cases"), Path("results") / "runs"
REFERENCES = Path("results") / "reference"

app = typer.Typer(
    name="pushpast",
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


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

    Exit codes: 0 done, 1 a check or comparison differs, 2 bad input, 3 a case did not converge,
    4 the time of a case ran out.
    """


@app.command()
def new(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Name of the case, or the file to write.")],
) -> None:
    """Write a commented starter case to cases/NAME.toml."""
    from fem.cli.starting import write_starter

    try:
        file = write_starter(name, CASES)
    except InputError as problem:
        _stop(str(problem))
    _tell(f"wrote {file}\nnext: pushpast check {file}")


@app.command()
def check(cases: CaseNames, as_json: AsJson = False) -> None:
    """Read and validate cases and print what follows from their numbers, without a solve."""
    from fem.batch.batch import read_cases
    from fem.cli.terminal import print_check, print_faults
    from fem.report.json_documents import cases_document, checked, json_text
    from fem.simulation.forecast import foreseen

    console, documents, bad = _console(as_json), [], False
    for name, case, found in read_cases(cases):
        derived, faults = None, found
        if case is not None:
            try:
                derived = foreseen(case)
            except CaseError as problem:
                faults = problem.faults
            except InputError as problem:
                faults = (Fault(name, "", str(problem)),)
            except Exception as defect:  # noqa: BLE001 (a defect in one case must not cost the others)
                faults = (defect_fault(name, defect),)
        bad = bad or bool(faults)
        documents.append(checked(name, case, derived, faults))
        if not as_json:
            if case is None or derived is None:
                print_faults(_console(True), faults)
            else:
                print_check(console, case, derived)
    if as_json:
        sys.stdout.write(json_text(cases_document(documents)))
    else:
        wrong, read = sum(len(document["faults"]) for document in documents), len(documents)
        _tell(f"{_count(wrong, 'fault')} in {_count(read, 'case')}")
    raise typer.Exit(EXIT_BAD_INPUT if bad else EXIT_DONE)


@app.command()
def run(
    cases: CaseNames,
    model: Annotated[Model, typer.Option(help="Which model of the strip to run.")] = Model.rod,
    at_a_time: AtATime = 1,
    fresh: Annotated[bool, typer.Option("--fresh", help="Also run what is up to date.")] = False,
    scheduler: Annotated[
        str | None, typer.Option(metavar="tcp://HOST:PORT", help="Run on this dask.distributed cluster.")
    ] = None,
    pictures: Annotated[bool, typer.Option(help="Draw the pictures of a run beside its numbers.")] = True,
    limit: Annotated[
        float,
        typer.Option(
            metavar="MINUTES", show_default=False, help="End each case after so long with what is known."
        ),
    ] = math.inf,
    as_json: AsJson = False,
) -> None:
    """Run cases; results go to results/runs/CASE/, one verdict table at the end.

    What is up to date is not run again; what was stopped, killed or out of time goes on where it stood.
    """
    from fem.batch.batch import BatchOptions, read_cases, run_batch
    from fem.batch.progress import ProgressDisplay
    from fem.cli.terminal import print_failures, print_verdicts
    from fem.report.json_documents import cases_document, json_text

    if not limit > 0.0:
        _stop(f"--limit {limit:g}: must be > 0 minutes; write a longer time, or leave it out")
    console = _console(True)
    options = BatchOptions(model.value, at_a_time, scheduler, pictures, fresh, limit)
    with _library_output_to_stderr():
        read = read_cases(cases)
        # faults come before the first long run
        print_failures(console, [(name, faults) for name, _, faults in read])
        display = ProgressDisplay(console, sum(case is not None for _, case, _ in read))
        done, code = run_batch(read, options, display)
        ran = [each for each, (_, case, _) in zip(done, read, strict=True) if case is not None]
        print_failures(console, [(each.summary["case"], each.faults) for each in ran])
    summaries = [each.summary for each in done]
    if as_json:
        sys.stdout.write(json_text(cases_document(summaries)))
    else:
        print_verdicts(_console(False), summaries)
    raise typer.Exit(code)


@app.command()
def view(
    case: CaseName,
    beside: Annotated[
        str, typer.Option(help="Another finished case to show beside it.", metavar="CASE")
    ] = "",
    png: Annotated[
        Path | None, typer.Option(help="Write a picture; no display is needed.", metavar="FILE")
    ] = None,
    gif: Annotated[
        Path | None, typer.Option(help="Write a film; no display is needed.", metavar="FILE")
    ] = None,
    mp4: Annotated[
        Path | None, typer.Option(help="Write a film; needs the extra called film.", metavar="FILE")
    ] = None,
    html: Annotated[Path | None, File("Write a page: the whole run to turn and step through.")] = None,
    at: Annotated[
        str | None, typer.Option(help="State of the picture: an event, or mm of travel.", metavar="WHEN")
    ] = None,
    colour: Annotated[
        str,
        typer.Option(
            help="strain, contact, flattening, curvature, gap, displacement or layers.", metavar="WHAT"
        ),
    ] = "strain",
) -> None:
    """Look at a finished run in 3-D: in a window, or as a picture or film without a display."""
    from fem.batch.case_files import case_file
    from fem.cli.terminal import said
    from fem.cli.viewing import ViewOptions, view_runs
    from fem.core.atomic import named_run
    from fem.core.names import run_name

    names = [case, beside] if beside else [case]
    options = ViewOptions(png, gif, mp4, html, at, colour)
    try:
        with _library_output_to_stderr(), _console(True).status("reading") as note:
            lines = view_runs(
                [named_run(RUNS, run_name(name)) for name in names],
                [case_file(name) for name in names], options, lambda _, words: note.update(said(words)),
            )  # fmt: skip
    except InputError as problem:
        _stop(str(problem))
    for line in lines:
        _tell(line)


@app.command()
def accept(
    cases: CaseNames,
    why: Annotated[str, typer.Option(help="Why the new numbers are right; kept with them.", metavar="TEXT")],
    model: Annotated[Model, typer.Option(help="Which model's numbers.")] = Model.rod,
    at_a_time: AtATime = 1,
) -> None:
    """Make the present numbers of cases the accepted ones, in results/reference/; runs what has not run."""
    from fem.batch.batch import read_cases
    from fem.cli.comparing import accept_verb, workplace

    try:
        place = workplace(REFERENCES, at_a_time, _console(True), _library_output_to_stderr)
        code = accept_verb(read_cases(cases), model.value, why, place, _console)
    except InputError as problem:
        _stop(str(problem))
    raise typer.Exit(code)


@app.command()
def compare(
    cases: Annotated[
        list[str] | None,
        typer.Argument(metavar="CASE", help="As for `run`; without any, all of cases/."),
    ] = None,
    model: Annotated[Model, typer.Option(help="Which model's numbers.")] = Model.rod,
    fast: Annotated[
        bool, typer.Option("--fast", help="Only cases that took at most 30 s when accepted.")
    ] = False,
    markdown: Annotated[
        Path | None, typer.Option(help="Write the tables for a pull request.", metavar="FILE")
    ] = None,
    plot: Annotated[
        Path | None, typer.Option(help="Draw old against new curves into this folder.", metavar="FOLDER")
    ] = None,
    at_a_time: AtATime = 1,
    as_json: AsJson = False,
) -> None:
    """Compare cases with what was accepted; runs what has not run since case or program changed."""
    from fem.batch.batch import read_cases
    from fem.batch.case_files import files_below
    from fem.cli.comparing import Options, compare_verb, workplace

    options = Options(model.value, not cases, fast, markdown, plot, as_json)
    named = cases or [str(file) for file in sorted(files_below(CASES))]
    try:
        place = workplace(REFERENCES, at_a_time, _console(True), _library_output_to_stderr)
        code = compare_verb(read_cases(named), options, place, _console)
    except InputError as problem:
        _stop(str(problem))
    raise typer.Exit(code)


@app.command()
def export(
    case: CaseName,
    file: Annotated[
        Path,
        typer.Argument(metavar="FILE", help="What to write: .stl (solid) or .vtu (mid-surface, fields)."),
    ],
    at: Annotated[
        str | None,
        typer.Option(metavar="LABEL|STEP", help="Which state; without it the critical one."),
    ] = None,
) -> None:
    """Write one state of a finished run for other programs: a solid, or the surface with its fields."""
    from fem.cli.viewing import export_run

    try:
        _tell(export_run(case, file, at, RUNS))
    except InputError as problem:
        _stop(str(problem))


@app.command()
def report(
    cases: CaseNames,
    html: Annotated[Path | None, File("Page to write; results/runs/report.html if nothing is named.")] = None,
    pdf: Annotated[Path | None, File("The same as PDF; needs weasyprint.")] = None,
    gallery: Annotated[Path | None, File("Markdown page with small pictures of the cases.")] = None,
) -> None:
    """Write the report of finished runs: one page for one case or a batch.

    A run that cannot be told is named on the page; the others are told all the same.
    """
    from fem.cli.reporting import write_of
    from fem.report.gallery import Documents

    if html is None and pdf is None and gallery is None:
        html = RUNS / "report.html"
    try:
        with _library_output_to_stderr():
            made, faults = write_of(cases, Documents(html, pdf, gallery), RUNS, REFERENCES)
    except InputError as problem:
        _stop(str(problem))
    for text in (*faults, *(f"wrote {file}" for file in made)):
        _tell(text)
    raise typer.Exit(EXIT_BAD_INPUT if faults else EXIT_DONE)


@app.command()
def verify(
    fast: Annotated[bool, typer.Option("--fast", help="Only the checks that take seconds.")] = False,
    as_json: AsJson = False,
) -> None:
    """Run the published checks: source, published value, computed value, error."""
    from fem.cli.terminal import print_checks, said
    from fem.report.json_documents import checks_document, json_text
    from fem.verification.verify import run_checks

    with _library_output_to_stderr(), _console(True).status("checking") as note:
        made = run_checks(fast=fast, progress=lambda check: note.update(said(f"checked {check.name}")))
    document = checks_document(made)
    if as_json:
        sys.stdout.write(json_text(document))
    else:
        print_checks(_console(False), document["checks"])
    raise typer.Exit(EXIT_DONE if all(row["ok"] for row in document["checks"]) else EXIT_DIFFERS)


add_study_verbs(app)
add_optimise_verbs(app)


def main() -> None:
    """Entry point of the command."""
    # Small matrices: more threads only fight each other. Set before numpy loads.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    app(prog_name="pushpast")
