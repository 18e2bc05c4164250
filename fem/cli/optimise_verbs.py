"""The verbs that look for what matters and for what works; what they do is in `fem.cli.optimising`."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated

import typer

from fem.cli.output import AsJson, AtATime, CaseName, File
from fem.cli.study_verbs import SafeTravel

TimeLimit = Annotated[
    float,
    typer.Option(metavar="MINUTES", show_default=False, help="End each run after so long; its row says so."),
]


def optimise(
    case: CaseName,
    vary: Annotated[
        list[str] | None,
        typer.Option(
            metavar="KEY=LOW:HIGH",
            help="What may change; KEY=A,B for choices. Without any, the tables vary of the case.",
        ),
    ] = None,
    runs: Annotated[
        int, typer.Option(min=1, metavar="N", help="At most so many runs of the quick model.")
    ] = 60,
    minutes: Annotated[
        float, typer.Option(metavar="MINUTES", show_default=False, help="Search for at most so long.")
    ] = math.inf,
    friction: Annotated[
        str, typer.Option(metavar="LOW:HIGH", help="Meet the goal at both of these frictions.")
    ] = "",
    seed: Annotated[int, typer.Option(min=0, help="Of the designs that are tried first.")] = 1,
    shell: Annotated[bool, typer.Option(help="Run the best design as a shell, too; minutes.")] = False,
    out: Annotated[Path | None, File("The new case; NAME-optimised.toml beside the old one.")] = None,
    html: Annotated[Path | None, File("Write old beside new as one page that opens offline.")] = None,
    limit: TimeLimit = math.inf,
    at_a_time: AtATime = 1,
    as_json: AsJson = False,
) -> None:
    """Search for a design that meets the goal of a case, and write it as a case that extends it.

    Every run is kept: the same command goes on where it was stopped. If the goal cannot be met, the nearest
    design is told, and which bound stops it.
    """
    from fem.cli.optimising import Found, optimise_verb
    from fem.cli.studying import Asked

    asked = Asked(case, "rod", at_a_time, limit, as_json=as_json)
    found = Found(tuple(vary or ()), runs, minutes, friction, seed, shell, out, html)
    raise typer.Exit(optimise_verb(asked, found))


def sensitivity(
    case: CaseName,
    keys: Annotated[
        list[str] | None,
        typer.Argument(metavar="[KEY]...", help="Numbers of the case; without any, every one."),
    ] = None,
    step: Annotated[
        float,
        typer.Option(
            metavar="SHARE",
            show_default=False,
            help="Move each number by so much; without it, as scatter asks.",
        ),
    ] = math.nan,
    stiffness: Annotated[bool, typer.Option(help="Press the tip when it is out, too.")] = True,
    safe_travel: SafeTravel = False,
    limit: TimeLimit = math.inf,
    at_a_time: AtATime = 1,
    as_json: AsJson = False,
) -> None:
    """Tell by how many per cent push, torque, strain and stiffness move when a number moves by one per cent.

    Ranked, each with a band from the measured scatter of the runs; what is smaller than its band says so.
    """
    from fem.cli.optimising import sensitivity_verb
    from fem.cli.studying import Asked

    asked = Asked(
        case, "rod", at_a_time, limit, safe_travel=safe_travel, stiffness=stiffness, as_json=as_json
    )
    raise typer.Exit(sensitivity_verb(asked, keys or [], step))


def add_optimise_verbs(app: typer.Typer) -> None:
    """Give the command these verbs."""
    for verb in (optimise, sensitivity):
        app.command()(verb)
