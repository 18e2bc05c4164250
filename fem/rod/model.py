"""From a case to a rod that can be moved: mesh, terms, contact, artificial mass and scales.

The mass is artificial: it only carries the strip through snaps. It is set so that the whole strip, pressed
flat, swings within about one radian of axle turning, whatever the material; the results say how much energy
it ever holds.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import ClassVar

import numpy as np

from fem.case.definition import Case
from fem.contact.state import ContactRecord
from fem.contact.surroundings import MASS_SHARE, WRAP_LEAD, contact_settings, split, surrounding_walls
from fem.core.term import Array, DeadLoad, FrictionTerm, Index, Term
from fem.design.path import Path
from fem.mesh.clamp_layer import clear_stations
from fem.mesh.line_mesh import line_mesh
from fem.mesh.size_fields import size_field
from fem.results.result import Quantity
from fem.rod.axle_clamp import RodAxleClamp
from fem.rod.constraints import line_unknowns, section_unknowns
from fem.rod.drives import PushDrive
from fem.rod.energy import (
    CountedFrom,
    Rod,
    RodEnergy,
    SnapTest,
    build_rod,
    flat_amplitudes,
    flattened,
    rest_state,
)
from fem.rod.fields import RodFields, RodState, RodSummary
from fem.rod.loads import point_load, weight
from fem.rod.predictors import CorotatingNodes, sliding_through
from fem.rod.self_contact import RodSelfContact
from fem.rod.wall_contact import RodWallContact, contact_points
from fem.solvers.implicit_dynamics import Motion, mass_blocks
from fem.solvers.moving_system import MotionSettings

FIELD_STATIONS, HALF_WIDTH_POINTS = 121, 5
"""Grid on which a state of the rod is read: stations along, places from the mid-line to an edge."""
SNAP_TURN = 0.5
"""Turning [rad] of a node within a step that makes it a snap, which is followed in shorter steps: in one, the
work of friction along its way would be guessed from the two ends.
"""


@dataclass
class RodModel:
    """A rod in its surroundings: what `fem.simulation.strip_model.StripModel` asks of a strip.

    walls, wraps: contact with surroundings and with itself, None where nothing may touch; root_radius [mm]:
    distance of the root's mid-line from the axle's centre; flat (modes,): opening amplitudes of the root
    pressed flat; start (size,): the strip at rest below the axle; clamps: stations [mm] of rigid clamps.
    """

    case: Case
    rod: Rod
    energy: RodEnergy
    walls: RodWallContact | None
    wraps: RodSelfContact | None
    motion: Motion
    root_radius: float
    flat: Array
    start: Array
    warnings: tuple[str, ...]
    clamps: tuple[float, ...] = ()
    kind: ClassVar[str] = "rod"

    @property
    def length(self) -> float:
        """Length of the strip [mm]."""
        return self.rod.strip.length

    @property
    def rise(self) -> float:
        """Largest height [mm] of the rest section."""
        tab = self.rod.tables
        return float(np.abs(np.einsum("nij,nj->ni", tab.rule.inner, np.sin(tab.angle))).max())

    @property
    def flat_stiffness(self) -> float:
        """Bending stiffness [N mm^2] of the strip pressed flat, widest over the stations."""
        return flat_stiffness(self.rod)

    @property
    def snap_test(self) -> SnapTest:
        """Whether the strip snaps on the way from one state to another."""
        return SnapTest(self.rod, SNAP_TURN)

    @property
    def provenance(self) -> dict[str, str]:
        """What is kept of the model with a result: nothing beside the case's settings."""
        return {}

    @cached_property
    def fields(self) -> RodFields:
        """Tables to read states with."""
        stations = np.linspace(0.0, self.length, FIELD_STATIONS)
        for clear in clear_stations(self.case.strip, self.clamps):
            nearest = round(clear / stations[-1] * (FIELD_STATIONS - 1))
            stations[min(max(nearest, 1), FIELD_STATIONS - 2)] = clear
        return RodFields.build(self.rod, stations, HALF_WIDTH_POINTS)

    def laid_flat(self) -> tuple[Term, Array]:
        """Strain energy of the same strip, straight and flat, and its rest state below the axle."""
        strip = self.case.strip.flattened()
        flat, amplitudes = flattened(self.rod, strip)
        start = _below_axle(flat, strip.path, self.root_radius) + amplitudes
        return CountedFrom(RodEnergy(flat), amplitudes), start

    def clamp(self) -> RodAxleClamp:
        """The root held flat on the axle."""
        return RodAxleClamp(self)

    def places(self, u: Array, stations: Array) -> Array:
        """Places (n, 2) [mm] of the mid-line in a state at stations (n,) [mm]."""
        element, shape = self.rod.shape_at(stations)
        local = u[self.rod.dofs[element, :8]].reshape(-1, 2, 4)
        return np.asarray(np.einsum("ni,nci->nc", shape[:, 0], local))

    def state(self, u: Array) -> RodState:
        """Shape, curvature, forces and strains on the grid of `fields`."""
        return self.fields.state(u)

    def summary(self, u: Array) -> RodSummary:
        """What is written down of a state in every step."""
        return self.fields.summary(u)

    def softest_mode(
        self,
        u: Array,  # noqa: ARG002 - asked for by the protocol
        record: tuple[ContactRecord, ContactRecord],  # noqa: ARG002 - asked for by the protocol
    ) -> Array:
        """None (0, 0, 3): the modes of a planar rod would hide those that leave its plane."""
        return np.empty((0, 0, 3))

    def inspect(self, u: Array, accepted: int, control: float) -> None:
        """Nothing: a rod stands for the strip in every state."""

    def quantities(
        self,
        rows: Sequence[Mapping[str, float]],  # noqa: ARG002 - asked for by the protocol
        states: Sequence[Array],  # noqa: ARG002 - asked for by the protocol
        records: Sequence[tuple[ContactRecord, ContactRecord]],  # noqa: ARG002 - asked for by the protocol
    ) -> dict[str, Quantity]:
        """Numbers that only this model has: none."""
        return {}

    def weight(self, gravity: Array) -> DeadLoad:
        """The strip's weight for an acceleration (2,) [mm/s^2] in (x, y)."""
        return weight(self.rod, gravity)

    def point_load(self, station: float, force: Array) -> DeadLoad:
        """A dead force (3,) [N] at a station [mm] of the mid-line; the rod has nothing to feel the part
        across its plane with.
        """
        return point_load(self.rod, station, force[:2])

    def push_drive(
        self, station: float, direction: tuple[float, float], stiffness: float, u: Array
    ) -> PushDrive:
        """A spring [N/mm], slack in a state, that drives a station along a direction."""
        x, y = self.places(u, np.array([station]))[0]
        return PushDrive(self.rod, station, direction, stiffness, (float(x), float(y)))

    def tip_unknowns(self, clamped: bool) -> tuple[Index, Index]:
        """Unknowns (n,) that a grip holds at the far end, the whole section or the place of its middle, and
        the x and y unknowns (1, 2) of the place among them.
        """
        rod, last = self.rod, len(self.rod.nodes) - 1
        place = [rod.index(last, 0), rod.index(last, 1)]
        held = [*line_unknowns(rod, last), *section_unknowns(rod, last)] if clamped else place
        return np.array(held, dtype=np.int64), np.array([place], dtype=np.int64)


def build_rod_model(
    case: Case,
    surrounded: bool = True,
    refine: float = 1.0,
    nodes: tuple[float, ...] = (),
    clamps: tuple[float, ...] = (),
) -> RodModel:
    """The rod of a case; `surrounded` False leaves out axle, casing, slot, obstacles and self-contact; nodes,
    clamps: stations [mm] that carry a node, and that a rigid clamp holds.
    """
    st, strip = case.settings, case.strip
    field = size_field(case, refine, clamps)
    mesh = line_mesh(strip.length, replace(field, nodes=(*field.nodes, *nodes)))
    rod = build_rod(strip, mesh.stations)
    energy = RodEnergy(rod)
    walls, wraps = None, None
    if surrounded:
        settings = contact_settings(case, float(rod.tables.stiffness[:, :, 3, 3].max()))
        around = surrounding_walls(case, 0.0)
        spacing = st.contact_spacing / refine
        walls = RodWallContact(
            rod, contact_points(rod, spacing, split(around, spacing, settings.onset)), around, settings
        )
        if st.wraps_touch:
            coarse = contact_points(rod, 2 * spacing, ends=case.slot.lip)
            wraps = RodSelfContact(
                rod,
                coarse,
                replace(settings, friction=case.friction.wraps, lead=WRAP_LEAD * strip.thickness),
                np.pi * case.axle.radius,
            )
    root = case.axle.radius + 0.5 * strip.thickness
    start = _below_axle(rod, strip.path, root)
    motion = _motion(case, rod, energy, walls, wraps)
    warnings = (mesh.warning,) if mesh.warning else ()
    return RodModel(
        case, rod, energy, walls, wraps, motion, root, flat_amplitudes(rod, 0.0), start, warnings, clamps
    )


def _below_axle(rod: Rod, path: Path, root: float) -> Array:
    """The strip of a rod at rest along a path, its root `root` mm below the axle's centre."""
    return rest_state(rod, path.position(rod.nodes) - np.array([0.0, root]), path.heading(rod.nodes))


def flat_stiffness(rod: Rod) -> float:
    """Bending stiffness [N mm^2] of the strip pressed flat, widest over the stations."""
    tab = rod.tables
    return float((2 * tab.rule.weight * tab.stiffness[:, :, 2, 2]).sum(axis=1).max())


def _motion(
    case: Case, rod: Rod, energy: RodEnergy, walls: RodWallContact | None, wraps: RodSelfContact | None
) -> Motion:
    st, strip = case.settings, case.strip
    stiffness = flat_stiffness(rod)
    line = MASS_SHARE * stiffness / strip.length**4 * 10
    half = 0.5 * strip.width
    # opening moves the edges by half^2/2 per unit, edge bending by half^2/6; warping moves them by itself
    opening = [line * half**4 / (20 if mode == 0 else 200) for mode in range(rod.modes)]
    density = np.array([line, line, *opening, *[0.2 * line] * rod.warps])
    weights = np.asarray(rod.basis.dx).reshape(rod.stations.shape)
    places = np.zeros((len(rod.nodes), rod.fields, 2), dtype=np.bool_)
    places[:, :2, 0] = True
    scale = 0.05 * stiffness / case.axle.radius**2 * strip.length
    settings = MotionSettings(
        damping=st.damping, energy=scale, settled=5e-4 * strip.thickness, small_move=0.1 * strip.thickness
    )
    friction: list[FrictionTerm] = [term for term in (walls, wraps) if term is not None]
    terms: list[Term] = [energy]
    if case.weight.acts:
        terms.append(weight(rod, np.array(case.weight.acceleration())))
    mass = mass_blocks(rod.dofs, rod.shape, weights, density)
    predictor = CorotatingNodes(rod) if walls is None else sliding_through(rod, case.casing.radius)
    return Motion(terms, friction, mass, rod.size, 2 * rod.fields, places.ravel(), settings, predictor)
