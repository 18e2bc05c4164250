"""From a case to a shell that can be wound: mesh, contact on both faces and between wraps, artificial mass,
scales.

Half the width stands for the whole strip when its layers and section are mirror symmetric. The mass is
artificial, as for the rod: it only carries the strip through snaps, and is set so that the strip pressed
flat swings within about one radian of axle turning.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from fem.case.definition import Case
from fem.contact.settings import ContactSettings
from fem.contact.surroundings import MASS_SHARE, ONSET, SINK, SLIP, split, surrounding_walls
from fem.core.term import Array, FrictionTerm, Term
from fem.design.obstacle import Wall
from fem.mesh.developed_mesh import Part
from fem.mesh.line_mesh import Zone
from fem.shell.loads import weight
from fem.shell.motion import shell_motion
from fem.shell.self_contact import ShellWraps
from fem.shell.state import StripState, strip_state
from fem.shell.strip_shell import StripMesh, StripShell, strip_shell
from fem.shell.surface_points import surface_points
from fem.shell.wall_contact import ShellWalls
from fem.solvers.implicit_dynamics import Motion
from fem.solvers.moving_system import MotionSettings

TAIL = 4 / 3
"""Longest element of what stays outside, over the setting; what is wound has the setting itself (1 mm on an
axle of 4 mm: a quarter of a radian each).
"""
ACROSS = 6
WRAP_GRIP = 2.0
"""Stiffness of contact between wraps, whose points stand farther apart, over that with walls."""


Watch = Callable[["ShellModel", Array, int, float], None]


@dataclass
class ShellModel:
    """A shell in its surroundings, ready to be wound.

    root_radius [mm]: distance of the root's mid-line from the axle's centre; wraps: None when the wraps may
    not touch; watch: sees every accepted state (model, u, its number, axle angle); lost: why half the width
    would not do, "" if it did or was never tried.
    """

    case: Case
    body: StripShell
    walls: ShellWalls
    wraps: ShellWraps | None
    motion: Motion
    root_radius: float
    start: Array
    warnings: tuple[str, ...]
    watch: Watch | None = None
    lost: str = ""

    @property
    def rod(self) -> StripShell:
        """What carries the strip, under the name by which the cycle of the rod asks for it."""
        return self.body

    def walls_at(self, opening: float) -> tuple[Wall, ...]:
        """Everything that can be touched, backed off by `opening` mm."""
        return surrounding_walls(self.case, opening)

    @cached_property
    def rise(self) -> float:
        """Largest height [mm] of the rest section."""
        grid = self.body.shell.grid
        place = self.body.shell.rest.reshape(grid.stations.size, -1, 4, 3)[:, :, 0, :2]
        middle = int(np.argmin(np.abs(grid.across)))
        return float(np.linalg.norm(place - place[:, middle : middle + 1], axis=-1).max())


@dataclass(frozen=True, eq=False)
class WoundState(StripState):
    """A state of the wound strip, with the names the cycle asks for."""

    thickness: float = 0.0

    @property
    def strain_share(self) -> Array:
        """(n, m) largest share of a material's elastic limit."""
        return self.share


@dataclass(frozen=True)
class ShellFields:
    """Reads states of a shell strip."""

    body: StripShell

    def state(self, u: Array) -> WoundState:
        """Shape, curvature, force and strains on the lines of nodes."""
        return WoundState(**vars(strip_state(self.body, u)), thickness=self.body.strip.thickness)

    def glance(self, u: Array) -> WoundState:
        """What a run looks at in every step."""
        return self.state(u)


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
    return StripMesh(TAIL * st.element / refine, zones, across, half, parts=(slot,))


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
    settings = contact_settings(case, body)
    around = surrounding_walls(case, 0.0)
    spacing = st.contact_spacing / refine
    points = surface_points(body, spacing, split=split(around, spacing, settings.onset))
    walls = ShellWalls(points, shell.size, strip.thickness, around, settings)
    wraps = None
    if st.wraps_touch:
        coarse = surface_points(body, 2 * st.contact_spacing / refine, ends=True)
        rubbing = replace(settings, friction=case.friction.wraps, stiffness=WRAP_GRIP * settings.stiffness)
        wraps = ShellWraps(coarse, shell.grid, shell.size, strip.thickness, rubbing, np.pi * case.axle.radius)
    root = case.axle.radius + 0.5 * strip.thickness
    start = shell.rest.reshape(-1, 4, 3).copy()
    start[:, 0, 1] -= root
    motion = _motion(case, body, walls, wraps)
    warnings = (body.warning,) if body.warning else ()
    return ShellModel(case, body, walls, wraps, motion, root, start.ravel(), warnings)


def contact_settings(case: Case, body: StripShell) -> ContactSettings:
    """Penalty and elastic slip of the case, or what suits its strip; the reasoning is that of the rod's."""
    st, strip = case.settings, case.strip
    plate = float(body.shell.laminate[..., 4, 4].max())
    half = 0.5 * strip.width
    angle = strip.section_angle(np.array([0.5 * strip.length]), np.array([half]))[0]
    sharp = max(float(np.abs(angle).max()) / half, 1.0 / (case.axle.radius + 0.5 * strip.thickness))
    stiffness = plate * sharp**2 / (case.slot.lip * SINK * strip.thickness)
    return ContactSettings(
        st.contact_stiffness or stiffness,
        st.contact_onset or ONSET * strip.thickness,
        st.slip or SLIP * strip.thickness,
        case.friction.strip,
    )


def _motion(case: Case, body: StripShell, walls: ShellWalls, wraps: ShellWraps | None) -> Motion:
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
    return shell_motion(body, plain, held, density, settings)
