"""The verbs that ask for many runs of one case; what they do is in `fem.cli.studying`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fem.cli.output import AsJson, AtATime, CaseName, File, Model

WithModel = Annotated[Model, typer.Option(help="Which model of the strip to run.")]
SafeTravel = Annotated[
    bool, typer.Option("--safe-travel", help="Look for the safe travel of what jams, too; twice the time.")
]
TimeLimit = Annotated[
    float | None,
    typer.Option(
        metavar="MINUTES",
        show_default=False,
        help="End each run after so long; its row says so. Without it 10, of the shell 120.",
    ),
]


def sweep(
    case: CaseName,
    vary: Annotated[
        list[str] | None,
        typer.Option(
            metavar="KEY=LOW:HIGH:N",
            help="What changes; KEY=A,B for choices. Without any, the tables vary of the case.",
        ),
    ] = None,
    samples: Annotated[
        int,
        typer.Option(min=0, metavar="N", help="N points spread evenly (Sobol) in place of the full grid."),
    ] = 0,
    seed: Annotated[int, typer.Option(min=0, help="Of the points spread evenly.")] = 1,
    stiffness: Annotated[
        bool, typer.Option(help="Press the tip of each design when it is out, too.")
    ] = False,
    safe_travel: SafeTravel = False,
    beyond: Annotated[
        float, typer.Option(metavar="TIMES", help="Push on to so many times the motor's torque.")
    ] = 2.0,
    limit: TimeLimit = None,
    model: WithModel = Model.rod,
    at_a_time: AtATime = 1,
    csv: Annotated[Path | None, File("Write the table as comma-separated values.")] = None,
    plot: Annotated[Path | None, File("Draw it: a line over one key, maps over two or three.")] = None,
    html: Annotated[Path | None, File("Write a page of it that opens offline.")] = None,
    as_json: AsJson = False,
) -> None:
    """Run a case over ranges of some of its numbers: a grid of up to three, or points spread evenly.

    Every run is kept by what it says: none is computed twice, and a sweep that was stopped goes on.
    """
    from fem.cli.studying import Asked, Files, sweep_verb

    asked = Asked(case, model.value, at_a_time, limit, beyond, safe_travel, stiffness, as_json)
    raise typer.Exit(sweep_verb(asked, vary or [], (samples, seed), Files(csv, plot, html)))


def limit(
    case: CaseName,
    keys: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="KEY",
            help="Keys, or friction, thickness, casing, bend, motor; without any, all of these.",
        ),
    ] = None,
    span: Annotated[
        str, typer.Option("--range", metavar="LOW:HIGH", help="Values to look between; of one key.")
    ] = "",
    goal: Annotated[
        bool, typer.Option("--goal", help="Look for where a bound of the case's goal is passed.")
    ] = False,
    limit: TimeLimit = None,
    model: WithModel = Model.rod,
    at_a_time: AtATime = 1,
    as_json: AsJson = False,
) -> None:
    """How far a case is from the cliff: the value of a number at which it comes out no more, to 1 %.

    A coarse scan about the present value, then runs that close in on every crossing from both sides.
    """
    from fem.cli.studying import Asked, limit_verb

    asked = Asked(case, model.value, at_a_time, limit, as_json=as_json)
    raise typer.Exit(limit_verb(asked, keys or [], span, goal))


def remedies(
    case: CaseName,
    safe_travel: SafeTravel = False,
    write: Annotated[
        Path | None, File("Write the best one (or that of --take) as a case that extends this one.")
    ] = None,
    take: Annotated[
        int, typer.Option(min=0, metavar="N", help="The number of the remedy to write; without it the best.")
    ] = 0,
    limit: TimeLimit = None,
    model: WithModel = Model.rod,
    at_a_time: AtATime = 1,
    as_json: AsJson = False,
) -> None:
    """Try every remedy of a case's verdict, and the best of them in pairs, as concrete changed cases.

    The table says what each does to status, torque, strain and stiffness.
    """
    from fem.cli.studying import Asked, remedies_verb

    asked = Asked(
        case, model.value, at_a_time, limit, safe_travel=safe_travel, stiffness=True, as_json=as_json
    )
    raise typer.Exit(remedies_verb(asked, write, take))


def add_study_verbs(app: typer.Typer) -> None:
    """Give the command these verbs."""
    for verb in (sweep, limit, remedies):
        app.command()(verb)
