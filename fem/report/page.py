"""One run as one page that opens offline: the strip in 3-D with its slider, the plot, and all the words.

The page is a single file without any reference to outside. What matters stands in it as text and as a still
drawing, so that it survives without scripts and without 3-D; a small script of our own makes it move.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from string import Template
from typing import Any

import numpy as np
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from fem.case.definition import Case
from fem.core.atomic import whole_file
from fem.core.errors import InputError
from fem.core.plain_text import visible
from fem.report.chart import LOAD_HEIGHT, chart, state_places
from fem.report.drawing import side_view
from fem.report.page_scene import pack
from fem.report.svg import Pen, style_sheet
from fem.report.wording import CAUTIONS, explanations_of, margins, named_quantities, run_quality, verdict_line
from fem.results.curves import load_curve
from fem.results.outcome import GOOD
from fem.results.readings import number
from fem.results.result import Result, to_json, with_states
from fem.view.colour import hexadecimal, ramp
from fem.view.palette import TONES
from fem.view.playback import SNAP, events

WEB = Path(__file__).with_name("web")
SCRIPTS = ("run.js", "draw.js", "scene.js", "use.js")


def write_page(result: Result, file: Path | str, case: Case | None = None) -> Path:
    """Write the page of a run, whole or not at all; return its file.

    With its case the page knows the rest shape, without it compares with the state fully out. Raises
    InputError if the run kept no state of the strip.
    """
    return put(Path(file), page(result, case))


def page(result: Result, case: Case | None = None) -> str:
    """The text of the page."""
    with_states(result)
    packed, curve = pack(result, case), chart(result, load_curve(result), LOAD_HEIGHT)
    critical = result.critical()
    assert critical is not None
    about = packed.about | {"plot": state_places(result, curve), "ramp": _ramp()}
    marker = Pen("alarm", 2.4)
    curve.drawing.raw(f'<circle id="marker" class="s-alarm" r="6.5" fill="none" {marker.attributes()} '
                      'style="display:none"/>')  # fmt: skip
    return environment().get_template("page.html").render(
        r=result, verdict=verdict_line(result), css=css(),
        still=side_view(critical, result.intended_path, result.jam).text(),
        values=dict.fromkeys(name for one in about["states"] for name in one["values"]),
        last=len(result.snapshots) - 1, start=about["start"],
        stops=[event for event in events(result) if event.name != SNAP],
        coloured=[one for one in about["quantities"] if one["coloured"]],
        cased=any(wall["around"] for wall in about["walls"]), tick=f"{about['tick']:g}",
        chart=curve.drawing.text(), margins=margins(result), texts=explanations_of(result),
        numbers=named_quantities(result), quality=run_quality(result, case), cautions=CAUTIONS,
        provenance=provenance(result), about=_in_script(about), data=packed.text,
        script="\n".join(map(web_text, SCRIPTS)),
    )  # fmt: skip


def put(file: Path, text: str) -> Path:
    """Write a text, whole or not at all. Raises InputError where the disk refuses."""
    return put_bytes(file, text.encode())


def put_bytes(file: Path, content: bytes) -> Path:
    """Write bytes, whole or not at all. Raises InputError where the disk refuses."""
    try:
        with whole_file(file) as unfinished:
            unfinished.write_bytes(content)
    except OSError as problem:
        raise InputError(f"{file} cannot be written ({problem.strerror or problem})") from problem
    return file


@cache
def environment() -> Environment:
    """Templates of `web`; what goes into them is escaped and made visible, a name nobody gave is an error."""
    made = Environment(
        loader=FileSystemLoader(WEB), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True, finalize=_shown,
    )  # fmt: skip
    made.globals |= {"number": number, "good": GOOD}
    return made


def css(*more: str) -> str:
    """Colours and layout of every page, and of further style sheets of `web`.

    In them `$ink` stands for the colour of a tone on light paper, for what is printed or looks the same in
    any light; whatever follows the reader's screen says `var(--ink)`.
    """
    light = {name: tone.light for name, tone in TONES.items()}
    sheets = [Template(web_text(name)).substitute(light) for name in ("look.css", *more)]
    return style_sheet() + "".join(sheets)


def web_text(name: str) -> str:
    """A file of `web`."""
    return (WEB / name).read_text(encoding="utf-8")


def provenance(result: Result) -> list[tuple[str, str]]:
    """Where the numbers come from, flat."""
    rows = []
    for name, value in result.provenance.items():
        plain = to_json(value)
        rows.append((name.replace("_", " "), plain if isinstance(plain, str) else json.dumps(plain)))
    return rows


def _shown(value: Any) -> Any:
    """Plain texts, in lists and mappings too, with nothing hidden in them; what is markup already stays."""
    if isinstance(value, str):
        return value if hasattr(value, "__html__") else visible(value, lines=True)
    if isinstance(value, Mapping):
        return {_shown(key): _shown(item) for key, item in value.items()}
    return [_shown(item) for item in value] if isinstance(value, list | tuple) else value


def _ramp() -> list[str]:
    return [hexadecimal(colour) for colour in (ramp(64) * 255).round().astype(np.uint8)]


def _in_script(content: Any) -> str:
    """JSON that may stand in a script element: no "<" can end it."""
    return json.dumps(_shown(to_json(content)), allow_nan=False, separators=(",", ":")).replace(
        "<", "\\u003c"
    )
