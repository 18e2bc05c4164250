"""The root of the shell clamped flat to the axle: a line of nodes, all its vectors prescribed."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np

from fem.case.definition import Case
from fem.core.term import Array, Index
from fem.shell.constraints import unknowns
from fem.shell.motion import mirror_unknowns
from fem.shell.self_contact import ShellSelfContact
from fem.shell.strip_shell import StripShell
from fem.shell.wall_contact import ShellWallContact
from fem.solvers.implicit_dynamics import Motion

FINE = 401


class ClampedShell(Protocol):
    """A shell in its surroundings whose root is clamped to the axle, as clamp, symmetry and measures read it
    (see `fem.shell.model.ShellModel`).
    """

    @property
    def case(self) -> Case: ...
    @property
    def body(self) -> StripShell: ...
    @property
    def walls(self) -> ShellWallContact: ...
    @property
    def wraps(self) -> ShellSelfContact | None: ...
    @property
    def motion(self) -> Motion: ...
    @property
    def root_radius(self) -> float: ...


@dataclass(frozen=True)
class ShellAxleClamp:
    """Root clamped flat to an axle that has wound in by the control psi [rad]; flatten: 0 rest section, 1
    flat.
    """

    model: ClampedShell
    flatten: float = 1.0

    def indices(self) -> Index:
        """Prescribed unknowns: all vectors of the root's line of nodes, and what symmetry holds."""
        return np.unique(np.concatenate([self.root(), mirror_unknowns(self.model.body)]))

    def root(self) -> Index:
        """Unknowns of the root's line of nodes."""
        return unknowns(self.model.body.shell.grid.edge("start"), (0, 1, 2, 3))

    def pressed(self, share: float) -> ShellAxleClamp:
        """The same clamp with the root's section pressed flat by a share of the way."""
        return replace(self, flatten=share)

    def place(self, u: Array, control: float) -> Array:
        """Root turned clockwise by the control."""
        u = u.copy()
        vectors = root_section(self.model, self.flatten)
        vectors[:, 0, 1] -= self.model.root_radius
        c, s = math.cos(control), math.sin(control)
        turned = vectors @ np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
        u[mirror_unknowns(self.model.body)] = 0.0
        u[self.root()] = turned.ravel()
        return u

    def force(self, u: Array, gradient: Array, control: float) -> float:  # noqa: ARG002 - read off the state
        """Torque [N mm] the axle needs to wind in."""
        root = self.root()
        vectors, pull = u[root].reshape(-1, 3), gradient[root].reshape(-1, 3)
        torque = float((pull[:, 0] * vectors[:, 1] - pull[:, 1] * vectors[:, 0]).sum())
        return torque + self.model.walls.axle_moment(u)

    def reach(self, u: Array, control: float) -> float:  # noqa: ARG002 - the control itself
        """The axle's angle."""
        return control

    def prepare(self, before: float, control: float) -> None:
        """The axle's surface turns with it."""
        self.model.walls.follow_axle(control - before)


def root_section(model: ClampedShell, flatten: float) -> Array:
    """Vectors (nodes across, 4, 3) of the root's section opened by a share, middle at the origin, heading
    +x.
    """
    strip, grid = model.case.strip, model.body.shell.grid
    rest = model.body.shell.rest.reshape(grid.stations.size, grid.across.size, 4, 3)[0].copy()
    width, slope, _ = (float(value) / strip.width for value in strip.taper(0.0))
    q = np.linspace(grid.across[0], grid.across[-1], FINE) * width
    angle = (1.0 - flatten) * np.asarray(strip.section_angle(np.zeros(FINE), q)[0])
    made = np.zeros((FINE, 2))
    steps = 0.5 * np.diff(q)[:, None]
    slopes = np.stack([np.sin(angle), np.cos(angle)], axis=1)
    made[1:] = np.cumsum(steps * (slopes[1:] + slopes[:-1]), axis=0)
    at = grid.across * width
    middle = [np.interp(0.0, q, made[:, c]) for c in range(2)]
    flat = np.zeros_like(rest)
    flat[:, 1, 0], flat[:, 1, 2] = 1.0, slope * grid.across
    flat[:, 3, 2] = slope
    out = (1.0 - flatten) * rest + flatten * flat
    out[:, 0] = 0.0
    out[:, 0, 1], out[:, 0, 2] = (np.interp(at, q, made[:, c]) - middle[c] for c in range(2))
    out[:, 2] = 0.0
    out[:, 2, 1], out[:, 2, 2] = (width * np.interp(at, q, slopes[:, c]) for c in range(2))
    return np.asarray(out)
