"""A von Mises truss and a column on a spring: structures with known branches."""

from __future__ import annotations

import numpy as np

from fem.core.term import Array, Blocks, Evaluation
from fem.solvers.constraints import Ends
from fem.solvers.static_problem import Structure

EA, A, H = 1e4, 10.0, 1.0


L0 = np.hypot(A, H)


class Bars:
    """Straight bars (m, 2 nodes) in 3-D with Green strain; unknowns are node positions."""

    def __init__(self, rest: Array, pairs: list[tuple[int, int]], stiffness: float) -> None:
        self.pairs, self.stiffness = np.array(pairs), stiffness
        spans = rest[self.pairs[:, 1]] - rest[self.pairs[:, 0]]
        self.lengths = np.linalg.norm(spans, axis=1)
        self.dofs = (3 * self.pairs[:, :, None] + np.arange(3)).reshape(len(pairs), 6)

    def evaluate(self, u: Array, order: int) -> Evaluation:  # noqa: ARG002
        x = u.reshape(-1, 3)
        span = x[self.pairs[:, 1]] - x[self.pairs[:, 0]]
        strain = (np.sum(span**2, axis=1) / self.lengths**2 - 1.0) / 2.0
        energy = float(np.sum(self.stiffness * self.lengths * strain**2) / 2.0)
        force = self.stiffness * strain / self.lengths
        row = np.hstack([-span, span])
        gradient = np.bincount(self.dofs.ravel(), (force[:, None] * row).ravel(), minlength=u.size)
        material = (self.stiffness / self.lengths**3)[:, None, None] * row[:, :, None] * row[:, None, :]
        pattern = np.kron(np.array([[1.0, -1.0], [-1.0, 1.0]]), np.eye(3))
        return Evaluation(energy, gradient, (Blocks(self.dofs, material + force[:, None, None] * pattern),))


class Load:
    """Dead load f (n,): energy -f . u."""

    def __init__(self, force: Array) -> None:
        self.force = force

    def evaluate(self, u: Array, order: int) -> Evaluation:  # noqa: ARG002
        return Evaluation(-float(self.force @ u), -self.force)


def truss(load: float) -> tuple[Structure, Array]:
    """Two-bar truss, crown node 1 free to move up and down; level 1 is the load."""
    rest = np.array([[-A, 0.0, 0.0], [0.0, H, 0.0], [A, 0.0, 0.0]])
    held = np.array([0, 1, 2, 3, 5, 6, 7, 8])
    force = np.zeros(9)
    force[4] = -load
    ends = Ends(9, held, rest.ravel()[held])
    return Structure([Bars(rest, [(0, 1), (1, 2)], EA)], ends, [Load(force)]), ends.reduce(rest.ravel())


def exact(drop: float) -> float:
    return EA * (H - drop) * (2 * H * drop - drop**2) / L0**3


SPRING, AXIAL = 2.0, 50.0


class Column:
    """Unknowns: lean a [rad], shortening e. Energy k a^2/2 + c e^2/2."""

    def evaluate(self, u: Array, order: int) -> Evaluation:  # noqa: ARG002
        stiffness = np.array([SPRING, AXIAL])
        block = Blocks(np.array([[0, 1]]), np.diag(stiffness)[None])
        return Evaluation(float(stiffness @ u**2) / 2.0, stiffness * u, (block,))


class Push:
    """Work of a unit load at the head: -(1 - cos a) - e."""

    def evaluate(self, u: Array, order: int) -> Evaluation:  # noqa: ARG002
        block = Blocks(np.array([[0, 1]]), np.diag([-np.cos(u[0]), 0.0])[None])
        return Evaluation(-(1 - np.cos(u[0])) - u[1], np.array([-np.sin(u[0]), -1.0]), (block,))
