"""How a structure is held: unknowns kept, driven, or carried by rigid bodies.

The full vector of unknowns x is a function of fewer free unknowns u and of one number, the level, that
drives the whole experiment: held unknowns are x = value + level * travel, and every 3-vector d that a rigid
body carries (a point of an edge, or a derivative of position there) is d = [c +] R d0 with the body's centre
c and rotation R. A body can be held, driven or left free, in translation and in rotation, by any finite
amount. The gradient in the free unknowns is L^T g with L = dx/du; the second derivative of R adds its own
part to the tangent.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from fem.core.term import Array, Blocks, Index

Mask = NDArray[np.bool_]

HELD, DRIVEN, ABOUT_AXIS, ANY = "held", "driven", "about axis", "any"


def cross_matrix(vector: Array) -> Array:
    """Matrix (3, 3) of v -> vector x v."""
    x, y, z = vector
    return np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])


def _sinc_pair(t: float) -> tuple[Array, Array]:
    """A(t) = sin(a)/a and B(t) = (1 - cos a)/a^2 of t = a^2, each with two derivatives in t."""
    if t < 1e-2:  # Taylor series: the closed forms lose digits here
        a = np.array([1 - t / 6 + t**2 / 120 - t**3 / 5040, -1 / 6 + t / 60 - t**2 / 1680, 1 / 60 - t / 840])
        b = np.array(
            [0.5 - t / 24 + t**2 / 720 - t**3 / 40320, -1 / 24 + t / 360 - t**2 / 13440, 1 / 360 - t / 6720]
        )
        a += np.array([t**4 / 362880, t**3 / 90720, t**2 / 30240])
        b += np.array([t**4 / 3628800, t**3 / 907200, t**2 / 302400])
        return a, b
    angle = np.sqrt(t)
    a0, cosine = np.sin(angle) / angle, np.cos(angle)
    a1 = (cosine - a0) / (2.0 * t)
    a2 = (-a0 / 2.0 - 3.0 * a1) / (2.0 * t)
    b0 = (1.0 - cosine) / t
    b1 = (a0 / 2.0 - b0) / t
    b2 = (a1 / 2.0 - 2.0 * b1) / t
    return np.array([a0, a1, a2]), np.array([b0, b1, b2])


def rotation(vector: Array) -> tuple[Array, Array, Array]:
    """Rotation of a rotation vector p [rad]: R (3,3), dR/dp_i (3,3,3), d2R/dp_i dp_j (3,3,3,3).

    R = I + A W + B W^2, W = [p]x, A = sin|p|/|p|, B = (1 - cos|p|)/|p|^2 (Rodrigues); regular below one turn.
    """
    (a, at, att), (b, bt, btt) = _sinc_pair(float(vector @ vector))
    w, unit = cross_matrix(vector), [cross_matrix(e) for e in np.eye(3)]
    square = w @ w
    first, second = np.empty((3, 3, 3)), np.empty((3, 3, 3, 3))
    slope = [e @ w + w @ e for e in unit]
    for i in range(3):
        first[i] = 2 * at * vector[i] * w + a * unit[i] + 2 * bt * vector[i] * square + b * slope[i]
        for j in range(3):
            delta = float(i == j)
            second[i, j] = (4 * att * vector[i] * vector[j] + 2 * at * delta) * w
            second[i, j] += 2 * at * (vector[i] * unit[j] + vector[j] * unit[i])
            second[i, j] += (4 * btt * vector[i] * vector[j] + 2 * bt * delta) * square
            second[i, j] += 2 * bt * (vector[i] * slope[j] + vector[j] * slope[i])
            second[i, j] += b * (unit[i] @ unit[j] + unit[j] @ unit[i])
    return np.eye(3) + a * w + b * square, first, second


def turn(axis: Array, angle: float) -> Array:
    """Rotation (3, 3) by any angle [rad] about an axis through the origin."""
    w = cross_matrix(np.asarray(axis, float) / np.linalg.norm(axis))
    return np.asarray(np.eye(3) + np.sin(angle) * w + (1.0 - np.cos(angle)) * (w @ w), dtype=np.float64)


@dataclass(frozen=True)
class RigidBody:
    """A rigid body that carries 3-vectors of unknowns.

    dofs (m, 3): the unknowns; vectors (m, 3): their rest values; points (m,): True where the vector is a
    position, False where it is a derivative. `shift` says for each axis whether the translation is
    HELD, DRIVEN (by level * travel) or ANY (free); `spin` is HELD, DRIVEN (level * angle about `axis`),
    ABOUT_AXIS (one free angle, any number of turns) or ANY (free rotation vector, less than one turn).
    `force` (3,) [N] and `moment` [N mm] (about `axis`, only with ABOUT_AXIS; it does the work moment * angle)
    are loads per unit of level.
    """

    dofs: Index
    vectors: Array
    points: Mask
    centre: tuple[float, float, float]
    shift: tuple[str, str, str] = (HELD, HELD, HELD)
    travel: tuple[float, float, float] = (0.0, 0.0, 0.0)
    spin: str = HELD
    axis: tuple[float, float, float] = (0.0, 0.0, 1.0)
    angle: float = 0.0
    force: tuple[float, float, float] = (0.0, 0.0, 0.0)
    moment: float = 0.0
    lever: float = 1.0  # mm; weighs an angle as a length when steps are measured

    def __post_init__(self) -> None:
        if self.moment and self.spin != ABOUT_AXIS:
            raise ValueError(
                "a body loaded by a moment must be free to turn about its axis (spin=ABOUT_AXIS)"
            )
        for k, kind in enumerate(self.shift):
            if kind not in (HELD, DRIVEN, ANY):
                raise ValueError(f"shift[{k}] must be HELD, DRIVEN or ANY, got {kind!r}")
        if self.spin not in (HELD, DRIVEN, ABOUT_AXIS, ANY):
            raise ValueError(f"spin must be HELD, DRIVEN, ABOUT_AXIS or ANY, got {self.spin!r}")

    @property
    def free_shifts(self) -> tuple[int, ...]:
        return tuple(k for k in range(3) if self.shift[k] == ANY)

    @property
    def free_spins(self) -> int:
        return {ABOUT_AXIS: 1, ANY: 3}.get(self.spin, 0)

    @property
    def unknowns(self) -> int:
        return len(self.free_shifts) + self.free_spins

    @cached_property
    def relative(self) -> Array:
        """Rest vectors with the centre taken off the positions."""
        return np.where(self.points[:, None], self.vectors - np.array(self.centre), self.vectors)

    def loads(self) -> Array:
        """Work-conjugate loads (unknowns,) per unit of level."""
        spins = np.zeros(self.free_spins)
        if self.spin == ABOUT_AXIS:
            spins[0] = self.moment
        return np.concatenate([[self.force[k] for k in self.free_shifts], spins])

    def weights(self) -> Array:
        """What makes each unknown a length."""
        return np.concatenate([np.ones(len(self.free_shifts)), np.full(self.free_spins, self.lever)])

    def place(self, p: Array, level: float) -> tuple[Array, Array]:
        """Centre (3,) and rotation (3, 3)."""
        centre = np.array(self.centre)
        for k in range(3):
            if self.shift[k] == DRIVEN:
                centre[k] += level * self.travel[k]
        centre[list(self.free_shifts)] += p[: len(self.free_shifts)]
        if self.spin == DRIVEN:
            return centre, turn(np.array(self.axis), level * self.angle)
        if self.spin == ABOUT_AXIS:
            return centre, turn(np.array(self.axis), float(p[-1]))
        return centre, rotation(p[-3:])[0] if self.spin == ANY else np.eye(3)

    def vectors_at(self, p: Array, level: float) -> Array:
        """Carried vectors (m, 3)."""
        centre, spin = self.place(p, level)
        return np.asarray(self.relative @ spin.T + np.where(self.points[:, None], centre, 0.0))

    def derivative(self, p: Array, level: float) -> Array:  # noqa: ARG002 - other carriers need the level
        """d(carried vectors)/d(unknowns), (m, 3, unknowns)."""
        result = np.zeros((len(self.vectors), 3, self.unknowns))
        for column, k in enumerate(self.free_shifts):
            result[:, k, column] = self.points
        offset = len(self.free_shifts)
        for i, matrix in enumerate(self._first(p)):
            result[:, :, offset + i] = self.relative @ matrix.T
        return result

    def curvature(self, p: Array, gradient: Array) -> Array:
        """Sum of gradient (m, 3) times the second derivative of the vectors, (unknowns, unknowns)."""
        result = np.zeros((self.unknowns, self.unknowns))
        offset, count = len(self.free_shifts), self.free_spins
        moment = gradient.T @ self.relative
        if self.spin == ABOUT_AXIS:
            w = cross_matrix(np.array(self.axis) / np.linalg.norm(self.axis))
            result[offset, offset] = np.sum((turn(np.array(self.axis), float(p[-1])) @ w @ w) * moment)
        elif count == 3:
            result[offset:, offset:] = np.einsum("ijab,ab->ij", rotation(p[-3:])[2], moment)
        return result

    def resultant(self, p: Array, level: float, gradient: Array) -> tuple[Array, Array]:
        """Force (3,) [N] and moment (3,) about the body's centre [N mm] that the body exerts on the
        structure, from the structure's gradient (m, 3) with respect to the carried vectors.
        """
        _, spin = self.place(p, level)
        force = gradient[self.points].sum(axis=0)
        return force, np.cross(self.relative @ spin.T, gradient).sum(axis=0)

    def _first(self, p: Array) -> list[Array]:
        if self.spin == ABOUT_AXIS:
            axis = np.array(self.axis) / np.linalg.norm(self.axis)
            return [turn(axis, float(p[-1])) @ cross_matrix(axis)]
        return list(rotation(p[-3:])[1]) if self.spin == ANY else []


class Carrier(Protocol):
    """Whatever carries vectors of unknowns (m, 3) by fewer unknowns of its own: rigid bodies, plane
    sections.
    """

    @property
    def dofs(self) -> Index: ...

    @property
    def unknowns(self) -> int: ...

    @property
    def free_spins(self) -> int: ...

    def loads(self) -> Array: ...

    def weights(self) -> Array: ...

    def vectors_at(self, p: Array, level: float) -> Array: ...

    def derivative(self, p: Array, level: float) -> Array: ...

    def curvature(self, p: Array, gradient: Array) -> Array: ...

    def resultant(self, p: Array, level: float, gradient: Array) -> tuple[Array, Array]: ...


@dataclass(frozen=True)
class Ends:
    """Held unknowns (k,) at values + level * travel, and rigid bodies; the rest of `size` unknowns is
    free.
    """

    size: int
    held: Index = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    values: Array = field(default_factory=lambda: np.zeros(0))
    travel: Array | None = None
    bodies: tuple[Carrier, ...] = ()

    @cached_property
    def free(self) -> Index:
        """The full unknowns that stay unknown, in order."""
        mask = np.ones(self.size, dtype=bool)
        mask[self.held] = False
        for body in self.bodies:
            mask[body.dofs.ravel()] = False
        return np.flatnonzero(mask)

    @cached_property
    def number(self) -> Index:
        """Reduced number (size,) of each full unknown; -1 if it is held or carried."""
        number = np.full(self.size, -1, dtype=np.int64)
        number[self.free] = np.arange(self.free.size)
        return number

    @cached_property
    def slots(self) -> tuple[slice, ...]:
        """Where each body's own unknowns sit in the reduced vector."""
        slots, at = [], self.free.size
        for body in self.bodies:
            slots.append(slice(at, at + body.unknowns))
            at += body.unknowns
        return tuple(slots)

    @property
    def reduced_size(self) -> int:
        return int(self.free.size) + sum(body.unknowns for body in self.bodies)

    def expand(self, u: Array, level: float) -> Array:
        """Full vector (size,) of reduced unknowns at a level."""
        x = np.empty(self.size)
        x[self.free] = u[: self.free.size]
        x[self.held] = self.values if self.travel is None else self.values + level * self.travel
        for body, slot in zip(self.bodies, self.slots, strict=True):
            x[body.dofs] = body.vectors_at(u[slot], level)
        return x

    def reduce(self, x: Array) -> Array:
        """Reduced start vector of a full rest vector (bodies unmoved)."""
        u = np.zeros(self.reduced_size)
        u[: self.free.size] = x[self.free]
        return u

    def pull_back(self, u: Array, level: float, gradient: Array) -> Array:
        """Gradient in the reduced unknowns of a full gradient (size,)."""
        result = np.empty(self.reduced_size)
        result[: self.free.size] = gradient[self.free]
        for body, slot in zip(self.bodies, self.slots, strict=True):
            result[slot] = np.einsum("mci,mc->i", body.derivative(u[slot], level), gradient[body.dofs])
        return result

    def push_forward(self, u: Array, level: float, step: Array) -> Array:
        """Full change (size,) to first order of a change of the reduced unknowns."""
        change = np.zeros(self.size)
        change[self.free] = step[: self.free.size]
        for body, slot in zip(self.bodies, self.slots, strict=True):
            change[body.dofs] = body.derivative(u[slot], level) @ step[slot]
        return change

    def weights(self, full: Array) -> Array:
        """Weights (reduced,) from full weights (size,)."""
        return np.concatenate([full[self.free], *(body.weights() for body in self.bodies)])

    def body_blocks(self, u: Array, gradient: Array, tables: tuple[Index, ...]) -> list[Blocks]:
        """Second derivative of each body's rotation times the full gradient, one block a body."""
        return [
            Blocks(table, body.curvature(u[slot], gradient[body.dofs])[None])
            for body, slot, table in zip(self.bodies, self.slots, tables, strict=True)
            if body.unknowns
        ]
