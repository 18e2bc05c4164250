"""What other programs get: the mid-surface with its numbers, a closed body of the true volume."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import made_results
import meshio
import numpy as np
import pytest
import pyvista

from fem.core.errors import InputError
from fem.exchange.export import export, state_at
from fem.results.vtkhdf import surface_data

JAMMED = made_results.jammed()


def test_a_vtu_file_has_the_surface_and_its_fields(tmp_path: Path) -> None:
    shot = export(JAMMED, tmp_path / "jam.vtu")
    assert shot.label == "jam"
    for points, data in (
        ((back := meshio.read(tmp_path / "jam.vtu")).points, back.point_data),
        ((seen := pyvista.read(tmp_path / "jam.vtu")).points, seen.point_data),
    ):
        np.testing.assert_array_equal(points, shot.surface().reshape(-1, 3))
        for name, values in surface_data(shot).items():
            np.testing.assert_array_equal(np.asarray(data[name]).reshape(values.shape), values)


@pytest.mark.parametrize("label", ["fully out", "jam"])
def test_an_stl_file_is_closed_looks_outward_and_has_the_volume(tmp_path: Path, label: str) -> None:
    """Volume by VTK's own filter against thickness times the area of the mid-surface: for a body laid out
    half and half along the normal the two differ by the Gaussian curvature's t^3/12 alone.
    """
    shot = export(JAMMED, tmp_path / "strip.stl", label)
    body = pyvista.read(tmp_path / "strip.stl").clean()
    assert body.n_open_edges == 0
    assert body.is_manifold
    file = tmp_path / "strip.vtu"
    export(JAMMED, file, label)
    area = pyvista.read(file).triangulate().extract_surface(algorithm="dataset_surface").area
    assert body.volume == pytest.approx(area * float(shot.thickness), rel=0.01)
    corners = body.points[body.regular_faces]
    signed = np.einsum("ij,ij->", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])) / 6
    assert signed == pytest.approx(body.volume, rel=1e-4), "anticlockwise from outside"


def test_a_state_is_named_by_label_or_step() -> None:
    assert state_at(JAMMED, None).label == "jam"
    assert state_at(JAMMED, "wound in").travel == 82.0
    assert state_at(JAMMED, "320").travel == 82.0
    joined = replace(JAMMED.snapshots[1], label="wound in; hardest")
    named = replace(JAMMED, snapshots=(JAMMED.snapshots[0], joined))
    assert state_at(named, "hardest") is joined


@pytest.mark.parametrize(
    ("at", "name", "said"),
    [
        (
            "nowhere",
            "a.vtu",
            "no state 'nowhere'; name one of fully out, wound in, jam, or a step",
        ),
        (None, "a.xyz", "no kind of file ends in '.xyz'; name one of .*.vtu"),
        (None, "none/a.vtu", "none/a.vtu: cannot be written"),
    ],
)
def test_what_cannot_be_exported_is_said(tmp_path: Path, at: str | None, name: str, said: str) -> None:
    with pytest.raises(InputError, match=said):
        export(JAMMED, tmp_path / name, at)
    assert list(tmp_path.iterdir()) == []


def test_a_run_without_states_has_nothing_to_export(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="kept no state"):
        export(replace(JAMMED, snapshots=()), tmp_path / "a.vtu")
