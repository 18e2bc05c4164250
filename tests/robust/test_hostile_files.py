"""Hostile files by name, met as a user meets them: by the command, in a folder among sound ones.

Each is one clear message with the file, what is wrong and what to do, and exit code 2; none stops the others.
"""

from __future__ import annotations

import json
import os
import re
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import h5py
import numpy as np
import pytest
from made_results import deployed
from typer.testing import CliRunner
from typer.testing import Result as Outcome

from fem.case.bounds import MOST_BASES, MOST_FAULTS, MOST_ITEMS
from fem.case.definition import Case, case_from, read_case
from fem.case.template import starter
from fem.cli.verbs import app
from fem.core.errors import CaseError
from fem.results.compare import SAME
from fem.results.outcome import NoResult
from fem.results.provenance import stamp
from fem.results.result import Result, write

SOUND = starter("sound")


@pytest.fixture(autouse=True)
def workplace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "200")
    (tmp_path / "cases").mkdir()
    return tmp_path


def call(*arguments: str) -> Outcome:
    outcome = CliRunner().invoke(app, list(arguments))
    assert outcome.exception is None or isinstance(outcome.exception, SystemExit), outcome.exception
    return outcome


def with_first(old: str, new: str) -> str:
    assert old in SOUND
    return SOUND.replace(old, new, 1)


WIDTH = "width = 12.0"
TITLE = 'title = "'
TEXTS: dict[str, tuple[str | bytes, str]] = {
    "deep-list": ("a = " + "[" * 50_000, "line 1.*nested deeper"),
    "deep-inline": ("a = " + "{a=" * 20_000, "nested deeper"),
    "deep-dotted-key": (".".join("a" * 20_000) + " = 1\n" + SOUND, "nested deeper"),
    "deep-header": (f"{SOUND}\n[{'.'.join('a' * 20_000)}]\n", "nested deeper"),
    "integer-of-thousands-of-digits": (
        with_first(WIDTH, "width = " + "9" * 5000), "number.*5000.*'width = 99",
    ),
    "hexadecimal-of-thousands-of-digits": (with_first(WIDTH, "width = 0x" + "f" * 50_000), "number.*50002"),
    "integer-of-hundreds-of-digits": (with_first(WIDTH, "width = " + "9" * 400), "number.*400"),
    "float-beyond-any": (with_first(WIDTH, "width = 1e99999"), r"strip\.width: .*finite number.*inf"),
    "megabyte-key": ("k" * 1_000_000 + " = 1\n" + SOUND, "larger than 100 kB"),
    "long-key": ("k" * 50_000 + " = 1\n" + SOUND, "key of 50000"),
    "long-quoted-key": ('"' + "k " * 500 + '" = 1\n' + SOUND, "name of 1000"),
    "megabyte-text": (with_first(TITLE, TITLE + "x" * 2_000_000), "larger than 100 kB"),
    "long-text": (with_first(TITLE, TITLE + "x" * 50_000), "text of 500.. letters.*'title"),
    "huge": (SOUND, "larger than 100 kB"),
    "many-tables": (SOUND + '\n[[obstacles]]\nkind = "plane"' * (MOST_ITEMS + 1), "obstacles: has 1001 it"),
    "many-keys": (SOUND + "\n[x]\n" + "\n".join(f"k{k} = {k}" for k in range(5000)), "x: has 5000 keys"),
    "many-faults": (SOUND + '\n[[obstacles]]\nkind = "plane"' * MOST_ITEMS, "has 2950 more faults"),
    "zero-byte": (SOUND + "\0", "not valid TOML"),
    "half-a-character": (with_first(TITLE, TITLE + "\\ud800"), "not valid TOML"),
    "latin-1": (with_first(TITLE, TITLE + "\xe9").encode("latin-1"), "UTF-8"),
    "utf-16": (SOUND.encode("utf-16"), "UTF-8"),
    "binary": (bytes(range(256)) * 20, "UTF-8|TOML"),
    "empty": ("", r"strip: is missing"),
    "extends-itself": ('extends = "extends-itself.toml"', "circle"),
    "extends-a-zero-byte": ('extends = "a\\u0000b.toml"\n', "extends: .*is no name of a file"),
    "extends-a-long-name": (f'extends = "{"a" * 1000}.toml"\n', "extends: .*cannot be read"),
    "extends-a-device": ('extends = "/dev/zero"\n', r"extends: .*ends in \.toml"),
    "extends-a-linked-device": ('extends = "zero.toml"\n', "extends: .*is a device"),
    "extends-a-pipe": ('extends = "pipe.toml"\n', "extends: .*is a named pipe"),
    "extends-a-folder": ('extends = "folder.toml"\n', "extends: .*is a folder"),
    "extends-another-kind-of-file": ('extends = "/etc/passwd"\n', r"extends: .*ends in \.toml"),
    "extends-a-link-in-a-circle": ('extends = "loop-a.toml"\n', "extends: .*cannot be read"),
    "extends-a-huge-file": ('extends = "huge.toml"\n', "extends: .*larger than 100 kB"),
    "extends-a-long-chain": ('extends = "chain/0.toml"\n', f"more than {MOST_BASES} files"),
    "extends-a-number": ("extends = 3\n", "extends: .*3"),
    "extends-a-table": ('extends = { a = "b.toml" }\n', "extends: "),
    "key-with-control-characters": ('"[red]\\u001b[31m" = 1\n' + SOUND, r"\[red\]\\u001b\[31m.*unknown"),
}  # fmt: skip
"""Name of a case -> what stands in its file, and what is told of it."""
NAMES = (
    "..toml", ".work.toml", "col+shell.toml", "-j.toml", "two words.toml", "new\nline.toml",
    "\x1b[31mred.toml", "a..b.toml", "semi;colon.toml", "\N{RIGHT-TO-LEFT OVERRIDE}lmot.toml",
    os.fsdecode(b"bad\xff.toml"),
)  # fmt: skip
"""Names that no case may have."""
OTHERS = ("pipe.toml", "zero.toml", "null.toml", "loop-a.toml", "loop-b.toml", "nowhere.toml", "folder.toml")
"""What is no plain file."""


def hostile(folder: Path) -> list[str]:
    """Fill a folder with everything above; returns the names of its files."""
    for name, (text, _) in TEXTS.items():
        (folder / f"{name}.toml").write_bytes(text if isinstance(text, bytes) else text.encode())
    os.truncate(folder / "huge.toml", 10**10)  # nothing is stored of what is zero
    for name in NAMES:
        (folder / name).write_text(SOUND)
    os.mkfifo(folder / "pipe.toml")
    for name, where in (
        ("zero", "/dev/zero"), ("null", "/dev/null"), ("nowhere", "gone"), ("loop-a", "loop-b.toml"),
        ("loop-b", "loop-a.toml"),
    ):  # fmt: skip
        (folder / f"{name}.toml").symlink_to(where)
    (folder / "folder.toml").mkdir()
    for name in "xyz":
        (folder / name).symlink_to(".")
    chain = folder.parent / "chain"
    chain.mkdir()
    for number in range(200):
        (chain / f"{number}.toml").write_text(f'extends = "{number + 1}.toml"\n')
    (folder / "chain").symlink_to(chain)
    return [file.name for file in folder.iterdir() if file.name.endswith(".toml")]


def soon(what: Callable[[], Any]) -> Any:
    begin = time.process_time()
    made = what()
    assert time.process_time() - begin < 2.0
    return made


@pytest.mark.parametrize("name", TEXTS)
def test_a_hostile_text_is_one_clear_message(name: str, workplace: Path) -> None:
    hostile(workplace / "cases")
    outcome = soon(lambda: call("check", f"cases/{name}.toml"))
    assert outcome.exit_code == 2
    *faults, count = outcome.stderr.splitlines()
    assert re.search(TEXTS[name][1], re.sub(r"^(\S+?):(\d+): ", r"\1: line \2 ", outcome.stderr), re.DOTALL)
    assert 0 < len(faults) <= MOST_FAULTS + 1 and count.endswith("in 1 case")
    assert all(fault.startswith(("cases/", "chain/", "cases/chain/")) for fault in faults)
    assert max(map(len, faults)) < 400 and outcome.stderr.isprintable() is False  # line ends only
    assert all(line.isprintable() for line in faults)


@pytest.mark.parametrize("name", [*NAMES, *OTHERS])
def test_a_hostile_file_is_one_clear_message(name: str, workplace: Path) -> None:
    hostile(workplace / "cases")
    if name == "folder.toml":
        with pytest.raises(CaseError, match="is a folder"):
            read_case(workplace / "cases" / name)
        return
    outcome = soon(lambda: call("check", "--", f"cases/{name}"))
    assert outcome.exit_code == 2
    fault, count = outcome.stderr.splitlines()
    assert fault.startswith("cases/") and fault.isprintable() and count == "1 fault in 1 case"


@pytest.mark.parametrize("name", NAMES)
def test_an_odd_name_is_refused_before_a_solve_and_writes_nothing(
    name: str, workplace: Path, solved: list[str]
) -> None:
    results = workplace / "results" / "runs" / "other"
    write(deployed(), results)
    (workplace / "cases" / name).write_text(SOUND)
    before = sorted(results.parent.rglob("*"))
    outcome = call("run", "--", f"cases/{name}")
    assert outcome.exit_code == 2 and "no name for a case" in outcome.stderr
    assert solved == []
    assert sorted(results.parent.rglob("*")) == before
    with pytest.raises(CaseError, match="no name for a case"):
        case_from({}, Path(name).stem)


# ---- none stops the others ---------------------------------------------------------------------------------


@pytest.fixture
def solved(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Names of cases that were solved, by something that takes no time."""
    import sys

    names: list[str] = []

    def run_case(case: Case, model: str, progress: object, keeper: object) -> Result:
        names.append(case.name)
        told: dict[str, Any] = {"case_text": case.text, "provenance": stamp(case, model)}
        return replace(deployed(), case_name=case.name, **told)

    module = ModuleType("fem.simulation.run")
    module.run_case = run_case  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "fem.simulation.run", module)
    return names


def test_check_tells_the_sound_ones_of_a_folder_of_hostile_files(workplace: Path) -> None:
    names = hostile(workplace / "cases")
    for name in ("aa", "mm", "zz"):
        (workplace / "cases" / f"{name}.toml").write_text(SOUND)
    outcome = soon(lambda: call("check", "cases", "--json"))
    assert outcome.exit_code == 2
    cases = {case["case"]: case for case in json.loads(outcome.stdout)["cases"]}
    assert len(cases) == len(names) - 1 + 3, "all but the folder"
    assert {name for name, case in cases.items() if not case["faults"]} == {"aa", "mm", "zz"}
    assert all(line.isprintable() for line in outcome.stdout.splitlines())
    outcome = soon(lambda: call("check", "cases"))
    assert outcome.stdout.count("coil outer radius") == 3
    assert all(line.isprintable() for line in (outcome.stdout + outcome.stderr).splitlines())


def test_a_batch_and_its_report_and_comparison_go_past_hostile_files(
    workplace: Path, solved: list[str]
) -> None:
    for name in ("aa", "zz"):
        (workplace / "cases" / f"{name}.toml").write_text(SOUND)
    assert call("accept", "cases", "--why", "first").exit_code == 0
    assert solved == ["aa", "zz"]
    hostile(workplace / "cases")
    references = workplace / "results" / "reference"
    (references / "empty.rod.json").write_text("[" * 100_000)
    (references / "deep-list.rod.json").symlink_to("/dev/zero")
    (references / "aa.shell.json").write_text('{"schema": ' + "9" * 5000 + "}")
    outcome = call("run", "cases", "--no-pictures", "--json")
    assert outcome.exit_code == 2
    cases = {case["case"]: case["status"] for case in json.loads(outcome.stdout)["cases"]}
    assert {name for name, status in cases.items() if status != NoResult.BAD_INPUT} == {"aa", "zz"}
    outcome = call("compare", "--json")
    assert outcome.exit_code == 2
    kinds = {
        case["case"]: case["kind"] for case in json.loads(outcome.stdout)["cases"] if case["model"] == "rod"
    }
    assert (kinds["aa"], kinds["zz"], kinds["empty"]) == (SAME, SAME, NoResult.BAD_INPUT)
    outcome = call("report", "cases", "--html", "all.html")
    assert outcome.exit_code == 2
    page = (workplace / "all.html").read_text()
    assert '<article id="aa"' in page and '<article id="zz"' in page and "Not in this report" in page
    assert sorted(path.name for path in (workplace / "results" / "runs").iterdir()) == [".work", "aa", "zz"]


DEEP = "[" * 100_000


def fields(change: Callable[[h5py.File], object]) -> Callable[[Path], object]:
    def spoil(folder: Path) -> None:
        with h5py.File(folder / "fields.vtkhdf", "r+") as file:
            change(file)

    return spoil


def document(**changes: object) -> Callable[[Path], object]:
    def spoil(folder: Path) -> None:
        file = folder / "result.json"
        file.write_text(json.dumps(json.loads(file.read_text()) | changes))

    return spoil


def replaced(name: str, content: str) -> Callable[[Path], object]:
    return lambda folder: (folder / name).write_text(content)


def linked(name: str, target: str) -> Callable[[Path], object]:
    def spoil(folder: Path) -> None:
        (folder / name).unlink()
        (folder / name).symlink_to(target)

    return spoil


def with_wall(**wall: object) -> Callable[[h5py.File], object]:
    def change(file: h5py.File) -> None:
        data = file["pushpast/obstacles"]
        walls = json.loads(data[0].decode())
        data[0] = json.dumps([walls[0] | wall, *walls[1:]])

    return change


def elsewhere(file: h5py.File) -> None:
    del file["pushpast/intended_path"]
    file["pushpast/intended_path"] = h5py.ExternalLink("/etc/passwd", "/x")


def in_another_file(file: h5py.File) -> None:
    del file["pushpast/intended_path"]
    file["pushpast"].create_dataset("intended_path", (4, 2), "f8", external=[("/etc/passwd", 0, 64)])


def endless(file: h5py.File) -> None:
    file["pushpast/more"] = file["pushpast"]


def enormous(file: h5py.File) -> None:
    del file["pushpast/intended_path"]
    file["pushpast"].create_dataset("intended_path", (10**9, 2), "f8", chunks=(1000, 2))


RESULTS: dict[str, tuple[Callable[[Path], object], str]] = {
    "nested-document": (replaced("result.json", DEEP), "result.json: .*nested too deeply.*run the case"),
    "endless-document": (linked("result.json", "/dev/zero"), "finished result"),
    "number-of-thousands-of-digits": (
        replaced("result.json", '{"schema": 1, "seconds": ' + "9" * 5000 + "}"),
        "result.json: cannot be read",
    ),
    "name-of-another-folder": (document(case="../../x"), "result.json: .*no name for a case"),
    "hidden-name": (document(case=".work"), "no name for a case"),
    "name-of-another-model": (document(case="aa+shell"), "no name for a case"),
    "unknown-model": (document(model="../x"), "model must be one of rod, shell"),
    "thousands-of-faults": (document(warnings=[1] * 5000), "warnings.0.*and more|4995 more faults"),
    "endless-path": (linked("path.csv", "/dev/zero"), "path.csv: cannot be read .*device"),
    "path-with-a-huge-cell": (replaced("path.csv", '"' + "9" * 500_000), "path.csv: cannot be read"),
    "endless-fields": (linked("fields.vtkhdf", "/dev/zero"), "fields.vtkhdf: cannot be read .*device"),
    "fields-in-another-file": (fields(elsewhere), "fields.vtkhdf: .*link to somewhere else"),
    "numbers-in-another-file": (fields(in_another_file), "fields.vtkhdf: .*numbers in another file"),
    "groups-in-a-circle": (fields(endless), "fields.vtkhdf: .*without end"),
    "terabytes": (fields(enormous), "fields.vtkhdf: .*claim"),
    "unknown-phase": (
        fields(lambda file: file["VTKHDF/FieldData/phase"].write_direct(np.full(4, 9.0))), "phase must be",
    ),
    "phase-that-is-no-number": (
        fields(lambda file: file["VTKHDF/FieldData/phase"].write_direct(np.full(4, np.inf))), "be read",
    ),
    "wall-without-numbers": (fields(with_wall(x="far")), "impossible numbers"),
    "wall-beyond-any": (fields(with_wall(x=1e300)), "impossible numbers"),
    "wall-that-is-no-table": (
        fields(lambda file: file["pushpast/obstacles"].__setitem__(0, "[3]")), "fields.vtkhdf: cannot be",
    ),
    "walls-nested": (
        fields(lambda file: file["pushpast/obstacles"].__setitem__(0, DEEP)), "fields.vtkhdf: cannot be read",
    ),
}  # fmt: skip
"""Name -> what is done to a result, and what is told of it."""


@pytest.mark.parametrize("name", RESULTS)
def test_a_hostile_result_is_one_clear_message_and_stops_no_other(name: str, workplace: Path) -> None:
    for case in ("aa", "zz"):
        write(replace(deployed(), case_name=case), workplace / "results" / "runs" / case)
    spoil, told = RESULTS[name]
    spoil(workplace / "results" / "runs" / "aa")
    outcome = soon(lambda: call("report", "aa", "zz", "--html", "both.html"))
    assert outcome.exit_code == 2
    assert re.search(told, outcome.stderr)
    assert len(outcome.stderr) < 1200 and "defect" not in outcome.stderr
    page = (workplace / "both.html").read_text()
    assert '<article id="zz"' in page and '<article id="aa"' not in page
    for verb in (("view", "aa", "--html", "a.html"), ("export", "aa", "a.vtu")):
        assert call(*verb).exit_code == 2
    assert not list(workplace.glob("a.*"))


def test_unknown_things_in_a_fields_file_are_a_message(workplace: Path) -> None:
    folder = write(replace(deployed(), case_name="aa"), workplace / "results" / "runs" / "aa")

    def more(file: h5py.File) -> None:
        file["pushpast/surprise"] = np.arange(3)
        file["VTKHDF/PointData/brightness"] = np.arange(3)

    fields(more)(folder)
    fields(with_wall(kind="spiral"))(folder)
    outcome = call("view", "aa", "--html", "a.html")
    assert outcome.exit_code == 0
    for name in ("pushpast/surprise", "VTKHDF/PointData/brightness", "an obstacle of the kind spiral"):
        assert name in outcome.stderr and name in (workplace / "a.html").read_text()


def test_a_run_in_a_folder_of_another_name_says_whose_it_is(workplace: Path) -> None:
    write(deployed(), workplace / "results" / "runs" / "copy")
    outcome = call("view", "copy", "--html", "a.html")
    assert (
        outcome.exit_code == 0
        and "results/runs/copy: holds a run of boom-corrected, rod model" in outcome.stderr
    )


# ---- text of others ----------------------------------------------------------------------------------------

MARKUP = (
    "[bold red]b[/bold red] [/x] :bomb: <b>h</b><script>alert(1)</script> \x1b[31mred\x1b]0;t\x07 \u202e|`$x$"
)
"""Markup of the terminal's library, of pages and of Markdown, sequences of a terminal, a turned direction."""
PIECES = (
    "[bold red]b[/bold red] [/x] :bomb:",
    "<b>h</b><script>alert(1)</script>",
    r"\x1b[31mred\x1b]0;t\x07 \u202e|`$x$",
)


def hostile_texts(case: Case, model: str) -> Result:
    """A result in which every text is hostile."""
    made = deployed()
    bad = {f"odd{MARKUP}": replace(next(iter(made.quantities.values())), note=MARKUP, unit=MARKUP)}
    shots = tuple(replace(shot, label=MARKUP, obstacles=tuple({**w, "name": MARKUP} for w in shot.obstacles))
                  for shot in made.snapshots)  # fmt: skip
    return replace(
        made, case_name=case.name, title=MARKUP, status=MARKUP, sentence=MARKUP, warnings=(MARKUP,),
        quantities=dict(made.quantities) | bad, snapshots=shots, case_text=case.text,
        provenance=stamp(case, model) | {MARKUP: MARKUP},
    )  # fmt: skip


def test_markup_and_control_characters_of_others_are_text_wherever_they_are_shown(
    workplace: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import sys

    escaped = json.dumps(MARKUP)[1:-1]
    text = SOUND.replace(TITLE, f"{TITLE}{escaped}", 1).replace('"tpu-95a"', f'"{escaped}"')
    text += (
        f'\n[materials."{escaped}"]\nyoung = 80.0\npoisson = 0.45\nstrain_limit = 0.1\nsource = "{escaped}"\n'
    )
    (workplace / "cases" / "a.toml").write_text(text)
    module = ModuleType("fem.simulation.run")
    module.run_case = lambda case, model, progress, keeper: hostile_texts(case, model)  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "fem.simulation.run", module)
    shown = [
        call("check", "a"),
        call("run", "a", "--no-pictures"),
        call("run", "a"),
        call("accept", "a", "--why", MARKUP),
    ]
    (workplace / "cases" / "a.toml").write_text(text.replace("radius = 10.0", "radius = 11.0"))
    shown += [
        call("compare", "a", "--markdown", "a.md"),
        call("run", "a", "--json"),
        call("check", "a", "--json"),
    ]
    (workplace / "cases" / "a.toml").write_text(
        text.replace("width = 12.0", f'"{escaped}" = 1\nwidth = "{escaped}"')
    )
    shown += [call("check", "a")]
    for outcome in shown:
        said = outcome.stdout + outcome.stderr
        assert [ascii(line) for line in said.splitlines() if not line.isprintable()] == []
        assert "\N{BOMB}" not in said
    words = " ".join((shown[0].stdout + shown[1].stdout).split())
    assert all(piece in words for piece in PIECES)


def test_so_they_are_on_pages_in_drawings_and_in_pictures(workplace: Path) -> None:
    (workplace / "cases" / "a.toml").write_text(SOUND)
    result = hostile_texts(read_case(workplace / "cases" / "a.toml"), "rod")
    folder = write(result, workplace / "results" / "runs" / "a")
    assert call("view", "a", "--html", "view.html").exit_code == 0
    assert call("report", "a", "--html", "report.html").exit_code == 0
    for page in ("view.html", "report.html"):
        text = (workplace / page).read_text()
        assert "<script>alert" not in text and "<b>h</b>" not in text
        assert "&lt;script&gt;alert(1)" in text
        assert all(line.isprintable() for line in text.replace("\t", " ").splitlines())
    from fem.view.plot import torque_plot

    torque_plot(result, folder / "torque.png")
    assert (folder / "torque.png").stat().st_size > 10_000
