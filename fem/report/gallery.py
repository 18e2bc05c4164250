"""The gallery of cases and the table of what can go wrong, as a Markdown page with small pictures."""

from __future__ import annotations

import math
import os
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from PIL import Image

from fem.core.atomic import whole_file
from fem.core.errors import InputError, defect_fault
from fem.core.names import plain_name
from fem.core.plain_text import in_markdown
from fem.report.failure_tables import failures
from fem.report.page import put
from fem.report.report import Beside, DifferenceRow, ReportEntry, entry_of, sound, write_report
from fem.report.wording import margins
from fem.results.baseline import five_digits, read, reference_file
from fem.results.columns import words_of
from fem.results.compare import Comparison, compare
from fem.view.still import critical_picture

PICTURE_WIDTH = 880
QUALITY = 85
"""Of a small picture: the scale keeps its steps, letters keep their edges."""

_HEAD = """\
# The cases and what can go wrong

Written from finished runs by the command below; run it again rather than edit this page. All numbers are of
invented designs. Each picture shows the critical state; colour is strain as a share of the limit.

```sh
pushpast report {names} --gallery {file}
```
"""


@dataclass(frozen=True)
class Documents:
    """Files that a report is written to."""

    html: Path | None = None
    pdf: Path | None = None
    gallery: Path | None = None


def write_documents(
    runs: Sequence[tuple[Path, Path]], files: Documents, references: Path, left_out: Sequence[str] = ()
) -> tuple[list[Path], list[str]]:
    """Write what is asked for of finished runs, each a (result folder, case file); returns the files, and why
    runs or references are left out. references: folder of what was accepted, and of the gallery's pictures.
    left_out: what is known to be missing before.

    A run that cannot be read or told costs none of the others. Raises InputError where none is left, or a
    library is missing.
    """
    entries, faults = [], list(left_out)
    for folder, case_file in runs:
        try:
            entries.append(sound(entry_of(folder, case_file)))
        except InputError as problem:
            faults.append(str(problem))
        except Exception as defect:  # noqa: BLE001 (a defect in telling one run must not cost the others)
            faults.append(str(defect_fault(str(folder), defect)))
    if not entries:
        raise InputError("\n".join(faults) or "a report needs at least one finished run; name one")
    made = []
    if files.html or files.pdf:
        differences, unread = differences_since_accepted(entries, references)
        faults += unread
        made += write_report(entries, files.html, files.pdf, Beside(differences, tuple(faults)))
    if files.gallery is not None:
        made += write_gallery(entries, files.gallery, references / "pictures")
    return made, faults


def differences_since_accepted(
    entries: Sequence[ReportEntry], references: Path
) -> tuple[dict[str, list[DifferenceRow]] | None, list[str]]:
    """Per case with an accepted reference what differs from it beyond tolerance, None if no case has one; and
    why references could not be read.
    """
    rows_of: dict[str, list[DifferenceRow]] = {}
    faults: list[str] = []
    for entry in entries:
        result, case = entry.result, entry.case
        file = reference_file(references, result.case_name, result.model)
        if case is None or not file.exists():
            continue
        try:
            rows_of[result.case_name] = _differences(compare(case, result, read(file)))
        except InputError as problem:
            faults.append(str(problem))
        except Exception as defect:  # noqa: BLE001 (as above)
            faults.append(str(defect_fault(str(file), defect)))
    return rows_of or None, faults


def _differences(made: Comparison) -> list[DifferenceRow]:
    rows = [DifferenceRow(change.key, change.old, change.new, "", "the case") for change in made.keys]
    if made.status[0] != made.status[1]:
        rows.insert(0, DifferenceRow("status", *made.status, "", made.kind))
    for one in made.telling:
        share = f"{100 * one.change:+.3g} %" if math.isfinite(one.change) else one.verdict
        old, new = (f"{five_digits(side)} {one.unit}".strip() for side in (one.old, one.new))
        rows.append(DifferenceRow(words_of(one.quantity), old, new, share, made.cause))
    return rows


def write_gallery(entries: Sequence[ReportEntry], file: Path, pictures: Path) -> list[Path]:
    """Write the page and one small picture for each case below `pictures`; returns the files written.

    Raises MissingLibrary without graphics, InputError for a result whose name is no name of a case.
    """
    made = [_small_picture(entry, pictures) for entry in entries]
    names = " ".join(entry.result.case_name for entry in entries)
    parts = [_HEAD.format(names=names, file=file)]
    for entry, picture in zip(entries, made, strict=True):
        parts.append(_case(entry, os.path.relpath(picture, file.parent)))
    parts.append(failures())
    return [*made, put(file, "\n".join(parts))]


def _case(entry: ReportEntry, picture: str) -> str:
    result = entry.result
    said = entry.case.teaches if entry.case is not None else ""
    teaches = f"**What it teaches.** {in_markdown(said)}\n\n" if said else ""
    rows = "".join(
        f"| {' | '.join(map(in_markdown, (row.name, row.value, row.limit, row.word)))} |\n"
        for row in margins(result)
    )
    table = f"| what | needs | limit | margin |\n|---|---|---|---|\n{rows}" if rows else ""
    name, title, status, sentence = map(
        in_markdown, (result.case_name, result.title, result.status, result.sentence)
    )
    return f"## {name}: {title}\n\n![{name}: {status}]({picture})\n\n{sentence}\n\n{teaches}{table}"


def _small_picture(entry: ReportEntry, pictures: Path) -> Path:
    name = plain_name(entry.result.case_name)
    pictures.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        large = critical_picture(entry.result, Path(folder) / "large.png")
        with Image.open(large) as image:
            height = round(image.height * PICTURE_WIDTH / image.width)
            small = image.convert("RGB").resize((PICTURE_WIDTH, height), Image.Resampling.LANCZOS)
    file = pictures / f"{name}.webp"
    with whole_file(file) as unfinished:
        small.save(unfinished, format="WEBP", quality=QUALITY, method=6)
    return file
