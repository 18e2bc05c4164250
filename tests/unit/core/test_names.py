"""Names of cases are plain, so that what is named after one stays in its folder."""

from __future__ import annotations

from pathlib import Path

import pytest

from fem.core.atomic import MODELS, run_folder
from fem.core.errors import InputError
from fem.core.names import LONGEST_NAME, name_fault, plain_name, run_name

PLAIN = ("boom", "boom-soft", "boom_2", "a.b", "v1.2.3", "2", "größer", "_x", "a" * LONGEST_NAME)
ODD = (
    "", ".", "..", ".work", "a.", "a..b", "../x", "a/b", "/a", "a\\b", "a b", "a+shell", "+", "-j", "a\n",
    "a\0", "a\x1b[31m", "bad\udcff", "a\u202eb", "~", "a:b", "*", "[x]", "<b>", "a" * (LONGEST_NAME + 1),
    "ü" * 60,
)  # fmt: skip


@pytest.mark.parametrize("name", PLAIN)
def test_plain_names(name: str, tmp_path: Path) -> None:
    assert name_fault(name) == ""
    assert plain_name(name) == name
    for model in MODELS:
        folder = run_folder(tmp_path, name, model)
        assert folder.parent == tmp_path and not folder.name.startswith(".")
        folder.mkdir()
        assert folder.resolve().parent == tmp_path.resolve()


@pytest.mark.parametrize("name", ODD)
def test_odd_names_are_refused_with_what_to_use(name: str) -> None:
    assert "use" in name_fault(name) and len(name_fault(name)) < 200
    with pytest.raises(InputError, match="name for a case"):
        plain_name(name)


def test_a_run_is_named_by_its_case_file_or_with_its_model() -> None:
    assert run_name("cases/boom.toml") == run_name("boom") == run_name("somewhere/boom") == "boom"
    assert run_name("a.b") == run_name("cases/a.b.toml") == "a.b"
    assert run_name("boom+shell") == "boom+shell"
    for argument in ("..", "x/..", ".work", "boom+rods", "+shell", "", "..toml", ".work.toml"):
        with pytest.raises(InputError, match="name for a case"):
            run_name(argument)
