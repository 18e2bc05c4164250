"""`meshes/` holds the meshes of the cases as they are now, for meshio and for people."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import meshio
import numpy as np
import pytest
from PIL import Image

from fem.case.definition import read_case
from fem.exchange import case_meshes
from fem.exchange.case_meshes import CASES, MESHES, ROD, fingerprint, main, mesh_of_case, write_case
from fem.rod.model import build_rod_model
from fem.shell.model import build_shell_model

ROOT = Path(__file__).resolve().parents[3]
ACCEPTED = sorted({file.name.split(".")[0] for file in (ROOT / "results" / "reference").glob("*.rod.json")})


def cells_of(mesh: meshio.Mesh, kind: str, name: str | None = None) -> np.ndarray:
    """Elements (k, corners) of a kind, in a group if one is named, sorted."""
    found = [
        block.data if name is None else block.data[mesh.cell_sets[name][number]]
        for number, block in enumerate(mesh.cells)
        if block.type == kind
    ]
    elements = np.concatenate(found)
    return elements[np.lexsort(elements.T[::-1])]


def test_every_accepted_case_has_a_mesh_and_a_picture() -> None:
    assert len(ACCEPTED) >= 5
    for ending in (".msh", ".png"):
        assert set(ACCEPTED) <= {file.stem for file in MESHES.glob(f"*{ending}")}
    told = (MESHES / "README.md").read_text()
    for name in ACCEPTED:
        assert f"({name}.png)" in told


@pytest.mark.parametrize("name", ACCEPTED)
def test_the_mesh_is_the_one_the_case_gives_now(name: str) -> None:
    """If not: python -m fem.exchange.case_meshes."""
    case = read_case(CASES / f"{name}.toml")
    shell, rod = build_shell_model(case).body.shell.grid, build_rod_model(case).rod.nodes
    mesh, read = mesh_of_case(case), meshio.read(MESHES / f"{name}.msh")
    np.testing.assert_array_equal(mesh.shell.stations, shell.stations)
    np.testing.assert_array_equal(mesh.rod, rod)
    np.testing.assert_allclose(read.points[: shell.nodes, :2], mesh.shell.places, atol=1e-10)
    np.testing.assert_allclose(read.points[shell.nodes :, 0], rod, atol=1e-10)
    assert (read.points[shell.nodes :, 1:] == 0.0).all()
    np.testing.assert_array_equal(
        np.sort(cells_of(read, "quad"), axis=1), np.sort(shell.dofs[:, ::4] // 4, axis=1)
    )
    assert set(read.field_data) == {*mesh.shell.groups, *mesh.shell.edges, ROD}
    for group, elements in mesh.shell.groups.items():
        np.testing.assert_array_equal(cells_of(read, "quad", group), mesh.shell.cells[elements])
    for edge, pairs in mesh.shell.edges.items():
        np.testing.assert_array_equal(cells_of(read, "line", edge), pairs)
    first = shell.nodes + np.arange(rod.size - 1)
    np.testing.assert_array_equal(cells_of(read, "line", ROD), np.stack([first, first + 1], axis=1))


@pytest.mark.parametrize("name", ACCEPTED)
def test_the_picture_shows_that_mesh_and_is_small(name: str) -> None:
    file = MESHES / f"{name}.png"
    assert file.stat().st_size < 150_000
    with Image.open(file) as picture:
        assert picture.text["Description"] == fingerprint(MESHES / f"{name}.msh")
        assert picture.width > 2 * picture.height
        assert len(np.unique(np.asarray(picture.convert("RGB")).reshape(-1, 3), axis=0)) > 50


def test_groups_of_the_spine_are_named() -> None:
    read = meshio.read(MESHES / "boom-spine.msh")
    spine = cells_of(read, "quad", "layer 2 pa12")
    assert np.abs(read.points[spine, 1]).max() == pytest.approx(2.0, abs=1e-10)
    assert len(spine) + len(cells_of(read, "quad", "layer 2 elsewhere soft-print")) == len(
        cells_of(read, "quad")
    )
    assert {"bend 1", "bend 2", "slot", "root edge", "tip edge", "free edge", "symmetry line"} <= set(
        read.field_data
    )


def test_a_case_outside_the_repository_is_written_anywhere(tmp_path: Path) -> None:
    outside = tmp_path / "mine.toml"
    text = (CASES / "boom-soft.toml").read_text().replace("width = 12.0", "width = 10.0")
    outside.write_text(text)
    mesh, picture = write_case(read_case(outside), tmp_path)
    assert (mesh.name, picture.name) == ("mine.msh", "mine.png")
    assert np.abs(meshio.read(mesh).points[:, 1]).max() == pytest.approx(5.0)
    assert sorted(file.name for file in tmp_path.iterdir()) == ["mine.msh", "mine.png", "mine.toml"]


def test_the_command_says_what_is_wrong_with_a_case(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    wrong = tmp_path / "wrong.toml"
    wrong.write_text("title = 3\n")
    assert main([str(wrong)]) == 2
    assert "wrong.toml:1: title" in capsys.readouterr().err


def test_a_case_at_fault_costs_no_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(case_meshes, "MESHES", tmp_path / "meshes")
    assert main([str(tmp_path / "none.toml"), str(CASES / "boom-soft.toml")]) == 2
    assert "none.toml: there is no such file" in capsys.readouterr().err
    assert (tmp_path / "meshes" / "boom-soft.msh").is_file()


def test_meshes_are_found_whatever_folder_one_stands_in(tmp_path: Path) -> None:
    told = "from fem.exchange.case_meshes import MESHES; print(MESHES)"
    done = subprocess.run(
        [sys.executable, "-c", told], cwd=tmp_path, env={"PYTHONPATH": str(ROOT)}, capture_output=True,
        text=True, check=True,
    )  # fmt: skip
    assert Path(done.stdout.strip()) == ROOT / "meshes"
