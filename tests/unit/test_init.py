"""What other programs may use: loaded when asked for, documented, and as the README shows it."""

from __future__ import annotations

import doctest
import inspect
import re
import subprocess
import sys
from pathlib import Path

import pytest

import fem

ROOT = Path(__file__).resolve().parents[2]


def python(code: str) -> str:
    return subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout


def test_the_package_alone_loads_nothing() -> None:
    bare = set(python("import sys; print(*sys.modules)").split())
    loaded = set(python("import sys, fem; assert fem.__version__; print(*sys.modules)").split())
    assert loaded - bare == {"fem"}


def test_a_case_is_read_without_solvers_or_pictures() -> None:
    code = "import sys, fem; fem.case_from; fem.changed; print(*sys.modules)"
    assert not {"numba", "skfem", "matplotlib", "pyvista", "gmsh", "h5py"} & set(python(code).split())


def test_every_name_is_there_and_no_other() -> None:
    assert list(fem.__all__) == sorted(fem.__all__) and len(fem.__all__) == len(set(fem.__all__))
    listed = [name for names in fem._HOMES.values() for name in names]
    assert sorted(listed) == list(fem.__all__), "the names that are loaded when asked for"
    assert set(fem.__all__) <= set(dir(fem))
    for name in fem.__all__:
        assert callable(getattr(fem, name)), name
    with pytest.raises(AttributeError, match="simulate"):
        fem.simulate  # noqa: B018


def test_type_checkers_see_what_is_loaded() -> None:
    assert Path(fem.__file__).with_name("py.typed").is_file()
    source = Path(fem.__file__).read_text()
    for module, name, alias in re.findall(r"from fem\.(\S+) import (\w+) as (\w+)", source):
        assert alias in fem._HOMES[module] and fem._NAMES_THERE[alias] == name
    for module, names in re.findall(r"^    from fem\.(\S+) import ([\w, ]+)$", source, re.MULTILINE):
        if " as " not in names:
            assert set(names.split(", ")) <= set(fem._HOMES[module])


@pytest.mark.parametrize("name", fem.__all__)
def test_every_name_is_documented_and_annotated_and_says_what_it_raises(name: str) -> None:
    public = getattr(fem, name)
    told = inspect.getdoc(public) or ""
    assert len(told) > 20
    assert not inspect.isfunction(public) or re.search("[Rr]aises", told)
    if inspect.isfunction(public):
        assert all(parameter.annotation is not parameter.empty for parameter in
                   inspect.signature(public).parameters.values())  # fmt: skip


def test_the_example_of_the_readme_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    readme = (ROOT / "README.md").read_text()
    section = readme[readme.index("## From Python") :]
    section = section[: section.index("\n## ", 1)]
    (example,) = re.findall(r"```python\n(.*?)```", section, re.DOTALL)
    (tmp_path / "cases").symlink_to(ROOT / "cases")
    monkeypatch.chdir(tmp_path)
    test = doctest.DocTestParser().get_doctest(example, {}, "README.md", "README.md", 0)
    assert len(test.examples) > 5
    told: list[str] = []
    outcome = doctest.DocTestRunner(optionflags=doctest.ELLIPSIS).run(test, out=told.append)
    assert outcome.failed == 0, "".join(told)
