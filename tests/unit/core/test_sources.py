"""What a module stands on is found through packages, and nothing more."""

from __future__ import annotations

from pathlib import Path

import pytest

from fem.core import sources
from fem.results import provenance


def test_imports_are_followed_through_modules() -> None:
    reached = sources.closure(frozenset(["rod.kernels.self_contact"]))
    assert {"rod.kernels.self_contact", "rod.kernels.pairs", "rod.kernels.faces", "jit.decorators"} <= reached
    assert "rod.kernels.energy" not in reached


@pytest.mark.parametrize(
    "text",
    [
        "from fem.linalg.banded import Joints",
        "import fem.linalg.banded",
        "from fem.linalg import banded",
        "from fem.linalg import block_sparse, banded",
        "from fem.linalg import (\n    block_sparse,\n    banded,  # why\n)",
        "def f():\n    from fem.linalg import banded as b",
    ],
)
def test_all_ways_to_import_are_seen(text: str) -> None:
    assert "linalg.banded" in sources.imports(text)


def test_what_only_looks_like_an_import_is_none() -> None:
    text = "# banded\nfrom fem.linalg.bands import x\nimport banded\nfrom linalg import banded"
    assert sources.imports(text) == set()


def test_what_a_package_gives_itself_counts_as_its_own_text() -> None:
    assert sources.imports("from fem import __version__") == {"__init__"}
    assert sources.imports("from fem.linalg import nothing_of_that_name") == {"linalg.__init__"}


def test_every_import_of_this_package_is_seen() -> None:
    """Against what Python itself imports: every module of the package that a run loads is in its closure."""
    import subprocess
    import sys

    code = (
        "import sys, fem.simulation.run\n"
        "names = [name for name in sys.modules if name.startswith('fem.')]\n"
        "print(*[name[4:] for name in names if not hasattr(sys.modules[name], '__path__')])"
    )
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert set(loaded.split()) <= sources.closure(frozenset([provenance.RUN]))


def test_the_digest_of_the_code_is_that_of_what_a_run_imports(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A change of a solver makes stored runs stale; a change of what draws or tells them does not."""
    found = sources.closure(frozenset([provenance.RUN]))
    assert {"solvers.implicit_dynamics", "rod.kernels.energy", "shell.model", "case.definition"} <= found
    assert not {
        name for name in found if name.split(".")[0] in ("view", "report", "cli", "batch", "verification")
    }

    monkeypatch.setattr(sources, "PACKAGE", tmp_path)
    texts = {"simulation/run": "from fem.solvers.newton import x\n", "solvers/newton": "", "view/still": ""}

    def digest(**changes: str) -> str:
        for name, text in (texts | changes).items():
            file = tmp_path / f"{name}.py"
            file.parent.mkdir(exist_ok=True)
            file.write_text(text)
        sources.source.cache_clear()
        provenance.code_digest.cache_clear()
        return provenance.code_digest()

    try:
        first = digest()
        assert digest(**{"view/still": "# a comment"}) == first
        assert digest(**{"solvers/newton": "# a comment"}) != first
        assert digest() == first
    finally:
        monkeypatch.undo()
        sources.source.cache_clear()
        provenance.code_digest.cache_clear()
