"""A case: everything that is to be simulated, read from one file, checked, frozen.

`case_of` is the only way in: file or dictionary -> merged tables -> parts -> rules of geometry -> `Case`.
Either the case is sound or every fault is raised at once. `digest` names the content (defaults filled in,
values of library materials included, wording left out): equal digests mean the same simulation.
`design_digest` leaves the numerical settings out: equal ones mean the same design.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fem.case.bounds import MOST_FAULTS
from fem.case.file import Document, document_from, read_document, written
from fem.case.place_rules import Housing, in_place
from fem.case.rules import findings
from fem.case.schema import Reader
from fem.case.strip_tables import (
    LayerPart,
    Outline,
    read_layers,
    read_outline,
    read_runs,
    read_section,
    read_stations,
)
from fem.case.study_tables import Goal, Vary, read_goal, read_vary
from fem.case.tables import (
    Around,
    HeadingTable,
    read_around,
    read_heading,
    read_materials,
    read_obstacles,
    read_tolerances,
)
from fem.core.errors import CaseError, Fault
from fem.core.names import name_fault
from fem.core.units import Share
from fem.design.environment import Axle, Casing, Friction, Slot, Weight
from fem.design.loading import Push, Winding
from fem.design.motor import Motor
from fem.design.obstacle import Obstacle
from fem.design.section import Section
from fem.design.settings import Settings
from fem.design.strip import Station, Strip


@dataclass(frozen=True)
class Case:
    """One named case; `name` is the file's stem, and plain (`fem.core.names`). motor: None where the case
    names none.
    """

    name: str
    title: str
    teaches: str
    strip: Strip
    axle: Axle
    casing: Casing
    slot: Slot
    obstacles: tuple[Obstacle, ...]
    friction: Friction
    weight: Weight
    motor: Motor | None
    push: Push
    settings: Settings
    digest: str
    design_digest: str
    text: str = field(repr=False, compare=False)
    """The whole case as one case file, what it extends merged in: reading it gives the same digest."""
    content: Mapping[str, Any] = field(repr=False, compare=False)
    """What the digests are made of: every checked table with defaults filled in, by its key."""
    tolerances: Mapping[str, Share] = field(repr=False, compare=False)
    """Relative tolerances of the table `compare`, by number."""
    vary: tuple[Vary, ...] = field(repr=False, compare=False)
    """What studies may change."""
    goal: Goal | None = field(repr=False, compare=False)
    """What a design has to reach, if the case says so."""
    source: str = field(repr=False, compare=False)
    """File it was read from, as it was named; its own name where it was in none."""

    @property
    def housing(self) -> Housing:
        """What stands around the strip."""
        return Housing(self.axle, self.casing, self.slot, self.strip.thickness)

    @property
    def surrounded(self) -> bool:
        """Whether axle, casing, slot and obstacles stand around the strip in its push."""
        return in_place(self.push)

    @property
    def root_level(self) -> float:
        """Y of the strip's mid-line where it leaves the axle [mm]: below the axle by half the thickness."""
        return self.housing.root

    @property
    def slot_level(self) -> float:
        """Y of the slot's centre line [mm]."""
        return self.housing.level

    @property
    def slot_mouth(self) -> float:
        """X of the slot's outer end [mm]."""
        return self.housing.mouth

    @property
    def free_length(self) -> float:
        """Strip outside the slot when it is fully out [mm]."""
        return self.strip.length - self.slot_mouth

    @property
    def travel(self) -> float:
        """Strip to draw in through the slot [mm]; 0 for a push that does not turn the axle."""
        return self.push.wound_travel(self.free_length) if isinstance(self.push, Winding) else 0.0


def read_case(path: Path | str) -> Case:
    """Read and check one case file (TOML; mm, N, MPa, s, degrees); raises CaseError with all its faults."""
    file = Path(path)
    return case_of(read_document(file), file.stem)


def case_from(tables: Mapping[str, Any], name: str = "case") -> Case:
    """Check a case given as a dictionary laid out like the file: `{"strip": {"width": 12.0, ...}, ...}`.

    Units as in the file: mm, N, MPa, s, degrees. Tuples and arrays count as lists, a value None as a key left
    out; `extends` is named from the working folder. `name` stands where a file's stem would, and must be as
    plain. Raises CaseError with all faults, each with its key, as `read_case` does.
    """
    return case_of(document_from(tables, name), name)


def case_of(document: Document, name: str, faults: tuple[Fault, ...] = ()) -> Case:
    """The case of merged tables; raises CaseError with all their faults and those found before."""
    reader = Reader(document)
    reader.faults += faults
    if no_name := name_fault(name):
        reader.fault((), no_name)
    heading = read_heading(reader)
    outline = read_outline(reader)
    section = read_section(reader, outline)
    runs, route = read_runs(reader)
    layers, all_layers = read_layers(reader, read_materials(reader))
    stations = read_stations(reader, outline)
    obstacles = read_obstacles(reader)
    around = read_around(reader)
    tolerances, vary, goal = read_tolerances(reader), read_vary(reader), read_goal(reader)
    thickness = sum(part.layer.thickness for part in layers) if all_layers else None
    parts: dict[str, Any] = {
        "outline": outline, "section": section, "runs": runs, "path": route, "layers": layers,
        "stations": stations, "obstacles": obstacles, "thickness": thickness,
        "rise": _rise(section, outline), **vars(around),
    }  # fmt: skip
    for key, message in findings(parts):
        reader.fault(key, message)
    strip = None
    if not reader.faults and outline and section and route and stations is not None:
        strip = reader.made(("strip",), lambda: _strip(outline, section, route, layers, stations))
    if reader.faults or heading is None or strip is None or obstacles is None:
        raise CaseError(_told_faults(reader))
    content = {
        key: value for key, value in reader.effective.items() if key and not key.startswith("materials.")
    }
    told = _Told(name, document.file, written(document), _in_json(content), tolerances, vary, goal)
    return _case(told, heading, strip, tuple(made for _, made in obstacles), around)


def _told_faults(reader: Reader) -> tuple[Fault, ...]:
    """Faults in the order of the file; of very many the first, and how many more there are."""
    found = sorted(set(reader.faults), key=lambda fault: (fault.file, fault.line or 0, fault.key))
    if len(found) <= MOST_FAULTS:
        return tuple(found)
    text = f"has {len(found) - MOST_FAULTS} more faults; mend those that are told, then look again"
    return (*found[:MOST_FAULTS], Fault(reader.document.file, "", text))


@dataclass(frozen=True)
class _Told:
    """What a case keeps of its file: name, text, tables as understood, tolerances, what studies are asked."""

    name: str
    file: str
    text: str
    content: Mapping[str, Any]
    tolerances: Mapping[str, float]
    vary: tuple[Vary, ...]
    goal: Goal | None


def _in_json(content: Mapping[str, Any]) -> Any:
    """The same in JSON's own types, so that it equals what is read back from a file."""
    return json.loads(json.dumps(content))


def _case(
    told: _Told, heading: HeadingTable, strip: Strip, obstacles: tuple[Obstacle, ...], around: Around
) -> Case:
    assert around.axle and around.casing and around.slot and around.friction and around.weight
    assert around.settings and around.push
    return Case(
        told.name, heading.title, heading.teaches, strip, around.axle, around.casing, around.slot, obstacles,
        around.friction, around.weight, around.motor, around.push, around.settings,
        digest_of(told.content),
        digest_of({key: value for key, value in told.content.items() if key != "solver"}),
        told.text, told.content, told.tolerances, told.vary, told.goal, told.file,
    )  # fmt: skip


def digest_of(content: Mapping[str, Any]) -> str:
    """Name of what a case says (`Case.content`)."""
    return hashlib.sha256(json.dumps(content, sort_keys=True, allow_nan=False).encode()).hexdigest()


def _rise(section: Section | None, outline: Outline | None) -> tuple[float, float] | None:
    """Lowest and highest place of the section over the strip's width [mm], toward the axle positive."""
    if section is None or outline is None:
        return None
    half = 0.5 * min(outline.width, section.developed_width)
    places = [half * (index / 32.0 - 1.0) for index in range(65)]
    heights = section.place(places, float(outline.sense)).height
    return float(min(heights)), float(max(heights))


def _strip(
    outline: Outline,
    section: Section,
    route: Any,
    layers: list[LayerPart],
    stations: list[tuple[Any, Station]],
) -> Strip:
    """The strip, with the stations that let a flat root open."""
    places = [station for _, station in stations]
    if outline.root_opening > 0.0:
        first = places[0] if places else Station(0.0, outline.width)
        opening = [Station(0.0, first.width, 0.0)]
        if not places or first.at > outline.root_opening:
            opening.append(Station(outline.root_opening, first.width, first.depth))
        places = [*opening, *places]
    return Strip(
        route, section, outline.width, outline.sense, tuple(part.layer for part in layers), tuple(places)
    )
