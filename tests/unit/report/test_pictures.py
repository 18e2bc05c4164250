"""Every picture of the registry is drawn where it applies, and the report shows those it is to show."""

from __future__ import annotations

import base64
import os
import re
from dataclasses import replace
from pathlib import Path

import made_results
import pytest
from PIL import Image

from fem.core.errors import MissingLibrary
from fem.report import pictures, report
from fem.report.pictures import PICTURES, Picture, draw_all
from fem.report.report import ReportEntry
from fem.results.result import Result

README = (Path(__file__).resolve().parents[3] / "README.md").read_text()


def dot(result: Result, file: Path) -> None:
    Image.new("RGB", (2, 2)).save(file)


def broken(result: Result, file: Path) -> None:
    raise MissingLibrary("no paint")


def full(result: Result, file: Path) -> None:
    raise OSError(28, "no space left")


def test_files_have_names_of_their_own_of_the_kind_that_the_readme_tells_of() -> None:
    assert len({one.file for one in PICTURES}) == len(PICTURES)
    assert all(Path(one.file).suffix == ".png" and len(one.shows) > 10 for one in PICTURES)
    (row,) = [line for line in README.splitlines() if line.startswith("| `*.png` |")]
    named = set(re.findall(r"`(\w+\.png)`", row))
    assert named and named <= {one.file for one in PICTURES}


def test_a_run_draws_what_applies_and_tells_what_cannot_be_drawn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pictures, "PICTURES", (
        Picture("dot.png", "a dot", dot, lambda result: True),
        Picture("never.png", "nothing", dot, lambda result: False),
        Picture("broken.png", "nothing", broken, lambda result: True),
        Picture("full.png", "nothing", full, lambda result: True),
    ))  # fmt: skip
    missing = draw_all(made_results.jammed(), tmp_path)
    assert [file.name for file in tmp_path.iterdir()] == ["dot.png"]
    assert missing == ["no picture: no paint", "no picture: full.png cannot be written (no space left)"]


def test_a_run_that_kept_nothing_has_no_pictures() -> None:
    nothing = replace(made_results.deployed(), path={}, snapshots=())
    assert not any(one.applies(nothing) for one in PICTURES)
    assert all(one.applies(made_results.deployed()) for one in PICTURES)


def test_a_new_picture_stands_in_the_report(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    new = Picture("dot.png", "a dot of paint", dot, lambda result: True)
    monkeypatch.setattr(report, "PICTURES", (*PICTURES, new))
    dot(made_results.jammed(), tmp_path / new.file)
    text = report.report([ReportEntry(made_results.jammed(), folder=tmp_path)])
    assert f'alt="{new.shows}: ' in text
    assert new.shows not in report.report([ReportEntry(made_results.jammed())])


@pytest.mark.parametrize("target", ["secret.txt", "/dev/zero", "pipe"])
def test_what_is_no_picture_does_not_stand_in_the_report(
    target: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A report is sent to others; a folder of a stranger may link to what is nobody's business."""
    (tmp_path / "secret.txt").write_text("secret")
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "critical.png").symlink_to(target)
    text = report.report([ReportEntry(made_results.jammed(), folder=tmp_path)])
    assert base64.b64encode(b"secret").decode() not in text and "data:image/png" not in text
