"""From a case to a shell that can be wound: mesh, contact on both faces and between wraps, artificial mass,
scales.

Half the width stands for the whole strip when its layers and section are mirror symmetric. The mass is
artificial, as for the rod: it only carries the strip through snaps, and is set so that the strip pressed
flat swings within about one radian of axle turning.
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
from fem.mesh.developed_mesh import Part
from fem.mesh.line_mesh import Zone
from fem.results.result import Quantity
from fem.shell.axle_clamp import ShellAxleClamp
from fem.shell.constraints import unknowns
from fem.shell.drives import ShellPushDrive
from fem.shell.energy import Shell
from fem.shell.loads import point_load, weight
from fem.shell.measures import measured
from fem.shell.motion import SnapTest, Whole, shell_motion
from fem.shell.self_contact import ShellSelfContact
from fem.shell.state import ShellState, strip_state
from fem.shell.static_drive import middle_line
from fem.shell.strip_shell import MOST_TURN, StripMesh, StripShell, shell_on, strip_shell
from fem.shell.surface_points import surface_points
from fem.shell.symmetry import Guard, mode_shape
from fem.shell.wall_contact import ShellWallContact
from fem.solvers.implicit_dynamics import Motion
from fem.solvers.moving_system import MotionSettings

TAIL = 4 / 3
"""Longest element of what stays outside, over the setting; what is wound has the setting itself (1 mm on an
axle of 4 mm: a quarter of a radian each).
"""
ACROSS = 6
WRAP_GRIP = 2.0
"""Stiffness of contact between wraps, whose points stand farther apart, over that with walls."""


SNAP_TURN, SIDEWAYS_TURN = 0.5, 0.1
"""Turning [rad] of a node within a step that makes it a snap, which is followed in shorter steps: in the
plane of the path as for the rod; out of it less, for there the strip is stiff, and the mean of the forces at
both ends says nothing of the work between.
"""
SKEW = 0.002
"""Share by which one side of a whole strip is made stiffer, the other less stiff, to start a twist."""


@dataclass
class ShellModel:
    """A shell in its surroundings: what `fem.simulation.strip_model.StripModel` asks of a strip.

    body: the strip as a shell; walls, wraps: contact with surroundings and with itself, wraps None when they
    may not touch; root_radius [mm]: distance of the root's mid-line from the axle's centre; start (size,):
    the strip at rest below the axle; mesh_warnings: what is told of the mesh; guard: watches whether half the
    width is enough, None if it is not to; lost: why half the width would not do, "" if it did or was never
    tried.
    """

    case: Case
    body: StripShell
    walls: ShellWallContact
    wraps: ShellSelfContact | None
    motion: Motion
    root_radius: float
    start: Array
    mesh_warnings: tuple[str, ...]
    guard: Guard | None = None
    lost: str = ""
    kind: ClassVar[str] = "shell"

    @property
    def length(self) -> float:
        """Length of the strip [mm]."""
        return self.body.strip.length

    @cached_property
    def rise(self) -> float:
        """Largest height [mm] of the rest section."""
        grid = self.body.shell.grid
        place = self.body.shell.rest.reshape(grid.stations.size, -1, 4, 3)[:, :, 0, :2]
        middle = int(np.argmin(np.abs(grid.across)))
        return float(np.linalg.norm(place - place[:, middle : middle + 1], axis=-1).max())

    @property
    def flat_stiffness(self) -> float:
        """Bending stiffness [N mm^2] of the strip pressed flat."""
        return float(self.body.shell.laminate[..., 3, 3].max()) * self.case.strip.width

    @property
    def snap_test(self) -> SnapTest:
        """Whether the strip snaps on the way from one state to another."""
        across = self.body.shell.grid.across
        return SnapTest(across.size, int(np.argmin(np.abs(across))), SNAP_TURN, SIDEWAYS_TURN)

    @property
    def warnings(self) -> tuple[str, ...]:
        """What a reader of the results must know of the model."""
        return (*self.mesh_warnings, *((f"computed with {self.width}",) if self.lost else ()))

    @property
    def width(self) -> str:
        """Which width was computed, and why."""
        if self.lost and not self.body.half:
            return f"the whole width, one side {100 * SKEW:g} % stiffer: {self.lost}"
        if self.lost:
            return f"half the width, mirrored; pushing on beyond the motor's torque ended early: {self.lost}"
        if self.body.half:
            looked = "" if self.guard is None else f" ({self.guard.finding()})"
            return f"half the width, mirrored{looked}"
        return "the whole width"

    @property
    def provenance(self) -> dict[str, str]:
        """What is kept of the model with a result."""
        return {"shell": f"{self.width}, {self.body.shell.size} unknowns"}

    def laid_flat(self) -> tuple[Term, Array]:
        """Strain energy of the same strip, straight and flat, and its rest state below the axle."""
        straight = shell_on(self.case.strip.flattened(), self.body.shell.grid)
        # what a whole strip is made uneven by stays
        straight = replace(straight, laminate=self.body.shell.laminate)
        return Whole(straight, self.body.copies), _below_axle(straight, self.root_radius)

    def clamp(self) -> ShellAxleClamp:
        """The root held flat on the axle."""
        return ShellAxleClamp(self)

    def places(self, u: Array, stations: Array) -> Array:
        """Places (n, 2) [mm] of the mid-line in a state at stations (n,) [mm]."""
        return self.body.shell.position(u, np.stack([stations, np.zeros_like(stations)], axis=1))[:, :2]

    def state(self, u: Array) -> ShellState:
        """Shape, curvature, force and strains on the lines of nodes."""
        return strip_state(self.body, u)

    def summary(self, u: Array) -> ShellState:
        """What is written down of a state in every step."""
        return strip_state(self.body, u)

    def softest_mode(self, u: Array, record: tuple[ContactRecord, ContactRecord]) -> Array:
        """Softest mode (n, m, 3) on the grid of an accepted state, largest displacement 1."""
        return mode_shape(self, u, record)

    def inspect(self, u: Array, accepted: int, control: float) -> None:
        """Look at an accepted state, its number and the axle's angle [rad]; raises SymmetryLostError where
        the whole width would leave the symmetric shape of the half.
        """
        if self.guard is not None:
            self.guard(self, u, accepted, control)

    def quantities(
        self,
        rows: Sequence[Mapping[str, float]],
        states: Sequence[Array],
        records: Sequence[tuple[ContactRecord, ContactRecord]],
    ) -> dict[str, Quantity]:
        """Numbers that only a shell has, of a run's rows, states and records of contact."""
        return measured(self, rows, states, records)

    def weight(self, gravity: Array) -> DeadLoad:
        """The weight of the whole strip for an acceleration (2,) [mm/s^2] in (x, y)."""
        return DeadLoad(self.body.copies * weight(self.body.shell, np.array([*gravity, 0.0])).force)

    def point_load(self, station: float, force: Array) -> DeadLoad:
        """A dead force (3,) [N] at a station [mm] of the mid-line."""
        return point_load(self.body.shell, (station, 0.0), force)

    def push_drive(
        self, station: float, direction: tuple[float, float], stiffness: float, u: Array
    ) -> ShellPushDrive:
        """A spring [N/mm], slack in a state, that drives a station along a direction."""
        drive = ShellPushDrive(self.body.shell, station, direction, stiffness)
        drive.start = drive.moved(u)
        return drive

    def tip_unknowns(self, clamped: bool) -> tuple[Index, Index]:
        """Unknowns (n,) that a grip holds at the far end, the whole section or the place of its middle, and
        the x and y unknowns (k, 2) of the places among them.
        """
        grid = self.body.shell.grid
        nodes = grid.edge("end") if clamped else np.atleast_1d(grid.node(-1, middle_line(self.body)))
        held = unknowns(nodes, (0, 1, 2, 3) if clamped else (0,))
        return held, unknowns(nodes, (0,), (0, 1)).reshape(-1, 2)


def symmetric_strip(case: Case) -> bool:
    """Whether layers and section are the same on both sides of the mid-line, so that half of it is enough."""
    strip = case.strip
    s, q = np.linspace(0.0, strip.length, 9)[:, None], np.linspace(0.05, 0.45, 9) * strip.width
    left, right = strip.laminate(s, -q), strip.laminate(s, q)
    mirror = np.array([1.0, 1.0, -1.0, 1.0, 1.0, -1.0])
    even = np.allclose(left, right * mirror[:, None] * mirror, atol=1e-9 * float(np.abs(right).max()))
    twisted = np.abs(right * (1.0 - mirror[:, None] * mirror)).max() > 1e-9 * float(np.abs(right).max())
    odd = np.allclose(strip.section_angle(s, -q)[0], -np.asarray(strip.section_angle(s, q)[0]))
    return bool(even and odd and not twisted)


def case_mesh(case: Case, refine: float = 1.0, whole: bool = False) -> StripMesh:
    """How the strip of a case is divided to be wound; arguments as for `build_shell_model`."""
    st, strip = case.settings, case.strip
    wound = min(strip.length, case.travel + case.slot_mouth + 5.0)
    # all that is wound passes the slot
    zones = (Zone(0.0, wound, min(st.element, st.element_fine) / refine),)
    across = 2 * round(0.5 * ACROSS * refine)
    half = not whole and symmetric_strip(case)
    slot = Part("slot", (0.0, case.slot_mouth))
    turn = MOST_TURN / refine
    return StripMesh(TAIL * st.element / refine, zones, across, half, parts=(slot,), turn=turn)


def build_shell_model(case: Case, refine: float = 1.0, whole: bool = False, skew: float = 0.0) -> ShellModel:
    """The shell of a case in its surroundings.

    `refine` > 1 divides all element sizes and contact spacings; `whole`: the whole width even where half of
    it is enough; `skew`: share by which one side is stiffer than the middle and the other less stiff.
    """
    st, strip = case.settings, case.strip
    body = strip_shell(strip, case_mesh(case, refine, whole))
    if skew:
        side = np.sign(body.shell.grid.points[..., 1])[..., None, None]
        laminate = body.shell.laminate * (1.0 + skew * side)
        body = replace(body, shell=replace(body.shell, laminate=laminate))
    shell = body.shell
    settings = contact_settings(case, float(shell.laminate[..., 4, 4].max()))
    around = surrounding_walls(case, 0.0)
    spacing = st.contact_spacing / refine
    points = surface_points(body, spacing, split=split(around, spacing, settings.onset))
    walls = ShellWallContact(points, shell.size, strip.thickness, around, settings)
    wraps = None
    if st.wraps_touch:
        coarse = surface_points(body, 2 * st.contact_spacing / refine, ends=True)
        rubbing = replace(
            settings,
            friction=case.friction.wraps,
            stiffness=WRAP_GRIP * settings.stiffness,
            lead=WRAP_LEAD * strip.thickness,
        )
        wraps = ShellSelfContact(
            coarse, shell.grid, shell.size, strip.thickness, rubbing, np.pi * case.axle.radius
        )
    root = case.axle.radius + 0.5 * strip.thickness
    start = _below_axle(shell, root)
    motion = _motion(case, body, walls, wraps)
    warnings = (body.warning,) if body.warning else ()
    return ShellModel(case, body, walls, wraps, motion, root, start, warnings)


def _below_axle(shell: Shell, root: float) -> Array:
    """The shell at rest, its root `root` mm below the axle's centre."""
    start = shell.rest.reshape(-1, 4, 3).copy()
    start[:, 0, 1] -= root
    return start.ravel()


def _motion(case: Case, body: StripShell, walls: ShellWallContact, wraps: ShellSelfContact | None) -> Motion:
    st, strip, shell = case.settings, case.strip, body.shell
    flat = float(shell.laminate[..., 3, 3].max()) * strip.width
    density = 10 * MASS_SHARE * flat / strip.length**4 / strip.width
    settings = MotionSettings(
        damping=st.damping,
        energy=0.05 * flat / case.axle.radius**2 * strip.length,
        settled=5e-4 * strip.thickness,
        small_move=0.02 * strip.thickness,
        wait=1,  # what minimisations cost would pay for the balance tried in vain
    )
    plain: list[Term] = [shell]
    if case.weight.acts:
        plain.append(weight(shell, np.array([*case.weight.acceleration(), 0.0])))
    held: list[FrictionTerm] = [walls] if wraps is None else [walls, wraps]
    return shell_motion(body, plain, held, density, settings, case.casing.radius)
