"""The report of one case or a batch: one page to send to somebody without the tool, and a PDF of the same.

Verdict and margins come first, then why, the pictures, the curves, the case as a drawing, strains against
limits, how far to trust it, cautions and provenance. Every drawing stands within the page.
"""

from __future__ import annotations

import base64
import contextlib
import importlib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from fem.case.definition import Case, read_case
from fem.core.atomic import MODELS, run_folder
from fem.core.errors import CaseError, InputError, MissingLibrary
from fem.core.regular_file import Unreadable, read_regular
from fem.report.chart import LOAD_HEIGHT, chart, small_chart, span
from fem.report.drawing import developed, section, side_view, stack, surroundings
from fem.report.page import css, environment, provenance, put, put_bytes, web_text
from fem.report.pictures import PICTURES
from fem.report.svg import Drawing
from fem.report.wording import (
    CAUTIONS,
    case_in_words,
    explanations_of,
    layer_strains,
    margins,
    models_compared,
    named_quantities,
    run_quality,
    verdict_line,
)
from fem.results.columns import TRAVEL, unit_of, words_of
from fem.results.curves import axes, load_curve, run_curves
from fem.results.readings import number, per_cent, state_words
from fem.results.result import Result, read

PNG, MOST_OF_PICTURE = b"\x89PNG\r\n\x1a\n", 20_000_000
"""How a picture begins (PNG specification, 5.2), and its most bytes."""
COLUMNS = ("retract_torque_peak_Nmm", "deploy_torque_peak_Nmm", "motor_stall_torque_at_axle_Nmm",
           "strain_share_peak", "travel_wound_mm", "safe_travel_mm")  # fmt: skip
"""Quantities with a column of their own in the table of a batch."""


@dataclass(frozen=True, eq=False)
class ReportEntry:
    """One case of a report.

    case: as it was run (None: not at hand, then nothing is drawn of it). folder: of the result, for its
    picture. other: the same case run with another model.
    """

    result: Result
    case: Case | None = None
    folder: Path | None = None
    other: Result | None = None


def entry_of(folder: Path, case_file: Path) -> ReportEntry:
    """A run from its folder with the case it was made from, and the run of the other model if there is one.

    Raises InputError where there is no whole result.
    """
    result = read(folder)
    return ReportEntry(result, case_of(result, folder, case_file), folder, _other(result, folder))


def case_of(result: Result, folder: Path, case_file: Path) -> Case | None:
    """The case a result was made from: the one kept beside it, else the present case file if it is still the
    same.
    """
    kept = folder / "case.toml"
    for file in (kept, case_file):
        try:
            case = read_case(file)
        except CaseError:
            continue
        if file is kept or case.digest == result.provenance.get("case_digest"):
            return case
    return None


def _other(result: Result, folder: Path) -> Result | None:
    """The same design run with the other model, if there is such a run and it is whole."""
    model = next(name for name in MODELS if name != result.model)
    try:
        other = read(run_folder(folder.parent, result.case_name, model), states=False)
    except InputError:
        return None
    design = "design_digest"
    return other if other.provenance.get(design) == result.provenance.get(design) else None


@dataclass(frozen=True)
class DifferenceRow:
    """One line of what differs from the accepted reference, as texts; `kind` says why in words."""

    what: str
    accepted: str
    now: str
    change: str
    kind: str = ""


@dataclass(frozen=True)
class Beside:
    """What a report says beside its runs.

    differences: per case, from a comparison with the accepted reference; shown when given. left_out: why runs
    that were asked for are not in it.
    """

    differences: Mapping[str, Sequence[DifferenceRow]] | None = None
    left_out: Sequence[str] = ()


def write_report(
    entries: Sequence[ReportEntry], html: Path | None, pdf: Path | None = None, beside: Beside | None = None
) -> list[Path]:
    """Write the report as page and as PDF, each whole or not at all; returns the files written.

    Raises ValueError without entries, MissingLibrary for a PDF without the library for it.
    """
    made = []
    paper = _paper(report(entries, beside, paper=True)) if pdf is not None else b""
    if html is not None:
        made.append(put(html, report(entries, beside)))
    if pdf is not None:
        made.append(put_bytes(pdf, paper))
    return made


def report(entries: Sequence[ReportEntry], beside: Beside | None = None, paper: bool = False) -> str:
    """The text of the report; for paper without what only a screen can do."""
    if not entries:
        raise ValueError("a report needs at least one finished run")
    beside = beside or Beside()
    results = [entry.result for entry in entries]
    heading = results[0].title if len(results) == 1 else f"{len(results)} cases"
    dates = [str(result.provenance.get("date", "")) for result in results]
    small, note = _multiples(results)
    return environment().get_template("report.html").render(
        heading=heading, date=max(dates)[:10], css=css("report.css"),
        script=web_text("sort.js"), entries=[_section_values(entry) for entry in entries],
        differences=beside.differences, left_out=beside.left_out, cautions=CAUTIONS, share=_share,
        paper=paper,
        columns=["case", "status", "jam at [mm]", *(_titled(name) for name in COLUMNS)],
        table=[_row(result) for result in results], small=small, small_note=note,
    )  # fmt: skip


def sound(entry: ReportEntry) -> ReportEntry:
    """The entry, once all that a report says of it has been put in words: whatever is wrong with it shows
    here, and not among the others.
    """
    report([entry])
    return entry


def _section_values(entry: ReportEntry) -> dict[str, Any]:
    result, case = entry.result, entry.case
    critical = result.critical()
    views = []
    if critical is not None:
        drawing = side_view(critical, result.intended_path, result.jam)
        views.append((f"From the side: {state_words(critical)}", drawing.text()))
    return {
        "result": result, "verdict": verdict_line(result), "margins": margins(result),
        "texts": explanations_of(result),
        "pictures": _pictures(entry.folder), "views": views, "charts": _charts(result),
        "words": case_in_words(case) if case is not None else [], "drawings": _drawings(result, case),
        "layers": layer_strains(result, case), "quality": run_quality(result, case),
        "numbers": named_quantities(result), "provenance": provenance(result),
        "beside": models_compared(result, entry.other) if entry.other else [],
        "other_model": entry.other.model if entry.other else "",
    }  # fmt: skip


def _charts(result: Result) -> list[tuple[str, str]]:
    """The curves of a run with their captions."""
    load, *others = run_curves(result)
    rings = "; rings: the hardest point of each bend's passing" if load.marks else ""
    made = [(load.caption + rings, chart(result, load, LOAD_HEIGHT))]
    made += [(curve.caption, chart(result, curve)) for curve in others]
    return [(caption[0].upper() + caption[1:], one.drawing.text()) for caption, one in made if result.rows]


def _drawings(result: Result, case: Case | None) -> list[tuple[str, str]]:
    if case is None:
        return []
    made: list[tuple[str, Drawing]] = [
        ("The strip laid flat", developed(case)),
        ("Section at rest", section(case, _hollow(case))),
        ("Layers through the thickness", stack(case)),
    ]
    if result.snapshots and len(result.intended_path) > 1:
        walls = result.snapshots[0].obstacles
        made.append(("Rest path and surroundings", surroundings(case, walls, result.intended_path)))
    return [(caption, drawing.text()) for caption, drawing in made]


def _hollow(case: Case) -> float:
    """A station [mm] where the section is deepest, away from bends if it can be."""
    s = np.linspace(0.0, case.strip.length, 201)
    depth, bent = case.strip.depth_at(s)[0], np.abs(case.strip.path.curvature(s))
    deep = depth > 0.999 * depth.max()
    best = np.flatnonzero(deep & (bent <= bent[deep].min() + 1e-9))
    return float(s[best[len(best) // 2]])


def _pictures(folder: Path | None) -> list[tuple[str, str]]:
    """What each picture of a result folder shows, with its bytes as base64; what is no picture stays out."""
    if folder is None:
        return []
    made = []
    for one in PICTURES:
        if not one.in_report:
            continue
        with contextlib.suppress(Unreadable):
            content = read_regular(folder / one.file, MOST_OF_PICTURE).content
            if content.startswith(PNG):
                made.append((one.shows, base64.b64encode(content).decode("ascii")))
    return made


def _titled(name: str) -> str:
    return f"{words_of(name)} [{unit_of(name) or '%'}]"


def _row(result: Result) -> list[dict[str, Any]]:
    def cell(value: float, text: str) -> dict[str, Any]:
        return {"text": text, "value": f"{value:.9g}" if math.isfinite(value) else ""}

    status = verdict_line(result)
    place = result.jam.station_mm if result.jam else math.nan
    cells: list[dict[str, Any]] = [
        {"text": result.case_name, "value": None}, {"text": status, "value": None},
        cell(place, number(place)),
    ]  # fmt: skip
    for name in COLUMNS:
        value = result.quantities[name].value if name in result.quantities else math.nan
        share = name == "strain_share_peak" and math.isfinite(value)
        cells.append(cell(value, per_cent(value).removesuffix(" %") if share else number(value)))
    return cells


def _multiples(results: Sequence[Result]) -> tuple[list[tuple[str, str]], str]:
    """Torque curves of all runs that have travel, on common axes; a curve far above the others is cut."""
    curves = {id(result): load_curve(result) for result in results}
    drawn = [result for result in results if curves[id(result)].lines and axes(result)[0] is TRAVEL]
    if len(drawn) < 2:
        return [], ""
    lines = [line for result in drawn for line in curves[id(result)].lines]
    peaks = sorted(max(float(line.y.max()) for line in curves[id(result)].lines) for result in drawn)
    motors = [motor.least for result in drawn if (motor := curves[id(result)].motor) is not None]
    top = max(peaks[-1], 0.0)
    if motors and top > 1.5 * max(motors):
        top = max(1.5 * max(motors), peaks[0])
    cut = any(peak > top for peak in peaks)
    low = min(float(line.y.min()) for line in lines)
    x, y = span([line.x for line in lines], 0.0), span([np.array([low, top])], 0.0)
    note = "Broken line: what the motor has." + (f" Above {top:.3g} N mm a curve is cut off." if cut else "")
    return [(result.case_name, small_chart(result, (0.0, x[1]), y).drawing.text()) for result in drawn], note


def _share(value: float) -> str:
    return number(100 * value, "%", 3)


def _paper(text: str) -> bytes:
    """The page as PDF."""
    try:
        library: Any = importlib.import_module("weasyprint")
    except (ImportError, OSError) as problem:
        raise MissingLibrary(
            f"a PDF needs weasyprint, which cannot be loaded ({problem}); install it with: pip install "
            "'pushpast[pdf]'. The page (--html) needs nothing more, and any browser prints it"
        ) from problem
    made = library.HTML(string=text).write_pdf()
    return bytes(made)
