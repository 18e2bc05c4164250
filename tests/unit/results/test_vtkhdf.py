"""The strip over time as VTKHDF: VTK's own reader sees the points and numbers that were written.

Checked against the reader of the VTK library (vtkHDFReader), which is the reference of that layout.
"""

from __future__ import annotations

import io
from dataclasses import fields, replace

import h5py
import made_results
import numpy as np
import pytest
import pyvista
from vtkmodules.vtkIOHDF import vtkHDFReader

from fem.results.snapshot import Snapshot
from fem.results.vtkhdf import pack, quads, surface_data, unknown, unpack


def same(first: Snapshot, second: Snapshot) -> bool:
    def equal(a: object, b: object) -> bool:
        if isinstance(a, np.ndarray) and isinstance(b, np.ndarray):
            return a.shape == b.shape and bool(np.array_equal(a, b, equal_nan=True))
        return a == b

    return all(equal(getattr(first, item.name), getattr(second, item.name)) for item in fields(Snapshot))


def mixed() -> tuple[Snapshot, ...]:
    """Snapshots that have little in common: another grid, layers, a mode, a thickness that varies."""
    one, two, lamp = (*made_results.deployed().snapshots[1:3], made_results.long_lamp().snapshots[0])
    n, m = two.height.shape
    layers = np.stack([two.strain, 0.5 * two.strain])
    mode = np.random.default_rng(1).normal(size=(n, m, 3))
    varied = 1.0 + 0.1 * two.strain_share
    gap = np.where(two.contact > 0, 0.01, np.nan)
    odd = replace(two, label="größte; two", layer_strain=layers, mode=mode, thickness=varied, gap=gap)
    return one, odd, lamp, replace(one, label="", layer_strain=layers[:1])


ALIKE = made_results.jammed().snapshots


@pytest.mark.parametrize("shots", [ALIKE, mixed(), ()], ids=["alike", "mixed", "none"])
def test_reading_gives_back_identical_snapshots(shots: tuple[Snapshot, ...]) -> None:
    path = made_results.intended_path()
    back, path_back = unpack(pack(shots, path))
    assert len(back) == len(shots)
    assert all(same(a, b) for a, b in zip(shots, back, strict=True))
    np.testing.assert_array_equal(path_back, path)


def test_the_comparison_sees_a_difference() -> None:
    shot = made_results.jammed().snapshots[0]
    assert not same(shot, replace(shot, gap=np.zeros(shot.height.shape)))
    assert not same(shot, replace(shot, travel=1.0))


@pytest.mark.parametrize("shots", [ALIKE, mixed()], ids=["alike", "mixed"])
def test_the_reader_of_vtk_sees_every_step(shots: tuple[Snapshot, ...], tmp_path) -> None:
    file = tmp_path / "fields.vtkhdf"
    file.write_bytes(pack(shots, np.empty((0, 2))))
    reader = vtkHDFReader()
    reader.SetFileName(str(file))
    reader.UpdateInformation()
    assert reader.GetNumberOfSteps() == len(shots)
    assert reader.GetHasTemporalData()
    for number, shot in enumerate(shots):
        reader.SetStep(number)
        reader.Update()
        grid = pyvista.wrap(reader.GetOutputAsDataSet())
        n, m = shot.height.shape
        np.testing.assert_array_equal(grid.points.reshape(n, m, 3), shot.surface())
        np.testing.assert_array_equal(grid.cells_dict[9], quads(n, m))
        expected = surface_data(shot)
        assert set(expected) <= set(grid.point_data)
        for name, values in expected.items():
            read = np.asarray(grid.point_data[name]).reshape(values.shape)
            np.testing.assert_array_equal(read, values, err_msg=name)
        assert grid.field_data["travel_mm"][0] == shot.travel
        assert grid.field_data["step"][0] == shot.step


def test_pyvista_opens_the_file_as_it_is(tmp_path) -> None:
    shots = made_results.jammed().snapshots
    file = tmp_path / "fields.vtkhdf"
    file.write_bytes(pack(shots, np.empty((0, 2))))
    grid = pyvista.read(file)
    assert grid.n_cells == 120 * 8
    assert grid.point_data["strain_share"].max() == pytest.approx(shots[0].strain_share.max())


def test_cells_are_stored_once_and_look_toward_the_axle() -> None:
    shots = made_results.jammed().snapshots
    with h5py.File(io.BytesIO(pack(shots, np.empty((0, 2)))), "r") as file:
        n, m = shots[0].height.shape
        assert file["VTKHDF/Types"].shape == ((n - 1) * (m - 1),)
        assert file["VTKHDF/Points"].shape == (len(shots) * n * m, 3)
        assert list(file["pushpast/grids"]) == ["0"]
    corners = shots[0].surface().reshape(-1, 3)[quads(n, m)]
    area = np.cross(corners[:, 1] - corners[:, 0], corners[:, 3] - corners[:, 0])
    # fully out the strip runs along +x and its normal is +y, toward the axle
    assert np.all(area[:200, 1] > 0) or np.all(area[:200, 1] < 0)


def test_layers_are_named_from_the_face_away_from_the_axle() -> None:
    odd = mixed()[1]
    data = surface_data(odd)
    np.testing.assert_array_equal(data["layer_2_strain"], odd.layer_strain[1])
    assert "layer_3_strain" not in data


def test_nothing_that_is_written_is_unknown() -> None:
    for shots in (ALIKE, mixed(), ()):
        assert unknown(pack(shots, made_results.intended_path())) == ()
