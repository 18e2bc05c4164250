"""The verbs `accept` and `compare` as a user meets them: what runs, what is printed, exit codes, files."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from made_results import deployed, jammed
from typer.testing import CliRunner
from typer.testing import Result as Outcome

from fem.case.definition import Case
from fem.cli.verbs import app
from fem.results.baseline import read
from fem.results.outcome import NoResult, Status
from fem.results.provenance import provenance
from fem.results.result import Quantity, Result
from fem.simulation.jam_modes import JamMode

REFERENCE = Path("results") / "reference"


def call(*arguments: str) -> Outcome:
    outcome = CliRunner().invoke(app, list(arguments))
    assert outcome.exception is None or isinstance(outcome.exception, SystemExit), outcome.exception
    return outcome


@dataclass
class Shop:
    """A working folder with cases, and a stand-in for the solver: `made` says what it gives."""

    folder: Path
    made: dict[str, Result] = field(default_factory=dict)
    ran: list[tuple[str, str]] = field(default_factory=list)

    def case(self, name: str, **changes: str) -> None:
        text = Path(self.folder / "starter.txt").read_text()
        for old, new in changes.items():
            assert old in text
            text = text.replace(old, new)
        (self.folder / "cases").mkdir(exist_ok=True)
        (self.folder / "cases" / f"{name}.toml").write_text(text)

    def edit(self, name: str, old: str, new: str) -> None:
        file = self.folder / "cases" / f"{name}.toml"
        assert old in file.read_text()
        file.write_text(file.read_text().replace(old, new))

    def gives(self, name: str, result: Result, **quantities: float) -> None:
        more = {key: Quantity(value, "N mm") for key, value in quantities.items()}
        self.made[name] = replace(result, quantities=dict(result.quantities) | more)

    def forget_runs(self) -> None:
        """As if the program had changed: no finished run counts any more."""
        shutil.rmtree(self.folder / "results" / "runs", ignore_errors=True)

    def run_case(
        self, case: Case, model: str, progress: Callable[[float, str], None], keeper: object
    ) -> Result:
        assert keeper is not None
        progress(0.5, "half way")
        self.ran.append((case.name, model))
        result = self.made.get(case.name, deployed())
        return replace(result, case_name=case.name, model=model, provenance=provenance(case, model))


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shop:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "200")
    assert call("new", "starter.toml").exit_code == 0
    Path("starter.toml").rename("starter.txt")
    made = Shop(tmp_path)
    module = ModuleType("fem.simulation.run")
    module.run_case = made.run_case  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "fem.simulation.run", module)
    monkeypatch.setattr("fem.report.pictures.draw_all", lambda result, folder: [])
    return made


# ---- accept ------------------------------------------------------------------------------------------------


def test_accept_runs_the_case_once_and_keeps_its_numbers(shop: Shop) -> None:
    shop.case("a")
    outcome = call("accept", "a", "--why", "first numbers")
    assert outcome.exit_code == 0
    assert "a (rod): accepted, results/reference/a.rod.json" in outcome.stdout
    assert "deployed: first numbers" in outcome.stdout
    assert shop.ran == [("a", "rod")]
    assert call("accept", "a", "--why", "again").exit_code == 0
    assert shop.ran == [("a", "rod")]
    assert [line.why for line in read(REFERENCE / "a.rod.json").history] == ["again", "first numbers"]


def test_accept_tells_what_moves(shop: Shop) -> None:
    shop.case("a")
    call("accept", "a", "--why", "first")
    shop.edit("a", "radius = 10.0", "radius = 11.0")
    shop.gives("a", deployed(), deploy_torque_peak=40.0)
    outcome = call("accept", "a", "--why", "wider casing")
    assert "casing.radius: 10 -> 11" in outcome.stdout
    assert "deploy_torque_peak: 43.9 -> 40 N mm (-8.88 %)" in outcome.stdout


def test_accept_without_a_reason_runs_and_keeps_nothing(shop: Shop) -> None:
    shop.case("a")
    outcome = call("accept", "a", "--why", " ")
    assert (outcome.exit_code, shop.ran) == (2, [])
    assert "--why is empty" in outcome.stderr
    assert call("accept", "a").exit_code == 2
    assert not REFERENCE.exists()


def test_accept_refuses_what_did_not_converge_and_keeps_the_old_reference(shop: Shop) -> None:
    shop.case("a")
    shop.case("b")
    call("accept", "a", "--why", "first")
    before = (REFERENCE / "a.rod.json").read_bytes()
    shop.forget_runs()
    shop.gives("a", replace(deployed(), status=Status.NOT_CONVERGED))
    outcome = call("accept", "a", "b", "--why", "second")
    assert outcome.exit_code == 3
    assert "a: the rod run did not converge" in outcome.stderr
    assert (REFERENCE / "a.rod.json").read_bytes() == before
    assert read(REFERENCE / "b.rod.json").status == Status.DEPLOYED


def test_accept_of_a_faulty_case_ends_with_2_and_accepts_the_others(shop: Shop) -> None:
    shop.case("a")
    shop.case("b")
    shop.edit("b", "gap = 1.0", "gap = -1.0")
    outcome = call("accept", "b", "a", "nix", "--why", "first")
    assert outcome.exit_code == 2
    assert "slot.gap: must be > 0 mm" in outcome.stderr
    assert "nix.toml: there is no such file" in outcome.stderr
    assert [file.name for file in REFERENCE.iterdir()] == ["a.rod.json"]


def test_accept_does_not_overwrite_a_damaged_reference(shop: Shop) -> None:
    """Its history would be lost without a word."""
    shop.case("a")
    call("accept", "a", "--why", "first")
    (REFERENCE / "a.rod.json").write_text("{")
    outcome = call("accept", "a", "--why", "second")
    assert outcome.exit_code == 2
    assert "bring it back from version control, or remove it" in outcome.stderr
    assert (REFERENCE / "a.rod.json").read_text() == "{"


def test_rod_and_shell_stand_side_by_side(shop: Shop) -> None:
    shop.case("a")
    call("accept", "a", "--why", "quick")
    call("accept", "a", "--model", "shell", "--why", "slow")
    assert sorted(file.name for file in REFERENCE.iterdir()) == ["a.rod.json", "a.shell.json"]
    assert '"same"' in call("compare", "a", "--json").stdout
    document = json.loads(call("compare", "a", "--model", "shell", "--json").stdout)
    assert [(one["model"], one["kind"]) for one in document["cases"]] == [("shell", "same")]
    (REFERENCE / "a.rod.json").unlink()
    outcome = call("compare")
    assert outcome.exit_code == 0
    assert "accepted for the shell model: compare --model shell" in outcome.stdout


# ---- compare -----------------------------------------------------------------------------------------------


def kinds(outcome: Outcome) -> dict[str, str]:
    return {one["case"]: one["kind"] for one in json.loads(outcome.stdout)["cases"]}


def test_all_kinds_at_once(shop: Shop) -> None:
    for name in ("same", "code", "mesh", "design", "status"):
        shop.case(name)
    assert call("accept", "same", "code", "mesh", "design", "status", "--why", "first").exit_code == 0
    shop.forget_runs()
    shop.ran.clear()
    shop.case("fresh")
    shop.gives("code", deployed(), deploy_torque_peak=47.0)
    shop.edit("mesh", "[push]", "[solver]\nturn = 3.0\n\n[push]")
    shop.edit("design", "radius = 10.0", "radius = 11.0")
    shop.gives("design", deployed(), deploy_torque_peak=40.0)
    shop.edit("status", "radius = 10.0", "radius = 11.0")
    shop.gives("status", jammed())
    outcome = call("compare")
    assert outcome.exit_code == 1
    assert sorted(shop.ran) == [(name, "rod") for name in ("code", "design", "mesh", "same", "status")]
    text = outcome.stdout
    assert "1 same, 1 code regression, 1 mesh change, 1 design change, 1 STATUS CHANGE, 1 new" in text
    assert "code (rod): code regression: the case says the same, the program gives other numbers" in text
    assert "deploy torque peak 43.9 -> 47 N mm +7.06 %" in text
    assert "casing.radius: 10 -> 11" in text
    assert "solver.turn: 2.86478897" in text
    assert f"status (rod): WAS DEPLOYED, IS JAMMED ({JamMode.COIL_LOCKS}); the design changed" in text
    assert 'nothing accepted yet: pushpast accept fresh --why "..."' in text
    as_json = call("compare", "--json")
    assert as_json.exit_code == 1
    assert kinds(as_json) == {
        "same": "same", "code": "code regression", "mesh": "mesh change", "design": "design change",
        "status": "status change", "fresh": "new",
    }  # fmt: skip


def test_finished_runs_are_not_run_again(shop: Shop) -> None:
    shop.case("a")
    call("accept", "a", "--why", "first")
    assert call("compare").exit_code == 0
    assert len(shop.ran) == 1
    shop.edit("a", "radius = 10.0", "radius = 11.0")
    assert call("compare").exit_code == 0
    assert call("compare").exit_code == 0
    assert len(shop.ran) == 2


def test_design_and_mesh_changes_are_no_failure(shop: Shop) -> None:
    shop.case("a")
    call("accept", "a", "--why", "first")
    shop.edit("a", "radius = 10.0", "radius = 11.0")
    shop.gives("a", deployed(), deploy_torque_peak=20.0)
    assert call("compare").exit_code == 0


def test_json_has_the_agreed_shape_and_one_document(shop: Shop) -> None:
    shop.case("a")
    call("accept", "a", "--why", "first")
    shop.forget_runs()
    shop.gives("a", deployed(), deploy_torque_peak=47.0)
    document = json.loads(call("compare", "a", "--json").stdout)
    assert document["schema"] == 1
    (case,) = document["cases"]
    assert set(case) >= {
        "case",
        "model",
        "kind",
        "cause",
        "status",
        "jam",
        "keys",
        "quantities",
        "curves",
        "notes",
    }
    moved = next(one for one in case["quantities"] if one["quantity"] == "deploy_torque_peak")
    assert (moved["old"], moved["new"], moved["verdict"]) == (43.9, 47.0, "beyond")
    assert {one["phase"] for one in case["curves"]} == {"retract", "deploy"}


def test_a_vanished_and_a_new_quantity_are_told(shop: Shop) -> None:
    shop.case("a")
    call("accept", "a", "--why", "first")
    shop.forget_runs()
    numbers = dict(deployed().quantities)
    numbers["brand_new_mm"] = Quantity(3.0, "mm")
    del numbers["retract_torque_peak"]
    shop.made["a"] = replace(deployed(), quantities=numbers)
    outcome = call("compare", "a")
    assert outcome.exit_code == 1
    rows = [line.split() for line in outcome.stdout.splitlines()]
    assert ["retract", "torque", "peak", "19.4", "N", "mm", "->", "gone", "vanished"] in rows
    assert ["brand", "new", "none", "->", "3", "mm", "new"] in rows


def test_a_curve_that_moved_is_told_with_its_place(shop: Shop) -> None:
    shop.case("a")
    call("accept", "a", "--why", "first")
    shop.forget_runs()
    base = deployed()
    torque = base.column("torque_Nmm") + np.where(base.column("phase") == 1, 3.0, 0.0)
    shop.made["a"] = replace(base, path=dict(base.path) | {"torque_Nmm": torque})
    outcome = call("compare", "a")
    assert outcome.exit_code == 1
    assert "curve of winding in: " in outcome.stdout
    assert "% of its height and width away (allowed 2 %)" in outcome.stdout


def test_fast_leaves_out_slow_and_new_cases(shop: Shop) -> None:
    shop.case("quick")
    shop.case("slow")
    call("accept", "quick", "slow", "--why", "first")
    file = REFERENCE / "slow.rod.json"
    took = f'"seconds": {read(file).seconds!r}'
    assert took in file.read_text()
    file.write_text(file.read_text().replace(took, '"seconds": 300.0'))
    shop.case("fresh")
    assert kinds(call("compare", "--fast", "--json")) == {"quick": "same"}
    (REFERENCE / "quick.rod.json").unlink()
    outcome = call("compare", "--fast")
    assert outcome.exit_code == 2
    assert "nothing to compare: there is no reference of a run that took at most 30 s" in outcome.stderr


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('"schema": 1', '"schema": 2', "has schema 2, written by a newer pushpast"),
        ('"status"', '"stat', "bring it back from version control"),
    ],
)
def test_a_future_or_damaged_reference_stops_no_other(shop: Shop, old: str, new: str, message: str) -> None:
    shop.case("a")
    shop.case("b")
    call("accept", "a", "b", "--why", "first")
    file = REFERENCE / "a.rod.json"
    file.write_text(file.read_text().replace(old, new, 1))
    outcome = call("compare")
    assert outcome.exit_code == 2
    (line,) = [
        line for line in outcome.stderr.splitlines() if line.startswith("results/reference/a.rod.json")
    ]
    assert message in line
    assert "1 same, 1 bad input" in outcome.stdout
    assert kinds(call("compare", "--json")) == {"a": NoResult.BAD_INPUT, "b": "same"}


def test_an_unknown_case_and_no_case_at_all(shop: Shop) -> None:
    outcome = call("compare", "nix")
    assert outcome.exit_code == 2
    assert "nix.toml: there is no such file" in outcome.stderr
    outcome = call("compare")
    assert outcome.exit_code == 2
    assert "nothing to compare: there is no case below cases/" in outcome.stderr


def test_a_reference_whose_case_is_gone_is_told(shop: Shop) -> None:
    shop.case("a")
    shop.case("b")
    call("accept", "a", "b", "--why", "first")
    Path("cases/a.toml").unlink()
    outcome = call("compare")
    assert outcome.exit_code == 2
    assert (
        "results/reference/a.rod.json: belongs to no case below cases/; bring the case back" in outcome.stderr
    )
    assert call("compare", "b").exit_code == 0


def test_a_case_that_breaks_off_is_told_and_stops_no_other(shop: Shop) -> None:
    shop.case("a")
    shop.case("b")
    call("accept", "a", "b", "--why", "first")
    shop.forget_runs()
    good = shop.run_case

    def run_case(case: Case, model: str, progress: Callable[[float, str], None], keeper: object) -> Result:
        if case.name == "a":
            raise ZeroDivisionError("by nothing")
        return good(case, model, progress, keeper)

    sys.modules["fem.simulation.run"].run_case = run_case  # type: ignore[attr-defined]
    outcome = call("compare", "--json")
    assert outcome.exit_code == 2
    assert kinds(outcome) == {"a": NoResult.BAD_INPUT, "b": "same"}
    assert "ZeroDivisionError: by nothing" in outcome.stderr


def test_a_pull_request_gets_its_tables(shop: Shop) -> None:
    shop.case("a")
    call("accept", "a", "--why", "first")
    shop.edit("a", "radius = 10.0", "radius = 11.0")
    shop.gives("a", deployed(), deploy_torque_peak=47.0)
    assert call("compare", "--markdown", "change.md").exit_code == 0
    lines = Path("change.md").read_text().splitlines()
    assert "| a | rod | design change | deployed | deploy torque peak 43.9 → 47 N mm +7.06 % |" in lines
    assert "- `casing.radius`: 10 → 11" in lines
    assert "| deploy torque peak | 43.9 | 47 N mm | +7.06 % | beyond 2 % |" in lines
    assert call("compare", "--markdown", "no/such/folder.md").exit_code == 2


def test_pictures_go_into_a_folder(shop: Shop) -> None:
    shop.case("a")
    call("accept", "a", "--why", "first")
    shop.edit("a", "radius = 10.0", "radius = 11.0")
    shop.gives("a", jammed())
    outcome = call("compare", "--plot", "pictures")
    assert outcome.exit_code == 1
    assert "wrote pictures/a.rod.png" in outcome.stderr
    assert Path("pictures/a.rod.png").read_bytes().startswith(b"\x89PNG")
    Path("file").write_text("")
    outcome = call("compare", "--plot", "file")
    assert outcome.exit_code == 2
    assert "file: pictures cannot be written" in outcome.stderr


def test_comparing_finished_runs_loads_nothing_heavy(shop: Shop) -> None:
    shop.case("a")
    call("accept", "a", "--why", "first")
    code = (
        "import sys\nfrom typer.testing import CliRunner\nfrom fem.cli.verbs import app\n"
        "assert CliRunner().invoke(app, ['compare']).exit_code == 0\nprint(*sys.modules)"
    )
    root = Path(__file__).resolve().parents[3]
    loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True,
        env={**os.environ, "PYTHONPATH": str(root)},
    ).stdout.split()  # fmt: skip
    assert not {"numba", "skfem", "matplotlib", "pyvista", "vtk", "gmsh", "meshio", "h5py"} & set(loaded)
