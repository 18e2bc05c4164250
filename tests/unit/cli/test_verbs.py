"""What a user of the command gets: texts, JSON shapes, exit codes, and nothing heavy before it is needed."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from types import ModuleType

import pytest
import typer
from made_results import deployed, jammed
from typer.testing import CliRunner
from typer.testing import Result as Outcome

from fem.case.definition import Case
from fem.cli.verbs import app
from fem.core.errors import MissingLibrary
from fem.results.outcome import NoResult, Status
from fem.results.provenance import stamp
from fem.results.result import Result
from fem.simulation.jam_modes import JamMode

ROOT = Path(__file__).resolve().parents[3]


@pytest.fixture(autouse=True)
def workplace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "200")
    return tmp_path


def call(*arguments: str) -> Outcome:
    outcome = CliRunner().invoke(app, list(arguments))
    assert outcome.exception is None or isinstance(outcome.exception, SystemExit), outcome.exception
    return outcome


def python(code: str) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env=environment, check=True
    )


@pytest.mark.parametrize("verb", [command.name for command in typer.main.get_group(app).commands.values()])
def test_help_shows_all_it_says(verb: str):
    command = typer.main.get_group(app).commands[verb]
    texts = [command.help or "", *(getattr(each, "help", None) or "" for each in command.params)]
    assert not [text for text in texts if "[" in text], "what is in brackets is taken as markup and vanishes"
    assert not re.search(r"default: (nan|inf)", call(verb, "--help").output)


# ---- starting fast -----------------------------------------------------------------------------------------

HEAVY = (
    "numpy",
    "scipy",
    "numba",
    "skfem",
    "matplotlib",
    "pyvista",
    "vtk",
    "gmsh",
    "meshio",
    "pydantic",
    "rich.progress",
    "h5py",
    "filelock",
    "distributed",
)


def test_help_loads_nothing_heavy() -> None:
    loaded = python(
        "import sys\nfrom typer.testing import CliRunner\nfrom fem.cli.verbs import app\n"
        "out = CliRunner().invoke(app, ['--help'])\nassert 'check' in out.output\nprint(*sys.modules)"
    ).stdout.split()
    assert not set(HEAVY) & set(loaded)


def test_check_loads_no_mesh_no_picture_and_no_element_library() -> None:
    call("new", "x")
    loaded = python(
        "import sys\nfrom typer.testing import CliRunner\nfrom fem.cli.verbs import app\n"
        "assert CliRunner().invoke(app, ['check', 'x']).exit_code == 0\nprint(*sys.modules)"
    ).stdout.split()
    assert not {"skfem", "matplotlib", "pyvista", "vtk", "gmsh", "meshio", "h5py"} & set(loaded)


def test_help_names_every_verb_and_the_exit_codes() -> None:
    outcome = call("--help")
    assert outcome.exit_code == 0
    for word in ("new", "check", "run", "view", "verify", "2 bad input", "3 a case did not converge"):
        assert word in outcome.output


def test_no_verb_shows_the_help_and_an_unknown_one_is_bad_input() -> None:
    assert "Commands" in call().output
    assert call("simulate").exit_code == 2


def test_version() -> None:
    assert call("--version").output == "pushpast 0.1.0\n"


# ---- new and check -----------------------------------------------------------------------------------------


def test_new_writes_a_case_that_passes_check(workplace: Path) -> None:
    outcome = call("new", "my-boom")
    assert outcome.exit_code == 0
    assert "cases/my-boom.toml" in outcome.stderr
    assert (workplace / "cases" / "my-boom.toml").is_file()
    assert call("check", "my-boom").exit_code == 0


def test_new_keeps_what_is_there_and_refuses_odd_names(workplace: Path) -> None:
    call("new", "a")
    before = (workplace / "cases" / "a.toml").read_text()
    outcome = call("new", "a")
    assert outcome.exit_code == 2
    assert "cases/a.toml" in outcome.stderr
    assert (workplace / "cases" / "a.toml").read_text() == before
    assert call("new", "a b/..").exit_code == 2
    (workplace / "b.toml").symlink_to("nowhere")
    assert call("new", "b.toml").exit_code == 2
    assert not (workplace / "nowhere").exists()


@pytest.mark.parametrize(
    "name",
    ["../x", "..", ".", "", ".work", "a/../../x", "/tmp/x", "x/..toml", "..toml", ".work.toml", "a+shell",
     "-", "a\x1b[31m", "a\n", "a" * 150, "new/deep/" + "a" * 240 + ".toml", "more/\0.toml"],
)  # fmt: skip
def test_new_writes_nowhere_else_and_leaves_nothing_where_it_fails(name: str, workplace: Path) -> None:
    inside = workplace / "inside"
    inside.mkdir()
    before = sorted(workplace.parent.rglob("*"))
    os.chdir(inside)
    outcome = call("new", "--", name)
    assert outcome.exit_code == 2 and len(outcome.stderr.splitlines()) == 1
    assert sorted(workplace.parent.rglob("*")) == before


def test_new_leaves_no_folder_where_the_disk_refuses(
    workplace: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(*arguments: object, **more: object) -> None:
        raise OSError(28, "No space left on device")

    for target in ("fem.core.atomic.open", "os.mkdir"):
        with monkeypatch.context() as patch:
            patch.setattr(target, refused, raising=False)
            outcome = call("new", "some/where/a.toml")
        assert outcome.exit_code == 2 and "No space left" in outcome.stderr
        assert list(workplace.iterdir()) == []


def test_check_prints_numbers_without_solving() -> None:
    call("new", "a")
    outcome = call("check", "cases/a.toml")
    assert outcome.exit_code == 0
    for word in ("coil outer radius", "bending stiffness", "motor margin", "bends, from the root"):
        assert word in outcome.stdout
    assert re.findall(r"\d+", outcome.stderr) == ["0", "1"], "faults, cases"


def test_check_tells_what_a_run_takes_and_refuses_what_takes_too_much(workplace: Path) -> None:
    call("new", "a")
    assert "run rod memory" in call("check", "a").stdout
    text = 'extends = "cases/a.toml"\n[solver]\ncontact_spacing = 0.0002\n'
    (workplace / "b.toml").write_text(text)
    for verb in (("check",), ("run", "--no-pictures")):
        outcome = call(*verb, "b.toml", "--json")
        assert outcome.exit_code == 2
        (case,) = json.loads(outcome.stdout)["cases"]
        (fault,) = case["faults"]
        assert fault["key"] == "solver.contact_spacing"
        assert re.search(r"about \S+ MB .* more than 2048 MB.* write 0.00\d+ mm", fault["message"])


def test_check_as_json_has_the_agreed_shape() -> None:
    call("new", "a")
    outcome = call("check", "a", "--json")
    document = json.loads(outcome.stdout)
    assert document["schema"] == 1
    (case,) = document["cases"]
    assert case["case"] == "a"
    assert case["faults"] == []
    assert case["quantities"]["thickness_mm"] == {"value": 0.6, "unit": "mm", "note": ""}
    assert case["section"]["bending_stiffness"]["unit"] == "N mm^2"
    assert len(case["digest"]) == 64


def broken(workplace: Path, name: str = "bad") -> None:
    (workplace / f"{name}.toml").write_text('title = "x"\n[slot]\ngap = -1.0\n[axle]\nradius = "4"\n')


def test_check_tells_all_faults_of_all_cases_and_ends_with_2(workplace: Path) -> None:
    call("new", "a")
    broken(workplace)
    outcome = call("check", "bad.toml", "a", "none.toml")
    assert outcome.exit_code == 2
    lines = outcome.stderr.splitlines()
    assert any(re.match(r"bad\.toml:3: slot\.gap: .*> 0 mm.* -1", line) for line in lines)
    assert any(re.match(r'bad\.toml:5: axle\.radius: .*mm.* "4"', line) for line in lines)
    assert any(line.startswith("none.toml: ") for line in lines)
    assert re.findall(r"\d+", lines[-1]) == ["5", "3"], "faults, cases"
    assert "coil outer radius" in outcome.stdout, "the sound one is told all the same"


def test_faults_in_json_carry_key_line_and_message(workplace: Path) -> None:
    broken(workplace)
    outcome = call("check", "bad.toml", "--json")
    assert outcome.exit_code == 2
    (case,) = json.loads(outcome.stdout)["cases"]
    assert {
        "file": "bad.toml",
        "key": "slot.gap",
        "line": 3,
        "message": "must be > 0 mm, got -1; write a larger number",
    } in case["faults"]
    assert case["quantities"] == {}


def test_the_same_name_twice_is_refused() -> None:
    call("new", "a")
    call("new", "more/a.toml")
    outcome = call("check", "a", "more/a.toml")
    assert outcome.exit_code == 2
    assert re.search(r"more/a\.toml: .*cases/a\.toml", outcome.stderr)


# ---- run and view ------------------------------------------------------------------------------------------

Runner = Callable[..., Result]


@pytest.fixture
def runs(monkeypatch: pytest.MonkeyPatch) -> Callable[[Runner], None]:
    """Put a function in place of the simulation; pictures are replaced by empty files."""

    def replaced(run_case: Runner) -> None:
        module = ModuleType("fem.simulation.run")
        module.run_case = lambda case, model, progress, keeper: run_case(case, model, progress)  # type: ignore[attr-defined]
        monkeypatch.setitem(sys.modules, "fem.simulation.run", module)

    for name, function in (("fem.view.plot", "torque_plot"), ("fem.view.still", "critical_picture")):
        module = ModuleType(name)
        setattr(module, function, lambda result, file, *more: file.write_bytes(b""))
        monkeypatch.setitem(sys.modules, name, module)
    return replaced


def named(case: Case, result: Result) -> Result:
    return replace(result, case_name=case.name)


def test_run_writes_results_and_one_table(workplace: Path, runs: Callable[[Runner], None]) -> None:
    call("new", "a")
    call("new", "b")
    seen: list[tuple[str, str]] = []

    def run_case(case: Case, model: str, progress: Callable[[float, str], None]) -> Result:
        progress(0.5, "half way")
        print("noise of a library")
        seen.append((case.name, model))
        return named(case, deployed() if case.name == "a" else jammed())

    runs(run_case)
    outcome = call("run", "a", "b")
    assert outcome.exit_code == 0, "a jam is a result, not an error"
    assert seen == [("a", "rod"), ("b", "rod")]
    assert outcome.stdout.count("verdict") == 1
    assert Status.JAMMED in outcome.stdout
    assert jammed().sentence in outcome.stdout
    for name in ("result.json", "path.csv", "fields.vtkhdf", "torque.png", "critical.png"):
        assert (workplace / "results" / "runs" / "b" / name).is_file()


def test_run_as_json_has_the_agreed_shape(runs: Callable[[Runner], None]) -> None:
    call("new", "a")
    runs(lambda case, model, progress: named(case, jammed()))
    document = json.loads(call("run", "a", "--json").stdout)
    assert document["schema"] == 1
    (case,) = document["cases"]
    keys = "case model status sentence quantities jam bends energy_audit seconds folder"
    assert set(case) >= set(keys.split())
    assert set(case["jam"]) >= {"mode", "station_mm", "travel_mm", "torque_Nmm"}
    assert case["folder"] == "results/runs/a"


def test_a_case_that_does_not_converge_ends_with_3(runs: Callable[[Runner], None]) -> None:
    call("new", "a")
    runs(
        lambda case, model, progress: replace(named(case, deployed()), status=Status.NOT_CONVERGED, jam=None)
    )
    assert call("run", "a").exit_code == 3


def test_a_case_whose_time_ran_out_ends_with_4(runs: Callable[[Runner], None]) -> None:
    call("new", "a")
    runs(lambda case, model, progress: replace(named(case, deployed()), status=Status.OUT_OF_TIME, jam=None))
    outcome = call("run", "a", "--limit", "0.5")
    assert outcome.exit_code == 4
    assert Status.OUT_OF_TIME in outcome.stdout


@pytest.mark.parametrize("limit", ["0", "-1", "nan"])
def test_a_limit_that_is_none_is_refused(limit: str) -> None:
    call("new", "a")
    outcome = call("run", "a", "--limit", limit)
    assert outcome.exit_code == 2
    assert "--limit" in outcome.stderr


def test_a_bad_case_does_not_stop_the_others(workplace: Path, runs: Callable[[Runner], None]) -> None:
    call("new", "a")
    broken(workplace)
    runs(lambda case, model, progress: named(case, deployed()))
    outcome = call("run", "bad.toml", "a", "--json")
    assert outcome.exit_code == 2
    bad, good = json.loads(outcome.stdout)["cases"]
    assert bad["status"] == NoResult.BAD_INPUT
    assert any(fault["key"] == "slot.gap" for fault in bad["faults"])
    assert good["status"] == Status.DEPLOYED
    assert "slot.gap: " in outcome.stderr


def test_a_defect_in_one_case_does_not_stop_the_others(runs: Callable[[Runner], None]) -> None:
    call("new", "a")
    call("new", "b")

    def run_case(case: Case, model: str, progress: Callable[[float, str], None]) -> Result:
        if case.name == "a":
            raise ZeroDivisionError("by nothing")
        return named(case, deployed())

    runs(run_case)
    outcome = call("run", "a", "b", "--json")
    assert outcome.exit_code == 3
    broken_off, good = json.loads(outcome.stdout)["cases"]
    assert broken_off["status"] == NoResult.BROKEN_OFF
    assert "ZeroDivisionError: by nothing" in broken_off["sentence"]
    assert "Traceback" in outcome.stderr
    assert good["status"] == Status.DEPLOYED


def test_a_missing_system_library_costs_only_the_picture(
    workplace: Path, runs: Callable[[Runner], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    call("new", "a")
    runs(lambda case, model, progress: named(case, deployed()))

    def no_driver(result: Result, file: Path) -> None:
        raise MissingLibrary("pictures need EGL; apt install libegl1")

    monkeypatch.setattr(sys.modules["fem.view.still"], "critical_picture", no_driver)
    outcome = call("run", "a")
    assert outcome.exit_code == 0
    assert re.search("^a: .*pictures need EGL; apt install libegl1$", outcome.stderr, re.MULTILINE)
    assert (workplace / "results" / "runs" / "a" / "torque.png").is_file()


def test_what_libraries_print_never_reaches_stdout(workplace: Path) -> None:
    """At the level of the file descriptor, as compiled libraries do it."""
    call("new", "a")
    code = (
        "import sys, os\nfrom types import ModuleType\nfrom dataclasses import replace\n"
        f"sys.path.insert(0, {str(ROOT / 'tests' / 'unit')!r})\nfrom made_results import deployed\n"
        "def run_case(case, model, progress, keeper):\n    os.write(1, b'noise\\n')\n"
        "    print('more noise')\n"
        "    return replace(deployed(), case_name=case.name)\n"
        "module = ModuleType('fem.simulation.run')\nmodule.run_case = run_case\n"
        "sys.modules['fem.simulation.run'] = module\n"
        "from fem.cli.verbs import app\napp(['run', 'a', '--no-pictures', '--json'], standalone_mode=False)\n"
    )
    finished = python(code)
    assert json.loads(finished.stdout)["cases"][0]["case"] == "a"
    assert "noise" in finished.stderr
    assert "more noise" in finished.stderr


def test_view_draws_a_finished_run_or_says_to_run_it(workplace: Path, runs: Callable[[Runner], None]) -> None:
    call("new", "a")
    outcome = call("view", "a", "--png", "a.png")
    assert outcome.exit_code == 2
    assert "results/runs/a: " in outcome.stderr
    runs(lambda case, model, progress: named(case, deployed()))
    call("run", "a")
    assert call("view", "cases/a.toml", "--png", "a.png").exit_code == 0
    assert (workplace / "a.png").is_file()
    outcome = call("view", "a", "--html", "a.html")
    assert outcome.exit_code == 0 and "a.html" in outcome.stderr
    assert deployed().sentence in (workplace / "a.html").read_text()
    assert call("view", "a", "--html", "nowhere/a.html").stderr.startswith("nowhere/a.html ")
    assert "--png" in call("view", "a").stderr


def test_a_report_is_made_of_finished_runs(workplace: Path, runs: Callable[[Runner], None]) -> None:
    for name in ("a", "b"):
        call("new", name)
    runs(lambda case, model, progress: named(case, jammed() if case.name == "b" else deployed()))
    call("run", "a", "--no-pictures")
    outcome = call("report", "a", "b", "--html", "both.html")
    assert outcome.exit_code == 2 and "results/runs/b: " in outcome.stderr
    text = (workplace / "both.html").read_text()
    assert deployed().sentence in text, "one that has not run costs no other"
    assert "Not in this report" in text and "results/runs/b: " in text
    call("run", "b", "--no-pictures")
    assert call("report", "a", "b", "--html", "both.html").exit_code == 0
    text = (workplace / "both.html").read_text()
    assert deployed().sentence in text and jammed().sentence in text
    assert "Not in this report" not in text
    outcome = call("report", "c", "--html", "none.html")
    assert outcome.exit_code == 2 and "results/runs/c: " in outcome.stderr
    assert not (workplace / "none.html").exists(), "nothing half-written"
    outcome = call("report", "a")
    assert outcome.exit_code == 0 and "results/runs/report.html" in outcome.stderr


def test_a_verdict_tells_how_a_jam_shows_on_the_bench(runs: Callable[[Runner], None]) -> None:
    mode = next(iter(JamMode))
    call("new", "a")
    made = jammed()
    assert made.jam is not None
    known = replace(made, jam=replace(made.jam, mode=mode))
    runs(lambda case, model, progress: named(case, known))
    told = " ".join(call("run", "a", "--no-pictures").stdout.split())
    assert f"{mode}, on the bench: {mode.bench}" in told
    runs(lambda case, model, progress: named(case, deployed()))
    assert "on the bench" not in call("run", "a", "--no-pictures").stdout


def test_an_export_is_written_or_refused(workplace: Path, runs: Callable[[Runner], None]) -> None:
    call("new", "a")
    runs(lambda case, model, progress: named(case, jammed()))
    call("run", "a")
    outcome = call("export", "a", "jam.stl")
    assert outcome.exit_code == 0
    assert all(fact in outcome.stderr for fact in ("jam.stl", "230", "(jam,", "57.6 mm"))
    assert (workplace / "jam.stl").stat().st_size > 100_000
    assert call("export", "a", "in.vtu", "--at", "wound in").exit_code == 0
    refused = call("export", "a", "in.vtu", "--at", "nowhere")
    assert refused.exit_code == 2
    assert all(fact in refused.stderr for fact in ("'nowhere'", "fully out", "wound in", "jam"))
    assert "results/runs/b: " in call("export", "b", "b.vtu").stderr


def test_equal_failures_are_told_once_with_the_list(workplace: Path, runs: Callable[[Runner], None]) -> None:
    for name in ("a", "b", "c"):
        call("new", name)
    broken(workplace, "base")
    for name in ("d", "e"):
        (workplace / "cases" / f"{name}.toml").write_text('extends = "../base.toml"\n')

    def run_case(case: Case, model: str, progress: Callable[[float, str], None]) -> Result:
        if case.name == "c":
            return named(case, deployed())
        raise ZeroDivisionError("by nothing")

    runs(run_case)
    outcome = call("run", "cases")
    assert outcome.exit_code == 2
    assert outcome.stderr.count("slot.gap: ") == 1
    assert re.search(r"slot\.gap: .*-1.*\(.*d, e\)", outcome.stderr)
    assert outcome.stderr.count("ZeroDivisionError: by nothing") == 1
    assert re.search(r"a, b: .*ZeroDivisionError: by nothing", outcome.stdout)
    assert "3/3 c: " in outcome.stderr


def test_a_folder_without_cases_is_bad_input(workplace: Path) -> None:
    (workplace / "empty").mkdir()
    for verb in ("run", "check"):
        outcome = call(verb, "empty")
        assert outcome.exit_code == 2
        assert re.search(r"empty: .*\*\.toml", outcome.stderr)


def test_the_table_says_what_was_up_to_date(runs: Callable[[Runner], None]) -> None:
    call("new", "a")
    ran: list[str] = []

    def run_case(case: Case, model: str, progress: Callable[[float, str], None]) -> Result:
        ran.append(case.name)
        told = {"case_text": case.text, "provenance": stamp(case, model)}
        return replace(named(case, deployed()), **told)  # type: ignore[arg-type]

    runs(run_case)
    assert "up to date" not in call("run", "a").stdout
    again = call("run", "a")
    assert "up to date" in again.stdout
    assert deployed().sentence in again.stdout
    assert json.loads(call("run", "a", "--json").stdout)["cases"][0]["skipped"] is True
    assert ran == ["a"]
    assert json.loads(call("run", "a", "--json", "--fresh").stdout)["cases"][0]["skipped"] is False
    assert ran == ["a", "a"]


# ---- verify ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Check:
    name: str
    ok: bool
    source: str = "a table"
    model: str = "rod"
    published: float = 1.0
    computed: float = 1.01
    error: float = 0.01
    tolerance: float = 0.02
    seconds: float = 0.1


@pytest.mark.parametrize(("second_ok", "code"), [(True, 0), (False, 1)])
def test_verify_prints_every_check_and_ends_with_1_if_one_differs(
    monkeypatch: pytest.MonkeyPatch, second_ok: bool, code: int
) -> None:
    module = ModuleType("fem.verification.verify")
    asked: list[bool] = []

    def run_checks(fast: bool, progress: Callable[[Check], None]) -> list[Check]:
        asked.append(fast)
        checks = [Check("one", True), Check("two", second_ok)]
        progress(checks[0])
        return checks

    module.run_checks = run_checks  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "fem.verification.verify", module)
    outcome = call("verify", "--fast", "--json")
    assert outcome.exit_code == code
    assert asked == [True]
    document = json.loads(outcome.stdout)
    assert [check["ok"] for check in document["checks"]] == [True, second_ok]
    assert set(document["checks"][0]) == {
        "name", "source", "model", "published", "computed", "error", "tolerance", "ok", "seconds"
    }  # fmt: skip
    text = call("verify").stdout
    assert ("DIFFERS" in text) is not second_ok
    assert f"{2 if second_ok else 1} of 2 " in text
