"""README and gallery tell of statuses and modes as the registries do."""

from __future__ import annotations

from pathlib import Path

import pytest

from fem.report.failure_tables import FILES, TABLES, main, marked, renewed
from fem.results.outcome import Status
from fem.simulation.jam_modes import JamMode

ROOT = Path(__file__).resolve().parents[3]


@pytest.mark.parametrize("file", FILES, ids=str)
def test_the_committed_tables_are_the_programs_own(file: Path) -> None:
    text = (ROOT / file).read_text()
    assert text == renewed(text), "write them anew: python -m fem.report.failure_tables"


def test_every_table_is_committed_once() -> None:
    text = "".join((ROOT / file).read_text() for file in FILES)
    assert [text.count(f"<!-- {name}: made by") for name in TABLES] == [1] * len(TABLES)
    rows = [line.split("|")[1].strip(" `") for line in text.splitlines() if line.startswith("| `")]
    for one in (*Status, *JamMode):
        assert rows.count(str(one)) == (1 if one is Status.JAMMED else 2)


def test_a_changed_table_is_written_anew_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "cases").mkdir()
    good = "before\n\n" + marked("statuses") + "\nafter\n"
    (tmp_path / FILES[0]).write_text(good.replace(Status.DEPLOYED.entry.given, "something old"))
    (tmp_path / FILES[1]).write_text("no table\n")
    main()
    assert (tmp_path / FILES[0]).read_text() == good
    assert (tmp_path / FILES[1]).read_text() == "no table\n"
    assert capsys.readouterr().out == f"wrote {FILES[0]}\n"
