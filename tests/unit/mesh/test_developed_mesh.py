"""The developed mesh of gmsh is the structured grid; its groups cover the strip once; it is kept whole."""

from __future__ import annotations

from pathlib import Path

import gmsh
import meshio
import numpy as np
import pytest
from skfem import MeshQuad

from fem.core.errors import MissingLibrary
from fem.design.layup import Layer
from fem.design.material import Material
from fem.design.path import BendRun, Runs, Straight
from fem.design.section import Arc
from fem.design.strip import Station, Strip
from fem.mesh import generator
from fem.mesh.developed_mesh import (
    FREE,
    ROOT,
    SYMMETRY,
    TIP,
    DevelopedMesh,
    Part,
    alike,
    as_grid,
    developed_mesh,
    grid_cells,
)
from fem.mesh.generator import divided_line, divided_rectangle
from fem.mesh.line_mesh import SizeField, Zone, line_mesh

SOFT = Material.isotropic("soft", 80.0, 0.4, 1.2e-9, 0.2)
STIFF = Material.isotropic("stiff", 2000.0, 0.35, 1.2e-9, 0.02)
WINDOW = (30.0, 38.0), (-2.0, 2.0)
LAYERS = (
    Layer(SOFT, 0.4),
    Layer(STIFF, 0.2, across=(-2.0, 2.0), elsewhere=SOFT),
    Layer(STIFF, 0.1, along=WINDOW[0], across=WINDOW[1]),
)
PATH = Runs((Straight(20.0), BendRun(np.radians(50.0), 25.0), Straight(20.0)), 4.0)
TAPER = (Station(5.0, 8.0, 0.5), Station(15.0, 12.0, 1.0))
STRIP = Strip(PATH, Arc(9.0), 12.0, 1, LAYERS, TAPER)
FIELD = SizeField(4.0, (Zone(0.0, 5.0, 0.9),), nodes=WINDOW[0])
WHOLE = np.array([-6.0, -4.0, -2.0, -0.7, 0.0, 0.7, 2.0, 4.0, 6.0])
HALF = WHOLE[4:]
SLOT = Part("slot", (0.0, 10.5))


@pytest.fixture(params=[WHOLE, HALF], ids=["whole", "half"])
def mesh(request: pytest.FixtureRequest, tmp_path: Path) -> DevelopedMesh:
    return developed_mesh(STRIP, FIELD, request.param, (SLOT,), tmp_path)


def areas(mesh: DevelopedMesh) -> np.ndarray:
    """Area (ne,) of each element in (s, q), positive where its corners run anticlockwise."""
    x, y = mesh.places[mesh.cells].transpose(2, 0, 1)
    return 0.5 * (x * np.roll(y, -1, axis=1) - np.roll(x, -1, axis=1) * y).sum(axis=1)


def centres(mesh: DevelopedMesh) -> np.ndarray:
    return mesh.places[mesh.cells].mean(axis=1)


def test_nodes_and_numbering_are_those_of_the_built_in_grid(mesh: DevelopedMesh, tmp_path: Path) -> None:
    assert mesh.warning is None
    along = line_mesh(STRIP.length, FIELD, tmp_path).stations
    np.testing.assert_array_equal(mesh.stations, along)
    built_in = MeshQuad.init_tensor(along, mesh.across)
    wide = STRIP.width_at(built_in.p[0]) / STRIP.width
    assert np.abs(mesh.places - np.stack([built_in.p[0], built_in.p[1] * wide], axis=1)).max() < 1e-10
    np.testing.assert_array_equal(mesh.cells[:, [0, 3, 2, 1]], built_in.t.T)
    assert (areas(mesh) > 0.0).all()
    for s in WINDOW[0]:
        assert s in mesh.stations


def test_gmsh_itself_puts_nodes_on_the_grid_lines_and_numbers_them_otherwise() -> None:
    places, corners = divided_rectangle(FIELD.ends(STRIP.length), WHOLE, lambda s: float(FIELD.at(s)))
    stations, across, cells = as_grid(places, corners, WHOLE)
    assert np.abs(places[:, 1, None] - WHOLE).min(axis=1).max() < 1e-10
    assert len(places) == stations.size * across.size
    assert not np.array_equal(corners, cells), "the order has to be found, it does not come by itself"


@pytest.mark.parametrize("gap", [1e-3, 1e-6, 2e-9, 5e-10])
def test_zones_that_end_almost_together_are_meshed_as_the_line_is(gap: float) -> None:
    """gmsh by itself takes two ends 1e-6 mm apart for one and leaves the elements between out."""
    field = SizeField(4.0, nodes=(30.0, 30.0 + gap, 50.0))
    ends, size = field.ends(STRIP.length), lambda s: float(field.at(s))
    stations, _, _ = as_grid(*divided_rectangle(ends, WHOLE, size), WHOLE)
    np.testing.assert_array_equal(stations, divided_line(ends, size))
    assert len(ends) == (5 if gap > 1e-9 else 4)


def test_any_order_of_nodes_and_elements_becomes_the_grids() -> None:
    rng = np.random.default_rng(7)
    stations = np.array([0.0, 1.0, 2.5, 4.0])
    places = np.stack(np.meshgrid(stations, HALF, indexing="ij"), axis=-1).reshape(-1, 2)
    wanted = grid_cells(4, HALF.size)
    node = rng.permutation(len(places))
    corners = np.array([np.roll(cell, rng.integers(4)) for cell in np.argsort(node)[wanted]])
    corners = rng.permutation(corners)
    found = as_grid(places[node], corners, HALF)
    for value, expected in zip(found, (stations, HALF, wanted), strict=True):
        np.testing.assert_array_equal(value, expected)


def test_what_is_no_grid_is_refused() -> None:
    stations = np.array([0.0, 1.0, 2.5])
    places = np.stack(np.meshgrid(stations, HALF, indexing="ij"), axis=-1).reshape(-1, 2)
    cells = grid_cells(3, HALF.size)
    beside, twice, crossed = places.copy(), places.copy(), cells.copy()
    beside[3, 1] += 1e-6
    twice[3] = twice[4]
    crossed[0, 1] = crossed[1, 1]
    with pytest.raises(ValueError, match="1e-06 mm beside the lines"):
        as_grid(beside, cells, HALF)
    with pytest.raises(ValueError, match="15 nodes do not fill 3 by 5 grid lines"):
        as_grid(twice, cells, HALF)
    for wrong in (crossed, cells[:-1]):
        with pytest.raises(ValueError, match="not the rectangles"):
            as_grid(places, wrong, HALF)


def test_groups_cover_the_surface_once(mesh: DevelopedMesh) -> None:
    """Those in the same groups, together, and each full layer by itself; areas are those of the zones."""
    everything = np.arange(len(mesh.cells))
    sets = alike(mesh, list(mesh.groups))
    np.testing.assert_array_equal(np.sort(np.concatenate([elements for _, elements in sets])), everything)
    np.testing.assert_array_equal(mesh.groups["layer 1 soft"], everything)
    second = [mesh.groups["layer 2 stiff"], mesh.groups["layer 2 elsewhere soft"]]
    np.testing.assert_array_equal(np.sort(np.concatenate(second)), everything)
    share = 1.0 if mesh.across[0] < 0.0 else 0.5
    window = areas(mesh)[mesh.groups["layer 3 stiff"]].sum()
    assert window == pytest.approx(share * 8.0 * 4.0, rel=1e-12)  # it lies where the strip is full width
    width = STRIP.width_at(mesh.stations)
    assert areas(mesh).sum() == pytest.approx(share * np.trapezoid(width, mesh.stations), rel=1e-12)


def test_an_element_belongs_where_its_centre_lies(mesh: DevelopedMesh) -> None:
    s, q = centres(mesh).T
    (bend,) = STRIP.path.bends
    wanted = {
        "layer 1 soft": np.full(s.shape, True),
        "layer 2 stiff": np.abs(q) <= 2.0,
        "layer 2 elsewhere soft": np.abs(q) > 2.0,
        "layer 3 stiff": (np.abs(q) <= 2.0) & (s >= 30.0) & (s <= 38.0),
        "bend 1": (s >= bend.start) & (s <= bend.end),
        "slot": s <= 10.5,
    }
    assert set(mesh.groups) == set(wanted)
    for name, belongs in wanted.items():
        np.testing.assert_array_equal(mesh.groups[name], np.flatnonzero(belongs))
        assert belongs.any()


def test_edges_bound_the_surface_once(mesh: DevelopedMesh) -> None:
    sides = np.sort(
        np.concatenate([mesh.cells, np.roll(mesh.cells, -1, axis=1)], axis=1).reshape(-1, 2, 4), axis=1
    )
    pairs, count = np.unique(sides.transpose(0, 2, 1).reshape(-1, 2), axis=0, return_counts=True)
    outer = pairs[count == 1]
    named = np.sort(np.concatenate(list(mesh.edges.values())), axis=1)
    np.testing.assert_array_equal(named[np.lexsort(named.T[::-1])], outer)
    s, q = mesh.places.T
    assert (s[mesh.edges[ROOT]] == 0.0).all()
    assert (s[mesh.edges[TIP]] == mesh.stations[-1]).all()
    np.testing.assert_allclose(np.abs(q[mesh.edges[FREE]]), 0.5 * STRIP.width_at(s[mesh.edges[FREE]]))
    assert (SYMMETRY in mesh.edges) == (mesh.across[0] == 0.0)
    if SYMMETRY in mesh.edges:
        assert (q[mesh.edges[SYMMETRY]] == 0.0).all()


def same_mesh(first: DevelopedMesh, second: DevelopedMesh) -> None:
    for name in ("stations", "across", "places", "cells"):
        np.testing.assert_array_equal(getattr(first, name), getattr(second, name))
    for name in ("groups", "edges"):
        one, other = getattr(first, name), getattr(second, name)
        assert set(one) == set(other)
        for group in one:
            np.testing.assert_array_equal(np.sort(one[group], axis=0), np.sort(other[group], axis=0))


def test_a_kept_mesh_is_the_same_to_the_last_digit(
    mesh: DevelopedMesh, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(generator, "load_gmsh", lambda: pytest.fail("the kept mesh should have been read"))
    same_mesh(developed_mesh(STRIP, FIELD, mesh.across, (SLOT,), tmp_path), mesh)


def test_another_strip_field_or_part_is_another_mesh(mesh: DevelopedMesh, tmp_path: Path) -> None:
    narrower = Strip(PATH, Arc(9.0), 12.0, 1, LAYERS, (Station(5.0, 7.0, 0.5), TAPER[1]))
    plain = Strip(PATH, Arc(9.0), 12.0, 1, LAYERS[:1], TAPER)
    for strip in (narrower, plain):
        developed_mesh(strip, FIELD, mesh.across, (SLOT,), tmp_path)
    developed_mesh(STRIP, SizeField(4.0), mesh.across, (SLOT,), tmp_path)
    developed_mesh(STRIP, FIELD, mesh.across, (Part("slot", (0.0, 9.0)),), tmp_path)
    assert len(list(tmp_path.glob("*.msh"))) == 5


def test_a_torn_file_is_made_again(
    mesh: DevelopedMesh, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    (file,) = tmp_path.glob("*.msh")
    whole = file.read_bytes()
    for length in np.linspace(0, len(whole) - 20, 12).astype(int):
        file.write_bytes(whole[:length])
        same_mesh(developed_mesh(STRIP, FIELD, mesh.across, (SLOT,), tmp_path), mesh)
        assert file.read_bytes() == whole
    assert capfd.readouterr() == ("", "")


def test_the_file_is_read_by_meshio_and_by_gmsh(mesh: DevelopedMesh, tmp_path: Path) -> None:
    """meshio numbers nodes as the grid does; gmsh counts them from 1."""
    (file,) = tmp_path.glob("*.msh")
    read = meshio.read(file)
    np.testing.assert_array_equal(read.points[:, :2], mesh.places)
    assert {name: int(value[1]) for name, value in read.field_data.items()} == {
        **dict.fromkeys(mesh.groups, 2), **dict.fromkeys(mesh.edges, 1)
    }  # fmt: skip
    for name, elements in mesh.groups.items():
        found = [block.data[chosen] for block, chosen in zip(read.cells, read.cell_sets[name], strict=True)
                 if block.type == "quad"]  # fmt: skip
        corners = np.concatenate(found)
        np.testing.assert_array_equal(corners[np.argsort(corners[:, 0])], mesh.cells[elements])
    gmsh.initialize(["strip", "-v", "0"], readConfigFiles=False, interruptible=False)
    try:
        gmsh.option.setNumber("General.Terminal", 0)
        gmsh.open(str(file))
        tags, places, _ = gmsh.model.mesh.getNodes()
        np.testing.assert_array_equal(tags, np.arange(1, len(mesh.places) + 1))
        np.testing.assert_array_equal(places.reshape(-1, 3)[:, :2], mesh.places)
        names = {gmsh.model.getPhysicalName(*group) for group in gmsh.model.getPhysicalGroups()}
        assert names == {*mesh.groups, *mesh.edges}
    finally:
        gmsh.finalize()


def test_without_gmsh_the_built_in_rule_makes_the_same_groups(
    mesh: DevelopedMesh, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def missing() -> None:
        raise MissingLibrary("The mesh generator gmsh cannot be loaded.")

    monkeypatch.setattr(generator, "load_gmsh", missing)
    by_rule = developed_mesh(STRIP, FIELD, mesh.across, (SLOT,), tmp_path / "empty")
    assert by_rule.warning is not None and "built-in rule" in by_rule.warning
    np.testing.assert_allclose(by_rule.places, mesh.places, atol=0.01)
    np.testing.assert_array_equal(by_rule.cells, mesh.cells)
    assert set(by_rule.groups) == set(mesh.groups)
    assert not (tmp_path / "empty").exists()


def test_names_of_materials_may_hold_anything(tmp_path: Path) -> None:
    odd = Material.isotropic('my "best" \\ one\nÄ', 80.0, 0.4, 1.2e-9, 0.2)
    strip = Strip(Runs((Straight(20.0),), 0.0), Arc(9.0), 12.0, 1, (Layer(odd, 1.0),))
    made = developed_mesh(strip, SizeField(4.0), HALF, cache=tmp_path)
    (file,) = tmp_path.glob("*.msh")
    time = file.stat().st_ino
    same_mesh(developed_mesh(strip, SizeField(4.0), HALF, cache=tmp_path), made)
    assert file.stat().st_ino == time, "the kept file was read, not written again"
    assert set(made.groups) == {"layer 1 my _best_ _ one_Ä"}
