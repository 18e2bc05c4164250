"""How edges of a shell are held: lists of unknowns to hold, and rigid bodies that carry an edge.

Each function returns numbers of unknowns; `hold` joins them into `Ends`. Components are named by axis 0,
1, 2.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from fem.core.term import Array, Index
from fem.mesh.bicubic import shape_at
from fem.shell.energy import Shell
from fem.solvers.constraints import Carrier, Ends, RigidBody
from fem.solvers.edge_constraints import PlaneEnd, SlidingClamp

ALL = (0, 1, 2)
ALONG = {"start": 2, "end": 2, "low": 1, "high": 1}  # kind of the derivative along an edge
INWARD = {"start": 1, "end": 1, "low": 2, "high": 2}  # kind of the derivative across it


def unknowns(nodes: Index, kinds: Sequence[int], components: Sequence[int] = ALL) -> Index:
    """Unknown numbers of kinds (0 position, 1, 2 derivatives, 3 mixed) and components at nodes."""
    table = (4 * np.atleast_1d(nodes)[:, None, None] + np.array(kinds)[:, None]) * 3 + np.array(components)
    return np.asarray(table.ravel(), dtype=np.int64)


def clamped(shell: Shell, edge: str) -> Index:
    """Position and slope of an edge: nothing there moves, turns or stretches."""
    return unknowns(shell.grid.edge(edge), (0, 1, 2, 3))


def built_in(shell: Shell, edge: str, normal: int) -> Index:
    """A clamped edge where the surface is level, its normal along axis `normal`: it may stretch in its
    plane.
    """
    nodes = shell.grid.edge(edge)
    return np.concatenate([unknowns(nodes, (0, ALONG[edge])), unknowns(nodes, (INWARD[edge], 3), (normal,))])


def hinged(shell: Shell, edge: str, components: Sequence[int] = ALL) -> Index:
    """Positions of an edge along the given axes; the edge may turn."""
    return unknowns(shell.grid.edge(edge), (0, ALONG[edge]), components)


def symmetric(shell: Shell, edge: str, normal: int) -> Index:
    """An edge on a plane of symmetry whose normal is axis `normal`."""
    others = [c for c in ALL if c != normal]
    nodes = shell.grid.edge(edge)
    return np.concatenate(
        [unknowns(nodes, (0, ALONG[edge]), (normal,)), unknowns(nodes, (INWARD[edge], 3), others)]
    )


def hold(shell: Shell, held: Sequence[Index], bodies: tuple[Carrier, ...] = ()) -> Ends:
    """Ends that hold unknowns at their rest values; unknowns a body carries are left to the body."""
    index = np.unique(np.concatenate([np.zeros(0, dtype=np.int64), *held]))
    for body in bodies:
        index = np.setdiff1d(index, body.dofs.ravel())
    return Ends(shell.size, index, shell.rest.ravel()[index], bodies=bodies)


def rigid_edge(shell: Shell, edge: str, clamp: bool = True, **how: Any) -> RigidBody:
    """A rigid body that carries an edge: clamped to it (slopes too) or hinged on it; see `rigid_nodes`."""
    kinds = (0, 1, 2, 3) if clamp else (0, ALONG[edge])
    return rigid_nodes(shell, shell.grid.edge(edge), kinds, **how)


def rigid_nodes(
    shell: Shell, nodes: Index, kinds: Sequence[int], at: Array | None = None, **how: Any
) -> RigidBody:
    """A rigid body that carries vectors of some kinds at nodes, as they are in a state `at` (None: at rest).

    Keywords are those of RigidBody (centre, shift, travel, spin, axis, angle, force, moment); the centre is
    the mean of the nodes unless given.
    """
    dofs = unknowns(nodes, kinds).reshape(-1, 3)
    vectors = (shell.rest.ravel() if at is None else at)[dofs]
    points = np.tile(np.array(kinds) == 0, np.size(nodes))
    how.setdefault("centre", tuple(vectors[points].mean(axis=0)))
    how.setdefault("lever", float(np.ptp(shell.rest[0::4], axis=0).max()))
    return RigidBody(dofs, vectors, points, **how)


def plane_edge(shell: Shell, edge: str, frame: Array, **how: Any) -> PlaneEnd:
    """An edge that stays in a plane, square to it, and deforms in it; frame (3, 3) as in PlaneEnd."""
    return plane_nodes(shell, shell.grid.edge(edge), ALONG[edge], frame, **how)


def plane_nodes(
    shell: Shell, nodes: Index, along: int, frame: Array, at: Array | None = None, **how: Any
) -> PlaneEnd:
    """A line of nodes that stays in a plane, as `plane_edge`, from a state `at` on (None: at rest).

    along: kind of the derivative along the line. Keywords are those of PlaneEnd.
    """
    kinds = np.arange(4)
    dofs = unknowns(nodes, (0, 1, 2, 3)).reshape(-1, 3)
    vectors = (shell.rest.ravel() if at is None else at)[dofs]
    points = np.tile(kinds == 0, nodes.size)
    how.setdefault("centre", tuple(vectors[points].mean(axis=0)))
    return PlaneEnd(dofs, vectors, points, np.tile(kinds == along, nodes.size), frame=frame, **how)


def clamped_edge(shell: Shell, edge: str, mirrored: tuple[bool, bool] = (False, False)) -> SlidingClamp:
    """A clamp of an edge of any shape: points and tangent planes stay, the shell may stretch in its own
    plane.

    With e the direction square to the edge in the surface and t the one along it, the slope across the edge
    stays a e + b t; a and b are free along the edge, so that the mixed derivative is that of a e + b t.
    mirrored says whether the first and the last point lie on planes of symmetry, where b and da vanish.
    """
    grid, nodes = shell.grid, shell.grid.edge(edge)
    along = 1 if edge in ("start", "end") else 0  # the parameter that runs along the edge
    at = grid.coordinates()[nodes]
    small = 1e-4 * np.ptp(at[:, along])
    ahead, behind = at.copy(), at.copy()
    ahead[:, along] = np.minimum(at[:, along] + small, at[-1, along])
    behind[:, along] = np.maximum(at[:, along] - small, at[0, along])
    span = (ahead - behind)[:, along, None, None]
    frames, change = _edge_frames(shell, at, along), _edge_frames(shell, ahead, along)
    change = (change - _edge_frames(shell, behind, along)) / span
    inward, mixed = INWARD[edge], 3
    kinds = (0, ALONG[edge], inward, mixed)
    dofs = unknowns(nodes, kinds).reshape(-1, 3)
    modes = np.zeros((4 * nodes.size, 3, 4 * nodes.size))
    for k in range(nodes.size):
        for which in range(2):
            modes[4 * k + 2, :, 4 * k + which] = frames[k, which]
            modes[4 * k + 3, :, 4 * k + which] = change[k, which]
            modes[4 * k + 3, :, 4 * k + 2 + which] = frames[k, which]
    closed = [
        4 * k + which
        for k, shut in zip((0, nodes.size - 1), mirrored, strict=True)
        if shut
        for which in (1, 2)
    ]
    modes = np.delete(modes, closed, axis=2)
    vectors = shell.rest.ravel()[dofs]
    points = np.tile(np.array(kinds) == 0, nodes.size)
    centre = tuple(float(v) for v in vectors[points].mean(axis=0))
    return SlidingClamp(dofs, vectors, points, modes, (centre[0], centre[1], centre[2]))


def _edge_frames(shell: Shell, parameters: Array, along: int) -> Array:
    """Unit vectors (m, 2, 3) at rest: square to the edge in the surface, and along the edge."""
    dofs, values = shape_at(shell.grid, parameters)
    first = np.einsum("mi,mic->mc", values[:, 1], shell.rest[dofs])
    second = np.einsum("mi,mic->mc", values[:, 2], shell.rest[dofs])
    normal = np.cross(first, second)
    tangent = second if along else first
    tangent = tangent / np.linalg.norm(tangent, axis=1, keepdims=True)
    square = np.cross(tangent, normal / np.linalg.norm(normal, axis=1, keepdims=True))
    return np.stack([square, tangent], axis=1)


def reaction(gradient: Array, index: Index) -> Array:
    """Force (3,) [N] that the ground exerts on the structure through the positions held among `index`."""
    position = index[(index // 3) % 4 == 0]
    force = np.zeros(3)
    np.add.at(force, position % 3, gradient[position])
    return force
