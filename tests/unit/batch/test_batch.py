"""Many cases are read one by one: none costs another."""

from __future__ import annotations

from pathlib import Path

import pytest
from batch_jobs import BEND
from small_cases import small_text

from fem.batch import batch
from fem.batch.batch import read_cases
from fem.case.definition import Case

pytestmark = pytest.mark.usefixtures("workplace")


def test_a_file_named_twice_is_one_case_but_a_name_twice_is_a_fault() -> None:
    for folder in ("cases", "cases/other"):
        Path(folder).mkdir(exist_ok=True)
        Path(folder, "a.toml").write_text(small_text(BEND))
    assert [name for name, case, _ in read_cases(["cases/a.toml", "./cases/a.toml"]) if case] == ["a"]
    entries = read_cases(["cases"])
    assert [case is None for _, case, _ in entries] == [False, True]
    (fault,) = entries[1][2]
    assert fault.file == "cases/other/a.toml" and "cases/a.toml" in fault.message


def test_a_file_on_which_the_reader_fails_costs_no_other(monkeypatch: pytest.MonkeyPatch) -> None:
    Path("cases").mkdir()
    for name in ("a", "b"):
        Path("cases", f"{name}.toml").write_text(small_text(BEND))

    def read_case(file: Path) -> Case:
        if file.stem == "a":
            raise ZeroDivisionError("by nothing")
        return sound(file)

    sound = batch.read_case
    monkeypatch.setattr(batch, "read_case", read_case)
    (_, first, (fault,)), (_, second, none) = read_cases(["cases"])
    assert first is None and "ZeroDivisionError: by nothing" in fault.message
    assert fault.file == "cases/a.toml"
    assert second is not None and none == ()
