"""The line mesh honours its size field, is kept and found again, and survives without gmsh."""

from __future__ import annotations

import builtins
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fem.core.errors import MissingLibrary
from fem.mesh import generator
from fem.mesh.line_mesh import SizeField, Zone, divided, line_mesh

FIELD = SizeField(largest=4.0, zones=(Zone(0.0, 2.0, 0.8), Zone(20.0, 40.0, 1.2)), nodes=(55.0,))


def sizes_asked(stations: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    return FIELD.at(0.5 * (stations[1:] + stations[:-1]))


def test_size_is_the_smallest_asked_for_and_grows_away_from_a_zone() -> None:
    np.testing.assert_allclose(FIELD.at([1.0, 3.0, 30.0, 42.0, 90.0]), [0.8, 1.05, 1.2, 1.7, 4.0])


def test_gmsh_divides_by_the_size_field(tmp_path: Path) -> None:
    made = line_mesh(95.0, FIELD, tmp_path)
    assert made.warning is None
    assert made.stations[0] == 0.0
    assert made.stations[-1] == 95.0
    assert 55.0 in made.stations
    ratio = np.diff(made.stations) / sizes_asked(made.stations)
    assert ratio.max() < 1.05
    assert ratio.min() > 0.85


def test_a_kept_mesh_is_the_same_to_the_last_digit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first = line_mesh(95.0, FIELD, tmp_path)
    files = list(tmp_path.glob("*.msh"))
    assert len(files) == 1
    monkeypatch.setattr(generator, "load_gmsh", lambda: pytest.fail("the kept mesh should have been read"))
    second = line_mesh(95.0, FIELD, tmp_path)
    np.testing.assert_array_equal(first.stations, second.stations)


def test_another_size_field_is_another_file(tmp_path: Path) -> None:
    line_mesh(95.0, FIELD, tmp_path)
    line_mesh(95.0, SizeField(4.0), tmp_path)
    assert len(list(tmp_path.glob("*.msh"))) == 2


def test_a_torn_file_is_made_again(tmp_path: Path) -> None:
    first = line_mesh(95.0, FIELD, tmp_path)
    (file,) = tmp_path.glob("*.msh")
    whole = file.read_bytes()
    for length in (0, 60, len(whole) // 2):
        file.write_bytes(whole[:length])
        np.testing.assert_array_equal(line_mesh(95.0, FIELD, tmp_path).stations, first.stations)
        assert file.read_bytes() == whole


def test_reading_and_meshing_print_nothing(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    line_mesh(95.0, FIELD, tmp_path)
    line_mesh(95.0, FIELD, tmp_path)
    assert capfd.readouterr() == ("", "")


def test_the_built_in_rule_agrees_with_gmsh(tmp_path: Path) -> None:
    by_gmsh, by_rule = line_mesh(95.0, FIELD, tmp_path).stations, divided(95.0, FIELD)
    assert len(by_gmsh) == len(by_rule)
    np.testing.assert_allclose(by_rule, by_gmsh, atol=0.01)


def test_without_gmsh_the_rule_is_used_and_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = builtins.__import__

    def without(name: str, *rest: Any, **more: Any) -> Any:
        if name == "gmsh":
            raise OSError("libGLU.so.1: cannot open shared object file")
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(MissingLibrary, match=r"libGLU\.so\.1.*apt install libglu1-mesa"):
        generator.load_gmsh()
    made = line_mesh(95.0, FIELD, tmp_path)
    assert made.warning is not None
    assert "built-in rule" in made.warning
    np.testing.assert_array_equal(made.stations, divided(95.0, FIELD))
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_cannot_be_written_costs_only_the_kept_mesh(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("not a folder")
    assert line_mesh(95.0, FIELD, blocked / "cache").warning is None


def test_nodes_that_differ_by_rounding_are_one() -> None:
    field = SizeField(4.0, nodes=(30.0, 0.0, 30.0 + 1e-12, -1.0, 95.0, 95.0 - 1e-12, 30.001, 96.0))
    assert field.ends(95.0) == [0.0, 30.0, 30.001, 95.0]


def test_halving_sizes_doubles_elements() -> None:
    half = SizeField(2.0, tuple(Zone(z.start, z.end, z.size / 2) for z in FIELD.zones), growth=FIELD.growth)
    count = len(divided(95.0, half)) - 1
    assert count == pytest.approx(2 * (len(divided(95.0, SizeField(4.0, FIELD.zones))) - 1), rel=0.15)
