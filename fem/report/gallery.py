"""The gallery of cases and the table of what can go wrong, as a Markdown page with small pictures."""

from __future__ import annotations

import math
import os
import tempfile
from collections.abc import Sequence
from pathlib import Path

from PIL import Image

from fem.core.atomic import whole_file
from fem.report.failure_tables import failures
from fem.report.page import put
from fem.report.report import DifferenceRow, ReportEntry, entry_of, write_report
from fem.report.wording import margins
from fem.results.baseline import five_digits, read, reference_file
from fem.results.columns import words_of
from fem.results.compare import compare
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


def write_documents(
    runs: Sequence[tuple[Path, Path]], html: Path | None, pdf: Path | None, gallery: Path | None,
    references: Path,
) -> list[Path]:  # fmt: skip
    """Write what is asked for of finished runs, each a (result folder, case file); returns the files.
    references: folder of what was accepted, and of the gallery's pictures.

    Raises InputError where there is no whole result or a library is missing.
    """
    entries = [entry_of(folder, case_file) for folder, case_file in runs]
    made = (
        write_report(entries, html, pdf, differences_since_accepted(entries, references))
        if html or pdf
        else []
    )
    return made + (write_gallery(entries, gallery, references / "pictures") if gallery is not None else [])


def differences_since_accepted(
    entries: Sequence[ReportEntry], references: Path
) -> dict[str, list[DifferenceRow]] | None:
    """Per case with an accepted reference what differs from it beyond tolerance; None if no case has one.

    Raises InputError for a reference that cannot be read.
    """
    rows_of: dict[str, list[DifferenceRow]] = {}
    for entry in entries:
        result, case = entry.result, entry.case
        file = reference_file(references, result.case_name, result.model)
        if case is None or not file.is_file():
            continue
        made = compare(case, result, read(file))
        rows = [DifferenceRow(change.key, change.old, change.new, "", "the case") for change in made.keys]
        if made.status[0] != made.status[1]:
            rows.insert(0, DifferenceRow("status", *made.status, "", made.kind))
        for one in made.telling:
            share = f"{100 * one.change:+.3g} %" if math.isfinite(one.change) else one.verdict
            old, new = (f"{five_digits(side)} {one.unit}".strip() for side in (one.old, one.new))
            rows.append(DifferenceRow(words_of(one.quantity), old, new, share, made.cause))
        rows_of[result.case_name] = rows
    return rows_of or None


def write_gallery(entries: Sequence[ReportEntry], file: Path, pictures: Path) -> list[Path]:
    """Write the page and one small picture for each case below `pictures`; returns the files written.

    Raises MissingLibrary without graphics.
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
    teaches = f"**What it teaches.** {entry.case.teaches}\n\n" if entry.case and entry.case.teaches else ""
    rows = "".join(
        f"| {row.name} | {row.value} | {row.limit} | {row.word} |\n" for row in margins(result)
    )  # fmt: skip
    table = f"| what | needs | limit | margin |\n|---|---|---|---|\n{rows}" if rows else ""
    return (
        f"## {result.case_name}: {result.title}\n\n![{result.case_name}: {result.status}]({picture})\n\n"
        f"{result.sentence}\n\n{teaches}{table}"
    )


def _small_picture(entry: ReportEntry, pictures: Path) -> Path:
    name = entry.result.case_name
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
