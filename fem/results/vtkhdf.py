"""Snapshots as one HDF5 file in VTKHDF layout: the strip's mid-surface over time, for any VTKHDF reader.

`/VTKHDF` is an unstructured grid of quadrilaterals with one time step per snapshot (VTK File Formats, "VTKHDF
file format", version 2.0). Cells are stored once; points and point data once per step; a time value is the
number of the snapshot. Names of point data end in their unit, as in `path.csv`; what a snapshot does not have
is nan. Field data of a step: `step`, `phase`, `travel_mm`, `axle_angle_rad`.

`/pushpast` holds what that layout has no word for: `label`, `obstacles` (a JSON text per snapshot), the lines
along the strip (`along/heading`, `along/position`, ... one after the other), the distinct `grids` of station
and across, and which of them each snapshot lies on. Points are drawn from these; reading gives back the
identical numbers.
"""

from __future__ import annotations

import io
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from fem.core.term import Array, Index
from fem.results.snapshot import Snapshot

if TYPE_CHECKING:
    import h5py

FORMAT = 2
"""1: contact and gap could be those of other pairs than the run had, wherever the strip was folded."""
VTK_VERSION, VTK_QUAD = (2, 0), 9
ALONG = ("heading", "position", "curvature", "axial_force")
OVER = {
    "height": "height_mm", "lateral": "lateral_mm", "strain": "strain", "strain_share": "strain_share",
    "contact": "contact_N_per_mm2", "gap": "gap_mm", "thickness": "thickness_mm", "mode": "mode",
}  # fmt: skip
"""Fields over the surface and their names as point data; layers follow as `layer_1_strain`, ..."""
WALL_NUMBERS = {
    "disc": ("x", "y", "radius"), "bar": ("x", "y", "x2", "y2", "radius"),
    "arc": ("x", "y", "core", "start", "sweep", "radius"), "plane": ("x", "y", "nx", "ny", "radius"),
}  # fmt: skip
"""Kinds of obstacles with the numbers that each has."""
FARTHEST_WALL = 1e7
MOST_OBJECTS, MOST_NUMBERS = 1000, 1_000_000_000
"""Groups that a file may have, bytes that its arrays may claim."""
ABOUT = {"step": "step", "phase": "phase", "travel": "travel_mm", "axle_angle": "axle_angle_rad"}


_KNOWN = re.compile(
    "VTKHDF(/(NumberOfPoints|NumberOfCells|NumberOfConnectivityIds|Connectivity|Offsets|Types|Points|PointData"
    "|FieldData|Steps|Steps/(Values|PartOffsets|NumberOfParts|PointOffsets|CellOffsets|ConnectivityIdOffsets"
    "|PointDataOffsets|FieldDataOffsets|FieldDataSizes)"
    f"|(PointData|Steps/PointDataOffsets)/({'|'.join(OVER.values())}|curvature_per_mm|axial_force_N"
    r"|layer_\d+_strain)"
    f"|(FieldData|Steps/FieldData(Offsets|Sizes))/({'|'.join(ABOUT.values())})))?"
    r"|pushpast(/(intended_path|grid|grids|grids/\d+(/(station|across))?|along|label|obstacles|layers|has_mode"
    f"|one_thickness|along/({'|'.join(ALONG)})))?"
)
"""Paths of all that this program writes."""


def pack(snapshots: Sequence[Snapshot], intended_path: Array) -> bytes:
    """The whole file as bytes: the same snapshots always give the same ones."""
    import h5py

    packed = io.BytesIO()
    with h5py.File(packed, "w") as file:
        grids, on = _grids(snapshots)
        _write_vtk(file.create_group("VTKHDF"), snapshots, grids, on)
        own = file.create_group("pushpast")
        own.attrs["format"] = FORMAT
        own["intended_path"] = intended_path
        own["grid"] = np.array(on, dtype=np.int64)
        kept = own.create_group("grids")
        for number, (station, across) in enumerate(grids):
            kept[f"{number}/station"], kept[f"{number}/across"] = station, across
        for name in ALONG:
            _put(own, f"along/{name}", [getattr(shot, name) for shot in snapshots])
        text = h5py.string_dtype()
        own.create_dataset("label", data=[shot.label for shot in snapshots], dtype=text)
        written = [json.dumps([dict(wall) for wall in shot.obstacles], default=_plain) for shot in snapshots]
        own.create_dataset("obstacles", data=written, dtype=text)
        own["layers"] = np.array([len(shot.layer_strain) for shot in snapshots], dtype=np.int64)
        own["has_mode"] = np.array([shot.mode.size > 0 for shot in snapshots], dtype=np.int64)
        own["one_thickness"] = np.array([shot.thickness.ndim == 0 for shot in snapshots], dtype=np.int64)
    return packed.getvalue()


def unpack(content: bytes) -> tuple[tuple[Snapshot, ...], Array]:
    """Snapshots and intended path of a file; raises OSError, ValueError, KeyError or TypeError if it is not
    whole, OtherFormat if another version of the program wrote it.
    """
    import h5py

    with h5py.File(io.BytesIO(content), "r") as file:
        _refuse_elsewhere([held for _, held in _all_in(file)])  # before any of it is read
        own = file["pushpast"]
        if (found := int(own.attrs["format"])) > FORMAT:
            raise OtherFormat(
                f"has field format {found}, of a later pushpast: update pushpast or run the case again"
            )
        if found < FORMAT:
            raise OtherFormat(
                f"has field format {found}, of an earlier pushpast whose contact pressure and gaps can be "
                "wrong where the strip is folded: run the case again"
            )
        points, about = file["VTKHDF/PointData"], file["VTKHDF/FieldData"]
        over = {
            key: np.array(values)
            for key, values in points.items()
            if _KNOWN.fullmatch(f"VTKHDF/PointData/{key}")
        }
        along = {name: np.array(own[f"along/{name}"]) for name in ALONG}
        numbers = {name: np.array(about[written]) for name, written in ABOUT.items()}
        grids = [(np.array(grid["station"]), np.array(grid["across"])) for grid in _in_order(own["grids"])]
        texts = {name: [text.decode() for text in own[name]] for name in ("label", "obstacles")}
        shots, row, point = [], 0, 0
        for number, on in enumerate(own["grid"]):
            station, across = grids[on]
            n, m = station.size, across.size
            here = {key: values[point : point + n * m] for key, values in over.items()}
            shape = {key: values.reshape(n, m, *values.shape[1:]) for key, values in here.items()}
            content_of = {name: shape[written] for name, written in OVER.items()}
            content_of |= {name: values[row : row + n] for name, values in along.items()}
            layers = range(1, int(own["layers"][number]) + 1)
            content_of["layer_strain"] = np.reshape([shape[_layer(k)] for k in layers], (-1, n, m))
            if not own["has_mode"][number]:
                content_of["mode"] = np.empty((0, 0, 3))
            if own["one_thickness"][number]:
                content_of["thickness"] = shape[OVER["thickness"]][0, 0]
            shots.append(
                Snapshot(
                    label=texts["label"][number],
                    obstacles=_walls(texts["obstacles"][number]),
                    step=int(numbers["step"][number]),
                    phase=int(numbers["phase"][number]),
                    travel=float(numbers["travel"][number]),
                    axle_angle=float(numbers["axle_angle"][number]),
                    station=station,
                    across=across,
                    **content_of,
                )
            )
            row, point = row + n, point + n * m
        return tuple(shots), np.array(own["intended_path"])


def unknown(content: bytes) -> tuple[str, ...]:
    """Names of what a file holds beside what `unpack` reads, kinds of obstacles that nobody can draw too."""
    import h5py

    with h5py.File(io.BytesIO(content), "r") as file:
        names = [path for path, _ in _all_in(file) if not _KNOWN.fullmatch(path)]
        kinds = {
            str(wall.get("kind")) for text in file["pushpast/obstacles"] for wall in json.loads(text.decode())
        }
    return (*names, *(f"an obstacle of the kind {kind}" for kind in sorted(kinds - WALL_NUMBERS.keys())))


def _all_in(file: h5py.File) -> Iterator[tuple[str, Any]]:
    """Path and object of all groups and arrays; raises ValueError for links, which could lead anywhere, and
    for more than a file of states has.
    """
    import h5py

    ahead = [("", file)]
    for _ in range(MOST_OBJECTS):
        if not ahead:
            return
        above, group = ahead.pop()
        for name in group:
            path = f"{above}{name}"
            if not isinstance(group.get(name, getlink=True), h5py.HardLink):
                raise ValueError(f"{path} is a link to somewhere else")
            held = group[name]
            yield path, held
            if isinstance(held, h5py.Group):
                ahead.append((f"{path}/", held))
    raise ValueError("it holds groups without end")


def _refuse_elsewhere(held: Sequence[Any]) -> None:
    """Raise ValueError for arrays whose numbers are in another file, and for more than a run keeps."""
    for one in held:
        if getattr(one, "external", None) or getattr(one, "is_virtual", False):
            raise ValueError(f"{one.name} keeps its numbers in another file")
    if (size := sum(getattr(one, "nbytes", 0) for one in held)) > MOST_NUMBERS:
        raise ValueError(f"its arrays claim to have {size} bytes")


def _walls(text: str) -> tuple[dict[str, Any], ...]:
    """Obstacles of a snapshot; those of a kind that nobody knows are left out (`unknown` tells them). Raises
    ValueError for one that cannot be drawn.
    """
    walls = []
    for wall in json.loads(text):
        numbers = [wall[name] for name in WALL_NUMBERS.get(wall["kind"], ())]
        if not numbers:
            continue
        plain = all(isinstance(value, int | float) and abs(value) <= FARTHEST_WALL for value in numbers)
        if not (plain and isinstance(wall["name"], str) and abs(wall.get("sweep", 0.0)) <= 7.0):
            raise ValueError(f"an obstacle of the kind {wall['kind']} has impossible numbers")
        walls.append(wall)
    return tuple(walls)


class OtherFormat(ValueError):  # noqa: N818  (a sentence for the user, not a crash)
    """The file was written by another version of the program; says what to do."""


def surface_data(shot: Snapshot) -> dict[str, Array]:
    """Point data of one snapshot over its mid-surface: name -> (n, m) or (n, m, 3); see the module's top."""
    n, m = shot.height.shape
    made = {written: np.asarray(getattr(shot, name)) for name, written in OVER.items()}
    made["thickness_mm"] = np.broadcast_to(shot.thickness, (n, m))
    if shot.mode.size == 0:
        made["mode"] = np.full((n, m, 3), np.nan)
    made |= {_layer(k): values for k, values in enumerate(shot.layer_strain, start=1)}
    made |= {"curvature_per_mm": np.repeat(shot.curvature[:, None], m, axis=1)}
    return made | {"axial_force_N": np.repeat(shot.axial_force[:, None], m, axis=1)}


def quads(n: int, m: int) -> Index:
    """Corners ((n-1)(m-1), 4) of the quadrilaterals between n stations of m points, numbered station by
    station; seen from the axle's side they run anticlockwise.
    """
    corner = np.arange(n * m).reshape(n, m)
    corners = (corner[:-1, :-1], corner[:-1, 1:], corner[1:, 1:], corner[1:, :-1])
    return np.stack(corners, axis=-1).reshape(-1, 4)


def _layer(number: int) -> str:
    return f"layer_{number}_strain"


def _grids(snapshots: Sequence[Snapshot]) -> tuple[list[tuple[Array, Array]], list[int]]:
    """The distinct (station, across), and for each snapshot the number of its own."""
    known: dict[tuple[bytes, bytes], int] = {}
    grids: list[tuple[Array, Array]] = []
    on = []
    for shot in snapshots:
        key = (shot.station.tobytes(), shot.across.tobytes())
        if key not in known:
            known[key] = len(grids)
            grids.append((shot.station, shot.across))
        on.append(known[key])
    return grids, on


def _write_vtk(
    group: h5py.Group, snapshots: Sequence[Snapshot], grids: Sequence[tuple[Array, Array]], on: Sequence[int]
) -> None:
    group.attrs["Version"] = np.array(VTK_VERSION, dtype=np.int64)
    group.attrs["Type"] = np.bytes_("UnstructuredGrid")
    cells = [quads(station.size, across.size) for station, across in grids]
    points = np.array([station.size * across.size for station, across in grids], dtype=np.int64)
    counts = np.array([len(quad) for quad in cells], dtype=np.int64)
    group["NumberOfPoints"], group["NumberOfCells"] = points, counts
    group["NumberOfConnectivityIds"] = 4 * counts
    group["Connectivity"] = np.concatenate([quad.ravel() for quad in cells] or [np.empty(0, np.int64)])
    group["Offsets"] = np.concatenate([4 * np.arange(k + 1) for k in counts] or [np.empty(0, np.int64)])
    group["Types"] = np.full(counts.sum(), VTK_QUAD, dtype=np.uint8)
    _put(group, "Points", [shot.surface().reshape(-1, 3) for shot in snapshots] or [np.empty((0, 3))])
    steps = group.create_group("Steps")
    steps.attrs["NSteps"] = len(snapshots)
    steps["Values"] = np.arange(len(snapshots), dtype=np.float64)
    variant = np.array(on, dtype=np.int64)
    sizes = points[variant] if len(on) else np.empty(0, np.int64)
    first_point = np.cumsum(sizes) - sizes
    steps["PartOffsets"], steps["NumberOfParts"] = variant, np.ones_like(variant)
    steps["PointOffsets"] = first_point
    before = np.concatenate([[0], np.cumsum(counts)[:-1]]) if len(counts) else counts
    steps["CellOffsets"] = before[variant][:, None]
    steps["ConnectivityIdOffsets"] = 4 * before[variant][:, None]
    _write_data(group, steps, [surface_data(shot) for shot in snapshots], first_point)
    fields = group.create_group("FieldData")
    for name, written in ABOUT.items():
        fields[written] = np.array([float(getattr(shot, name)) for shot in snapshots])
        steps[f"FieldDataOffsets/{written}"] = np.arange(len(snapshots), dtype=np.int64)
        steps[f"FieldDataSizes/{written}"] = np.ones((len(snapshots), 2), dtype=np.int64)


def _write_data(
    group: h5py.Group, steps: h5py.Group, over: Sequence[Mapping[str, Array]], first_point: Index
) -> None:
    data = group.create_group("PointData")
    names = list(dict.fromkeys(name for made in over for name in made))
    for name in names:
        kind = next(made[name] for made in over if name in made)
        pieces = []
        for made in over:
            values = made.get(name)
            if values is None:  # a layer that other snapshots have
                values = np.full(made["strain"].shape, np.nan)
            pieces.append(values.reshape(-1, *kind.shape[2:]))
        _put(data, name, pieces)
        steps[f"PointDataOffsets/{name}"] = first_point


def _put(group: h5py.Group, name: str, pieces: Sequence[Array]) -> None:
    """Pieces one after the other, each compressed by itself: a reader of one step reads that alone."""
    values = np.concatenate(pieces) if pieces else np.empty(0)
    if values.size == 0:
        group[name] = values
        return
    chunk = (max(1, len(pieces[0])), *values.shape[1:])
    group.create_dataset(name, data=values, chunks=chunk, compression="gzip", shuffle=True)


def _in_order(group: h5py.Group) -> list[Any]:
    return [group[key] for key in sorted(group, key=int)]


def _plain(value: Any) -> Any:
    return value.tolist()
