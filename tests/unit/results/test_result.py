"""Results survive the stepper to disk unchanged, and nothing half-written is ever taken for a result."""

from __future__ import annotations

import csv
import json
import math
import os
from dataclasses import fields, replace
from pathlib import Path

import h5py
import jsonschema
import made_results
import numpy as np
import pytest

from fem.core.errors import InputError
from fem.results import result as results
from fem.results.outcome import Status
from fem.results.result import (
    Jam,
    Quantity,
    Result,
    published_schema,
    read,
    read_summary,
    to_json,
    write,
)
from fem.simulation.jam_modes import JamMode

ROOT = Path(__file__).resolve().parents[3]


def same(first: Result, second: Result) -> bool:
    def equal(a: object, b: object) -> bool:
        if isinstance(a, (np.ndarray, float)):
            return bool(np.array_equal(a, b, equal_nan=True))  # type: ignore[arg-type]
        if isinstance(a, dict) and isinstance(b, dict):
            return list(a) == list(b) and all(equal(a[key], b[key]) for key in a)
        if isinstance(a, tuple) and isinstance(b, tuple):
            return len(a) == len(b) and all(equal(*pair) for pair in zip(a, b, strict=True))
        if hasattr(a, "__dataclass_fields__"):
            return type(a) is type(b) and all(
                equal(getattr(a, item.name), getattr(b, item.name))
                for item in fields(a)  # type: ignore[arg-type]
            )
        return a == b

    return equal(first, second)


def names(folder: Path) -> list[str]:
    return sorted(entry.name for entry in folder.iterdir())


@pytest.mark.parametrize("made", [made_results.deployed, made_results.jammed])
def test_reading_gives_back_what_was_written(made, tmp_path: Path) -> None:
    written = made()
    assert same(read(write(written, tmp_path / "case")), written)
    assert not same(read(tmp_path / "case"), replace(written, seconds=9.0))


def test_an_empty_path_and_no_snapshots_survive(tmp_path: Path) -> None:
    bare = replace(
        made_results.deployed(), path={"travel_mm": np.empty(0)}, snapshots=(), status=Status.NOT_CONVERGED
    )
    back = read(write(bare, tmp_path / "case"))
    assert back.rows == 0 and back.snapshots == () and back.critical() is None


def test_numbers_that_are_not_finite_become_null(tmp_path: Path) -> None:
    made = made_results.jammed()
    assert made.jam is not None
    path = dict(made.path) | {"torque_Nmm": np.where(made.path["step"] == 3, np.inf, made.path["torque_Nmm"])}
    made = replace(
        made,
        jam=replace(made.jam, torque_Nmm=math.inf),
        path=path,
        provenance={"a": [np.float64("nan"), np.int64(3)]},
    )
    write(made, tmp_path / "case")

    def refuse(token: str) -> None:
        raise AssertionError(f"{token} in strict JSON")

    document = json.loads((tmp_path / "case/result.json").read_text(), parse_constant=refuse)
    assert document["quantities"]["safe_travel"]["value"] is None
    assert document["jam"]["torque_Nmm"] is None
    assert document["provenance"] == {"a": [None, 3]}
    assert document["path"]["columns"]["torque_Nmm"]["greatest"] == np.sort(path["torque_Nmm"])[-2]
    back = read(tmp_path / "case")
    assert math.isnan(back.quantities["safe_travel"].value)
    assert back.path["torque_Nmm"][3] == math.inf


def test_the_summary_has_the_agreed_keys() -> None:
    summary = made_results.jammed().summary("results/runs/boom")
    agreed = {
        "case",
        "model",
        "status",
        "sentence",
        "quantities",
        "jam",
        "bends",
        "energy_audit",
        "seconds",
        "folder",
    }
    assert agreed <= set(summary)
    assert {"mode", "station_mm", "travel_mm", "torque_Nmm"} <= set(summary["jam"])
    assert {"bend", "station_mm", "peak_torque_Nmm", "peak_push_N"} <= set(summary["bends"][0])
    assert {"value", "unit"} <= set(summary["quantities"]["retract_torque_peak"])
    assert made_results.deployed().summary()["jam"] is None
    json.dumps(summary, allow_nan=False)


def test_the_document_repeats_the_summary(tmp_path: Path) -> None:
    made = made_results.jammed()
    document = json.loads((write(made, tmp_path / "case") / "result.json").read_text())
    assert document["schema"] == 1
    assert {key: document[key] for key in made.summary()} == made.summary()
    assert document["path"]["rows"] == 300
    assert document["path"]["columns"]["travel_mm"] == {
        "first": 0.0,
        "last": 57.6,
        "least": 0.0,
        "greatest": 82.0,
    }
    assert document["snapshots"]["moments"][-1]["phase"] == "deploy"


def test_the_table_opens_anywhere(tmp_path: Path) -> None:
    made = made_results.deployed()
    with open(write(made, tmp_path / "case") / "path.csv", newline="") as text:
        rows = list(csv.DictReader(text))
    assert len(rows) == made.rows
    assert float(rows[7]["torque_Nmm"]) == made.path["torque_Nmm"][7]
    assert rows[0]["tip_x_mm"] == ""
    loaded = np.genfromtxt(tmp_path / "case/path.csv", delimiter=",", names=True)
    np.testing.assert_array_equal(loaded["push_N"], made.path["push_N"])


def test_the_same_result_gives_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a", "b"):
        write(made_results.jammed(), tmp_path / name)
    for file in ("result.json", "path.csv", "fields.vtkhdf"):
        assert (tmp_path / "a" / file).read_bytes() == (tmp_path / "b" / file).read_bytes()


def test_a_new_result_replaces_the_old_one_with_its_pictures(tmp_path: Path) -> None:
    folder = write(made_results.jammed(), tmp_path / "case")
    (folder / "critical.png").write_bytes(b"of the old one")
    write(made_results.deployed(), folder)
    assert read(folder).status == Status.DEPLOYED
    assert names(folder) == ["fields.vtkhdf", "path.csv", "result.json"]
    assert names(tmp_path) == ["case"]


def test_the_case_travels_with_its_result(tmp_path: Path) -> None:
    made = replace(made_results.deployed(), case_text='title = "Ausleger \u00fc"\n')
    folder = write(made, tmp_path / "case")
    assert (folder / "case.toml").read_text("utf-8") == made.case_text
    assert read(folder).case_text == made.case_text


@pytest.mark.parametrize("step", ["fsync", "first rename", "second rename"])
def test_a_failed_write_leaves_the_old_result(
    step: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = write(made_results.jammed(), tmp_path / "case")
    (folder / "critical.png").write_bytes(b"picture")
    calls = {"count": 0}
    real = Path.rename

    def full_disk(*_: object) -> None:
        raise OSError(28, "No space left on device")

    def rename(source: Path, target: Path) -> Path:
        calls["count"] += 1
        if calls["count"] == (1 if step == "first rename" else 2):
            full_disk()
        return real(source, target)

    if step == "fsync":
        monkeypatch.setattr(os, "fsync", full_disk)
    else:
        monkeypatch.setattr(Path, "rename", rename)
    with pytest.raises(InputError, match=r"No space left.*earlier one is untouched"):
        write(made_results.deployed(), folder)
    monkeypatch.undo()
    assert read(folder).status == Status.JAMMED
    assert (folder / "critical.png").read_bytes() == b"picture"
    assert names(tmp_path) == ["case"]


def test_the_result_set_aside_is_found_if_the_machine_died_between_the_renames(tmp_path: Path) -> None:
    folder = write(made_results.jammed(), tmp_path / "case")
    folder.rename(tmp_path / ".case.0123.previous")
    assert read(folder).status == Status.JAMMED
    write(made_results.deployed(), folder)
    assert read(folder).status == Status.DEPLOYED
    assert names(tmp_path) == ["case"]


def test_content_json_cannot_hold_is_refused_before_anything_is_touched(tmp_path: Path) -> None:
    folder = write(made_results.jammed(), tmp_path / "case")
    with pytest.raises(TypeError, match="cannot put a object into JSON"):
        write(replace(made_results.deployed(), provenance={"what": object()}), folder)
    assert read(folder).status == Status.JAMMED and names(tmp_path) == ["case"]


def test_a_file_in_the_way_is_said(tmp_path: Path) -> None:
    (tmp_path / "case").write_text("mine")
    with pytest.raises(InputError, match="case is a file"):
        write(made_results.deployed(), tmp_path / "case")
    assert (tmp_path / "case").read_text() == "mine"


def edit(**changes: object):
    def damage(folder: Path) -> None:
        file = folder / "result.json"
        document = json.loads(file.read_text()) | changes
        file.write_text(json.dumps({key: value for key, value in document.items() if value != "gone"}))

    return damage


def cut(name: str, part: float):
    def damage(folder: Path) -> None:
        content = (folder / name).read_bytes()
        (folder / name).write_bytes(content[: int(len(content) * part)])

    return damage


def edit_fields(change):
    def damage(folder: Path) -> None:
        with h5py.File(folder / "fields.vtkhdf", "r+") as file:
            change(file)

    return damage


def spoil_middle(name: str):
    def damage(folder: Path) -> None:
        content = bytearray((folder / name).read_bytes())
        middle = len(content) // 2
        content[middle : middle + 64] = bytes(64)
        (folder / name).write_bytes(content)

    return damage


def drop_line(folder: Path) -> None:
    lines = (folder / "path.csv").read_text().splitlines(keepends=True)
    (folder / "path.csv").write_text("".join(lines[:-1]))


def shorten_line(folder: Path) -> None:
    text = (folder / "path.csv").read_text()
    (folder / "path.csv").write_text(text.rstrip().rsplit(",", 1)[0] + "\n")


def rewrite(name: str, old: str, new: str):
    def damage(folder: Path) -> None:
        text = (folder / name).read_text()
        assert old in text
        (folder / name).write_text(text.replace(old, new, 1))

    return damage


@pytest.mark.parametrize(
    ("damage", "said"),
    [
        (lambda folder: (folder / "result.json").unlink(), "no finished result.*run the case first"),
        (cut("result.json", 0.5), "result.json: cannot be read as JSON.*run the case again"),
        (
            lambda folder: (folder / "result.json").write_text("[1]"),
            "schema must be a whole number from 1, got None",
        ),
        (edit(schema="1"), "schema must be a whole number from 1, got '1'"),
        (edit(schema=True), "schema must be a whole number from 1, got True"),
        (edit(schema=2), "has schema 2, written by a newer pushpast.*update pushpast"),
        (edit(status="gone"), "result.json: status: Field required"),
        (edit(seconds="3"), "seconds: Input should be a valid number"),
        (edit(jam={"mode": "x"}), r"jam\.station_mm: Field required"),
        (edit(bends=[{"bend": 1.5}]), r"bends\.0\.bend: "),
        (edit(quantities={"a": {"value": 1}}), r"quantities\.a\.unit: Field required"),
        (edit(path={"rows": 3}), r"path\.file: Field required; path\.columns"),
        (drop_line, "path.csv: .*300 whole rows of 21 columns, this file has 299 of 21"),
        (shorten_line, "path.csv: .*300 whole rows of 21 columns, this file has 299 of 21"),
        (lambda folder: (folder / "path.csv").unlink(), "path.csv: cannot be read"),
        (cut("path.csv", 0.4), "path.csv: .*300 whole rows of 21 columns.*run the case again"),
        (lambda folder: (folder / "path.csv").write_text(""), "path.csv: .*this file has 0 of 0"),
        (rewrite("path.csv", "torque_Nmm", "torque_Nm"), "path.csv: "),
        (rewrite("path.csv", "0.05", "?"), "could not convert string to float"),
        (lambda folder: (folder / "fields.vtkhdf").unlink(), "fields.vtkhdf: cannot be read"),
        (cut("fields.vtkhdf", 0.5), "fields.vtkhdf: cannot be read.*run the case again"),
        (lambda folder: (folder / "fields.vtkhdf").write_text("no"), "fields.vtkhdf: cannot be read"),
        (edit_fields(lambda file: file.__delitem__("pushpast/along")), "fields.vtkhdf: cannot be read"),
        (edit_fields(lambda file: file.__delitem__("VTKHDF")), "fields.vtkhdf: cannot be read"),
        (edit_fields(lambda file: file["pushpast/grid"].write_direct(np.array([0, 0, 7]))), "fields.vtkhdf"),
        (
            edit_fields(lambda file: file["pushpast"].attrs.modify("format", 3)),
            "fields.vtkhdf: has field format 3, of a later pushpast: update pushpast",
        ),
        (
            edit_fields(lambda file: file["pushpast"].attrs.modify("format", 1)),
            "fields.vtkhdf: has field format 1, of an earlier pushpast .*wrong.*: run the case again",
        ),
        (spoil_middle("fields.vtkhdf"), "fields.vtkhdf: cannot be read.*run the case again"),
    ],
)
def test_a_damaged_result_is_said_clearly(damage, said: str, tmp_path: Path) -> None:
    folder = write(made_results.jammed(), tmp_path / "case")
    assert read(folder).status == Status.JAMMED
    damage(folder)
    with pytest.raises(InputError, match=f"(?s){said}"):
        read(folder)


def test_a_later_minor_addition_is_tolerated(tmp_path: Path) -> None:
    folder = write(made_results.jammed(), tmp_path / "case")
    edit(something_new=[1, 2])(folder)
    assert read(folder).status == Status.JAMMED


def test_snapshot_shapes_are_checked() -> None:
    shot = made_results.snapshot("x", 10.0, 1)
    with pytest.raises(ValueError, match=r"height must have shape \(121, 9\), got \(121,\)"):
        replace(shot, height=shot.station)
    with pytest.raises(ValueError, match="phase must be below 4, got 7"):
        replace(shot, phase=7)
    with pytest.raises(ValueError, match="equally long"):
        replace(made_results.deployed(), path={"a": np.zeros(2), "b": np.zeros(3)})


def test_arrays_cannot_be_written_into() -> None:
    made = made_results.deployed()
    with pytest.raises(ValueError, match="read-only"):
        made.path["travel_mm"][0] = 1.0
    with pytest.raises(ValueError, match="read-only"):
        made.snapshots[0].height[0] = 1.0


def test_surface_of_a_known_place() -> None:
    """Heading +y: the normal points to -x, so a height of 2 lies 2 mm to the left of the mid-line."""
    shot = made_results.snapshot("x", 0.0, 0)
    n, m = shot.height.shape
    turned = replace(
        shot, heading=np.full(n, np.pi / 2), height=np.full((n, m), 2.0), position=np.tile([5.0, 7.0], (n, 1))
    )
    surface = turned.surface()
    np.testing.assert_allclose(surface[3, :, :2], np.tile([3.0, 7.0], (m, 1)), atol=1e-14)
    np.testing.assert_array_equal(surface[..., 2], shot.lateral)


def test_the_critical_snapshot() -> None:
    made = made_results.jammed()
    critical = made.critical()
    assert critical is not None and critical.label == "jam"
    unnamed = replace(made, snapshots=tuple(replace(shot, label="moment") for shot in made.snapshots))
    nearest = unnamed.critical()
    assert nearest is not None and nearest.travel == 57.6
    deployed = made_results.deployed()
    worst = deployed.critical()
    assert worst is not None
    assert worst.strain_share.max() == max(shot.strain_share.max() for shot in deployed.snapshots)


def test_a_column_that_was_not_recorded_is_empty() -> None:
    made = made_results.deployed()
    assert np.isnan(made.column("wrap_contact_mm")).all() and made.column("wrap_contact_mm").size == made.rows


def test_a_state_knows_its_row() -> None:
    made = made_results.deployed()
    for shot in made.snapshots:
        assert made.column("step")[made.row_of(shot)] == shot.step
    assert replace(made, path={}).row_of(made.snapshots[0]) == -1


def test_json_of_odd_values() -> None:
    odd = {1: np.bool_(True), "a": (np.float32(0.5), None), "b": Quantity}
    with pytest.raises(TypeError, match="cannot put"):
        to_json(odd)
    assert to_json({1: np.bool_(True), "a": (np.float32(0.5), None, -math.inf)}) == {
        "1": True,
        "a": [0.5, None, None],
    }
    assert results.to_json(np.array([1.0, np.nan])) == [1.0, None]


def test_what_is_written_keeps_to_the_published_schema(tmp_path: Path) -> None:
    """Checked by the jsonschema library (JSON Schema, draft 2020-12)."""
    published = json.loads((ROOT / "fem" / "results" / "result.schema.json").read_text("utf-8"))
    jsonschema.Draft202012Validator.check_schema(published)
    check = jsonschema.Draft202012Validator(published)
    for made in (made_results.deployed(), made_results.jammed(), made_results.pressed()):
        document = json.loads((write(made, tmp_path / "case") / "result.json").read_text())
        assert list(check.iter_errors(document)) == []
        for key in set(published["required"]):
            assert list(check.iter_errors({k: v for k, v in document.items() if k != key})), key
        assert list(check.iter_errors(document | {"schema": 2}))
        assert list(check.iter_errors(document | {"seconds": "3"}))


def test_the_published_schema_has_the_keys_the_program_knows() -> None:
    published = json.loads((ROOT / "fem" / "results" / "result.schema.json").read_text("utf-8"))
    known = published_schema()
    assert published["properties"].keys() == known["properties"].keys()
    assert published["required"] == known["required"]
    assert published["properties"]["schema"] == {"const": results.SCHEMA}
    for name, part in known["$defs"].items():
        assert published["$defs"][name]["properties"].keys() == part["properties"].keys(), name


def test_states_may_be_left_unread(tmp_path: Path) -> None:
    made = made_results.jammed()
    folder = write(made, tmp_path / "case")
    (folder / "fields.vtkhdf").unlink()
    bare = read(folder, states=False)
    assert same(bare, replace(made, snapshots=(), intended_path=np.empty((0, 2))))


def test_the_summary_is_read_without_the_rest(tmp_path: Path) -> None:
    made = made_results.jammed()
    folder = write(replace(made, case_text='title = "x"\n'), tmp_path / "case")
    told = read_summary(folder)
    assert told is not None
    assert told.pop("provenance") == to_json(made.provenance)
    assert told == made.summary(folder)
    cut("result.json", 0.5)(folder)
    assert read_summary(folder) is None
    assert read_summary(tmp_path / "none") is None


def test_the_place_of_a_jam_at_the_clamp_is_the_root() -> None:
    assert Jam(JamMode.ROOT_FOLDS, 0.0, 70.0, 50.0).place == "at the root"
    assert Jam(JamMode.ROOT_FOLDS, 4.75, 70.0, 50.0).place == "4.8 mm from the root"


def test_a_folder_with_other_things_in_it_is_not_replaced(tmp_path: Path) -> None:
    home = tmp_path / "home"
    (home / "letters").mkdir(parents=True)
    with pytest.raises(InputError, match="holds letters, which belongs to no result"):
        write(made_results.jammed(), home)
    (home / "letters").rmdir()
    (home / "diary.txt").write_text("dear")
    with pytest.raises(InputError, match=r"holds diary\.txt"):
        write(made_results.jammed(), home)
    assert names(home) == ["diary.txt"] and names(tmp_path) == ["home"]
    (home / "diary.txt").unlink()
    assert write(made_results.jammed(), home) == home


def test_runs_are_not_replaced_by_a_run(tmp_path: Path) -> None:
    """Not even where a stray result lies among them."""
    write(made_results.jammed(), tmp_path / "runs" / "a")
    write(made_results.jammed(), tmp_path / "stray")
    for file in (tmp_path / "stray").iterdir():
        file.rename(tmp_path / "runs" / file.name)
    with pytest.raises(InputError, match="holds a, which belongs to no result"):
        write(made_results.jammed(), tmp_path / "runs")
    assert read(tmp_path / "runs" / "a").status == Status.JAMMED


def test_of_a_link_in_place_of_a_result_only_the_link_goes(tmp_path: Path) -> None:
    write(made_results.jammed(), tmp_path / "elsewhere")
    (tmp_path / "runs").mkdir()
    (tmp_path / "runs" / "a").symlink_to(tmp_path / "elsewhere")
    write(made_results.deployed(), tmp_path / "runs" / "a")
    assert names(tmp_path / "runs") == ["a"] and not (tmp_path / "runs" / "a").is_symlink()
    assert read(tmp_path / "elsewhere").status == Status.JAMMED


@pytest.mark.parametrize("name", ["../x", "a+shell", "", ".work"])
def test_a_result_with_an_odd_name_is_neither_written_nor_read(name: str, tmp_path: Path) -> None:
    folder = tmp_path / "case"
    with pytest.raises(InputError, match="no name for a case"):
        write(replace(made_results.jammed(), case_name=name), folder)
    assert names(tmp_path) == []
    edit(case=name)(write(made_results.jammed(), folder))
    with pytest.raises(InputError, match="no name for a case"):
        read(folder)
