"""The gallery that is committed tells of the cases that are there, and of failures as the program does."""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from pathlib import Path

import demo_cases
import made_results
import pytest
from PIL import Image
from small_cases import small_case

from fem.core.errors import InputError
from fem.report import gallery
from fem.report.gallery import differences_since_accepted, write_gallery
from fem.report.report import ReportEntry
from fem.results.baseline import accepted, write
from fem.simulation.run import run_case

ROOT = Path(__file__).resolve().parents[3]
PAGE = ROOT / "cases" / "README.md"


def test_every_case_is_in_the_committed_gallery() -> None:
    text = PAGE.read_text()
    for file in demo_cases.FILES:
        tables = tomllib.loads(file.read_text())
        assert f"## {file.stem}: {tables['title']}" in text
        assert tables["teaches"] in text


def test_its_pictures_exist_and_are_small() -> None:
    pictures = [PAGE.parent / name for name in re.findall(r"!\[[^\]]*\]\(([^)]+)\)", PAGE.read_text())]
    assert len(pictures) == len(list((ROOT / "cases").glob("*.toml")))
    assert all(5_000 < picture.stat().st_size < 100_000 for picture in pictures)


def test_a_gallery_is_written_from_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def drawn(result: object, file: Path) -> Path:
        Image.linear_gradient("L").resize((1600, 900)).convert("RGB").save(file)
        return file

    monkeypatch.setattr(gallery, "critical_picture", drawn)
    result = made_results.jammed()
    made = write_gallery([ReportEntry(result)], tmp_path / "out.md", tmp_path / "pictures")
    assert [file.name for file in made] == ["boom-stiff.webp", "out.md"]
    text = made[1].read_text()
    assert "(pictures/boom-stiff.webp)" in text and result.sentence in text
    with Image.open(made[0]) as picture:
        assert picture.width == gallery.PICTURE_WIDTH
    assert list((tmp_path / "pictures").iterdir()) == [made[0]]


def test_the_report_tells_what_differs_from_what_was_accepted(tmp_path: Path) -> None:
    case = small_case(tmp_path, 'kind = "bend"\nangle = 60.0')
    result = run_case(case)
    write(accepted(case, result, "first", None), tmp_path)
    entry = ReportEntry(result, case, tmp_path)
    assert differences_since_accepted([entry], tmp_path) == ({case.name: []}, [])
    assert differences_since_accepted([entry], tmp_path / "elsewhere") == (None, [])
    thicker = small_case(tmp_path, 'kind = "bend"\nangle = 60.0', thickness=1.0)
    found, faults = differences_since_accepted([ReportEntry(run_case(thicker), thicker, tmp_path)], tmp_path)
    assert found is not None and faults == []
    rows = {row.what: row for row in found[case.name]}
    key = rows["strip.layers[1].thickness"]
    assert (key.accepted, key.now, key.kind) == ("0.8", "1", "the case")
    assert any(row.kind == "design change" and row.change.startswith("+") for row in rows.values())
    (tmp_path / f"{case.name}.rod.json").write_text("[" * 100_000)
    found, faults = differences_since_accepted([entry], tmp_path)
    assert found is None and len(faults) == 1 and f"{case.name}.rod.json: " in faults[0]


HOSTILE = "<b>x</b> [y](http://z) **bold** `code` | $1$ \x1b[31mred\nline"
SHOWN = r"&lt;b&gt;x&lt;/b&gt; \[y\](http://z) \*\*bold\*\* \`code\` \| \$1\$ \\x1b\[31mred\\nline"


def test_words_of_others_are_text_in_markdown(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gallery, "_small_picture", lambda entry, pictures: pictures / "x.webp")
    result = replace(made_results.jammed(), title=HOSTILE, sentence=HOSTILE, status=HOSTILE)
    (page,) = write_gallery([ReportEntry(result)], tmp_path / "out.md", tmp_path)[1:]
    heading, _, picture, _, sentence, *_ = page.read_text().split("## ")[1].splitlines()
    assert heading == f"{result.case_name}: {SHOWN}"
    assert picture == f"![{result.case_name}: {SHOWN}](x.webp)"
    assert sentence == SHOWN


@pytest.mark.parametrize("name", ["../x", "..", ".work", "a/b", "boom+shell", ""])
def test_no_picture_is_written_beside_its_folder(name: str, tmp_path: Path) -> None:
    folder = tmp_path / "deep" / "pictures"
    with pytest.raises(InputError, match="no name for a case"):
        write_gallery(
            [ReportEntry(replace(made_results.jammed(), case_name=name))], folder / "out.md", folder
        )
    assert list(tmp_path.iterdir()) == []
