"""The tables of `strip` in a case file: outline, path, section, layers, stations, each read by itself.

A fault in one part hides no fault in another. What comes out are the objects the models work with; what
cannot be read is None and its fault is with the reader.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from annotated_types import Ge, Le, Unit
from pydantic import AfterValidator

from fem.case.keys import Key, content_name
from fem.case.schema import Reader, Table, nearest, shown
from fem.core.units import Distance, Extent, Length, Points, Share
from fem.design.layup import MOST_LAYERS, Layer
from fem.design.material import Material
from fem.design.path import BendRun, Path, Run, Runs, Straight, Through
from fem.design.section import SECTIONS, Arc, Section
from fem.design.strip import Station

LONGEST_TRANSITION = 3.0
"""Transition between runs where none is given [mm], if the runs are long enough for it."""

Degrees = Annotated[float, Ge(-360.0), Le(360.0), Unit("deg")]


def _rising(extent: tuple[float, float]) -> tuple[float, float]:
    if not extent[0] < extent[1]:
        raise ValueError("must rise from its first to its second number")
    return extent


def _turning(bend: float) -> float:
    if abs(bend) < 0.01:
        raise ValueError("must turn by at least 0.01 degrees, or the run is a straight")
    return bend


RisingExtent = Annotated[Extent, AfterValidator(_rising)]


class StripTable(Table):
    """Keys of `strip` itself."""

    width: Length
    winding: Literal["equal", "opposite"] = "equal"
    root_opening: Distance = 0.0


class StraightTable(Table):
    """One straight run."""

    straight: Length


class BendTable(Table):
    """One bend; positive degrees turn toward the axle, the way the coil turns."""

    bend: Annotated[float, Ge(-360.0), Le(360.0), AfterValidator(_turning), Unit("deg")]
    radius: Length


class RunsTable(Table):
    """A path of runs; without `transition` the longest that fits, at most LONGEST_TRANSITION."""

    transition: Length | None = None


class ThroughTable(Table):
    """A path through points."""

    through: Points


class ArcDepthTable(Table):
    """An arc section given by its rise over the full width."""

    depth: Length


class LayerTable(Table):
    """One layer, from the face away from the axle to the face toward it."""

    material: str
    thickness: Length
    angle: Degrees = 0.0
    across: RisingExtent | None = None
    along: RisingExtent | None = None
    elsewhere: str | None = None


class StationTable(Table):
    """Width and depth of the section at one place."""

    at: Distance
    width: Length | None = None
    depth: Share = 1.0


@dataclass(frozen=True)
class LayerPart:
    """One readable layer with the key it stands at."""

    key: Key
    layer: Layer
    extents: Mapping[str, tuple[float, float]]


@dataclass(frozen=True)
class Outline:
    """The strip's own numbers: largest width [mm], sense of its section, length its root opens over [mm]."""

    width: float
    sense: int
    root_opening: float


@dataclass(frozen=True)
class RunPart:
    """One readable run with the key it stands at."""

    key: Key
    run: Run


def read_outline(reader: Reader) -> Outline | None:
    """The keys of `strip` itself."""
    table = reader.table(("strip",), "write [strip] with its width, path, section and layers")
    if table is None:
        return None
    found = reader.read(StripTable, ("strip",), table, ("path", "section", "layers", "stations"))
    if found is None:
        return None
    return Outline(found.width, 1 if found.winding == "equal" else -1, found.root_opening)


def read_runs(reader: Reader) -> tuple[list[RunPart], Path | None]:
    """The readable runs of the path (none for a path through points), and the path if all of it is sound."""
    key: Key = ("strip", "path")
    if not isinstance(reader.value(("strip",)), Mapping):
        return [], None
    table = reader.table(
        key, "write [strip.path] with runs = [{straight = 20.0}, ...] or through = [[0.0, 0.0], ...]"
    )
    if table is None:
        return [], None
    if "through" in table and "runs" in table:
        reader.fault(key, "gives both runs and through; keep one of them")
        return [], None
    if "through" in table:
        points = reader.read(ThroughTable, key, table)
        return [], None if points is None else reader.made((*key, "through"), lambda: Through(points.through))
    if "runs" not in table:
        reader.fault(
            key,
            "needs runs = [{straight = 20.0}, {bend = 30.0, radius = 25.0}, ...] or through = [[x, y], ...]",
        )
        return [], None
    return _read_run_list(reader, key, table)


def _read_run_list(reader: Reader, key: Key, table: Mapping[str, Any]) -> tuple[list[RunPart], Path | None]:
    faults = len(reader.faults)
    settings = reader.read(RunsTable, key, table, ("runs", "through"))
    runs: list[RunPart] = []
    for at, item in reader.items((*key, "runs")):
        run = _read_run(reader, at, item)
        if run is not None:
            runs.append(RunPart(at, run))
    if not runs and len(reader.faults) == faults:
        reader.fault((*key, "runs"), "must have at least one run, got an empty list")
    if settings is None or len(reader.faults) > faults:
        return runs, None
    kept = tuple(part.run for part in runs)
    transition = settings.transition
    if transition is None:
        transition = min(LONGEST_TRANSITION, *(run.length for run in kept))
    return runs, reader.made(key, lambda: Runs(kept, transition))


def _read_run(reader: Reader, key: Key, item: Mapping[str, Any]) -> Run | None:
    if "bend" in item or "radius" in item:
        bend = reader.read(BendTable, key, item)
        if bend is None:
            return None
        return reader.made(key, lambda: BendRun(math.radians(bend.bend), bend.radius))
    if "straight" in item:
        straight = reader.read(StraightTable, key, item)
        return None if straight is None else reader.made(key, lambda: Straight(straight.straight))
    reader.fault(key, f"must be {{straight = mm}} or {{bend = degrees, radius = mm}}, got {shown(item)}")
    return None


def read_section(reader: Reader, outline: Outline | None) -> Section | None:
    """The cross-section; an arc may be given by its depth, which needs the strip's width."""
    key: Key = ("strip", "section")
    if not isinstance(reader.value(("strip",)), Mapping):
        return None
    kinds = {cls.kind: cls for cls in SECTIONS}
    known = ", ".join(f'"{kind}"' for kind in kinds)
    table = reader.table(key, f"write [strip.section] with a kind, one of {known}")
    if table is None:
        return None
    cls = reader.chosen(kinds, key, table)
    if cls is None:
        return None
    if cls is Arc and "depth" in table and "radius" in table:
        reader.fault(key, "gives both radius and depth; keep one of them")
        return None
    if cls is Arc and "depth" in table:
        arc = reader.read(ArcDepthTable, key, table, ("kind", "radius"))
        if arc is None or outline is None:
            return None
        return reader.made((*key, "depth"), lambda: Arc.from_depth(arc.depth, outline.width))
    return reader.fill(cls, key, table, ("kind", "depth") if cls is Arc else ("kind",))


def read_layers(reader: Reader, materials: Mapping[str, Material | None]) -> tuple[list[LayerPart], bool]:
    """The readable layers, and whether these are all of them."""
    if not isinstance(reader.value(("strip",)), Mapping):
        return [], False
    key: Key = ("strip", "layers")
    faults = len(reader.faults)
    listed = reader.value(key)
    if isinstance(listed, list) and len(listed) > MOST_LAYERS:
        reader.fault(key, f"has {len(listed)} layers; write at most {MOST_LAYERS}")
        return [], False
    layers = [part for at, item in reader.items(key) if (part := _read_layer(reader, at, item, materials))]
    if not layers and len(reader.faults) == faults:
        reader.fault(
            key, "the strip needs at least one layer; write [[strip.layers]] with material and thickness"
        )
    whole = len(reader.faults) == faults and len(layers) == len(listed)
    return layers, whole


def _read_layer(
    reader: Reader, key: Key, item: Mapping[str, Any], materials: Mapping[str, Material | None]
) -> LayerPart | None:
    table = reader.read(LayerTable, key, item)
    material = _material(reader, key, item, "material", materials)
    elsewhere = _material(reader, key, item, "elsewhere", materials)
    if table is None or material is None or (table.elsewhere is not None and elsewhere is None):
        return None
    extents = {
        name: value for name, value in (("across", table.across), ("along", table.along)) if value is not None
    }
    if table.elsewhere is not None and not extents:
        reader.fault(
            (*key, "elsewhere"),
            "has no meaning for a layer without across or along; remove it or limit the layer",
        )
        return None
    layer = reader.made(key, lambda: Layer(
        material, table.thickness, math.radians(table.angle), table.across, table.along, elsewhere
    ))  # fmt: skip
    return None if layer is None else LayerPart(key, layer, extents)


def _material(
    reader: Reader, key: Key, item: Mapping[str, Any], name: str, materials: Mapping[str, Material | None]
) -> Material | None:
    wanted = item.get(name)
    if not isinstance(wanted, str):
        return None  # missing or of a wrong type: the layer's table has said so
    if wanted not in materials:
        reader.fault(
            (*key, name),
            f"unknown material {shown(wanted)}{nearest(wanted, materials)}; known: {', '.join(materials)}; "
            f"or add a table [materials.{wanted}]",
        )
        return None
    found = materials[wanted]
    if found is not None:
        reader.effective[content_name(("materials used", wanted))] = {
            "laws": [found.young_1, found.young_2, found.poisson_12, found.shear_12],
            "others": [found.density, found.strain_limit, str(found.strain_limit_2)],
        }
    return found


def read_stations(reader: Reader, outline: Outline | None) -> list[tuple[Key, Station]] | None:
    """Stations as given, each with its key; None where one cannot be read."""
    if outline is None:
        return None
    faults = len(reader.faults)
    found = []
    for key, item in reader.items(("strip", "stations")):
        table = reader.read(StationTable, key, item)
        if table is not None:
            width = outline.width if table.width is None else table.width
            found.append((key, Station(table.at, width, table.depth)))
    return found if len(reader.faults) == faults else None
