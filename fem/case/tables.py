"""The other tables of a case file: title, materials, obstacles, and those that fill one frozen class each.

Every part is read by itself, so a fault in one hides no fault in another; what cannot be read is None and its
fault is with the reader.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any

from annotated_types import Gt, Le, Unit

from fem.case.keys import Key, key_text
from fem.case.schema import Reader, Table, nearest, shown
from fem.case.tolerance import TOLERANCES
from fem.core.units import Density, Modulus, PoissonRatio, StrainLimit
from fem.design.environment import Axle, Casing, Friction, Slot, Weight
from fem.design.loading import PUSHES, Push, RetractDeploy
from fem.design.material import LIBRARY, Material
from fem.design.motor import Motor
from fem.design.obstacle import OBSTACLES, Obstacle
from fem.design.settings import Settings


class HeadingTable(Table):
    """Keys outside any table."""

    title: str
    teaches: str = ""


class MaterialNotes(Table):
    """What every user material may say."""

    density: Density = 1.2e-9
    strain_limit: StrainLimit
    source: str = "case file"
    spread: str = "not given"
    caveat: str = ""


class IsotropicTable(MaterialNotes):
    """A material the same in all directions."""

    young: Modulus
    poisson: Annotated[float, Gt(-1.0), Le(0.5), Unit("1")]


class PlyTable(MaterialNotes):
    """A ply; direction 1 along its fibres."""

    young_1: Modulus
    young_2: Modulus
    poisson_12: PoissonRatio
    shear_12: Modulus
    strain_limit_2: StrainLimit | None = None


def read_heading(reader: Reader) -> HeadingTable | None:
    """Title and what the case teaches."""
    known = (
        "strip",
        "axle",
        "casing",
        "slot",
        "obstacles",
        "friction",
        "weight",
        "motor",
        "push",
        "solver",
        "materials",
        "compare",
        "vary",
        "goal",
    )
    heading = reader.read(HeadingTable, (), reader.document.tables, known)
    if heading is not None and not heading.title.strip():
        reader.fault(("title",), "must say what the case is, got an empty text")
    return heading


def read_materials(reader: Reader) -> dict[str, Material | None]:
    """Library and user materials by name; None for a user material that cannot be read."""
    known: dict[str, Material | None] = {material.name: material for material in LIBRARY}
    table = reader.table(("materials",))
    for name, item in (table or {}).items():
        key: Key = ("materials", name)
        known[name] = None
        if not isinstance(item, Mapping):
            reader.fault(
                key,
                f"must be a table, got {shown(item)}; write [{key_text(key)}] with young, poisson and "
                "strain_limit",
            )
        else:
            known[name] = _read_material(reader, key, name, item)
    return known


def _read_material(reader: Reader, key: Key, name: str, item: Mapping[str, Any]) -> Material | None:
    if {"young_1", "young_2", "poisson_12", "shear_12"} & item.keys():
        ply = reader.read(PlyTable, key, item)
        if ply is None:
            return None
        across = math.nan if ply.strain_limit_2 is None else ply.strain_limit_2
        return reader.made(key, lambda: Material(
            name, ply.young_1, ply.young_2, ply.poisson_12, ply.shear_12, ply.density, ply.strain_limit,
            source=ply.source, spread=ply.spread, caveat=ply.caveat, strain_limit_2=across,
        ))  # fmt: skip
    one = reader.read(IsotropicTable, key, item)
    if one is None:
        return None
    shear = one.young / (2.0 * (1.0 + one.poisson))
    return reader.made(key, lambda: Material(
        name, one.young, one.young, one.poisson, shear, one.density, one.strain_limit,
        source=one.source, spread=one.spread, caveat=one.caveat,
    ))  # fmt: skip


def read_obstacles(reader: Reader) -> list[tuple[Key, Obstacle]] | None:
    """Obstacles beyond axle, casing and slot, each with its key; None where one cannot be read."""
    kinds: dict[str, type[Obstacle]] = {cls.__name__.lower(): cls for cls in OBSTACLES}
    faults = len(reader.faults)
    found = []
    for key, item in reader.items(("obstacles",)):
        cls = reader.chosen(kinds, key, item)
        if cls is not None and (made := reader.fill(cls, key, item, ("kind",))) is not None:
            found.append((key, made))
    return found if len(reader.faults) == faults else None


def read_tolerances(reader: Reader) -> dict[str, float]:
    """Relative tolerances of the table `compare`, by number; no part of what is simulated or of a digest."""
    found: dict[str, float] = {}
    for name, value in (reader.table(("compare",)) or {}).items():
        key: Key = ("compare", name)
        if name not in TOLERANCES:
            known = ", ".join(TOLERANCES)
            reader.fault(key, f"is no number that is compared{nearest(name, TOLERANCES)}; known: {known}")
        elif isinstance(value, bool) or not isinstance(value, int | float) or not 0.0 < value <= 1.0:
            reader.fault(
                key,
                f"must be a share of the accepted value, > 0 and <= 1, got {shown(value)}; 0.05 is 5 %",
            )
        else:
            found[name] = float(value)
    return found


@dataclass(frozen=True)
class Around:
    """Everything about the strip but the strip; None where it cannot be read."""

    axle: Axle | None
    casing: Casing | None
    slot: Slot | None
    friction: Friction | None
    weight: Weight | None
    settings: Settings | None
    motor: Motor | None
    push: Push | None


def read_around(reader: Reader) -> Around:
    """All tables that fill one frozen class each."""

    def part(cls: type[Any], name: str, needed: str = "") -> Any:
        table = reader.table((name,), needed)
        if table is None and (needed or reader.value((name,)) is not None):
            return None
        return reader.fill(cls, (name,), table)

    motor = part(Motor, "motor") if reader.value(("motor",)) is not None else None
    return Around(
        part(Axle, "axle", "write [axle] with radius = 4.0 (mm)"),
        part(Casing, "casing", "write [casing] with radius = 12.0 (mm)"),
        part(Slot, "slot"),
        part(Friction, "friction"),
        part(Weight, "weight"),
        part(Settings, "solver"),
        motor,
        _read_push(reader),
    )


def _read_push(reader: Reader) -> Push | None:
    key: Key = ("push",)
    if reader.value(key) is None:
        return reader.fill(RetractDeploy, key, None)
    table = reader.table(key)
    if table is None:
        return None
    kinds: dict[str, type[Push]] = {cls.kind: cls for cls in PUSHES}
    cls = reader.chosen(kinds, key, table)
    return None if cls is None else reader.fill(cls, key, table, ("kind",))
