"""Where meshes are kept, what names them, how many there may be."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

from fem.mesh import mesh_cache
from fem.mesh.line_mesh import SizeField, line_mesh
from fem.mesh.mesh_cache import default_folder, keep, kept_file, read_mesh, sweep

CONTENT = {"length": 95.0, "across": [0.0, 6.0]}


@pytest.mark.skipif(sys.platform in {"win32", "darwin"}, reason="these systems name the folder otherwise")
def test_meshes_lie_in_the_users_folder_whatever_folder_one_stands_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "users"))
    line_mesh(20.0, SizeField(4.0))
    (file,) = (tmp_path / "users").rglob("*.msh")
    assert file.parent == default_folder()
    assert list((tmp_path / "here").iterdir()) == []


def test_a_user_without_a_home_gets_a_mesh_that_is_not_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    def homeless() -> Path:
        raise RuntimeError("Could not determine home directory.")

    monkeypatch.setattr(mesh_cache, "caches", homeless)
    assert default_folder() is None
    assert kept_file("mesh.line_mesh", CONTENT) is None
    assert line_mesh(20.0, SizeField(4.0)).stations.size == 6


def test_content_code_and_generator_name_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def name(maker: str = "mesh.line_mesh", **changes: object) -> str:
        file = kept_file(maker, {**CONTENT, **changes}, tmp_path)
        assert file is not None and file.parent == tmp_path
        return file.name

    first = name()
    assert name() == first
    others = {name(length=96.0), name(across=[0.0, 5.0]), name("mesh.developed_mesh")}
    monkeypatch.setattr(mesh_cache, "version", lambda package: "0.1")
    others.add(name())
    monkeypatch.setattr(mesh_cache, "digest", lambda module: "another source")
    others.add(name())
    assert len(others | {first}) == 6


def test_a_writer_that_fails_leaves_nothing(tmp_path: Path) -> None:
    def fail(name: str) -> None:
        Path(name).write_text("half a")
        raise OSError("no space left on device")

    keep(tmp_path / "mesh.msh", fail)
    assert list(tmp_path.iterdir()) == []


def test_meshes_not_used_for_longest_go_first(tmp_path: Path) -> None:
    for number in range(10):
        file = tmp_path / f"{number}.msh"
        file.write_text("")
        os.utime(file, (number, number))
    sweep(tmp_path, largest=10, spare=2)
    assert len(list(tmp_path.iterdir())) == 10
    os.utime(tmp_path / "0.msh", (99, 99))
    (tmp_path / "new.msh").write_text("")
    sweep(tmp_path, largest=10, spare=2)
    left = {file.stem for file in tmp_path.iterdir()}
    assert left == {"0", "4", "5", "6", "7", "8", "9", "new"}


def test_a_mesh_that_is_read_counts_as_used(tmp_path: Path) -> None:
    line_mesh(20.0, SizeField(4.0), tmp_path)
    (file,) = tmp_path.iterdir()
    os.utime(file, (1.0, 1.0))
    line_mesh(20.0, SizeField(4.0), tmp_path)
    assert file.stat().st_mtime > 1.0


def test_what_is_no_mesh_is_none_and_says_nothing(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "mesh.msh"
    assert read_mesh(file) is None
    for content in (
        b"",
        b"\0" * 99,
        b"$MeshFormat\n4.1 1 8\n",
        b"$MeshFormat\n4.1 0 8\n$EndMeshFormat\n$Nodes\n",
    ):
        file.write_bytes(content)
        assert read_mesh(file) is None
    assert capfd.readouterr() == ("", "")
