"""The report puts the verdict first, shows all it was given, and says what is missing."""

from __future__ import annotations

import contextlib
import importlib
import re
import shutil
import zlib
from dataclasses import replace
from pathlib import Path

import made_results
import pytest
from page_words import Reader, judged

from fem.case.definition import read_case
from fem.core.atomic import named_run, run_folder
from fem.core.errors import InputError, MissingLibrary
from fem.report import report as module
from fem.report.report import Beside, DifferenceRow, ReportEntry, entry_of, report, write_report
from fem.results.outcome import Status
from fem.results.result import write

ROOT = Path(__file__).resolve().parents[3]
CASE = read_case(ROOT / "cases" / "boom-soft.toml")
ONE = ReportEntry(judged(), CASE)
TWO = ReportEntry(made_results.deployed(), CASE)


def test_verdict_and_margins_come_first() -> None:
    text = report([ONE])
    heads = ("sentence", "Margins, the tightest first", "The jam", "What was seen", ">Curves<",
             "The case", "Strain against limits", "How far to trust it", "provenance",
             "Cautions")  # fmt: skip
    places = [text.index(f'"{head}"' if head == "sentence" else head) for head in heads]
    assert places == sorted(places)


def test_everything_stands_in_the_page() -> None:
    text = report([ONE, TWO])
    assert all(link.startswith(("data:", "#")) for link in Reader(text).links)
    words = Reader(text).words
    for entry in (ONE, TWO):
        assert entry.result.sentence in words and entry.result.title in words
    assert "94.96 mm long" in words
    assert text.count("<svg") == 2 + 2 * (1 + 3 + 4)


def test_a_batch_has_a_table_that_a_keyboard_can_sort() -> None:
    text = report([ONE, TWO])
    table = re.search(r'<table id="cases".*?</table>', text, re.S)
    assert table is not None
    assert table[0].count('<button type="button" class="sort"') == table[0].count('<th scope="col"')
    assert 'aria-sort="none"' in table[0]
    assert re.findall(r'<a href="#([^"]+)"', table[0]) == ["boom-stiff", "boom-corrected"]
    assert 'data-value="41"' in table[0]
    assert '<article id="boom-stiff"' in text
    assert "sort" not in report([ONE]).split("</style>")[1]


def test_paper_has_no_buttons_but_the_same_words() -> None:
    paper, screen = report([ONE, TWO], paper=True), report([ONE, TWO])
    assert "<button" not in paper and "<script" not in paper
    gone = set(Reader(screen).words.split()) - set(Reader(paper).words.split())
    hint = re.search(r'id="sorting">([^<]+)<', screen)
    assert hint is not None and gone <= set(hint[1].split())


def test_differences_are_shown_when_given() -> None:
    line = DifferenceRow("deploy torque peak", "40 N mm", "44 N mm", "+10 %", "design change")
    text = report([ONE, TWO], Beside({"boom-stiff": [line], "boom-corrected": []}))
    words = Reader(text).words
    assert "Against the accepted reference" in words and "design change" in words and "+10 %" in words
    assert "Nothing differs." in words
    assert "accepted reference" not in report([ONE, TWO])


def test_rod_and_shell_stand_side_by_side() -> None:
    shell = replace(made_results.jammed(), model="shell", status=Status.DEPLOYED)
    words = Reader(report([replace(ONE, other=shell)])).words
    assert "rod against shell" in words and "DIFFERS" in words
    assert "Only the rod model was run" in report([ONE])


def test_without_its_case_a_run_is_still_reported() -> None:
    assert "is not at hand" in report([ReportEntry(made_results.jammed())])


def test_a_run_without_rows_and_states_is_still_reported() -> None:
    bare = replace(
        made_results.deployed(), path={}, snapshots=(), bends=(), quantities={}, status=Status.NOT_CONVERGED
    )
    words = Reader(report([ReportEntry(bare, CASE)])).words
    assert Status.NOT_CONVERGED in words and "says nothing about the design" in words


def test_no_entries_no_report() -> None:
    with pytest.raises(ValueError, match="at least one"):
        report([])


def test_a_pdf_without_its_library_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def missing(name: str) -> None:
        raise ImportError(f"No module named {name!r}")

    monkeypatch.setattr(module.importlib, "import_module", missing)
    with pytest.raises(MissingLibrary, match=r"weasyprint.*pip install 'pushpast\[pdf\]'"):
        write_report([ONE], tmp_path / "x.html", tmp_path / "x.pdf")
    assert list(tmp_path.iterdir()) == [], "nothing half-written"


def test_a_pdf_holds_the_words(tmp_path: Path) -> None:
    try:
        importlib.import_module("weasyprint")
    except (ImportError, OSError) as problem:
        pytest.skip(f"weasyprint is not installed here ({problem})")
    (file,) = write_report([ReportEntry(made_results.deployed(), CASE)], None, tmp_path / "x.pdf")
    content = file.read_bytes()
    assert content.startswith(b"%PDF-")
    unpacked = b""
    for stream in re.findall(rb"stream\r?\n(.*?)endstream", content, re.S):
        with contextlib.suppress(zlib.error):  # fonts and pictures may be packed otherwise
            unpacked += zlib.decompressobj().decompress(stream)
    assert len(re.findall(rb"/Type ?/Page\b", unpacked)) >= 2
    assert unpacked.count(b" Tj") + unpacked.count(b" TJ") > 300, "lines of words"


# ---- a run with the case it was made from ------------------------------------------------------------------


def kept(tmp_path: Path, digest: str) -> Path:
    result = replace(made_results.deployed(), provenance={"case_digest": digest})
    return write(result, tmp_path / "boom-soft")


def test_the_present_case_counts_only_if_it_is_the_same(tmp_path: Path) -> None:
    file = ROOT / "cases" / "boom-soft.toml"
    assert entry_of(kept(tmp_path, CASE.digest), file).case == CASE
    assert entry_of(kept(tmp_path, "other"), file).case is None
    assert entry_of(kept(tmp_path, CASE.digest), tmp_path / "gone.toml").case is None


def test_the_case_kept_beside_the_result_comes_first(tmp_path: Path) -> None:
    folder = kept(tmp_path, "other")
    shutil.copy(ROOT / "cases" / "boom-soft.toml", folder / "case.toml")
    found = entry_of(folder, tmp_path / "gone.toml").case
    assert found is not None and found.digest == CASE.digest


def test_a_case_that_has_not_run_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="run the case first"):
        entry_of(tmp_path / "nothing", ROOT / "cases" / "boom-soft.toml")


def test_a_report_tells_both_models_where_both_have_run(tmp_path: Path) -> None:
    rod = made_results.jammed()
    shell = replace(rod, model="shell")
    models_compared = run_folder(tmp_path, rod.case_name, "shell")
    no_case = tmp_path / "none.toml"
    assert models_compared == tmp_path / f"{rod.case_name}+shell"
    write(shell, models_compared)
    assert named_run(tmp_path, rod.case_name) == models_compared, "only the shell has run it"
    write(rod, tmp_path / rod.case_name)
    assert named_run(tmp_path, rod.case_name) == tmp_path / rod.case_name
    for folder, model in ((tmp_path / rod.case_name, "shell"), (models_compared, "rod")):
        entry = entry_of(folder, no_case)
        assert entry.other is not None and entry.other.model == model
    write(replace(shell, provenance={"design_digest": "of another design"}), models_compared)
    assert entry_of(tmp_path / rod.case_name, no_case).other is None
